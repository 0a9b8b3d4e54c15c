"""Series by ray tracing: one scene, one camera, a lamp with its equipment per frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import photos
import torch
import tracer
import worlds
from camera import Light
from equipment import Layer
from textures import Picture, Rng, fractal, texture
from torch import Tensor
from tracer import Lamp, Shape, Surface

OVERSAMPLING = 1.5
"""Rendered pixels per picture pixel and axis, so that thin poles and edges are soft."""

TEXTURES = 8


def scene(rng: Rng, cutouts: Path, device: torch.device, *, largest: float = 1200) -> Light:
    """One rendered scene of 2 to 16 lamps."""
    shape = photos.size(rng)
    shrink = min(1.0, largest / max(shape))
    shape = int(shape[0] * shrink), int(shape[1] * shrink)
    stage = _Stage(rng, shape, device)
    n = photos.count(rng, 14)
    bare = rng.random() < (0.4 if stage.table else 0.08)
    lamps, layers, mirrored, shaded = [], [], [], []
    for _ in range(n):
        lamp, rig = stage.lamp()
        rig = [] if bare or rng.random() < 0.06 else rig
        light, layer, mirror = stage.light(lamp, rig)
        shaded.append(stage.contact() if rig else None)
        lamps.append(light)
        mirrored.append(mirror)
        layers.append([layer] if layer is not None else [])
        if not bare and rng.random() < 0.15:
            layers[-1] += photos.setup(rng, cutouts, shape)
    if rng.random() < 0.15 and n > 3:  # a stand that stays for a second frame, its lamp off or on
        k = int(rng.integers(n - 1))
        layers[k + 1] += [
            Layer(s.flash * np.float32(rng.choice([0, 1])), s.ambient, s.alpha, s.in_scene) for s in layers[k]
        ]
    moving = photos.wind(rng, shape) if rng.random() < 0.3 else None
    return Light(
        stage.ambient,
        lamps,
        layers,
        mirrored,
        moving,
        dark_room=rng.random() < 0.2,
        bright_room=stage.table and rng.random() < 0.5,
        shaded=shaded,
    )


class _Stage:
    """A scene seen by a camera, with everything that no lamp changes."""

    def __init__(self, rng: Rng, shape: tuple[int, int], device: torch.device) -> None:
        self.rng, self.shape, self.device = rng, shape, device
        pool = np.stack([texture(rng) for _ in range(TEXTURES)])
        self.textures = torch.as_tensor(pool, device=device)
        self.bench = worlds.Workbench(rng, device, TEXTURES)
        self.table = rng.random() < 0.33
        self.shapes = worlds.surroundings(self.bench, table=self.table) + worlds.subject(self.bench)
        self._camera()
        distance, which = tracer.first_hit(self.shapes, self.eye, self.rays)
        self.distance = distance
        points = self.eye + self.rays * distance.clamp(max=500)[:, None]
        self.surface = tracer.surface(self.shapes, self.textures, which, points, self.rays)
        self._sky()
        self.glossy = (self.surface.mirror > 0.02) & (which >= 0)
        self.reflection = self._reflect(self.surface.at(self.glossy))
        ambient = self.skylight(self.surface)
        if self.glossy.any():
            ambient[self.glossy] += self.surface.mirror[self.glossy, None] * self.skylight(self.reflection)
        self.ambient = self.picture(ambient)

    def _camera(self) -> None:
        r, (h, w) = self.rng, self.shape
        eye = np.array([r.normal(0, 0.5), -r.uniform(2.6, 6.5), r.uniform(0.4, 1.9)])
        ahead = np.array([r.normal(0, 0.3), 0, r.uniform(0.3, 0.9)]) - eye
        ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, [0, 0, 1])
        right /= np.linalg.norm(right)
        up = np.cross(right, ahead)
        self.size = int(h * OVERSAMPLING), int(w * OVERSAMPLING)
        span = r.uniform(0.38, 0.75) / (0.5 * max(self.size))
        y, x = np.mgrid[: self.size[0], : self.size[1]].astype(np.float32)
        x, y = (x - self.size[1] / 2) * span, (self.size[0] / 2 - y) * span
        rays = ahead + x[..., None] * right + y[..., None] * up
        rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
        self.eye = torch.as_tensor(eye.astype(np.float32), device=self.device)
        self.rays = torch.as_tensor(rays.reshape(-1, 3).astype(np.float32), device=self.device)

    def _sky(self) -> None:
        r = self.rng
        low, high = (
            torch.as_tensor((0.3 + r.random(3) * [1, 0.7, 1]).astype(np.float32), device=self.device) for _ in range(2)
        )
        self.sky_low, self.sky_high = low * float(r.uniform(0.5, 1.5)), high * float(r.uniform(0.2, 1))
        clouds = np.exp(r.uniform(0, 0.5) * fractal(r, self.size, cells=3, octaves=5)).ravel()
        self.clouds = torch.as_tensor(clouds.astype(np.float32), device=self.device)

    def skylight(self, s: Surface) -> Tensor:
        """What the sky makes of the points, (n, 3)."""
        up = s.normal[:, 2:3]
        side = s.normal[:, 0:1]
        light = self.sky_high * (0.45 + 0.45 * up) + self.sky_low * (0.15 + 0.1 * side)
        grounded = (0.3 + s.points[:, 2:3].clamp(min=0)).clamp(max=1)
        result = s.albedo * light * grounded + s.emission * 0
        t = s.ray[:, 2:3].clamp(0, 0.6) / 0.6
        above = self.sky_low * (1 - t) + self.sky_high * t
        if len(above) == len(self.clouds):
            above = above * self.clouds[:, None]
        return torch.where((s.which < 0)[:, None], above, result)

    def _reflect(self, s: Surface) -> Surface:
        ray = s.ray - 2 * (s.ray * s.normal).sum(-1, keepdim=True) * s.normal
        start = s.points + s.normal * 2e-3
        distance, which = tracer.first_hit(self.shapes, start, ray)
        self.mirror_start, self.mirror_ray, self.mirror_distance = start, ray, distance
        points = start + ray * distance.clamp(max=500)[:, None]
        return tracer.surface(self.shapes, self.textures, which, points, ray)

    def lamp(self) -> tuple[Lamp, list[Shape]]:
        """A lamp somewhere round the subject, with its equipment."""
        r = self.rng
        angle = r.uniform(0, 2 * np.pi)
        radius = r.uniform(0.9, 3.5)
        at = np.array([np.cos(angle) * radius, np.sin(angle) * radius * 0.9, r.uniform(0.25, 2.8)])
        if r.random() < 0.25:  # close to the camera's axis, in front of the subject
            eye = self.eye.cpu().numpy()
            at = eye * r.uniform(0.35, 0.75) + [r.normal(0, 0.6), 0, 0]
            at[2] = r.uniform(0.4, 1.8)
        if self.table:  # before the wall, mostly beside the picture
            at = np.array([r.normal(0, 1.8), -r.uniform(0.6, 3.5), r.uniform(0.3, 2.8)])
        elif r.random() < 0.15:  # its head at the picture's edge
            at = self._at_edge()
        aim = np.array([r.normal(0, 0.4), r.normal(0, 0.4), r.uniform(0, 0.8)]) - at
        aim /= np.linalg.norm(aim)
        power = self.bench.tensor([1, r.uniform(0.9, 1), r.uniform(0.75, 1.1)]) * float(
            (at @ at) * np.exp(r.normal(0, 0.3))
        )
        narrow = r.random() < 0.25  # a grid or a snoot: lights one thing alone
        edge = float(np.cos(np.radians(r.uniform(5, 25) if narrow else r.uniform(30, 89))))
        soft = float(r.uniform(0.003, 0.05) if narrow else r.uniform(0.05, 0.4))
        tensor = self.bench.tensor
        lamp = Lamp(tensor(at + aim * 0.02), tensor(aim), edge, soft, power, self._flags(aim))
        return lamp, worlds.rig(self.bench, lamp, at, aim)

    def _flags(self, aim: np.ndarray) -> list[tuple[Tensor, float, float]]:
        """Straight edges outside of the picture that cut the lamp's light: broad shadows that one frame alone has."""
        r = self.rng
        result = []
        for _ in range(int(r.choice([0, 1, 2], p=[0.75, 0.15, 0.1]))):
            normal = np.cross(aim, r.normal(0, 1, 3))
            normal /= np.linalg.norm(normal) + 1e-6
            soft = float(np.exp(r.uniform(np.log(0.001), np.log(0.1))))
            result.append((self.bench.tensor(normal), float(r.uniform(-0.35, 0.1)), soft))
        return result

    def contact(self) -> Picture:
        """Share of the sky's light that is left beside what the last rig stands on the ground with: (h, w, 1)."""
        points = self.surface.points
        left = torch.ones(len(points), device=self.device)
        for at, radius in self.bench.contacts:
            away = ((points - self.bench.tensor(at)) ** 2).sum(-1)
            left *= 1 - 0.7 * torch.exp(-away / (2 * radius * radius))
        return self.picture(left[:, None])[..., None]

    def _at_edge(self) -> np.ndarray:
        """A place that the picture shows at its left, right or upper edge."""
        r, (h, w) = self.rng, self.size
        row, column = r.uniform(0.02, 0.6) * h, r.choice([0.005, 0.015, 0.985, 0.995]) * w
        if r.random() < 0.5:
            row, column = r.uniform(0.0, 0.03) * h, r.uniform(0.05, 0.95) * w
        ray = self.rays[int(row) * w + int(column)].cpu().numpy()
        at = self.eye.cpu().numpy() + ray * r.uniform(1.5, 5.5)
        at[2] = max(at[2], 0.25)
        return at

    def light(self, lamp: Lamp, rig: list[Shape]) -> tuple[Picture, Layer | None, Picture]:
        """What the lamp makes of the scene, the equipment in front of it, and its mirror image."""
        everything = self.shapes + rig
        light = tracer.shade(self.surface, lamp, everything)
        mirror = torch.zeros_like(light)
        if self.glossy.any():
            share = self.surface.mirror[self.glossy, None]
            seen = tracer.shade(self.reflection, lamp, everything)
            light[self.glossy] += share * seen
            if rig:
                hit, flash, ambient = self._rig(rig, lamp, self.mirror_start, self.mirror_ray, self.mirror_distance)
                change = torch.zeros_like(seen)
                change[hit] = flash - seen[hit]
                mirror[self.glossy] = share * change
        layer = None
        if rig:
            hit, flash, ambient = self._rig(rig, lamp, self.eye, self.rays, self.distance)
            if hit.any():
                full = torch.zeros((2, *light.shape), device=self.device)
                full[0, hit], full[1, hit] = flash, ambient
                layer = Layer(
                    self.picture(full[0]), self.picture(full[1]), self.picture(hit.float()[:, None]), in_scene=True
                )
        return self.picture(light), layer, self.picture(mirror)

    def _rig(
        self, rig: list[Shape], lamp: Lamp, start: Tensor, ray: Tensor, limit: Tensor
    ) -> tuple[Tensor, Tensor, Tensor]:
        """Which rays meet the equipment first, and its light there from its own flash and from the sky."""
        distance, which = tracer.first_hit(rig, start, ray)
        hit = (distance < limit) & (which >= 0)
        origin = start if start.ndim == 1 else start[hit]
        s = tracer.surface(rig, self.textures, which[hit], origin + ray[hit] * distance[hit, None], ray[hit])
        shining = ((s.normal * lamp.aim).sum(-1, keepdim=True) > 0.05) & (s.emission.amax(-1, keepdim=True) > 0)
        flash = tracer.shade(s, lamp, self.shapes + rig) + torch.where(shining, s.emission, 0)
        sky = self.skylight(s) + s.mirror[:, None] * self.sky_low * 0.4
        return hit, flash + s.mirror[:, None] * lamp.power * 0.05 * s.normal[:, 2:3].abs(), sky

    def picture(self, values: Tensor) -> Picture:
        """Rendered values (n, c) as a picture of the series' size."""
        big = values.reshape(*self.size, -1).clamp(-1000, 1000).permute(2, 0, 1)[None]
        small = torch.nn.functional.interpolate(big, self.shape, mode="area")[0].permute(1, 2, 0)
        return small.squeeze(-1).contiguous().cpu().numpy()

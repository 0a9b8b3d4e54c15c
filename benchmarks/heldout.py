"""Make held-out scenes: photographs from scikit-image, relit, with drawn equipment.

    python benchmarks/heldout.py OUTPUT_FOLDER [garage launch table]

Nothing here shares code, pictures or equipment with the training data of the detector: the geometry is a measured or
made-up depth map, light and hard shadows are traced through it, the equipment is drawn from lines, ellipses and
capsules. Writes per scene frames/NN.jpg and truth/ (ideal.tif, ambient.tif, equipment_NN.png, homographies.json,
meta.json). Never tune on these scenes.

Pictures: `skimage.data.stereo_motorcycle` with its disparity (focal length, baseline and offset from its docstring),
`rocket`, `coffee`, `gravel`, `grass`.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import skimage.data
import tifffile
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

Picture = NDArray[np.float32]
OVERSAMPLE = 3
FULL_WELL, READ_NOISE = 16000.0, 4.0  # electrons; about ISO 800 on a large sensor, common practice, no source


def decode(v: NDArray[Any]) -> Picture:
    v = v.astype(np.float32) / (255 if v.dtype == np.uint8 else 1)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def encode(v: Picture) -> Picture:
    v = np.clip(v, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055).astype(np.float32)


@dataclass
class World:
    """What the camera sees: albedo, depth (m), own ambient light (linear), what no lamp reaches."""

    albedo: Picture
    depth: Picture
    ambient: Picture
    sky: Picture
    focal_px: float
    leaves: NDArray[Any] | None = None  # (n, 6): x, y, long, short, angle, shade

    @property
    def shape(self) -> tuple[int, int]:
        return self.albedo.shape[0], self.albedo.shape[1]

    def points(self) -> Picture:
        h, w = self.shape
        u, v = np.meshgrid(np.arange(w, dtype=np.float32) - w / 2, np.arange(h, dtype=np.float32) - h / 2)
        z = self.depth
        return np.dstack([u * z / self.focal_px, v * z / self.focal_px, z]).astype(np.float32)

    def at(self, x: float, y: float, z: float) -> Picture:
        h, w = self.shape
        return np.array([(x - w / 2) * z / self.focal_px, (y - h / 2) * z / self.focal_px, z], np.float32)


@dataclass
class Rig:
    """One lamp with what carries it; places in pixels of the picture, z in metres."""

    head: tuple[float, float]
    foot: tuple[float, float] | None
    z: float
    kind: str = "dish"  # dish, back, softbox, umbrella, tube, flash
    carrier: str = "stand"  # stand, boom, person, none
    pole: str = "black"
    size: float = 20.0
    power: float = 1.0
    colour: tuple[float, float, float] = (1.0, 0.95, 0.88)
    extras: tuple[str, ...] = ()
    clothes: tuple[float, float, float] = (0.05, 0.05, 0.07)
    aim: tuple[float, float] = (0.5, 0.6)  # share of the picture


def normals(world: World, bumps: float) -> Picture:
    p = world.points()
    for axis in range(3):
        p[..., axis] = cv2.GaussianBlur(p[..., axis], (0, 0), 2.0)
    dx = np.dstack([cv2.Sobel(p[..., k], cv2.CV_32F, 1, 0) for k in range(3)])
    dy = np.dstack([cv2.Sobel(p[..., k], cv2.CV_32F, 0, 1) for k in range(3)])
    n = np.cross(dy, dx)
    grey = cv2.GaussianBlur(np.log(world.albedo.mean(2) + 0.05), (0, 0), 0.8)
    n /= np.linalg.norm(n, axis=2, keepdims=True) + 1e-9
    n[..., 0] -= bumps * cv2.Sobel(grey, cv2.CV_32F, 1, 0)
    n[..., 1] -= bumps * cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    facing = np.sign((n * world.points()).sum(2, keepdims=True))
    n = -n * np.where(facing == 0, 1, facing)
    return (n / (np.linalg.norm(n, axis=2, keepdims=True) + 1e-9)).astype(np.float32)


def shadowed(world: World, lamp: Picture, steps: int = 56) -> Picture:
    """1 where the way to the lamp is free: marched through the depth map, things 0.35 m thick."""
    h, w = world.shape
    p = world.points()
    free = np.ones((h, w), np.float32)
    for t in np.linspace(0.01, 0.97, steps) ** 1.3:
        q = p + np.float32(t) * (lamp - p)
        z = np.maximum(q[..., 2], 0.05)
        u, v = q[..., 0] * world.focal_px / z + w / 2, q[..., 1] * world.focal_px / z + h / 2
        there = cv2.remap(world.depth, u, v, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=99)
        behind = z - there
        free[(behind > 0.03 + 0.02 * z) & (behind < 0.35)] = 0
    return cv2.GaussianBlur(free, (0, 0), 0.8)


def lamp_light(world: World, normal: Picture, rig: Rig) -> Picture:
    """Irradiance (h, w, 3) that the lamp brings to the world."""
    h, w = world.shape
    lamp = world.at(*rig.head, rig.z)
    to_lamp = lamp - world.points()
    r = np.linalg.norm(to_lamp, axis=2)
    slope = np.clip((to_lamp * normal).sum(2) / (r + 1e-6), 0, 1)
    row, col = int(rig.aim[1] * (h - 1)), int(rig.aim[0] * (w - 1))
    axis = world.points()[row, col] - lamp
    axis /= np.linalg.norm(axis) + 1e-9
    beam = np.clip(-(to_lamp @ axis) / (r + 1e-6), 0, 1) ** 2
    light = slope * beam * shadowed(world, lamp) / np.maximum(r, 0.25) ** 2 + 0.015 / np.maximum(r, 0.6) ** 2
    light *= 1 - world.sky
    return (rig.power * light[..., None] * np.array(rig.colour, np.float32)).astype(np.float32)


@dataclass
class Drawing:
    """Equipment as premultiplied layers over nothing."""

    shape: tuple[int, int]
    head: tuple[float, float]
    scale: float
    rng: np.random.Generator
    alpha: Picture = field(init=False)
    body: Picture = field(init=False)  # albedo, premultiplied
    emitted: Picture = field(init=False)

    def __post_init__(self) -> None:
        h, w = self.shape
        self.alpha = np.zeros((h, w), np.float32)
        self.body = np.zeros((h, w, 3), np.float32)
        self.emitted = np.zeros((h, w), np.float32)

    def lay(self, canvas: NDArray[np.uint8], albedo: Picture | tuple[float, ...], emission: float = 0) -> None:
        h, w = self.shape
        a = cv2.resize(canvas, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        colour = np.broadcast_to(np.asarray(albedo, np.float32), (h, w, 3))
        self.alpha = a + self.alpha * (1 - a)
        self.body = colour * a[..., None] + self.body * (1 - a[..., None])
        self.emitted = emission * a + self.emitted * (1 - a)

    def canvas(self) -> NDArray[np.uint8]:
        return np.zeros((self.shape[0] * OVERSAMPLE, self.shape[1] * OVERSAMPLE), np.uint8)

    def line(self, a: Any, b: Any, width: float, albedo: Any, emission: float = 0) -> None:
        c = self.canvas()
        s = OVERSAMPLE * 16
        p, q = (tuple(int(round(v * s)) for v in point) for point in (a, b))
        cv2.line(c, p, q, 255, max(1, round(width * OVERSAMPLE)), cv2.LINE_8, 4)
        self.lay(c, albedo, emission)

    def blob(self, centre: Any, axes: Any, angle: float, albedo: Any, emission: float = 0, arc: Any = (0, 360)) -> None:
        c = self.canvas()
        p = tuple(int(round(v * OVERSAMPLE)) for v in centre)
        q = tuple(max(1, int(round(v * OVERSAMPLE))) for v in axes)
        cv2.ellipse(c, p, q, angle, arc[0], arc[1], 255, -1)
        self.lay(c, albedo, emission)

    def quad(self, corners: Any, albedo: Any, emission: float = 0) -> None:
        c = self.canvas()
        cv2.fillPoly(c, [np.rint(np.array(corners) * OVERSAMPLE).astype(np.int32)], 255)
        self.lay(c, albedo, emission)

    def pole(self, a: Any, b: Any, width: float, finish: str) -> None:
        base = {"black": 0.025, "white": 0.7, "chrome": 0.12, "grey": 0.25}[finish]
        self.line(a, b, width, (base,) * 3)
        if finish == "chrome":
            for shift, value in ((-0.25, 1.6), (0.2, 0.02), (0.4, 0.6)):
                o = np.array([shift * width, 0.0])
                self.line(np.array(a) + o, np.array(b) + o, width * 0.22, (value,) * 3)
        for t in (0.35, 0.68):  # clamps
            m = np.array(a) * (1 - t) + np.array(b) * t
            self.blob(m, (width * 1.1, width * 1.3), 0, (0.03, 0.03, 0.03))

    def cloth(self, albedo: Any) -> Picture:
        h, w = self.shape
        folds = cv2.GaussianBlur(self.rng.standard_normal((h, w)).astype(np.float32), (0, 0), 3) * 4
        return (np.array(albedo, np.float32) * np.clip(1 + 0.5 * folds, 0.2, 2)[..., None]).astype(np.float32)


def draw_head(d: Drawing, rig: Rig) -> None:
    x, y = rig.head
    s = rig.size
    if rig.kind == "dish":
        d.blob((x, y), (s * 1.12, s), 15, (0.05, 0.05, 0.05))
        d.blob((x, y), (s, s * 0.88), 15, (0.9, 0.9, 0.9), 60)
    elif rig.kind == "back":
        d.quad([(x - s, y - 0.6 * s), (x + s, y - 0.9 * s), (x + s, y + 0.9 * s), (x - s, y + 0.6 * s)], (0.03,) * 3)
        d.blob((x + s, y), (0.25 * s, 0.95 * s), 0, (0.6, 0.6, 0.6), 3.0)
    elif rig.kind == "softbox":
        q = np.array([(x - s, y - 1.3 * s), (x + 0.8 * s, y - 1.5 * s), (x + 0.9 * s, y + 1.4 * s), (x - s, y + 1.2 * s)])
        d.quad(q, (0.02, 0.02, 0.02))
        d.quad((q - (x, y)) * 0.9 + (x, y), (0.9, 0.9, 0.9), 5)
    elif rig.kind == "umbrella":
        d.blob((x, y), (s * 2.2, s * 1.7), 25, (0.85, 0.85, 0.85), 1.6, (150, 330))
        for angle in np.deg2rad(np.arange(175, 356, 30)):
            d.line((x, y), (x + 2.1 * s * np.cos(angle), y + 1.7 * s * np.sin(angle)), 1.2, (0.05,) * 3)
        d.blob((x, y), (0.5 * s, 0.4 * s), 20, (0.04,) * 3)
    elif rig.kind == "tube":
        d.line((x - 0.5 * s, y - 3 * s), (x + 0.5 * s, y + 3 * s), 0.5 * s, (0.9,) * 3, 9)
        d.line((x + 0.4 * s, y + 2.6 * s), (x + 0.55 * s, y + 3.3 * s), 0.6 * s, (0.03,) * 3)
    elif rig.kind == "flash":
        d.quad([(x - 0.6 * s, y - 0.5 * s), (x + 0.7 * s, y - 0.5 * s), (x + 0.4 * s, y + 1.6 * s), (x - 0.3 * s, y + 1.6 * s)],
               (0.04,) * 3)  # fmt: skip
        d.quad([(x - 0.5 * s, y - 0.4 * s), (x + 0.6 * s, y - 0.4 * s), (x + 0.5 * s, y + 0.3 * s), (x - 0.4 * s, y + 0.3 * s)],
               (0.9,) * 3, 25)  # fmt: skip


def draw_stand(d: Drawing, rig: Rig) -> None:
    assert rig.foot is not None
    x, y = rig.head
    fx, fy = rig.foot
    wide = max(2.0, rig.size * 0.16)
    top = (x, y)
    if rig.carrier == "boom":
        top = (fx, min(y + 1.5 * rig.size, fy - 30))
        tail = np.array(top) + 0.3 * (np.array(top) - np.array([x, y]))
        d.pole((x, y), tail, wide * 0.8, rig.pole)
        d.blob(tail, (0.5 * rig.size, 0.7 * rig.size), 10, d.cloth((0.05, 0.045, 0.03)))
    length = abs(fy - top[1])
    hub = (fx, fy - 0.28 * length)
    for reach, drop in ((-0.26, 0.0), (0.24, 0.02), (0.05, 0.06)):
        d.line(hub, (fx + reach * length, fy + drop * length), wide * 0.8, (0.03,) * 3 if rig.pole == "black" else (0.3,) * 3)
    d.pole(top, (fx, fy - 0.03 * length), wide, rig.pole)
    if "sandbag" in rig.extras:
        d.blob((fx - 0.16 * length, fy - 0.05 * length), (0.11 * length, 0.06 * length), -12, d.cloth((0.1, 0.07, 0.03)))
    if "cable" in rig.extras:
        run = [(fx + t * 2.5 * length, fy + 0.06 * length * np.sin(9 * t) + 0.12 * length * t) for t in np.linspace(0, 1, 24)]
        for a, b in zip(run[:-1], run[1:], strict=True):
            d.line(a, b, 1.6, (0.03, 0.03, 0.03))


def draw_person(d: Drawing, rig: Rig) -> None:
    assert rig.foot is not None
    x, y = rig.head
    fx, fy = rig.foot
    tall = fy - y if abs(fx - x) < 0.2 * (fy - y) else 1.1 * (fy - y)
    u = tall / 7.5
    shirt, trousers, skin = d.cloth(rig.clothes), d.cloth((0.03, 0.035, 0.06)), (0.45, 0.3, 0.22)
    hip, neck = (fx, fy - 3.6 * u), (fx + 0.1 * u, fy - 6.2 * u)
    for shift in (-0.45, 0.4):
        d.line((hip[0] + 0.4 * shift * u, hip[1]), (fx + shift * u, fy), 0.75 * u, trousers)
        d.blob((fx + (shift + 0.1) * u, fy), (0.5 * u, 0.22 * u), 0, (0.05, 0.03, 0.02))
    d.line(hip, neck, 1.5 * u, shirt)
    d.blob((neck[0], neck[1] - 0.75 * u), (0.45 * u, 0.6 * u), 0, skin)
    d.blob((neck[0], neck[1] - 1.0 * u), (0.5 * u, 0.45 * u), 0, (0.04, 0.03, 0.02), 0, (180, 360))
    elbow = (0.5 * (neck[0] + x), 0.5 * (neck[1] + y) + 0.7 * u)
    d.line((neck[0], neck[1] + 0.2 * u), elbow, 0.5 * u, shirt)
    d.line(elbow, (x, y + rig.size), 0.42 * u, shirt)
    d.blob((x, y + 1.2 * rig.size), (0.28 * u, 0.25 * u), 0, skin)
    d.line((neck[0] - 0.5 * u, neck[1] + 0.2 * u), (hip[0] - 0.8 * u, hip[1]), 0.45 * u, shirt)


def leaf_layer(world: World, rng: np.random.Generator) -> tuple[Picture, Picture]:
    """Alpha and premultiplied albedo of the twigs in front, moved by the wind a little in each frame."""
    h, w = world.shape
    d = Drawing((h, w), (0, 0), 1, rng)
    if world.leaves is None:
        return d.alpha, d.body
    small = np.zeros((h * 2, w * 2, 4), np.float32)
    sway = rng.normal(0, 1.5, 2)
    for x, y, a, b, angle, shade in world.leaves:
        dx, dy = sway + rng.normal(0, 0.8, 2)
        colour = (0.10 * shade, 0.22 * shade, 0.05 * shade, 1.0)
        cv2.ellipse(small, (round(2 * (x + dx)), round(2 * (y + dy))), (round(2 * a), round(2 * b)), angle, 0, 360, colour, -1)
    small = cv2.resize(small, (w, h), interpolation=cv2.INTER_AREA)
    return small[..., 3].copy(), small[..., :3].copy()


def scatter(emitted: Picture) -> Picture:
    """Light that the lens spreads round what is bright (sum of Gaussians, 2 % of the light in all)."""
    h, w = emitted.shape
    out = np.zeros_like(emitted)
    for share, weight in ((0.0035, 0.006), (0.012, 0.006), (0.045, 0.005), (0.15, 0.004)):
        k = max(1, int(share * w / 3))
        low = cv2.resize(emitted, (max(1, w // k), max(1, h // k)), interpolation=cv2.INTER_AREA)
        low = cv2.GaussianBlur(low, (0, 0), share * w / k, borderType=cv2.BORDER_CONSTANT)
        out += weight * cv2.resize(low, (w, h), interpolation=cv2.INTER_LINEAR)
    return out


def nudge(rng: np.random.Generator, size: tuple[int, int], still: bool) -> NDArray[np.float64]:
    if still:
        return np.eye(3)
    h, w = size
    angle = np.deg2rad(rng.normal(0, 0.04))
    zoom = 1 + rng.normal(0, 0.0003)
    c, s = zoom * np.cos(angle), zoom * np.sin(angle)
    about = np.array([[1, 0, w / 2], [0, 1, h / 2], [0, 0, 1]])
    return about @ np.array([[c, -s, rng.normal(0, 1.5)], [s, c, rng.normal(0, 1.5)], [0, 0, 1]]) @ np.linalg.inv(about)


def expose(linear: Picture, rng: np.random.Generator) -> NDArray[np.uint8]:
    electrons = np.clip(linear, 0, 4) * FULL_WELL
    noisy = electrons + rng.standard_normal(linear.shape) * np.sqrt(electrons + READ_NOISE**2)
    noisy = np.clip(noisy / FULL_WELL, 0, 1).astype(np.float32)
    return np.rint(encode(noisy) * 255).astype(np.uint8)


def render_rig(world: World, rig: Rig | None, rng: np.random.Generator) -> tuple[Drawing | None, Picture]:
    """The drawing and what of it the camera sees (alpha), before leaves."""
    if rig is None or rig.carrier == "none":
        return None, np.zeros(world.shape, np.float32)
    d = Drawing(world.shape, rig.head, rig.size, rng)
    if rig.carrier in {"stand", "boom"}:
        draw_stand(d, rig)
    elif rig.carrier == "person":
        draw_person(d, rig)
    draw_head(d, rig)
    visible = cv2.GaussianBlur((world.depth > rig.z - 0.05).astype(np.float32), (0, 0), 0.7)
    return d, visible


def make_series(world: World, rigs: list[Rig | None], folder: Path, seed: int, first: int) -> None:
    rng = np.random.default_rng(seed)
    (folder / "frames").mkdir(parents=True, exist_ok=True)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    h, w = world.shape
    normal = normals(world, 0.35)
    ideal = np.zeros((h, w, 3), np.float32)
    matrices, facts = {}, []
    for number, rig in enumerate(rigs, start=first):
        name = f"{number:02d}"
        leaf_alpha, leaf_body = leaf_layer(world, np.random.default_rng(seed * 100 + number))
        gain = 1.0 if number == first else float(2 ** rng.normal(0, 0.08))
        light = np.zeros((h, w, 3), np.float32) if rig is None else lamp_light(world, normal, rig)
        leaf_light = 0.02 if rig is None else 0.02 + 0.5 * light.mean()
        leaves = leaf_body * leaf_light * 5

        def seen(ambient_gain: float, light: Picture = light, a: Picture = leaf_alpha, leaves: Picture = leaves) -> Picture:
            plain = ambient_gain * world.ambient + world.albedo * light
            return plain * (1 - a[..., None]) + leaves

        ideal = np.maximum(ideal, seen(1.0))
        frame = seen(gain)
        d, visible = render_rig(world, rig, rng)
        alpha = np.zeros((h, w), np.float32)
        if d is not None and rig is not None:
            yy, xx = np.mgrid[:h, :w].astype(np.float32)
            near = np.hypot(xx - rig.head[0], yy - rig.head[1]) / max(rig.size, 8)
            spill = rig.power * 0.5 / (1 + near / 2.5) ** 1.6 + 0.35 * world.ambient.mean() / 0.2
            keep = visible * (1 - leaf_alpha)
            alpha = d.alpha * keep
            frame = frame * (1 - alpha[..., None]) + d.body * (spill * keep)[..., None]
            emitted = d.emitted * keep
            frame += emitted[..., None] * np.array(rig.colour, np.float32) * 1.0
            frame += scatter(emitted)[..., None] * np.array(rig.colour, np.float32)
        m = nudge(rng, (h, w), number == first)
        back = np.linalg.inv(m)
        framed = cv2.warpPerspective(frame, back, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        mask = cv2.warpPerspective(alpha, back, (w, h), flags=cv2.INTER_LINEAR) > 0.4
        cv2.imwrite(str(folder / "frames" / f"{name}.jpg"), expose(framed, rng)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 93])
        if mask.any():
            cv2.imwrite(str(folder / "truth" / f"equipment_{name}.png"), mask.astype(np.uint8) * 255)
        matrices[name] = m.tolist()
        facts.append({"frame": name, "ambient_drift_ev": float(np.log2(gain)), "kind": "base" if rig is None else rig.kind})
    tifffile.imwrite(folder / "truth" / "ideal.tif", np.rint(encode(ideal) * 65535).astype(np.uint16))
    tifffile.imwrite(folder / "truth" / "ambient.tif", np.rint(encode(world.ambient) * 65535).astype(np.uint16))
    (folder / "truth" / "homographies.json").write_text(json.dumps(matrices))
    (folder / "truth" / "meta.json").write_text(json.dumps({"scene": folder.name, "frames": facts}))


def garage(folder: Path) -> None:
    """Indoors, real depth, chrome: six stands, one held flash, a head half out of the picture, one behind the subject."""
    left, _, disparity = skimage.data.stereo_motorcycle()
    valid = np.isfinite(disparity)
    nearest = distance_transform_edt(~valid, return_distances=False, return_indices=True)
    filled = disparity[tuple(nearest)].astype(np.float32)
    w, h = 1482, 1000
    depth = (193.001e-3 * 994.978) / (filled + 31.086)
    depth = cv2.bilateralFilter(cv2.medianBlur(depth.astype(np.float32), 5), 7, 0.08, 3)
    depth = cv2.resize(depth, (w, h), interpolation=cv2.INTER_LINEAR)
    albedo = decode(cv2.resize(left, (w, h), interpolation=cv2.INTER_CUBIC)) * 0.9
    window = np.linspace(1.3, 0.7, w, dtype=np.float32)[None, :, None] * np.array([0.85, 0.97, 1.15], np.float32)
    world = World(albedo, depth, albedo * window * 0.11, np.zeros((h, w), np.float32), 994.978 * 2)
    rigs: list[Rig | None] = [
        None,
        Rig((250, 330), (235, 830), 2.5, pole="black", size=26, power=3.5, aim=(0.45, 0.7), extras=("sandbag",)),
        Rig((1180, 240), (1205, 900), 1.9, "softbox", pole="chrome", size=55, power=2.4, aim=(0.6, 0.6)),
        Rig((700, 90), (420, 700), 2.8, "dish", "boom", "grey", 24, 5.0, aim=(0.5, 0.8)),
        Rig((560, 430), (640, 960), 1.7, "flash", "person", size=15, power=1.6, clothes=(0.55, 0.5, 0.1), aim=(0.75, 0.5)),
        Rig((10, 520), (-30, 930), 2.2, "dish", pole="white", size=34, power=1.6, aim=(0.4, 0.75)),
        Rig((900, 330), (900, 620), 4.0, "back", pole="black", size=22, power=5, aim=(0.85, 0.4)),
        Rig((1330, 420), (1340, 960), 2.0, "tube", pole="black", size=26, power=1.4, aim=(0.6, 0.85), extras=("cable",)),
        Rig((-150, -100), None, 2.0, carrier="none", power=2.5, aim=(0.3, 0.9)),
    ]
    make_series(world, rigs, folder, 7001, 0)


def launch(folder: Path) -> None:
    """Outdoors at dusk: heads before a bright sky, stands on gravel, leaves in front, an assistant in dark clothes."""
    w, h = 1200, 860
    horizon = 560
    top = decode(cv2.resize(skimage.data.rocket(), (w, 800), interpolation=cv2.INTER_CUBIC))[800 - horizon :]
    sky_picture = np.clip(top * 1.3, 0, 0.95)
    grain = decode(np.repeat(np.hstack([skimage.data.gravel(), skimage.data.grass()[::-1]])[..., None], 3, 2))
    focal = 0.95 * w
    v = np.arange(h - horizon, dtype=np.float32)[:, None]
    z = np.minimum(0.8 * focal / (v + 30), 40)  # a low camera, 0.8 m, horizon 30 rows above the edge of the gravel
    x = (np.arange(w, dtype=np.float32)[None] - w / 2) * z / focal
    tile_x, tile_y = np.mod(x * 300, 1023), np.mod(np.broadcast_to(z * 300, x.shape), 511)
    ground = cv2.remap(grain, tile_x.astype(np.float32), tile_y.astype(np.float32), cv2.INTER_AREA)
    ground = cv2.GaussianBlur(ground, (0, 0), 0.6) * np.array([1.0, 0.92, 0.8], np.float32)
    depth = np.vstack([np.full((horizon, w), 60, np.float32), np.broadcast_to(z, (h - horizon, w)).astype(np.float32)])
    body = np.zeros((h, w), np.uint8)  # crates in the foreground as subject
    for x0, y0, x1, y1, metres in ((430, 470, 610, 690, 5.6), (600, 540, 740, 700, 5.2), (520, 380, 600, 470, 5.7)):
        depth[y0:y1, x0:x1] = metres
        body[y0:y1, x0:x1] = 1
    wood = cv2.resize(skimage.data.coffee()[:180, 380:], (w, h), interpolation=cv2.INTER_CUBIC)
    albedo = np.vstack([np.full((horizon, w, 3), 0.1, np.float32), ground * 0.7])
    albedo = np.where(body[..., None] == 1, decode(wood) * 0.9, albedo)
    sky = (depth > 45).astype(np.float32)
    ambient = np.where(sky[..., None] == 1, np.vstack([sky_picture, np.zeros_like(ground)]), albedo * np.array([0.07, 0.08, 0.11]))
    rng = np.random.default_rng(5)
    n = 420
    leaves = np.column_stack([rng.normal(1010, 110, n), rng.normal(190, 80, n), rng.uniform(6, 14, n), rng.uniform(2, 5, n),
                              rng.uniform(0, 180, n), rng.uniform(0.5, 1.5, n)])  # fmt: skip
    world = World(albedo.astype(np.float32), depth, ambient.astype(np.float32), sky, focal, leaves)
    rigs: list[Rig | None] = [
        None,
        Rig((200, 330), (190, 720), 4.6, pole="black", size=20, power=9, aim=(0.4, 0.75), extras=("sandbag",)),
        Rig((1000, 300), (985, 740), 4.4, pole="chrome", size=22, power=9, aim=(0.5, 0.75)),
        Rig((770, 200), (860, 730), 4.8, "umbrella", "boom", "black", 28, 8, aim=(0.5, 0.8)),
        Rig((330, 480), (250, 800), 4.0, "flash", "person", size=11, power=7, aim=(0.45, 0.7)),
        Rig((640, 250), (650, 640), 6.6, "back", pole="black", size=20, power=9, aim=(0.75, 0.75)),
        Rig((870, 520), (880, 760), 4.2, "dish", pole="white", size=18, power=5, aim=(0.7, 0.85), extras=("cable",)),
        Rig((560, 420), (545, 830), 3.6, "softbox", pole="black", size=34, power=4, aim=(0.3, 0.85)),
        Rig((1190, 420), (1215, 800), 3.9, "dish", pole="grey", size=24, power=6, aim=(0.75, 0.8)),
    ]
    make_series(world, rigs, folder, 7002, 0)


def table(folder: Path) -> None:
    """A table top without an ambient frame: small lamps, a hand, a tube, overlapping stands."""
    w, h = 1050, 700
    picture = skimage.data.coffee()
    albedo = decode(cv2.resize(picture, (w, h), interpolation=cv2.INTER_CUBIC)) * 0.95
    v = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    depth = np.broadcast_to(1.1 - 0.45 * v, (h, w)).astype(np.float32).copy()
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    saucer = np.clip(1 - np.hypot((xx - 480) / 365, (yy - 375) / 290) ** 6, 0, 1)
    cup = ((np.hypot((xx - 505) / 205, (yy - 200) / 165) < 1) | (np.hypot((xx - 495) / 170, (yy - 300) / 200) < 1)).astype(np.float32)
    depth -= 0.03 * saucer + 0.13 * cv2.GaussianBlur(cup, (0, 0), 6)
    world = World(albedo, depth, albedo * np.array([0.10, 0.085, 0.07], np.float32), np.zeros((h, w), np.float32), 1.1 * w)
    rigs: list[Rig | None] = [
        Rig((880, 150), (885, 610), 0.75, pole="black", size=26, power=0.29, aim=(0.5, 0.5)),
        Rig((820, 330), (800, 640), 0.7, "softbox", pole="chrome", size=44, power=0.27, aim=(0.45, 0.6)),
        Rig((150, 230), (130, 600), 0.8, "dish", pole="white", size=22, power=0.32, aim=(0.4, 0.5)),
        Rig((90, 420), (60, 640), 0.7, "tube", pole="black", size=22, power=0.22, aim=(0.4, 0.7)),
        Rig((300, 90), (180, 420), 0.9, "dish", "boom", "grey", 18, 0.36, aim=(0.5, 0.4)),
        Rig((700, 60), (930, 560), 0.8, "flash", "person", size=16, power=0.29, clothes=(0.6, 0.6, 0.62), aim=(0.5, 0.5)),
        Rig((-200, 300), None, 0.6, carrier="none", power=0.45, aim=(0.3, 0.6)),
    ]
    make_series(world, rigs, folder, 7003, 1)


SCENES = {"garage": garage, "launch": launch, "table": table}

if __name__ == "__main__":
    cv2.setNumThreads(1)
    for scene in sys.argv[2:] or SCENES:
        SCENES[scene](Path(sys.argv[1]) / scene)

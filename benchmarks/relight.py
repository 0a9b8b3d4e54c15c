"""Light, hard shadows and drawn equipment for the held-out scenes (see heldout.py)."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

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
        p, q = (tuple(round(v * s) for v in point) for point in (a, b))
        cv2.line(c, p, q, 255, max(1, round(width * OVERSAMPLE)), cv2.LINE_8, 4)
        self.lay(c, albedo, emission)

    def blob(self, centre: Any, axes: Any, angle: float, albedo: Any, emission: float = 0, arc: Any = (0, 360)) -> None:
        c = self.canvas()
        p = tuple(round(v * OVERSAMPLE) for v in centre)
        q = tuple(max(1, round(v * OVERSAMPLE)) for v in axes)
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
        d.quad(
            [(x - s, y - 0.6 * s), (x + s, y - 0.9 * s), (x + s, y + 0.9 * s), (x - s, y + 0.6 * s)],
            (0.03,) * 3,
        )
        d.blob((x + s, y), (0.25 * s, 0.95 * s), 0, (0.6, 0.6, 0.6), 3.0)
    elif rig.kind == "softbox":
        q = np.array(
            [
                (x - s, y - 1.3 * s),
                (x + 0.8 * s, y - 1.5 * s),
                (x + 0.9 * s, y + 1.4 * s),
                (x - s, y + 1.2 * s),
            ]
        )
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
        box = np.array([(-0.6, -0.5), (0.7, -0.5), (0.4, 1.6), (-0.3, 1.6)])
        d.quad(box * s + (x, y), (0.04,) * 3)
        front = np.array([(-0.5, -0.4), (0.6, -0.4), (0.5, 0.3), (-0.4, 0.3)])
        d.quad(front * s + (x, y), (0.9,) * 3, 25)


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
        d.line(
            hub,
            (fx + reach * length, fy + drop * length),
            wide * 0.8,
            (0.03,) * 3 if rig.pole == "black" else (0.3,) * 3,
        )
    d.pole(top, (fx, fy - 0.03 * length), wide, rig.pole)
    if "sandbag" in rig.extras:
        d.blob(
            (fx - 0.16 * length, fy - 0.05 * length),
            (0.11 * length, 0.06 * length),
            -12,
            d.cloth((0.1, 0.07, 0.03)),
        )
    if "cable" in rig.extras:
        run = [
            (fx + t * 2.5 * length, fy + 0.06 * length * np.sin(9 * t) + 0.12 * length * t)
            for t in np.linspace(0, 1, 24)
        ]
        for a, b in itertools.pairwise(run):
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
        cv2.ellipse(
            small,
            (round(2 * (x + dx)), round(2 * (y + dy))),
            (round(2 * a), round(2 * b)),
            angle,
            0,
            360,
            colour,
            -1,
        )
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

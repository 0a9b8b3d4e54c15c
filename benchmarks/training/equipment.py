"""Flat equipment: the shared cut-outs, and stands, booms, umbrellas, tubes, cables and people drawn here."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from textures import Picture, Rng, colour, fractal


@dataclass
class Layer:
    """A thing in front of the picture, linear light, premultiplied: what its flash and what the ambient make of it."""

    flash: Picture  # (h, w, 3)
    ambient: Picture  # (h, w, 3)
    alpha: Picture  # (h, w)
    in_scene: bool = False  # in the units of the scene's own light rather than of the finished picture


@dataclass
class Canvas:
    """Draws with soft edges: shapes are painted four times too large and shrunk."""

    shape: tuple[int, int]
    scale: int = 2
    flash: Picture = field(init=False)
    ambient: Picture = field(init=False)
    alpha: Picture = field(init=False)

    def __post_init__(self) -> None:
        h, w = (s * self.scale for s in self.shape)
        self.flash = np.zeros((h, w, 3), np.float32)
        self.ambient = np.zeros((h, w, 3), np.float32)
        self.alpha = np.zeros((h, w), np.float32)

    def paint(self, mask: Picture, flash: Picture, ambient: Picture, shading: Picture | None = None) -> None:
        x, y, w, h = cv2.boundingRect(mask)
        box = np.s_[y : y + h, x : x + w]
        m = mask[box] > 0
        for target, colours in ((self.flash, flash), (self.ambient, ambient)):
            target[box][m] = np.broadcast_to(colours, target.shape)[box][m]
            if shading is not None:
                target[box][m] *= shading[box][m]
        self.alpha[box][m] = 1

    def line(
        self, a: Picture, b: Picture, width: float, flash: Picture, ambient: Picture, shading: Picture | None = None
    ) -> None:
        mask = np.zeros(self.alpha.shape, np.uint8)
        p, q = ((np.asarray(v) * self.scale * 16).astype(int) for v in (a, b))
        cv2.line(mask, tuple(p), tuple(q), 255, max(1, round(width * self.scale)), cv2.LINE_8, 4)
        self.paint(mask, flash, ambient, shading)

    def polygon(self, points: Picture, flash: Picture, ambient: Picture, shading: Picture | None = None) -> None:
        mask = np.zeros(self.alpha.shape, np.uint8)
        cv2.fillPoly(mask, [(np.asarray(points) * self.scale * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
        self.paint(mask, flash, ambient, shading)

    def layer(self) -> Layer:
        size = self.shape[::-1]
        small = [cv2.resize(x, size, interpolation=cv2.INTER_AREA) for x in (self.flash, self.ambient, self.alpha)]
        return Layer(*small)


def cutout(rng: Rng, folder: Path, shape: tuple[int, int]) -> Layer:
    """One of the shared cut-outs at a random size and place; its foot mostly in the lower half, often cut by the edge."""
    files = sorted(folder.glob("*.npz"))
    with np.load(files[int(rng.integers(len(files)))]) as z:
        flash, ambient = z["flash"].astype(np.float32), z["ambient"].astype(np.float32)
        alpha = z["alpha"].astype(np.float32) / 255
    h, w = shape
    scale = h * np.exp(rng.uniform(np.log(0.22), np.log(1.3))) / alpha.shape[0]
    size = max(4, int(alpha.shape[1] * scale)), max(8, int(alpha.shape[0] * scale))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    parts = [cv2.resize(np.minimum(x, 300), size, interpolation=method) for x in (flash, ambient, alpha)]
    if rng.random() < 0.5:
        parts = [x[:, ::-1] for x in parts]
    if rng.random() < 0.3:  # lit from elsewhere, dark clothes, bright clothes
        parts[0] = parts[0] * np.exp(rng.normal(0, 1))
        parts[1] = parts[1] * np.exp(rng.normal(0, 0.7))
    foot = h * rng.uniform(0.55, 1.15)
    if rng.random() < 0.2:  # the head half out of the picture at the top
        foot = size[1] * rng.uniform(0.7, 0.99)
    x0, y0 = int(rng.uniform(-0.4 * size[0], w - 0.6 * size[0])), int(foot - size[1])
    if rng.random() < 0.15:  # or at a side
        x0 = int(rng.choice([-1, 1]) * size[0] * rng.uniform(0.3, 0.8) + rng.choice([0, w - size[0]]))
    move = np.array([[1, 0, x0], [0, 1, y0]], np.float32)
    flash, ambient, alpha = (cv2.warpAffine(np.ascontiguousarray(x), move, (w, h)) for x in parts)
    return Layer(flash, ambient, np.clip(alpha, 0, 1))


def _metal(rng: Rng, shape: tuple[int, int], head: Picture, reach: float) -> tuple[Picture, Picture]:
    """Colour of poles: black, grey, white or chrome, lit by the head and fading away from it."""
    albedo = rng.choice([0.01, 0.02, 0.03, 0.1, 0.4, 0.8], p=[0.15, 0.15, 0.15, 0.15, 0.2, 0.2])
    small = shape[0] // 4, shape[1] // 4
    y, x = np.mgrid[: small[0], : small[1]].astype(np.float32) * 4
    distance = np.hypot(x - head[0], y - head[1]) / reach
    light = np.exp(rng.normal(-1, 1.2)) / (0.05 + distance**2)
    if rng.random() < 0.4:  # lit all along by what the scene throws back, the legs as well
        light = light + np.exp(rng.normal(-0.5, 0.8))
    streak = np.exp(0.5 * fractal(rng, small, cells=30, octaves=3)) if rng.random() < 0.4 else 1.0
    flash = cv2.resize((albedo * light * streak).astype(np.float32), shape[::-1])
    return np.broadcast_to(flash[..., None], (*shape, 3)), np.full(3, albedo * rng.uniform(0.3, 1.5), np.float32)


def drawn(rng: Rng, shape: tuple[int, int]) -> Layer:
    """One drawn set-up."""
    h, w = shape
    tall = h * np.exp(rng.uniform(np.log(0.2), np.log(1.0)))
    foot = np.array([rng.uniform(0, w), h * rng.uniform(0.55, 1.2)])
    head = foot + np.array([rng.normal(0, 0.03) * tall, -tall])
    canvas = Canvas(shape)
    full = canvas.alpha.shape
    metal = _metal(rng, full, head * canvas.scale, tall * canvas.scale)
    width = max(1.0, tall * rng.uniform(0.004, 0.018))
    kind = rng.choice(["stand", "boom", "person", "tube", "hand"], p=[0.5, 0.2, 0.18, 0.07, 0.05])
    lamp = head
    if kind in ("stand", "boom"):
        _stand(canvas, rng, head, foot, width, metal)
    if kind == "boom":
        lamp = head + tall * rng.uniform(0.2, 0.8) * np.array([rng.choice([-1, 1]), rng.uniform(-0.4, 0.3)])
        tail = head - (lamp - head) * rng.uniform(0, 0.5)
        canvas.line(tail, lamp, width * rng.uniform(0.6, 1), *metal)
        if rng.random() < 0.5:
            _bag(canvas, rng, tail + [0, tall * 0.04], tall * 0.05)
    if kind in ("person", "hand"):
        lamp = _person(canvas, rng, head, foot, tall)
    if rng.random() < 0.3:
        _cable(canvas, rng, lamp, foot, width, metal)
    if kind == "tube":
        end = lamp + tall * rng.uniform(0.2, 0.6) * _direction(rng)
        canvas.line(lamp, end, width * rng.uniform(1, 4), np.float32(_emission(rng)), np.float32([0.3, 0.3, 0.3]))
    else:
        _head(canvas, rng, lamp, tall * rng.uniform(0.03, 0.16), metal)
    return canvas.layer()


def _direction(rng: Rng) -> Picture:
    a = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(a), np.sin(a)])


def _emission(rng: Rng) -> Picture:
    return np.exp(rng.uniform(np.log(1.5), np.log(300))) * np.array(
        [1, rng.uniform(0.85, 1), rng.uniform(0.7, 1.1)], np.float32
    )


def _stand(
    canvas: Canvas, rng: Rng, head: Picture, foot: Picture, width: float, metal: tuple[Picture, Picture]
) -> None:
    tall = foot[1] - head[1]
    knots = [head + (foot - head) * t for t in (0, 0.35, 0.65, 0.93)]
    for k, (a, b) in enumerate(zip(knots, knots[1:], strict=False)):
        canvas.line(a, b, width * (0.7 + 0.3 * k), *metal)
    top = head + (foot - head) * rng.uniform(0.55, 0.85)
    spread = tall * rng.uniform(0.12, 0.35)
    for x, y in (
        (-1, rng.uniform(-0.2, 0.3)),
        (1, rng.uniform(-0.2, 0.3)),
        (rng.uniform(-0.6, 0.6), rng.uniform(0, 0.5)),
    ):
        toe = foot + np.array([x * spread, y * spread])
        canvas.line(top, toe, width * rng.uniform(0.6, 1), *metal)
        canvas.line(foot + (top - foot) * 0.3, (top + toe) / 2, width * 0.6, *metal)
    for _ in range(int(rng.integers(0, 4))):
        p = head + (foot - head) * rng.uniform(0, 0.9)
        canvas.line(p - [width, 0], p + [width, 0], width * 1.6, *metal)
    for _ in range(int(rng.choice([0, 1, 2], p=[0.5, 0.4, 0.1]))):
        at = foot + [rng.normal(0, 0.06) * tall, rng.uniform(-0.15, 0.05) * tall]
        _bag(canvas, rng, at, tall * np.exp(rng.uniform(np.log(0.04), np.log(0.14))))


def _bag(canvas: Canvas, rng: Rng, at: Picture, size: float) -> None:
    pale = rng.random() < 0.4
    a = np.float32(rng.uniform(0.5, 0.9)) * (1 - rng.uniform(0, 0.15, 3)) if pale else colour(rng)
    lit = np.exp(rng.normal(-0.8 if pale else -1.5, 1.0))
    folds = np.exp(rng.uniform(0, 0.4) * fractal(rng, canvas.shape, cells=rng.uniform(15, 80), octaves=4))
    y, x = np.mgrid[: canvas.shape[0], : canvas.shape[1]].astype(np.float32)
    fall = (x - at[0]) * rng.normal(0, 0.5) - (y - at[1]) * rng.uniform(-0.2, 1)
    shading = cv2.resize(folds * np.exp(np.clip(fall / size, -1.5, 1.5)), canvas.alpha.shape[::-1])[..., None]
    for side in (-0.5, 0.5):
        points = cv2.ellipse2Poly((0, 0), (100, int(rng.uniform(50, 90))), int(rng.uniform(-40, 40)), 0, 360, 15) / 100
        canvas.polygon(points * size * 0.6 + at + [side * size, 0], a * lit, a * rng.uniform(0.3, 1), shading)


def _head(canvas: Canvas, rng: Rng, at: Picture, r: float, metal: tuple[Picture, Picture]) -> None:
    front = rng.random() < 0.6
    body = np.float32(rng.choice([0.01, 0.02, 0.03, 0.2, 0.5]))
    grey = np.ones(3, np.float32) * body
    d = _direction(rng)
    across = np.array([-d[1], d[0]])
    lit = np.exp(rng.normal(-2, 1.5))
    tail = at - d * r * rng.uniform(1, 2.5)
    canvas.polygon(
        [at + across * r, at - across * r, tail - across * r * 0.5, tail + across * r * 0.5], grey * lit, grey
    )
    shape = rng.choice(["disc", "square", "umbrella", "bare"])
    flash = _emission(rng) if front else grey * lit
    squash = rng.uniform(0.15, 1)
    if shape == "square":
        big = r * rng.uniform(1, 2.5)
        corners = [across * big + d * big * squash, -across * big + d * big * squash]
        corners += [-across * big - d * big * squash, across * big - d * big * squash]
        canvas.polygon(at + np.array(corners), flash, grey)
    elif shape == "umbrella":
        big = r * rng.uniform(1.5, 3.5)
        angles = np.linspace(0, 2 * np.pi, 9)
        points = at + np.outer(np.cos(angles), across) * big + np.outer(np.sin(angles), d) * big * squash
        canvas.polygon(points, flash * rng.uniform(0.02, 1), np.ones(3, np.float32) * rng.choice([0.02, 0.7]))
        for p in points[:-1]:
            canvas.line(at, p, max(0.6, r * 0.05), *metal)
    else:
        angles = np.linspace(0, 2 * np.pi, 24)
        size = r * (0.4 if shape == "bare" else 1)
        canvas.polygon(
            at + np.outer(np.cos(angles), across) * size + np.outer(np.sin(angles), d) * size * squash, flash, grey
        )


def _person(canvas: Canvas, rng: Rng, head: Picture, foot: Picture, tall: float) -> Picture:
    """A standing figure holding a lamp; returns where the lamp is."""
    clothes, trousers, skin = colour(rng), colour(rng), np.float32([0.45, 0.3, 0.22]) * rng.uniform(0.2, 1.3)
    lit = np.exp(rng.normal(-2, 1.3))
    folds = np.exp(0.25 * fractal(rng, canvas.shape, cells=25, octaves=4))
    shading = cv2.resize(folds, canvas.alpha.shape[::-1])[..., None]
    hip, neck = foot - [0, tall * 0.48], foot - [0, tall * 0.84]
    side = rng.choice([-1, 1])

    def limb(a: Picture, b: Picture, width: float, tint: Picture) -> None:
        canvas.line(a, b, max(1.0, width * tall), tint * lit, tint * 0.7, shading)

    for x in (-1, 1):
        knee = (hip + foot) / 2 + [x * tall * rng.uniform(0.02, 0.06), 0]
        limb(hip + [x * tall * 0.04, 0], knee, 0.09, trousers)
        limb(knee, foot + [x * tall * rng.uniform(0.03, 0.1), 0], 0.07, trousers)
    limb(hip, neck + [0, tall * 0.06], 0.17, clothes)
    limb(neck + [-tall * 0.07, tall * 0.04], neck + [tall * 0.07, tall * 0.04], 0.08, clothes)
    limb(neck - [0, tall * 0.04], neck - [0, tall * 0.09], 0.09, rng.choice([0, 1]) * skin + 0.02)
    hand = neck + tall * np.array([side * rng.uniform(0.1, 0.35), rng.uniform(-0.3, 0.25)])
    elbow = (neck + hand) / 2 + [0, tall * 0.08]
    limb(neck + [side * tall * 0.08, tall * 0.05], elbow, 0.055, clothes)
    limb(elbow, hand, 0.045, clothes)
    lamp = hand + tall * rng.uniform(0, 0.25) * np.array([side * rng.uniform(0, 1), -rng.uniform(0, 1)])
    limb(hand + (hand - lamp) * 0.3, lamp, 0.012, np.float32([0.02, 0.02, 0.02]))
    return lamp


def _cable(canvas: Canvas, rng: Rng, a: Picture, foot: Picture, width: float, metal: tuple[Picture, Picture]) -> None:
    end = foot + [rng.normal(0, 0.5) * (foot[1] - a[1]), rng.uniform(-0.05, 0.1) * (foot[1] - a[1])]
    middle = foot + [rng.normal(0, 0.1) * (foot[1] - a[1]), 0]
    t = np.linspace(0, 1, 24)[:, None]
    points = (1 - t) ** 2 * a + 2 * t * (1 - t) * middle + t**2 * end
    for p, q in zip(points, points[1:], strict=False):
        canvas.line(p, q, max(0.7, width * 0.4), *metal)

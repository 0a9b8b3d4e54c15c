"""Series from flat pictures: a photograph or a patchwork, given relief, lit by a lamp that walks, with hard shadows."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
from camera import Light
from equipment import Layer, cutout, drawn
from textures import Picture, Rng, colour, fractal, photos, texture


def scene(rng: Rng, cutouts: Path) -> Light:
    """One scene of 2 to 20 lamps over a picture of random size."""
    h, w = size(rng)
    table = rng.random() < 0.35
    if table:
        albedo, things = _tabletop(rng, (h, w))
    else:
        albedo, things = _patchwork(rng, (h, w)) if rng.random() < 0.35 else _photo(rng, (h, w)), []
    height = _relief(rng, albedo) * np.float32(rng.uniform(0, 0.4) if table else 1)
    n = count(rng, 16)
    lamps = [_lamp(rng, albedo, height, things) for _ in range(n)]
    sky = np.exp(0.4 * fractal(rng, (h, w), cells=2, octaves=2))[..., None] * (0.5 + rng.random(3))
    slope = cv2.Sobel(height, cv2.CV_32F, 0, 1) * rng.uniform(0, 0.5)
    ambient = albedo * sky * np.clip(1 + slope, 0.2, 2)[..., None]
    bare = rng.random() < (0.35 if table else 0.12)
    layers = [[] if bare else setup(rng, cutouts, (h, w)) for _ in range(n)]
    if not bare and n > 3 and rng.random() < 0.2:  # the stand stays for a second frame
        k = int(rng.integers(n - 1))
        layers[k + 1] = [Layer(s.flash * np.float32(rng.choice([0.02, 1])), s.ambient, s.alpha) for s in layers[k]]
    mirrored: list[Picture] = []
    if rng.random() < 0.2:
        mirrored = [_mirror(rng, s, (h, w)) for s in layers]
    moving = wind(rng, (h, w)) if rng.random() < 0.4 else None
    return Light(
        ambient.astype(np.float32),
        lamps,
        layers,
        mirrored,
        moving,
        dark_room=rng.random() < 0.3,
        bright_room=table and rng.random() < 0.6,
    )


def size(rng: Rng) -> tuple[int, int]:
    """Height and width of a series: mostly landscape, long side 600 to 1200 pixels."""
    long_side = int(rng.uniform(700, 1200))
    ratio = rng.choice([0.667, 0.667, 0.75, 0.5625])
    short_side = int(long_side * ratio)
    return (long_side, short_side) if rng.random() < 0.15 else (short_side, long_side)


def count(rng: Rng, most: int) -> int:
    """Lamps of a series: often only three to five."""
    return int(rng.integers(3, 6)) if rng.random() < 0.4 else int(np.clip(rng.poisson(6) + 2, 2, most))


def setup(rng: Rng, cutouts: Path, shape: tuple[int, int]) -> list[Layer]:
    """The equipment of one frame: mostly one, sometimes none or two."""
    n = int(rng.choice([0, 1, 2], p=[0.18, 0.7, 0.12]))
    return [cutout(rng, cutouts, shape) if rng.random() < 0.5 else drawn(rng, shape) for _ in range(n)]


def wind(rng: Rng, shape: tuple[int, int]) -> Picture:
    """How many pixels things move, in bands or patches; 0 elsewhere."""
    patches = fractal(rng, shape, cells=rng.uniform(2, 8), octaves=3)
    if rng.random() < 0.5:
        patches += 2 * np.linspace(-1, 1, shape[0])[:, None] * rng.choice([-1, 1])
    area = np.clip((patches - rng.uniform(0, 1.2)) * 4, 0, 1)
    return (area * np.exp(rng.uniform(np.log(0.5), np.log(6)))).astype(np.float32)


@cache
def _usable() -> list[Picture]:
    return [p for p in photos() if np.median(p) > 0.03]


def _photo(rng: Rng, shape: tuple[int, int]) -> Picture:
    h, w = shape
    usable = _usable()
    source = usable[int(rng.integers(len(usable)))]
    ph, pw = source.shape[:2]
    scale = min(ph / h, pw / w) * rng.uniform(0.5, 1)
    ch, cw = max(8, int(h * scale)), max(8, int(w * scale))
    y, x = int(rng.integers(ph - ch + 1)), int(rng.integers(pw - cw + 1))
    crop = cv2.resize(source[y : y + ch, x : x + cw], (w, h), interpolation=cv2.INTER_CUBIC)
    if rng.random() < 0.5:
        crop = crop[:, ::-1]
    if rng.random() < 0.6:  # enlarged pictures lack fine texture: give some back
        grain = np.exp(rng.uniform(0, 0.25) * fractal(rng, shape, cells=w / 4, octaves=2))
        crop = crop * grain[..., None]
    return np.clip(np.clip(crop, 0.005, 1) ** rng.uniform(0.6, 1.2), 0.01, 0.95).astype(np.float32)


def _patchwork(rng: Rng, shape: tuple[int, int]) -> Picture:
    """Surfaces side by side: ground, wall, boxes, round things, thin posts, each with its own texture."""
    h, w = shape
    pool = [texture(rng)[..., :3] for _ in range(4)]

    def surface() -> Picture:
        t = pool[int(rng.integers(len(pool)))]
        zoom = np.exp(rng.uniform(np.log(0.4), np.log(2)))
        y, x = np.mgrid[:h, :w].astype(np.float32)
        shear = rng.normal(0, 0.2)
        map_x, map_y = (x * zoom + y * shear) % 511, (y * zoom * rng.uniform(1, 4)) % 511
        return cv2.remap(t, map_x.astype(np.float32), map_y.astype(np.float32), cv2.INTER_LINEAR) * colour(rng)

    picture = surface()
    horizon = int(h * rng.uniform(0.3, 0.75))
    picture[:horizon] = surface()[:horizon]
    for _ in range(int(rng.integers(2, 14))):
        mask = np.zeros((h, w), np.uint8)
        x, y = rng.uniform(0, w), rng.uniform(0.2, 1) * h
        size = h * rng.uniform(0.03, 0.35)
        kind = rng.random()
        if kind < 0.35:
            cv2.ellipse(
                mask,
                (int(x), int(y)),
                (int(size), int(size * rng.uniform(0.3, 1))),
                rng.uniform(0, 90),
                0,
                360,
                255,
                -1,
            )
        elif kind < 0.7:
            box = cv2.boxPoints(((x, y), (size * rng.uniform(0.3, 3), size), float(rng.normal(0, 20))))
            cv2.fillPoly(mask, [box.astype(np.int32)], 255)
        else:  # posts, wires, rails: thin things that belong to the scene
            angle = rng.choice([np.pi / 2, 0, rng.uniform(0, np.pi)])
            d = np.array([np.cos(angle), np.sin(angle)]) * size * 3
            for k in range(int(rng.integers(1, 6))):
                o = np.array([x + k * size * 0.6, y])
                ends = [tuple(int(v) for v in p) for p in (o - d / 2, o + d / 2)]
                cv2.line(mask, ends[0], ends[1], 255, int(rng.integers(1, 8)), cv2.LINE_AA)
        m = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 0.6)[..., None]
        picture = picture * (1 - m) + surface() * m
    return np.clip(picture, 0.005, 0.95).astype(np.float32)


def _tabletop(rng: Rng, shape: tuple[int, int]) -> tuple[Picture, list[tuple[Picture, float]]]:
    """Things before a plain wall: albedo, and each thing's outline (h, w) with its height, for the shadows it casts."""
    h, w = shape
    grain = np.exp(rng.uniform(0, 0.08) * fractal(rng, shape, cells=rng.uniform(3, 60), octaves=5))
    picture = colour(rng, saturation=0.3) * grain[..., None] * rng.choice([1, 1, 3])
    edge = int(h * rng.uniform(0.6, 1.0))
    picture[edge:] = picture[edge:] * colour(rng) / 0.3
    things = []
    for _ in range(int(rng.integers(1, 5))):
        mask = np.zeros(shape, np.uint8)
        centre = np.array([rng.uniform(0.1, 0.9) * w, rng.uniform(0.2, 0.9) * h])
        size = h * np.exp(rng.uniform(np.log(0.03), np.log(0.4)))
        angles = np.linspace(0, 2 * np.pi, int(rng.integers(3, 40)), endpoint=False)
        radii = size * np.exp(rng.normal(0, rng.uniform(0, 0.35), len(angles)))
        squeeze = np.array([rng.uniform(0.2, 1.5), rng.uniform(0.5, 1.5)])
        outline = centre + np.stack([np.cos(angles), np.sin(angles)], -1) * radii[:, None] * squeeze
        cv2.fillPoly(mask, [(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        soft = cv2.GaussianBlur(mask, (0, 0), 0.7).astype(np.float32) / 255
        inside = _photo(rng, shape) if rng.random() < 0.6 else _patchwork(rng, shape)
        picture = picture * (1 - soft[..., None]) + inside * soft[..., None]
        things.append((soft, size * rng.uniform(0.1, 1.5)))
    return np.clip(picture, 0.01, 0.95).astype(np.float32), things


def _cast(things: list[tuple[Picture, float]], at: Picture, z: float, soft: float) -> Picture | float:
    """Share of the light that the things leave, with their shadows thrown away from the lamp on the wall behind."""
    result: Picture | float = 1.0
    covered = sum(m for m, _ in things)
    for mask, tall in things:
        h, w = mask.shape
        grow = 1 + tall / max(z, 2 * tall)
        move = np.array([[grow, 0, at[0] * (1 - grow)], [0, grow, at[1] * (1 - grow)]], np.float32)
        shadow = cv2.GaussianBlur(cv2.warpAffine(mask, move, (w, h)), (0, 0), soft)
        result = result * (1 - shadow * (1 - np.clip(covered, 0, 1)))
    return result


def _relief(rng: Rng, albedo: Picture) -> Picture:
    """Height in pixels: from the picture's own luminance, or noise, or both."""
    grey = np.log(albedo.mean(2) + 0.05)
    blur = rng.uniform(0.7, 6)
    height = cv2.GaussianBlur(grey, (0, 0), blur) * blur * rng.uniform(0, 3)
    noise = fractal(rng, grey.shape, cells=rng.uniform(3, 30), octaves=4)
    return (height + noise * rng.uniform(0, 12)).astype(np.float32)


def _lamp(rng: Rng, albedo: Picture, height: Picture, things: list[tuple[Picture, float]]) -> Picture:
    """Light of one lamp near the picture plane: inverse square, Lambert, gloss, a cone, hard shadows."""
    h, w = height.shape
    y, x = np.mgrid[:h, :w].astype(np.float32)
    at = np.array([rng.uniform(-0.3, 1.3) * w, rng.uniform(-0.4, 1.1) * h])
    z = h * np.exp(rng.uniform(np.log(0.12), np.log(1.2)))
    if things:  # a lamp farther away, often far beside the picture
        z = h * np.exp(rng.uniform(np.log(0.4), np.log(3)))
        at = np.array([0.5 * w, 0.4 * h]) + rng.normal(0, 0.8, 2) * max(z, h)
    dx, dy = at[0] - x, at[1] - y
    r2 = dx * dx + dy * dy + z * z
    gx, gy = cv2.Sobel(height, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(height, cv2.CV_32F, 0, 1) / 8
    facing = (z - gx * dx - gy * dy) / np.sqrt(r2 * (1 + gx * gx + gy * gy))
    light = np.clip(facing, 0, None) * (z * z / r2)
    if rng.random() < 0.5:
        half = np.clip(facing, 0, 1) ** rng.uniform(10, 80)
        light = light + rng.uniform(0, 0.5) * half * (z * z / r2) / np.maximum(albedo.mean(2), 0.05)
    if rng.random() < (0.15 if things else 0.6):  # a reflector's cone
        aim = np.array([rng.uniform(0.2, 0.8) * w, rng.uniform(0.3, 0.8) * h])
        ray = np.array([aim[0] - at[0], aim[1] - at[1], -z])
        cosine = -(dx * ray[0] + dy * ray[1] + z * ray[2]) / np.sqrt(r2 * (ray @ ray))
        edge = np.cos(np.radians(rng.uniform(20, 70)))
        light = light * np.clip((cosine - edge) / rng.uniform(0.03, 0.3), 0, 1)
    light = light * (_cast(things, at, z, np.exp(rng.uniform(-0.5, 2))) if things else _shadows(rng, (h, w), at))
    tint = np.array([1, rng.uniform(0.9, 1), rng.uniform(0.75, 1.1)], np.float32)
    return (albedo * light[..., None] * tint).astype(np.float32)


def _shadows(rng: Rng, shape: tuple[int, int], at: Picture) -> Picture:
    """Hard shadows that point away from the lamp: posts, boxes, heads, stands."""
    h, w = shape
    mask = np.zeros((h, w), np.uint8)
    for _ in range(int(rng.poisson(3))):
        p = np.array([rng.uniform(0, w), rng.uniform(0, h)])
        away = p - at
        away = away / (np.hypot(*away) + 1e-6)
        side = np.array([-away[1], away[0]])
        length, a = h * rng.uniform(0.05, 0.8), h * np.exp(rng.uniform(np.log(0.002), np.log(0.15)))
        b = a * rng.uniform(0.7, 2)
        quad = np.array([p - side * a, p + side * a, p + away * length + side * b, p + away * length - side * b])
        cv2.fillPoly(mask, [(quad * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        if rng.random() < 0.5:
            tip = p + away * length
            cv2.circle(mask, tuple(int(v) for v in tip), max(1, int(b * rng.uniform(1, 4))), 255, -1, cv2.LINE_AA)
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), np.exp(rng.uniform(np.log(0.5), np.log(6))))
    return 1 - soft * rng.uniform(0.7, 1)


def _mirror(rng: Rng, layers: list[Layer], shape: tuple[int, int]) -> Picture:
    """Wet ground: the upper part of the picture's equipment again, upside down, faint and smeared."""
    h, w = shape
    line = int(h * rng.uniform(0.55, 0.85))
    total = np.zeros((h, w, 3), np.float32)
    n = min(line, h - line)
    ripple = np.clip(0.5 + fractal(rng, shape, cells=10, octaves=4), 0, 1)[..., None]
    for s in layers:
        total[line : line + n] += np.minimum(s.flash[line - n : line][::-1], 60)
    total = cv2.GaussianBlur(total, (0, 0), 0.7, sigmaY=rng.uniform(0.7, 6))
    return (total * ripple * np.exp(rng.uniform(np.log(0.003), np.log(0.1)))).astype(np.float32)

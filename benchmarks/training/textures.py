"""Textures and photographs: noise of many kinds, bricks, planks, and the pictures that scikit-image ships."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage import data

Picture = NDArray[np.float32]
Rng = np.random.Generator

COLOUR_PHOTOS = ("astronaut", "chelsea", "coffee", "rocket", "retina", "hubble_deep_field", "immunohistochemistry")
GREY_PHOTOS = ("brick", "grass", "gravel", "coins", "camera", "moon", "page", "text", "cell", "clock")


@cache
def photos() -> list[Picture]:
    """The shipped photographs in linear light, (h, w, 3), plus one view of a stereo pair."""
    pictures = [getattr(data, name)() for name in COLOUR_PHOTOS + GREY_PHOTOS]
    pictures.append(data.stereo_motorcycle()[0])
    result = []
    for p in pictures:
        p = p[..., None].repeat(3, axis=2) if p.ndim == 2 else p[..., :3]
        result.append((p.astype(np.float32) / 255) ** 2.2)
    return result


def fractal(rng: Rng, shape: tuple[int, int], *, cells: float, octaves: int = 5, fall: float = 0.55) -> Picture:
    """Value noise of several octaves, mean 0, standard deviation 1; `cells` across the longer side at first."""
    h, w = shape
    total = np.zeros(shape, np.float32)
    gain = 1.0
    for _ in range(octaves):
        n = max(2, int(cells * h / max(shape)) + 2), max(2, int(cells * w / max(shape)) + 2)
        if min(n) > min(h, w):
            break
        total += gain * cv2.resize(rng.standard_normal(n).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
        gain *= fall
        cells *= 2
    return (total - total.mean()) / (total.std() + 1e-6)


def colour(rng: Rng, *, saturation: float = 0.5) -> Picture:
    """A random albedo, (3,), between dark and bright."""
    value = np.exp(rng.uniform(np.log(0.04), np.log(0.8)))
    tint = 1 + saturation * rng.uniform(-1, 1, 3) * rng.uniform(0, 1)
    return np.clip(value * tint / tint.mean(), 0.01, 0.95).astype(np.float32)


def bricks(rng: Rng, size: int) -> tuple[Picture, Picture]:
    """Albedo factor (size, size, 3) and height of a wall of bricks, slabs or planks."""
    rows = int(rng.integers(4, 24))
    bh = size / rows
    bw = bh * rng.uniform(1.2, 6) if rng.random() < 0.8 else size * 2
    y, x = np.mgrid[:size, :size].astype(np.float32)
    row = np.floor(y / bh)
    shifted = x + row * bw * rng.choice([0, 0.5, 0.37])
    column = np.floor(shifted / bw)
    inside = np.minimum.reduce([y - row * bh, (row + 1) * bh - y, shifted - column * bw, (column + 1) * bw - shifted])
    joint = np.clip(inside / max(1.0, bh * rng.uniform(0.03, 0.12)), 0, 1)
    tone = rng.uniform(0.6, 1.3, (256, 256)).astype(np.float32)[row.astype(int) % 256, column.astype(int) % 256]
    grain = 1 + 0.15 * fractal(rng, (size, size), cells=20)
    picture = (tone * grain)[..., None] * (rng.uniform(0.3, 1.5) + (1 - rng.uniform(0.3, 1)) * joint)[..., None]
    return picture.repeat(3, 2).astype(np.float32), joint * 3 + 0.3 * fractal(rng, (size, size), cells=30)


def texture(rng: Rng, size: int = 512) -> Picture:
    """One square texture, (size, size, 5): albedo factor R, G, B, slope along columns and along rows."""
    kind = rng.random()
    if kind < 0.25:
        source = photos()[int(rng.integers(len(photos())))]
        side = int(rng.uniform(0.3, 1) * min(source.shape[:2]))
        y, x = (int(rng.integers(source.shape[k] - side + 1)) for k in (0, 1))
        picture = cv2.resize(source[y : y + side, x : x + side], (size, size), interpolation=cv2.INTER_AREA)
        picture = (picture + 0.03) / (picture.mean() + 0.03)
        height = np.log(picture.mean(2) + 0.05)
    elif kind < 0.5:
        picture, height = bricks(rng, size)
    elif kind < 0.62:  # blades of grass, gravel, foliage: strong contrast at the finest sizes
        fine = fractal(rng, (size, size), cells=rng.uniform(60, 200), octaves=2)
        fine = cv2.GaussianBlur(fine, (0, 0), 0.6, sigmaY=rng.uniform(0.6, 4))
        picture = np.exp(rng.uniform(0.3, 1) * fine / fine.std())[..., None].repeat(3, 2)
        height = fine * 2
    else:
        n = fractal(
            rng, (size, size), cells=rng.uniform(2, 40), octaves=int(rng.integers(2, 7)), fall=rng.uniform(0.4, 0.9)
        )
        picture = np.exp(rng.uniform(0.02, 0.6) * n)[..., None].repeat(3, 2)
        if rng.random() < 0.4:  # stains, cracks, paint flakes
            m = fractal(rng, (size, size), cells=rng.uniform(3, 20), octaves=6, fall=0.7) > rng.uniform(0, 1.5)
            picture = np.where(m[..., None], picture * colour(rng) * 2, picture)
        height = n
    slope = np.stack([cv2.Sobel(height.astype(np.float32), cv2.CV_32F, k, 1 - k) / 8 for k in (1, 0)], -1)
    slope *= rng.choice([0, 0.5, 1, 2]) / (slope.std() + 1e-6) * 0.3
    picture = np.clip(picture / max(1e-3, float(picture.mean())), 0.02, 4)
    return np.concatenate([picture, np.clip(slope, -2, 2)], axis=-1).astype(np.float32)

"""From light to frames: exposure, wind, glow, vignette, small errors of alignment and level, noise, JPEG; and the truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from equipment import Layer
from textures import Picture, Rng, fractal

from lampwalk import colour
from lampwalk.previews import CLIPPED, Preview

WEIGHTS = np.array([0.2126, 0.7152, 0.0722], np.float32)

ENCODE = (colour.to_encoded(np.linspace(0, 1, 65536, dtype=np.float32)) / 257 + 0.5).astype(np.uint8)
"""8-bit sRGB of 16-bit linear light."""


@dataclass
class Light:
    """What the lamps and the sky make of a scene, without the camera; any unit of linear light.

    `lamps[i]` holds the light of lamp i with the shadows of its own equipment, `mirrored[i]` where the scene mirrors
    that equipment, `layers[i]` the equipment itself. `moving` says how far leaves, grass, water, clouds move (pixels).
    """

    ambient: Picture  # (h, w, 3)
    lamps: list[Picture]  # each (h, w, 3)
    layers: list[list[Layer]]
    mirrored: list[Picture]  # each (h, w, 3), light that only the mirrored equipment brings
    moving: Picture | None = None  # (h, w)
    dark_room: bool = False
    bright_room: bool = False
    shaded: list[Picture | None] = field(default_factory=list)  # each (h, w, 1), share of the ambient light left


@dataclass
class Series:
    """Frames as the package sees them, with truth."""

    previews: list[Preview]
    ambient: list[bool]
    equipment: list[Picture] = field(default_factory=list)  # (h, w) 0-1
    weight: list[Picture] = field(default_factory=list)  # (h, w) how much a pixel counts in training


def shoot(light: Light, rng: Rng) -> Series:
    """Photograph a scene: one frame per lamp, and mostly one without."""
    under = rng.uniform(5, 9) if light.dark_room else rng.uniform(1.8, 4.2)
    if light.bright_room:
        under = rng.uniform(-0.3, 2)
    level = 0.18 * 2**-under / max(1e-4, float((light.ambient @ WEIGHTS).mean()))
    if light.dark_room and rng.random() < 0.5:
        level *= 0.01
    base = np.minimum(light.ambient * np.float32(level), 0.9)
    peak = np.percentile(np.max([x @ WEIGHTS for x in light.lamps], axis=0), rng.uniform(92, 99.5))
    gain = np.exp(rng.uniform(np.log(0.3), np.log(0.9 if light.bright_room else 2.0))) / max(1e-6, float(peak))
    gains = [gain * np.exp(rng.normal(0, 0.25)) for _ in light.lamps]
    shaded = light.shaded or [None] * len(gains)
    empty = [
        base * np.float32(2 ** rng.normal(0, 0.03)) * (1 if s is None else s) + x * g
        for x, g, s in zip(light.lamps, gains, shaded, strict=True)
    ]
    brightest = base
    for x in empty:
        brightest = np.maximum(brightest, x)
    ideal = _lightness(brightest)
    lens = _Lens(light.ambient.shape[:2], rng)
    series = Series([], [])
    plates = 0 if rng.random() < 0.42 else int(rng.choice([1, 1, 1, 2]))
    for k in range(plates):
        _expose(series, lens, base * np.float32(2 ** (k and rng.normal(0, 0.03))), light.moving, [], None, ideal, rng)
        series.ambient[-1] = True
    for k, bare in enumerate(empty):
        mirrored = light.mirrored[k] * gains[k] if light.mirrored else None
        lit = np.exp(rng.normal(0, 0.5))
        sky = 0.18 * 2**-under / 0.2
        units = [(gains[k], level) if s.in_scene else (lit, sky) for s in light.layers[k]]
        layers = [
            Layer(s.flash * np.float32(f), s.ambient * np.float32(a), s.alpha)
            for s, (f, a) in zip(light.layers[k], units, strict=True)
        ]
        _expose(series, lens, bare, light.moving, layers, mirrored, ideal, rng)
    order = rng.permutation(len(series.previews))
    return Series(*([x[k] for k in order] for x in (series.previews, series.ambient, series.equipment, series.weight)))


def _expose(
    series: Series,
    lens: _Lens,
    bare: Picture,
    moving: Picture | None,
    layers: list[Layer],
    mirrored: Picture | None,
    ideal: Picture,
    rng: Rng,
) -> None:
    bare = _blown(bare, moving, rng)
    full, alpha = bare.copy(), np.zeros(bare.shape[:2], np.float32)
    if mirrored is not None:
        full += mirrored
    for s in layers:
        full = full * (1 - s.alpha[..., None]) + s.flash + s.ambient
        alpha = 1 - (1 - alpha) * (1 - s.alpha)
    pixels = lens.develop(lens.see(full), rng)
    valid = _reached(pixels.shape[:2], rng)
    pixels = pixels * valid[..., None]
    series.previews.append(
        Preview(
            name=f"{len(series.previews):02d}",
            linear=colour.to_linear(pixels),
            clipped=_top(pixels) >= CLIPPED * 255,
            valid=valid,
            full_shape=pixels.shape[:2],
        )
    )
    series.ambient.append(False)
    truth, weight = _judge(full, bare, alpha, mirrored, ideal)
    series.equipment.append(truth * valid)
    series.weight.append(weight * valid)


def _reached(shape: tuple[int, int], rng: Rng) -> Picture:
    """Which pixels a frame covers after alignment: now and then a strip at an edge is missing."""
    valid = np.ones(shape, bool)
    if rng.random() < 0.3:
        top, left, bottom, right = (int(max(0, rng.normal(0, 6))) for _ in range(4))
        valid[:top] = valid[shape[0] - bottom :] = False
        valid[:, :left] = valid[:, shape[1] - right :] = False
    return valid


def _judge(
    full: Picture, bare: Picture, alpha: Picture, mirrored: Picture | None, ideal: Picture
) -> tuple[Picture, Picture]:
    """Where equipment is, and how much each pixel counts: rims and what cannot be seen little, harm more."""
    change = np.abs(np.log((_grey(full) + 0.006) / (_grey(bare) + 0.006)))
    truth = (alpha > 0.3).astype(np.float32)
    weight = np.ones_like(alpha)
    weight[(alpha > 0.02) & (alpha <= 0.3)] = 0.15
    inside = truth > 0
    weight[inside & (change < 0.1)] = 0.25
    weight[inside & (_lightness(full) > ideal + 4)] = 2.0
    if mirrored is not None:
        bright = _lightness(full) - ideal
        strong = (alpha < 0.02) & (change > 0.2) & (_top(mirrored) > 0.01)
        strong = cv2.medianBlur(strong.astype(np.uint8), 5) > 0  # single glints are no head
        truth[strong & (bright > 6)] = 1
        weight[strong & (bright > 6)] = 2.0
        weight[strong & (bright <= 6)] = 0.15
    return truth, weight.astype(np.float32)


def _grey(linear: Picture) -> Picture:
    return cv2.transform(np.clip(linear, 0, 1).astype(np.float32), WEIGHTS[None])


def _top(picture: Picture) -> Picture:
    red, green, blue = cv2.split(picture)
    return cv2.max(cv2.max(red, green), blue)


def _lightness(linear: Picture) -> Picture:
    y = _grey(linear)
    return np.where(y > 0.008856, 116 * np.cbrt(y) - 16, 903.3 * y).astype(np.float32)


def _blown(picture: Picture, moving: Picture | None, rng: Rng) -> Picture:
    """Leaves, water and clouds where the wind has put them for this frame."""
    if moving is None:
        return picture
    h, w = picture.shape[:2]
    y, x = np.mgrid[:h, :w].astype(np.float32)
    cells = rng.uniform(4, 40)
    dx, dy = (fractal(rng, (h, w), cells=cells, octaves=3) for _ in range(2))
    drift = rng.normal(0, 0.5, 2)
    map_x, map_y = x + moving * (dx + drift[0]), y + moving * 0.6 * (dy + drift[1])
    map_x, map_y = map_x.astype(np.float32), map_y.astype(np.float32)
    return cv2.remap(picture.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


@cache
def _grain() -> Picture:
    """Normal deviates, enough for a picture from any of many places: drawn once, as drawing takes longer than the rest."""
    return np.random.default_rng(0).standard_normal(24_000_000, np.float32)


class _Lens:
    """Vignette, stray light, sensor and file of one camera."""

    def __init__(self, shape: tuple[int, int], rng: Rng) -> None:
        h, w = shape
        y, x = np.mgrid[:h, :w].astype(np.float32)
        r2 = ((y - h / 2) ** 2 + (x - w / 2) ** 2) / (h * h + w * w) * 4
        self.vignette = (1 - rng.uniform(0, 0.5) * r2)[..., None].astype(np.float32)
        scale = max(shape) / 1000
        self.sigmas = np.array([1.2, 4, 15, 50, 160]) * scale
        self.shares = (
            np.exp(rng.normal(0, 0.7, 5)) * np.exp(rng.uniform(np.log(0.002), np.log(0.03))) / [1, 1.5, 2, 3, 3]
        )
        self.top = np.exp(rng.uniform(np.log(4), np.log(120)))
        self.full_well = rng.uniform(12000, 40000) * rng.choice([0.3, 1, 1, 4, 16])
        self.read = rng.uniform(2, 6)
        self.quality = int(rng.choice([80, 90, 95, 98]))
        self.shift = rng.choice([0.0, 0.1, 0.25, 0.5])

    def see(self, linear: Picture) -> Picture:
        """Add the stray light of what is bright."""
        bright = np.clip(linear, 0, self.top)
        bright = bright * (_top(linear)[..., None] > 0.9)
        if not bright.any():
            return linear * self.vignette
        total = linear.astype(np.float32).copy()
        h, w = linear.shape[:2]
        for sigma, share in zip(self.sigmas, self.shares, strict=True):
            step = max(1, int(sigma / 2))
            small = cv2.resize(bright, (max(2, w // step), max(2, h // step)), interpolation=cv2.INTER_AREA)
            small = cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=cv2.BORDER_CONSTANT)
            total += np.float32(share) * cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
        return total * self.vignette

    def develop(self, linear: Picture, rng: Rng) -> Picture:
        """Shift a little, add noise, encode as 8 bits and as a JPEG file: (h, w, 3) uint8."""
        h, w = linear.shape[:2]
        x = np.clip(linear, 0, 1).astype(np.float32)
        if self.shift and rng.random() < 0.8:
            dx, dy = rng.normal(0, self.shift, 2)
            zoom = 1 + rng.normal(0, 0.3) * self.shift / w
            move = np.array([[zoom, 0, dx + (1 - zoom) * w / 2], [0, zoom, dy + (1 - zoom) * h / 2]], np.float32)
            x = np.clip(cv2.warpAffine(x, move, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT), 0, 1)
        noise = np.sqrt(x * np.float32(self.full_well) + np.float32(self.read**2)) / np.float32(self.full_well)
        at = int(rng.integers(len(_grain()) - x.size))
        x = x + noise * _grain()[at : at + x.size].reshape(x.shape)
        pixels = ENCODE[np.clip(x * 65535, 0, 65535).astype(np.uint16)]
        if rng.random() < 0.15:
            return pixels
        _, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, self.quality])
        return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])

"""From the probability of equipment per pixel to regions that hang together.

A pixel alone cannot be judged: leaves, chrome and outlines of shadows look like equipment, and parts of a stand do
not. What tells is what hangs together: a head that is burnt out in this frame only, a pole that leads from it to the
ground, a thing that is darker than daylight alone would leave it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour
from .previews import Preview

Map = NDArray[np.float32]
Area = NDArray[np.bool_]

SURE, LIKELY = 0.8, 0.4
"""Probability from which a pixel founds a region, and from which it belongs to one."""

FAINT = 0.08
"""Probability below which no way leads from one part of a stand to the next."""

SMALLEST = 5e-5
"""Share of the picture that must be sure before a region is founded (48 px of 1200 x 800: a head's own size)."""

HEAD = 1.5e-5
"""Share of the picture from which a burnt-out spot counts as a head and not as a glint."""

OFTEN = 0.25
"""Share of the other frames in which one place may look like equipment; above, it is leaves, water, chrome."""

DARK = 0.004
"""Linear light added before logarithms, about the noise of a dark pixel."""

LOUDER = 0.12
"""Natural-log units by which a frame outshines all others before a wrong mask would cost or a missing one would show."""

BELOW = 0.15
"""Natural-log units below daylight alone from which something stands in front."""

STEP = 4
"""Preview pixels per pixel of the map on which ways are searched."""

REACH = 9.0
"""Longest way from a head to another part of its stand, in pixels of improbable ground (each pixel counts its -log P)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """One thing that is hidden in one frame.

    Attributes
    ----------
    box : (int, int, int, int)
        First row, first column, row and column behind the last, preview pixels.
    area_px : int
        Preview pixels, before widening.
    why : str
        What spoke for it, in words.
    confidence : float
        0-1.
    unsure : bool
        Better looked at.
    """

    box: tuple[int, int, int, int]
    area_px: int
    why: str
    confidence: float
    unsure: bool


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """What a series shows at each pixel, for comparing one frame with the others."""

    log: tuple[Map, ...]
    best: Map
    second: Map
    daylight: Map | None
    clipped: NDArray[np.uint8]
    likely: NDArray[np.uint8]

    def others(self, i: int) -> Map:
        """Brightest of the other frames, natural log."""
        return np.where(self.log[i] >= self.best, self.second, self.best)


def compare(previews: Sequence[Preview], ambient: Sequence[bool], probability: Sequence[Map]) -> Light:
    """Collect what is asked of the whole series."""
    log = tuple(_log(p) for p in previews)
    best = np.full_like(log[0], -np.inf)
    second = best.copy()
    for m in log:
        second = np.maximum(second, np.minimum(best, m))
        best = np.maximum(best, m)
    plates = [m for m, a in zip(log, ambient, strict=True) if a]
    return Light(
        log=log,
        best=best,
        second=second,
        daylight=np.mean(plates, axis=0, dtype=np.float32) if plates else None,
        clipped=np.sum([p.clipped for p in previews], axis=0, dtype=np.uint8),
        likely=np.sum([p > LIKELY for p in probability], axis=0, dtype=np.uint8),
    )


def _log(preview: Preview) -> Map:
    smooth = cv2.GaussianBlur(colour.luminance(preview.linear), (0, 0), 0.8)
    return np.where(preview.valid, np.log(smooth + DARK), np.log(DARK)).astype(np.float32)


def find(i: int, probability: Map, preview: Preview, light: Light) -> tuple[Area, tuple[Region, ...]]:
    """Regions of frame i.

    Parameters
    ----------
    i : int
        Which frame of `light`.
    probability : (h, w) float32, 0-1
    preview : Preview
    light : Light

    Returns
    -------
    area : (h, w) bool
        What the regions cover, neither widened nor softened.
    regions : tuple of Region
    """
    p = probability * _rarely(light, i, probability)
    parts = _Parts(i, p, preview, light)
    if parts.count == 0:
        return np.zeros(p.shape, bool), ()
    near, ways = _ways(p, parts)
    chosen = parts.judge(near)
    area = chosen[parts.label] if chosen.any() else np.zeros(p.shape, bool)
    area |= ways(chosen)
    area = _without_holes(area, p)
    return area, parts.describe(chosen)


def _rarely(light: Light, i: int, probability: Map) -> Map:
    """1 where few other frames look like equipment, falling to 0 where many do."""
    others = light.likely - (probability > LIKELY)
    share = others.astype(np.float32) / max(1, len(light.log) - 1)
    return np.clip(2 - share / OFTEN, 0, 1) if len(light.log) > 4 else np.clip(2 - others.astype(np.float32), 0, 1)


class _Parts:
    """Connected parts of what is likely, with what speaks for and against each."""

    def __init__(self, i: int, p: Map, preview: Preview, light: Light) -> None:
        h, w = p.shape
        self.size = h * w
        likely = (p > LIKELY).astype(np.uint8)
        n, self.label, stats, _ = cv2.connectedComponentsWithStats(likely, connectivity=8)
        self.count = n - 1
        self.boxes = stats
        inside = np.flatnonzero(likely)
        of = self.label.ravel()[inside]

        def share(flag: NDArray[np.generic]) -> NDArray[np.float64]:
            return np.bincount(of, weights=flag.ravel()[inside], minlength=n)

        self.area = np.maximum(share(likely), 1)
        mine = light.log[i]
        others = light.others(i)
        self.mean = share(p) / self.area
        self.sure = share(p > SURE)
        alone = preview.clipped & (light.clipped == 1)
        self.burnt = share(alone)
        self.louder = share(mine > others + LOUDER) / self.area
        self.darker = share(mine < light.daylight - BELOW) / self.area if light.daylight is not None else 0 * self.area
        self.edge = (
            (stats[:, 0] <= 2)
            | (stats[:, 1] <= 2)
            | (stats[:, 0] + stats[:, 2] >= w - 2)
            | (stats[:, 1] + stats[:, 3] >= h - 2)
        )
        self.head = (self.burnt > HEAD * self.size) & (self.sure > 0)
        self.dark = (self.darker > 0.3) & (self.darker * self.area > SMALLEST * self.size)
        self.founded = self.sure > SMALLEST * self.size
        self.head[0] = self.dark[0] = self.founded[0] = False

    def judge(self, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
        chosen = self.founded & (self.head | self.dark | near)
        chosen |= near & (self.sure > 0.2 * SMALLEST * self.size)
        chosen[0] = False
        return chosen

    def describe(self, chosen: NDArray[np.bool_]) -> tuple[Region, ...]:
        regions = []
        for k in np.flatnonzero(chosen):
            x, y, w, h, _ = (int(v) for v in self.boxes[k])
            why = "burnt-out head" if self.head[k] else "darker than daylight alone" if self.dark[k] else "like equipment"
            c = float(np.clip(self.mean[k], 0, 1))
            regions.append(
                Region(box=(y, x, y + h, x + w), area_px=int(self.area[k]), why=why, confidence=c, unsure=c < 0.6)
            )
        return tuple(regions)


def _ways(p: Map, parts: _Parts):  # type: ignore[no-untyped-def]
    near = np.zeros(parts.count + 1, bool)
    return near, lambda chosen: np.zeros(p.shape, bool)


def _without_holes(area: Area, p: Map) -> Area:
    return area

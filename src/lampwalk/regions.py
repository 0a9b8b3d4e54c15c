"""From the probability of equipment per pixel to regions that hang together.

A pixel alone cannot be judged: leaves, chrome and outlines of shadows look like equipment, and parts of a stand do
not. What tells is what hangs together: a head that is burnt out in this frame only, a pole that leads from it to the
ground, a thing that is darker than daylight alone would leave it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour
from .previews import Preview

Map = NDArray[np.float32]
Area = NDArray[np.bool_]

SURE, LIKELY = 0.8, 0.4
"""Probability from which a pixel founds a region, and from which it belongs to one."""

FAINT = 0.15
"""Probability from which a pixel beside a region that outshines all other frames goes with it."""

SMALLEST = 5e-5
"""Share of the picture that must be sure before a region is founded (48 px of 1200 x 800: a head's own size)."""

HEAD = 1.5e-5
"""Share of the picture from which a burnt-out spot counts as a head and not as a glint."""

COMPACT = 0.35
"""Least share of its bounding box that a head fills (a disc seen obliquely at 45 degrees fills 0.6)."""

PLAIN_HEAD = 4e-4
"""Share of the picture from which a burnt-out spot can be told to be a head by its shape alone."""

CONVEX = 0.94
"""Share of its convex hull that such a spot fills. Measured: heads from 0.95, lit things up to 0.93."""

EDGE_PX = 6
"""Preview pixels from such a spot within which it must have become dark (half of full scale)."""

ACROSS_PX, ALONG_PX = 8, 20
"""Preview pixels to either side: what an upright line is compared with, and over which it is averaged."""

POLE = 0.12
"""Natural-log units that a pole must lie outside of what the other frames show."""

CORE = 0.6
"""Radii of a head, from its edge, within which its glow may be too bright to be taken off."""

GLARING = float(np.log(0.2))
"""Natural log of linear light from which glow counts as such."""

OFTEN = 0.25
"""Share of the other frames in which one place may look like equipment; above, it is leaves, water, chrome."""

DARK = 0.004
"""Linear light added before logarithms, about the noise of a dark pixel."""

LOUDER = 0.12
"""Natural-log units by which a frame outshines all others before a wrong mask would cost or a missing one would show."""

BELOW = 0.15
"""Natural-log units below daylight alone from which something stands in front."""

ALONE = 0.75
"""Mean probability from which a part counts that no way leads to."""

MOSTLY = 0.3
"""Share of a region from which what is said of its pixels is said of it."""

UNSURE = 0.65
"""Mean probability below which a region is better looked at."""

SOME = 0.05
"""Share of a region that must be darker than daylight alone or outshine all other frames. Measured: cast shadows up to
0.03, stands from 0.07 (without a daylight frame) and 0.13 (with one)."""

STEP = 4
"""Preview pixels per pixel of the map on which ways are searched."""

REACH = 12.0
"""Longest way from a head to another part of its stand, in cells of the map: each counts -log of its probability."""

NOWHERE = 0.02
"""Probability that a way never falls below: the price of a cell without any sign of equipment is 3.9."""


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
    detail: tuple[Map, Map, Map, Map]

    def others(self, i: int) -> Map:
        """Brightest of the other frames, natural log."""
        return np.where(self.log[i] >= self.best, self.second, self.best)


def compare(previews: Sequence[Preview], ambient: Sequence[bool], probability: Sequence[Map]) -> Light:
    """Collect what is asked of the whole series."""
    log = tuple(_log(p) for p in previews)
    best, second, _, _ = _extremes(log)
    plates = [m for m, a in zip(log, ambient, strict=True) if a]
    return Light(
        log=log,
        best=best,
        second=second,
        daylight=np.mean(plates, axis=0, dtype=np.float32) if plates else None,
        clipped=np.sum([p.clipped for p in previews], axis=0, dtype=np.uint8),
        likely=np.sum([p > LIKELY for p in probability], axis=0, dtype=np.uint8),
        detail=_extremes([_across(m) for m in log]),
    )


def _across(log: Map) -> Map:
    """Light against its neighbours left and right."""
    return np.asarray(log - cv2.blur(log, (2 * ACROSS_PX + 1, 1)), np.float32)


def _extremes(maps: Sequence[Map]) -> tuple[Map, Map, Map, Map]:
    """Highest, second highest, second lowest and lowest value at each pixel."""
    top = np.full_like(maps[0], -np.inf)
    below, above, low = top.copy(), -top, -top
    for m in maps:
        below, top = np.maximum(below, np.minimum(top, m)), np.maximum(top, m)
        above, low = np.minimum(above, np.maximum(low, m)), np.minimum(low, m)
    return top, below, above, low


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
    louder = light.log[i] > light.others(i) + LOUDER
    darker = light.log[i] < light.daylight - BELOW if light.daylight is not None else np.zeros(p.shape, bool)
    heads, plain = _bright_heads(i, p, preview, light)
    p = np.where(plain, np.float32(1), p)
    parts = _parts(p, heads | plain, louder, darker)
    first = _first(parts, p.size)
    area = np.zeros(p.shape, bool)
    if first == 0:
        return area, ()
    ways = Ways(p, parts.label, first)
    together, alone = _judge(parts, first, ways.cost, p.size)
    area = (together | alone)[parts.label] | ways.to(together)
    area = _with_poles(area, _upright(i, light))
    area = _grown(area, p, louder) | _glow_core((heads | plain) & area, louder & (light.log[i] > GLARING))
    regions = [_region(parts, np.flatnonzero(together), p.shape)]
    regions += [_region(parts, np.array([k]), p.shape) for k in np.flatnonzero(alone)]
    return area, tuple(regions)


def _rarely(light: Light, i: int, probability: Map) -> Map:
    """1 where few other frames look like equipment, falling to 0 where many do."""
    others = light.likely - (probability > LIKELY)
    allowed = max(1.0, OFTEN * (len(light.log) - 1))
    return np.clip(2 - others.astype(np.float32) / np.float32(allowed), 0, 1)


def _bright_heads(i: int, p: Map, preview: Preview, light: Light) -> tuple[Area, Area]:
    """Burnt-out spots of this frame alone that are compact: likely ones, and those that need no further evidence.

    A lit surface burns out gradually and in the shape of its texture; a head is convex, and dark close beside it.
    """
    alone = (preview.clipped & (light.clipped == 1)).astype(np.uint8)
    n, label, stats, _ = cv2.connectedComponentsWithStats(alone, connectivity=8)
    area = np.maximum(stats[:, cv2.CC_STAT_AREA], 1)
    inside = np.flatnonzero(alone)
    likely = np.bincount(label.ravel()[inside], weights=(p > LIKELY).ravel()[inside], minlength=n) / area
    fills = area / (stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT])
    good = (area > HEAD * p.size) & (likely > 0.6) & (fills > COMPACT)
    plain = np.zeros(n, bool)
    good[0] = False
    for k in np.flatnonzero((area > PLAIN_HEAD * p.size) & (fills > COMPACT)):
        plain[k] = k > 0 and _is_head(label == k, light.log[i], light.others(i))
    return good[label], plain[label]


def _is_head(spot: Area, mine: Map, others: Map) -> bool:
    """Convex, much brighter than what other frames show there, and with a sharp edge."""
    x, y, w, h = cv2.boundingRect(spot.astype(np.uint8))
    r = EDGE_PX + 1
    window = np.s_[max(0, y - r) : y + h + r, max(0, x - r) : x + w + r]
    s = spot[window].astype(np.uint8)
    contours, _ = cv2.findContours(s, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(np.vstack(contours))
    convex = s.sum() / (cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2)
    ring = cv2.dilate(s, np.ones((2 * EDGE_PX + 1,) * 2, np.uint8)) - cv2.dilate(s, np.ones((5, 5), np.uint8)) > 0
    dark = (mine[window][ring] < -np.log(2)).mean() if ring.any() else 0.0
    return bool(convex > CONVEX and dark > 0.6 and np.median(others[window][s > 0]) < -1)


def _upright(i: int, light: Light) -> Map:
    """How far upright lines lie outside of what all other frames show, natural log, averaged along them."""
    top, below, above, low = light.detail
    mine = _across(light.log[i])
    brighter = np.maximum(mine - np.where(mine >= top, below, top), 0)
    darker = np.maximum(np.where(mine <= low, above, low) - mine, 0)
    along = (1, 2 * ALONG_PX + 1)
    return np.asarray(np.maximum(cv2.blur(brighter, along), cv2.blur(darker, along)), np.float32)


def _with_poles(area: Area, upright: Map) -> Area:
    """Add upright lines that begin or end at what was found: poles too faint to be likely by themselves."""
    crest = cv2.dilate(upright, np.ones((1, 2 * ACROSS_PX + 1), np.uint8)) / 2
    lines = ((upright > POLE) & (upright > crest)).astype(np.uint8)
    n, label, stats, _ = cv2.connectedComponentsWithStats(lines, connectivity=8)
    height = stats[:, cv2.CC_STAT_HEIGHT]
    narrow = (height > 2 * ALONG_PX) & (stats[:, cv2.CC_STAT_AREA] < 2 * ACROSS_PX * height)
    touched = np.zeros(n, bool)
    near = cv2.dilate(area.astype(np.uint8), np.ones((ACROSS_PX, ACROSS_PX), np.uint8)) > 0
    touched[np.unique(label[near])] = True
    good = narrow & touched
    good[0] = False
    return np.asarray(area | good[label])


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Connected parts of what is likely (index 0 is the rest), with what speaks for and against each."""

    label: NDArray[np.int32]
    box: NDArray[np.int32]  # (n, 4): x, y, width, height
    area: NDArray[np.float64]
    mean: NDArray[np.float64]  # probability
    sure: NDArray[np.float64]  # pixels
    head: NDArray[np.float64]  # pixels of burnt-out heads
    louder: NDArray[np.float64]  # share
    darker: NDArray[np.float64]  # share


def _parts(p: Map, heads: Area, louder: Area, darker: Area) -> _Parts:
    likely = ((p > LIKELY) | heads).astype(np.uint8)
    n, label, stats, _ = cv2.connectedComponentsWithStats(likely, connectivity=8)
    inside = np.flatnonzero(likely)
    of = label.ravel()[inside]

    def total(values: NDArray[np.generic]) -> NDArray[np.float64]:
        sums = np.bincount(of, weights=values.ravel()[inside], minlength=n)
        sums[0] = 0
        return sums

    area = np.maximum(total(likely), 1)
    return _Parts(
        label=label,
        box=stats[:, :4],
        area=area,
        mean=total(p) / area,
        sure=total(p > SURE),
        head=total(heads),
        louder=total(louder) / area,
        darker=total(darker) / area,
    )


def _first(parts: _Parts, size: int) -> int:
    """The part that a frame's equipment starts from, 0 where there is none.

    One flash was walked: the surest head is it, and a burnt-out head before anything dark.
    """
    strength = parts.sure * (parts.mean > LIKELY)
    burnt = np.where((parts.head > 0) & (parts.mean > ALONE), strength, 0)
    if burnt.max() > 0:
        return int(np.argmax(burnt))
    other = np.where(_confirmed(parts) & (parts.sure > SMALLEST * size), strength, 0)
    return int(np.argmax(other)) if other.max() > 0 else 0


def _confirmed(parts: _Parts) -> NDArray[np.bool_]:
    """No mere shadow: a shadow is nowhere darker than daylight alone, and nowhere outshines all other frames."""
    return (parts.head > 0) | (parts.darker + parts.louder > SOME)


def _judge(
    parts: _Parts, first: int, cost: NDArray[np.float64], size: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which parts belong to the first one, and which others are sure enough by themselves (a mirrored head, a helper)."""
    together = (cost < REACH) & (parts.sure > 0.2 * SMALLEST * size)
    together[first] = True
    alone = (parts.mean > ALONE) & (parts.sure > SMALLEST * size) & _confirmed(parts)
    together[0] = alone[0] = False
    return together, alone & ~together


class Ways:
    """Cheapest ways over the probability from the first part to all others."""

    def __init__(self, p: Map, label: NDArray[np.int32], first: int) -> None:
        from skimage.graph import MCP_Geometric

        self.shape = p.shape
        self.cells = _coarse(label)  # of two parts in one cell the later: the other one lies in cells beside it
        price = -np.log(np.clip(_coarse(p), NOWHERE, 1)) + 0.01
        self.search = MCP_Geometric(price)
        inside = _coarse((label == first).astype(np.uint8)) > 0
        self.field, _ = self.search.find_costs(np.argwhere(inside))
        self.cost = np.full(int(label.max()) + 1, np.inf)
        np.minimum.at(self.cost, self.cells.ravel(), self.field.ravel())

    def to(self, chosen: NDArray[np.bool_]) -> Area:
        """The ways to the chosen parts, nearly a cell wide."""
        area = np.zeros(self.shape, np.uint8)
        for k in np.flatnonzero(chosen & (self.cost < REACH) & (self.cost > 0)):
            own = np.where(self.cells == k, self.field, np.inf)
            end = np.unravel_index(int(np.argmin(own)), own.shape)
            way = np.array(self.search.traceback(end)) * STEP + STEP // 2
            cv2.polylines(area, [np.ascontiguousarray(way[:, ::-1]).astype(np.int32)], False, 1, STEP - 1)
        return area > 0


def _coarse(values: NDArray[Any]) -> NDArray[Any]:
    """Largest value of each cell of STEP x STEP pixels."""
    h, w = values.shape
    padded = np.pad(values, ((0, -h % STEP), (0, -w % STEP)), mode="edge")
    return np.asarray(padded.reshape(padded.shape[0] // STEP, STEP, -1, STEP).max(axis=(1, 3)))


def _grown(area: Area, p: Map, louder: Area) -> Area:
    """With what is less likely beside it, but would show."""
    near = cv2.dilate(area.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
    return np.asarray(area | ((p > FAINT) & louder & near))


def _glow_core(heads: Area, glaring: Area) -> Area:
    """The glare close round burnt-out heads: too bright for the glow to be taken off there."""
    core = np.zeros(heads.shape, bool)
    if not heads.any():
        return core
    n, label, stats, _ = cv2.connectedComponentsWithStats(heads.astype(np.uint8), connectivity=8)
    for k in range(1, n):
        x, y, w, h, area = (int(v) for v in stats[k])
        r = round(CORE * np.sqrt(area / np.pi))
        window = np.s_[max(0, y - r) : y + h + r, max(0, x - r) : x + w + r]
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
        core[window] |= cv2.dilate((label[window] == k).astype(np.uint8), disc) > 0
    return core & glaring


def _region(parts: _Parts, members: NDArray[np.intp], shape: tuple[int, int]) -> Region:
    """Describe the parts that hang together."""
    x0, y0 = parts.box[members, :2].min(axis=0)
    x1, y1 = (parts.box[members, :2] + parts.box[members, 2:]).max(axis=0)
    area = parts.area[members]
    total = float(area.sum())
    darker = float((parts.darker[members] * area).sum()) / total
    burnt = bool((parts.head[members] > 0).any())
    confidence = float((parts.mean[members] * area).sum()) / total
    return Region(
        box=(int(y0), int(x0), int(y1), int(x1)),
        area_px=int(total),
        why=_why(burnt, darker, (y0 <= 2 or x0 <= 2 or y1 >= shape[0] - 2 or x1 >= shape[1] - 2, (y1 - y0) > 2 * (x1 - x0))),
        confidence=min(1.0, confidence),
        unsure=confidence < UNSURE,
    )


def _why(burnt: bool, darker: float, place: tuple[bool, bool]) -> str:
    words = []
    if burnt:
        words.append("a head, burnt out in this frame only")
    else:
        words.append("a thing that no other frame has")
    if darker > MOSTLY:
        words.append("darker than daylight alone")
    if place[1]:
        words.append("upright like a stand")
    if place[0]:
        words.append("reaching out of the picture")
    return ", ".join(words)

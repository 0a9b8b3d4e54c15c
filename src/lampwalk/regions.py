"""From the probability of equipment per pixel to regions that hang together, and what speaks for each.

A pixel alone cannot be judged. Of a connected part of what is likely, physics says more: light only adds, so
what is darker than daylight alone stands in front; a cast shadow is neither that nor brighter than in all
other frames; a head is burnt out, convex, and dark close beside it; a pole hangs below it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, parallel
from .cues import extremes, other
from .previews import Preview

Map = NDArray[np.float32]
Area = NDArray[np.bool_]

SURE, LIKELY, FAINT = 0.8, 0.6, 0.15
"""Probability from which a pixel founds a region, from which it belongs to one, and from which it goes with
a region beside it if it would show."""

SMALLEST = 5e-5
"""Share of the picture that must be sure before a region is founded (48 px of 1200 x 800)."""

ALONE = 0.75
"""Mean probability that a region without a burnt-out head needs."""

UNSURE = 0.8
"""Confidence below which a region is better looked at."""

MOSTLY, SOME = 0.3, 0.05
"""Share of a region from which what is said of its pixels is said of it; and share that must be darker than
daylight alone or outshine all other frames. Measured: cast shadows up to 0.03, stands from 0.07."""

BEAM, CERTAIN = 0.5, 0.95
"""Share of a region without a head that may outshine all others, and mean probability above which it may."""

LOUDER, BELOW = 0.12, 0.15
"""Natural-log units by which a frame outshines all others, and by which something is darker than daylight
alone: above noise and the rest of the levelling's error (0.1 EV = 0.07)."""

DARK = 0.004
"""Linear light added before logarithms, about the noise of a dark pixel."""

HEAD, PLAIN_HEAD = 1.5e-5, 4e-4
"""Share of the picture from which a likely burnt-out spot counts as a head and not as a glint; and from
which its shape alone can tell."""

GAP = 0.015
"""Share of the long side over which one thing may be interrupted (18 px of 1200)."""

COMPACT = 0.35
"""Least share of its bounding box that a head fills (an ellipse across the diagonal fills 0.4)."""

CONVEX = 0.94
"""Share of its convex hull that a head fills. Measured: heads from 0.95, lit things up to 0.93."""

THIN, BODY = 0.12, 0.93
"""Radius of what is cut off a spot before its shape is judged, in square roots of its area: a glint on the pole below it;
and the share of the spot that must be left then."""

EDGE_PX = 6
"""Preview pixels from a head within which it must have become dark (half of full scale)."""

CORE = 1.0
"""Radii of a head, from its edge, within which its glow may be too bright to be taken off."""

GLARING, LIT_THING = float(np.log(0.1)), 0.3
"""Natural log of linear light from which glow counts as such; and natural-log units above the usual light at
the same distance from a head that are no glow."""

ACROSS_PX, ALONG_PX = 8, 20
"""Preview pixels to either side: what an upright line is compared with, and over which it is averaged."""

POLE = 0.12
"""Natural-log units that a pole must lie outside of what the other frames show."""

BESIDE_PX = 6
"""Preview pixels from a region within which what is faint goes with it."""

FAINTEST, BODY_PX = 0.02, 7
"""Probability from which a pixel goes with a region that it hangs together with, however far, if it would show; and the least
thickness of what does, preview pixels: thinner ones are the rims of what is found, lit ground as often as not. Compared in
benchmarks/equipment.md."""


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
    """What a series shows, for comparing one frame with the others: natural logs of linear light, (h, w)."""

    best: Map
    second: Map
    daylight: Map | None
    clipped: NDArray[np.uint8]
    detail: tuple[Map, Map, Map, Map]

    def others(self, mine: Map) -> Map:
        """Brightest of the other frames than one whose log is given."""
        return other(mine, self.best, self.second)


def compare(previews: Sequence[Preview], ambient: Sequence[bool]) -> Light:
    """Collect what is asked of the whole series.

    Parameters
    ----------
    previews : N of Preview, (h, w)
        In one geometry, daylight levelled.
    ambient : N of bool
    """
    (best, second, _, _), detail = parallel.each(
        lambda look: extremes(look(_log(p)) for p in previews), (lambda log: log, _across)
    )
    plates = [_log(p) for p, a in zip(previews, ambient, strict=True) if a]
    return Light(
        best=best,
        second=second,
        daylight=np.mean(plates, axis=0, dtype=np.float32) if plates else None,
        clipped=reduce(np.add, (p.clipped.view(np.uint8) for p in previews)),
        detail=detail,
    )


def _log(preview: Preview) -> Map:
    luminance = cv2.transform(preview.linear, colour.LUMINANCE[None])
    smooth = cv2.GaussianBlur(luminance, (0, 0), 0.8)
    log = cv2.log(np.maximum(smooth, 0) + np.float32(DARK))
    if not preview.valid.all():
        log[~preview.valid] = np.log(DARK)
    return np.asarray(log, np.float32)


def _across(log: Map) -> Map:
    """Light against its neighbours left and right."""
    return np.asarray(log - cv2.blur(log, (2 * ACROSS_PX + 1, 1)), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Spots:
    """Connected spots of a map; all lie in one window of it, and only there is anything looked up."""

    label: NDArray[np.int32]  # (h', w') number of the spot, 0 beside them
    stats: NDArray[np.int32]  # (n, 5): x and y in the map, width, height, area
    window: tuple[slice, slice]
    shape: tuple[int, int]

    def total(self, values: NDArray[Any]) -> NDArray[np.float64]:
        """Sum of a map's values over each spot."""
        inside = self.label > 0
        weights = values[self.window][inside]
        return np.asarray(np.bincount(self.label[inside], weights=weights, minlength=len(self.stats)), np.float64)

    def map(self, chosen: NDArray[np.bool_]) -> Area:
        """Where the chosen spots are."""
        result = np.zeros(self.shape, bool)
        result[self.window] = chosen[self.label]
        return result


def _spots(where: Area) -> _Spots:
    mask = where.view(np.uint8)
    x, y, w, h = cv2.boundingRect(mask)
    window = np.s_[y & ~1 : y + h, x & ~1 : x + w]  # even, as spots are numbered by blocks of 2 x 2
    if not w:
        return _Spots(np.zeros(mask[window].shape, np.int32), np.zeros((1, 5), np.int32), window, mask.shape)
    _, label, stats, _ = cv2.connectedComponentsWithStats(mask[window], connectivity=8)
    stats[:, :2] += (x & ~1, y & ~1)
    return _Spots(np.asarray(label, np.int32), np.asarray(stats, np.int32), window, mask.shape)


def find(probability: Map, preview: Preview, light: Light) -> tuple[Area, tuple[Region, ...]]:
    """Regions of one frame.

    Parameters
    ----------
    probability : (h, w) float32, 0-1
    preview : Preview
    light : Light
        Of its series (`compare`).

    Returns
    -------
    area : (h, w) bool
        What the regions cover, neither widened nor softened.
    regions : tuple of Region
    """
    mine = _log(preview)
    others = light.others(mine)
    louder = mine > others + LOUDER
    darker = mine < light.daylight - BELOW if light.daylight is not None else np.zeros_like(louder)
    heads, plain = _bright_heads(probability, preview.clipped & (light.clipped == 1), mine, others)
    p = np.where(plain, np.float32(1), probability)
    parts = _parts(p, heads | plain, louder, darker)
    del others, darker  # two frames are looked at at a time, and this is where most memory is held
    chosen = _joined(parts, _judge(parts, p.size))
    area = parts.spots.map(chosen)
    heads = (heads | plain) & area
    if heads.any():
        area |= _poles(heads, _upright(_across(mine), light, heads))
    area |= _beside(area, p, louder)
    proven = chosen & ((parts.head > 0) | (parts.darker > SOME))
    area |= _rest(parts.spots.map(proven), p, louder & ~area)
    area |= _glow_core(heads, mine, louder)
    return area, tuple(_region(parts, int(k)) for k in np.flatnonzero(chosen))


def _bright_heads(p: Map, burnt: Area, mine: Map, others: Map) -> tuple[Area, Area]:
    """Find compact burnt-out spots of this frame alone: likely ones, and those that need no more evidence.

    A lit surface burns out gradually and in the shape of its texture; a head is convex, with a sharp edge.
    """
    spots = _spots(burnt)
    area = np.maximum(spots.stats[:, cv2.CC_STAT_AREA], 1)
    likely = spots.total(p > LIKELY) / area
    compact = area > COMPACT * spots.stats[:, cv2.CC_STAT_WIDTH] * spots.stats[:, cv2.CC_STAT_HEIGHT]
    good = compact & (area > HEAD * p.size) & (likely > 0.6)
    plain = compact & (area > PLAIN_HEAD * p.size)
    good[0] = plain[0] = False
    for k in np.flatnonzero(plain):
        plain[k] = _is_head(spots, int(k), mine, others)
    return spots.map(good), spots.map(plain)


def _is_head(spots: _Spots, k: int, mine: Map, others: Map) -> bool:
    """Convex, with a sharp edge, and much brighter than what other frames show there."""
    whole, window = _alone(spots, k, EDGE_PX + 1)
    thin = 2 * max(1, round(THIN * np.sqrt(whole.sum()))) + 1
    spot = cv2.morphologyEx(whole, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (thin, thin)))
    if spot.sum() < BODY * whole.sum():  # frayed all round, as lit ground is
        return False
    contours, _ = cv2.findContours(spot, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(np.vstack(contours))
    convex = spot.sum() / (cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1)
    near, far = (cv2.dilate(spot, np.ones((2 * d + 1, 2 * d + 1), np.uint8)) for d in (2, EDGE_PX))
    ring = far > near
    dark = (mine[window][ring] < np.log(0.5)).mean() if ring.any() else 0
    return bool(convex > CONVEX and dark > 0.6 and np.median(others[window][spot > 0]) < np.log(0.37))


def _alone(spots: _Spots, k: int, margin: int) -> tuple[NDArray[np.uint8], tuple[slice, slice]]:
    """One spot with some room round it: 1 where it is, and where in the map that is."""
    x, y, w, h = (int(v) for v in spots.stats[k, :4])
    rows, columns = spots.shape
    y0, x0 = max(0, y - margin), max(0, x - margin)
    window = np.s_[y0 : min(rows, y + h + margin), x0 : min(columns, x + w + margin)]
    result = np.zeros((window[0].stop - y0, window[1].stop - x0), np.uint8)
    top, left = y - spots.window[0].start, x - spots.window[1].start
    result[y - y0 : y - y0 + h, x - x0 : x - x0 + w] = spots.label[top : top + h, left : left + w] == k
    return result, window


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Connected parts of what is likely (index 0 is the rest), with what speaks for and against each."""

    spots: _Spots
    area: NDArray[np.float64]
    mean: NDArray[np.float64]  # probability
    sure: NDArray[np.float64]  # pixels
    head: NDArray[np.float64]  # pixels of burnt-out heads
    louder: NDArray[np.float64]  # share
    darker: NDArray[np.float64]  # share


def _parts(p: Map, heads: Area, louder: Area, darker: Area) -> _Parts:
    likely = (p > LIKELY) | heads
    spots = _spots(likely)
    area = np.maximum(spots.total(likely), 1)
    return _Parts(
        spots=spots,
        area=area,
        mean=spots.total(p) / area,
        sure=spots.total(p > SURE),
        head=spots.total(heads),
        louder=spots.total(louder) / area,
        darker=spots.total(darker) / area,
    )


def _judge(parts: _Parts, size: int) -> NDArray[np.bool_]:
    """Which parts are equipment: with a burnt-out head, or sure and no mere shadow."""
    chosen = (parts.sure > SMALLEST * size) & ((parts.head > 0) | ((parts.mean > ALONE) & _stands_in_front(parts)))
    chosen[0] = False
    return chosen


def _joined(parts: _Parts, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Add the parts that go on behind a short gap, as a leg behind grass does: less evidence is enough."""
    label, shape = parts.spots.label, parts.spots.shape
    side = 2 * round(GAP * max(shape)) + 1
    fit = (parts.sure > SMALLEST / 5 * shape[0] * shape[1]) & ~chosen
    fit[0] = False
    while fit.any() and chosen.any():
        around = cv2.dilate(chosen[label].view(np.uint8), np.ones((side, side), np.uint8)) > 0
        reached = np.zeros_like(chosen)
        reached[label[around]] = True
        if not (reached & fit).any():
            break
        chosen, fit = chosen | (reached & fit), fit & ~reached
    return chosen


def _stands_in_front(parts: _Parts) -> NDArray[np.bool_]:
    """Tell things from shadows and from lit ground, where no head is seen.

    A shadow is nowhere darker than daylight and never outshines all others. What outshines them almost
    everywhere is lit by the lamp's beam; a stand whose head is turned away or out of the picture is not.
    """
    lit = (parts.louder > BEAM) & (parts.darker < SOME) & (parts.mean < CERTAIN)
    return (parts.darker + parts.louder > SOME) & ~lit


def _upright(mine: Map, light: Light, heads: Area) -> Map:
    """How far upright lines lie outside of what all other frames show, natural log, averaged along them."""
    top, below, above, low = light.detail
    beside = cv2.dilate(heads.view(np.uint8), np.ones((1, 2 * ACROSS_PX + 3), np.uint8)) > 0

    def along(outside: Map) -> Map:
        np.maximum(outside, 0, out=outside)
        outside[beside] = 0  # a head's own edges are no poles
        return np.asarray(cv2.blur(outside, (1, 2 * ALONG_PX + 1)), np.float32)

    brighter = along(mine - other(mine, top, below))
    return np.maximum(brighter, along(other(mine, low, above) - mine))


def _poles(heads: Area, upright: Map) -> Area:
    """Upright lines that hang at a head: poles too faint or too thin to be likely by themselves."""
    crest = cv2.dilate(upright, np.ones((1, 2 * ACROSS_PX + 1), np.uint8)) / 2
    lines = _spots((upright > POLE) & (upright > crest))
    height = lines.stats[:, cv2.CC_STAT_HEIGHT]
    narrow = (height > 2 * ALONG_PX) & (lines.stats[:, cv2.CC_STAT_AREA] < 2 * ACROSS_PX * height)
    reach = np.ones((2 * ALONG_PX + 1, 4 * ACROSS_PX + 1), np.uint8)
    below = cv2.dilate(heads.view(np.uint8), reach, anchor=(2 * ACROSS_PX, 2 * ALONG_PX)) > 0
    touched = np.zeros(len(lines.stats), bool)
    touched[lines.label[below[lines.window]]] = True
    touched[0] = False
    return lines.map(touched & narrow)


def _beside(area: Area, p: Map, louder: Area) -> Area:
    """Find what is less likely beside a region, but would show."""
    side = 2 * BESIDE_PX + 1
    near = cv2.dilate(area.view(np.uint8), np.ones((side, side), np.uint8)) > 0
    return (p > FAINT) & louder & near


def _rest(area: Area, p: Map, louder: Area) -> Area:
    """Find the rest of a thing half found, as a helper's face behind leaves: unlikely, but thick, and it would show."""
    faint = (p > FAINTEST) & louder
    wide = cv2.dilate((area | faint).view(np.uint8), np.ones((BESIDE_PX + 1, BESIDE_PX + 1), np.uint8))
    spots = _spots(wide.view(bool))  # what lies at most so far apart hangs together
    reached = np.zeros(len(spots.stats), bool)
    reached[spots.label[area[spots.window]]] = True
    reached[0] = False
    new = (faint & spots.map(reached)).view(np.uint8)
    return cv2.morphologyEx(new, cv2.MORPH_OPEN, np.ones((BODY_PX, BODY_PX), np.uint8)).view(bool)


def _glow_core(heads: Area, mine: Map, louder: Area) -> Area:
    """Find the glare close round burnt-out heads, too bright for the glow to be taken off.

    Glow falls off evenly all round; what is much brighter than the rest at the same distance is a lit thing.
    """
    core = np.zeros(heads.shape, bool)
    spots = _spots(heads)
    for k in range(1, len(spots.stats)):
        r = round(CORE * np.sqrt(spots.stats[k, cv2.CC_STAT_AREA] / np.pi))
        spot, window = _alone(spots, k, r)
        away = cv2.distanceTransform(1 - spot, cv2.DIST_L2, 5).astype(np.int32)
        light = mine[window]
        usual = np.array([np.median(light[away == d]) if (away == d).any() else 0 for d in range(r + 1)])
        even = light < usual[np.minimum(away, r)] + LIT_THING
        core[window] |= (away <= r) & even & (light > GLARING)
    return core & louder


def _region(parts: _Parts, k: int) -> Region:
    x, y, w, h = (int(v) for v in parts.spots.stats[k, :4])
    rows, columns = parts.spots.shape
    confidence = float(min(1.0, parts.mean[k]))
    words = ["a head, burnt out in this frame only" if parts.head[k] > 0 else "a thing that no other frame shows"]
    if parts.darker[k] > MOSTLY:
        words.append("darker than daylight alone")
    if parts.louder[k] > MOSTLY and parts.head[k] == 0:
        words.append("brighter than in all other frames")
    if h > 2 * w:
        words.append("upright like a stand")
    if x == 0 or y == 0 or x + w == columns or y + h == rows:
        words.append("reaching out of the picture")
    return Region(
        box=(y, x, y + h, x + w),
        area_px=int(parts.area[k]),
        why=", ".join(words),
        confidence=confidence,
        unsure=confidence < UNSURE,
    )

"""Drift of the daylight between two frames, measured in places that the flash does not reach.

With daylight A in one frame, the other is ``F = g A + L``: drift g, and lamp light L that is zero somewhere.
Where it is, frame and plate agree in small windows up to the factor g, and g is the lowest factor that many
windows share. Where the flash reaches every surface, reflections of the daylight in metal, glass or water
still show g.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import luminance
from .previews import Preview

WINDOW_PX = 6.0
"""Sigma of the window, in preview pixels, in which frame and plate are compared."""

RATIO_PX = 3.0
"""Sigma of the means whose ratio is the drift, preview pixels: wide, so that frames half a pixel apart
agree."""

GLINT_WINDOWS_PX = (2.5, 4.0, 6.0)
"""Sigmas of the windows round reflections of daylight; several, because reflections are small and few."""

GLINT = 1.5
"""Factor over its surroundings from which a place of the plate counts as a reflection of the daylight
itself."""

CORRELATED = 0.95
"""Squared correlation of frame and plate in a window from which its slope is trusted."""

ENOUGH = 150
"""Pixels below which a measurement is not made."""

COMMON_SHARE = 0.4
"""Share of windows that must agree when two lamp frames are compared. Measured: 0.44 and up where both leave
much of the picture unlit, 0.33 at most where they do not and the answer is wrong."""

UNLIT_SHARE = 0.3
"""Share of windows in a part of the picture that must agree for it to count in a gradient."""

GLINT_SHARE = 0.5
"""Share of slopes in reflections that must agree. Measured: right answers 0.54 and up, wrong ones 0.44 at
most."""

QUIET_PX = 2.0
"""Sigma of the smoothing before windows are compared, preview pixels; with 0.7 an alignment error of half a
pixel cost 0.07 EV, with 2.0 it costs 0.008 (benchmarks/light.md)."""

GLINT_QUIET_PX = 0.7
"""The same for reflections, which are small."""

SOME_SHARE = 0.02
"""Share of windows that must lie in the lowest mode of frame over daylight."""

SURE_SHARE = 0.5
"""Share of windows in the lowest mode from which it is daylight and reflections are not asked. Measured: 0.5
and up where much is unlit, 0.47 at most where nothing is."""

TINTED_EV = 0.05
"""Difference between channels, in stops, from which places that are not surely daylight are taken for lit:
flash and daylight differ in colour more often than white balance is changed."""

GLINT_BELOW_EV = 0.04
"""Stops by which reflections must lie below the lowest mode to be believed instead: then the flash reaches
all surfaces."""

GRADIENT_EV = 0.1
"""Smallest gradient over the picture that is levelled, in stops."""

FLOOR = 1e-4
"""Linear light below which a ratio means nothing (a third of the first 8-bit level)."""

DARK = 0.003
"""Linear light of the plate below which 8-bit steps and JPEG dominate a ratio (code 9 of 255)."""


@dataclass(frozen=True, slots=True)
class Drift:
    """How much brighter a frame's daylight is than another's.

    Attributes
    ----------
    ev : float
        Stops.
    gradient : (float, float)
        Further stops from left to right and from top to bottom, zero in the middle.
    channels : (float, float, float)
        Further stops in R, G, B.
    trusted : bool
    how : str
    """

    ev: float
    gradient: tuple[float, float] = (0.0, 0.0)
    channels: tuple[float, float, float] = (0.0, 0.0, 0.0)
    trusted: bool = True
    how: str = "from places that no flash reaches"


def measure(frame: Preview, below: Preview, *, lit: bool) -> Drift:
    """Compare the daylight of two frames.

    Parameters
    ----------
    frame, below : Preview
        In one geometry; `below` shows the daylight alone, or (`lit`) is another lamp frame.
    lit : bool

    Returns
    -------
    Drift
        Not trusted, and 0, where too little was found that no flash reaches.
    """
    good = frame.valid & ~frame.clipped & below.valid & ~below.clipped
    good = cv2.erode(good.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    a, f = (_quiet(luminance(p.linear), QUIET_PX) for p in (below, frame))
    windows = _matching_windows(a, f, good)
    mode, share = highest_mode(windows.ev, 0.03) if lit else _lowest_mode(windows.ev)
    trusted = share >= (COMMON_SHARE if lit else SOME_SHARE) and len(windows.ev) >= ENOUGH
    if not trusted or (share < SURE_SHARE and not lit):
        a, f = (_quiet(p.linear.min(axis=2), GLINT_QUIET_PX) for p in (below, frame))
        glints = _glint_slope(a, f, good)
        if glints is not None and (not trusted or glints < mode - GLINT_BELOW_EV):
            return Drift(glints, how="from reflections of the daylight: the flash reaches all else")
    if not trusted:
        return Drift(0.0, trusted=False, how="not measured: nothing was found that the flash does not reach")
    near = np.abs(windows.ev - mode) < 0.1
    ev, _ = _lowest_mode(windows.ratio[near])
    rows, cols = windows.rows[near], windows.cols[near]
    ratio = np.log2(np.maximum(frame.linear[rows, cols], FLOOR) / np.maximum(below.linear[rows, cols], FLOOR))
    channels = np.median(ratio, axis=0) - np.median(ratio)
    if share < SURE_SHARE and np.abs(channels).max() > TINTED_EV:
        return Drift(0.0, trusted=False, how="not measured: what seemed unlit has the colour of the lamp")
    gradient = _gradient(windows, ev, frame.shape)
    return Drift(ev, gradient, (float(channels[0]), float(channels[1]), float(channels[2])))


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    ev: NDArray[np.float32]  # (n,) stops, frame over plate, from ratio and slope: shows where flare is
    ratio: NDArray[np.float32]  # (n,) the same from wide means: more exact where there is none
    rows: NDArray[np.intp]
    cols: NDArray[np.intp]


def _quiet(channel: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(channel, (0, 0), sigma), np.float32)


def _matching_windows(a: NDArray[np.float32], f: NDArray[np.float32], good: NDArray[np.bool_]) -> _Windows:
    """Find pixels whose surroundings are the plate's, scaled.

    Where ratio and slope agree, frame = factor x plate without anything added: no flare, no glow, nothing in
    front. (A surface lit by the flash may agree, too, at a higher factor.) Smooth places have no slope and
    count by their ratio alone, where there is too little else.
    """
    slope, r2, mean_a, spread_a = _regress(a, f, np.ones_like(a), WINDOW_PX)
    ratio = np.log2(np.maximum(f, FLOOR) / np.maximum(a, FLOOR))
    slope_ev = np.log2(np.maximum(slope, 1e-3))
    agree = (
        good & (a > DARK) & (r2 > CORRELATED) & (spread_a > 0.002) & (a > mean_a) & (np.abs(ratio - slope_ev) < 0.12)
    )
    ev = np.asarray((ratio + slope_ev) / 2, np.float32)
    wide_a, wide_f = _quiet(a, RATIO_PX), _quiet(f, RATIO_PX)
    wide = np.asarray(np.log2(np.maximum(wide_f, FLOOR) / np.maximum(wide_a, FLOOR)), np.float32)
    if agree.sum() < ENOUGH * 10:
        smooth = good & (a > DARK) & ~agree
        ev = np.where(smooth, wide, ev)
        agree = agree | smooth
    rows, cols = np.nonzero(agree)
    return _Windows(ev[rows, cols], wide[rows, cols], rows, cols)


def _glint_slope(a: NDArray[np.float32], f: NDArray[np.float32], good: NDArray[np.bool_]) -> float | None:
    """Drift from reflections of the daylight (metal, glass, wet ground), in stops.

    What a mirror shows of a window or the sky has the daylight's own changes of brightness, while the flash
    adds at most something even: the slope of frame on plate inside such a reflection is the drift. The
    darkest of the three channels is compared: mirrors are neutral, and coloured paint, which the flash
    lights, is dark in one.
    """
    h, w = a.shape
    around = cv2.GaussianBlur(cv2.resize(a, (max(1, w // 4), max(1, h // 4)), interpolation=cv2.INTER_AREA), (0, 0), 4)
    glint = ((a > GLINT * cv2.resize(around, (w, h))) & good).astype(np.float32)
    slopes, weights = [], []
    for sigma in GLINT_WINDOWS_PX:
        slope, r2, _, spread = _regress(a, f, glint, sigma)
        use = (glint > 0) & (spread > 0.008) & (r2 > CORRELATED) & (slope > 0.1)
        slopes.append(np.log2(slope[use]))
        weights.append(np.minimum(spread[use] / 0.02, 1) ** 2)
    found, weight = np.concatenate(slopes), np.concatenate(weights)
    if len(found) < len(GLINT_WINDOWS_PX) * ENOUGH:
        return None
    mode, _ = highest_mode(found, 0.04, weight)
    agree = float(weight[np.abs(found - mode) < 0.08].sum() / weight.sum())
    return mode if agree >= GLINT_SHARE else None


def _regress(
    a: NDArray[np.float32], f: NDArray[np.float32], weight: NDArray[np.float32], sigma: float
) -> tuple[NDArray[np.float32], ...]:
    """Slope of f on a in Gaussian windows; squared correlation, mean and spread of a: four (h, w)."""
    n = cv2.GaussianBlur(weight, (0, 0), sigma) + np.float32(1e-6)
    mean_a, mean_f = (
        cv2.GaussianBlur(a * weight, (0, 0), sigma) / n,
        cv2.GaussianBlur(f * weight, (0, 0), sigma) / n,
    )
    aa = np.maximum(cv2.GaussianBlur(a * a * weight, (0, 0), sigma) / n - mean_a * mean_a, 0)
    ff = np.maximum(cv2.GaussianBlur(f * f * weight, (0, 0), sigma) / n - mean_f * mean_f, 0)
    af = cv2.GaussianBlur(a * f * weight, (0, 0), sigma) / n - mean_a * mean_f
    return af / (aa + 1e-9), af * np.abs(af) / (aa * ff + 1e-12), mean_a, np.sqrt(aa)


_BIN_EV = 0.005
_EDGES = np.arange(-4, 4 + _BIN_EV / 2, _BIN_EV)


def _density(
    values: NDArray[np.floating[Any]], width: float, weights: NDArray[np.floating[Any]] | None = None
) -> NDArray[np.float64]:
    counts, _ = np.histogram(values, _EDGES, weights=weights)
    t = np.arange(-round(3 * width / _BIN_EV), round(3 * width / _BIN_EV) + 1) * _BIN_EV
    return np.convolve(counts, np.exp(-0.5 * (t / width) ** 2), "same")


def highest_mode(
    values: NDArray[np.floating[Any]], width: float, weights: NDArray[np.floating[Any]] | None = None
) -> tuple[float, float]:
    """Most frequent value, and the share of values within `width` of it."""
    if len(values) == 0:
        return 0.0, 0.0
    density = _density(values, width / 2 if weights is None else width, weights)
    mode = float(_EDGES[int(density.argmax())] + _BIN_EV / 2)
    return mode, float((np.abs(values - mode) < width).mean())


def _lowest_mode(values: NDArray[np.floating[Any]]) -> tuple[float, float]:
    """Find the lowest value that many places share, and their share; (0, 0) where there are too few."""
    if len(values) < ENOUGH:
        return 0.0, 0.0
    density = _density(values, 0.02)
    peak = (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:]) & (density[1:-1] >= 0.12 * density.max())
    mode = float(_EDGES[int(np.flatnonzero(peak)[0]) + 1] + _BIN_EV / 2) if peak.any() else 0.0
    for _ in range(5):
        near = np.abs(values - mode) < 0.03
        if not near.any():
            return 0.0, 0.0
        mode = float(np.median(values[near]))
    return mode, float((np.abs(values - mode) < 0.06).mean())


def _gradient(windows: _Windows, ev: float, shape: tuple[int, int]) -> tuple[float, float]:
    """Slow change of the drift over the picture, in stops per width and height; 0 where it is not needed."""
    h, w = shape
    points = []
    for r in range(4):
        for c in range(6):
            inside = (windows.rows * 4 // h == r) & (windows.cols * 6 // w == c) & (np.abs(windows.ratio - ev) < 0.3)
            if inside.sum() < ENOUGH:
                continue
            mode, share = _lowest_mode(windows.ratio[inside])
            if share > UNLIT_SHARE:
                points.append(((c + 0.5) / 6 - 0.5, (r + 0.5) / 4 - 0.5, mode))
    if len(points) < 6:
        return 0.0, 0.0
    x, y, v = np.array(points).T
    columns = [np.ones_like(x), x if np.ptp(x) > 0.4 else 0 * x, y if np.ptp(y) > 0.4 else 0 * y]
    design, keep = np.stack(columns, axis=1), np.ones(len(v), bool)
    for _ in range(4):
        fit = np.linalg.lstsq(design[keep], v[keep], rcond=None)[0]
        off = np.abs(v - design @ fit)
        keep = off <= max(0.02, 2 * float(np.median(off)))
    span = abs(fit[1]) * np.ptp(x) + abs(fit[2]) * np.ptp(y)
    explains = np.median(off) < 0.4 * np.median(np.abs(v - np.median(v)))
    if span < GRADIENT_EV or not explains or keep.mean() < 0.7:
        return 0.0, 0.0
    return float(fit[1]), float(fit[2])

"""Daylight: which frames hold nothing else, and how it drifted during the walk.

A flash only adds light: a frame is ``F = g A + L`` with the reference's daylight A, its drift g, and lamp light L that is
zero in some places. All measuring here looks for those places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import luminance
from .errors import InputError
from .previews import Preview

EVEN_EV = 0.01
"""Stops below which a frame counts as level and is left exactly as it is: a third of an 8-bit step in the mid-tones."""

BLOCKS = 64
"""Blocks along the longer side for `find_ambient`: some 20 preview pixels, more than unaligned frames are apart."""

LIT_EV = 0.5
"""Stops above the other frames from which a block counts as lit by this frame's flash."""

LIT_SHARE = 0.04
"""Share of lit blocks from which a frame holds flash light. Measured: ambient frames up to 0.030 (two frames, a stand in the
other), lamp frames 0.086 and up (benchmarks/light.md)."""

WINDOW_PX = 3.0
"""Sigma of the window, in preview pixels, in which frame and plate are compared."""

GLINT_WINDOWS_PX = (2.5, 4.0, 6.0)
"""Sigmas of the windows round reflections of daylight; several, because reflections are small and few."""

GLINT = 1.5
"""Factor over its surroundings from which a place of the plate counts as a reflection of the daylight itself."""

CORRELATED = 0.95
"""Squared correlation of frame and plate in a window from which its slope is trusted."""

ENOUGH = 150
"""Pixels below which a measurement is not made."""

COMMON_SHARE = 0.4
"""Share of windows that must agree when two lamp frames are compared. Measured: 0.44 and up where both leave much of the picture
unlit, 0.33 at most where they do not and the answer is wrong."""

UNLIT_SHARE = 0.3
"""Share of windows in a part of the picture that must agree for it to count in a gradient."""

GLINT_SHARE = 0.5
"""Share of slopes in reflections that must agree. Measured: right answers 0.54 and up, wrong ones 0.44 at most."""

QUIET_PX = 0.7
"""Sigma of the smoothing before anything is compared, preview pixels: takes out the finest noise and half-pixel shifts."""

SOME_SHARE = 0.02
"""Share of windows that must lie in the lowest mode of frame over daylight."""

GLINT_BELOW_EV = 0.04
"""Stops by which reflections must lie below the lowest mode to be believed instead: then the flash reaches all surfaces."""

EXPOSURE_EV = 0.7
"""Drift in stops from which a change of the exposure settings is the likelier cause where EXIF says nothing."""

BALANCE_EV = 0.08
"""Difference between channels, in stops, from which white balance was changed; daylight's own drift stays below it."""

GRADIENT_EV = 0.06
"""Smallest gradient over the picture that is levelled, in stops."""

FLOOR = 1e-4
"""Linear light below which a ratio means nothing (a third of the first 8-bit level)."""

DARK = 0.003
"""Linear light of the plate below which 8-bit steps and JPEG dominate a ratio (code 9 of 255)."""

KEEP_FROM = 0.8
"""Linear light from which on darkening fades out, so that clipped highlights stay white and meet their surroundings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What is to be done to one frame so that its daylight equals the reference's.

    Attributes
    ----------
    ambient_ev : float
        Stops to be applied to the daylight part of the frame.
    gradient_ev : (float, float)
        Further stops from the left edge to the right and from the top to the bottom, zero in the middle.
    exposure_ev : float
        Stops to be applied to the whole frame first (changed exposure settings).
    gains : (float, float, float)
        Factors on linear R, G, B of the whole frame (changed white balance).
    measured : bool
        False where too little was found that the flash does not reach.
    reason : str
    """

    ambient_ev: float = 0.0
    gradient_ev: tuple[float, float] = (0.0, 0.0)
    exposure_ev: float = 0.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    measured: bool = True
    reason: str = ""

    @property
    def is_even(self) -> bool:
        """Whether the frame can be left exactly as it is."""
        return (self.ambient_ev, self.gradient_ev, self.exposure_ev, self.gains) == (0, (0, 0), 0, (1, 1, 1))


def find_ambient(previews: Sequence[Preview]) -> tuple[bool, ...]:
    """Tell which frames hold no flash light, from their pixels; a misfired flash counts.

    Parameters
    ----------
    previews : sequence of Preview
        Aligned or not: blocks larger than the usual motion are compared.

    Returns
    -------
    tuple of bool

    Notes
    -----
    A block is lit when it is half a stop brighter than the second darkest of the other frames (their darkest where there are only two frames: a
    stand may hide one). Frames are first brought to one level by the sharpest mode of their ratio, if there is one.
    """
    blocks = np.stack([_blocks(p) for p in previews])
    flags = []
    for i, own in enumerate(blocks):
        others = np.sort([b - _common_level(b - own) for j, b in enumerate(blocks) if j != i], axis=0)
        if len(others) == 0:
            return (False,)
        lit = own > others[min(1, len(others) - 1)] + LIT_EV
        flags.append(bool(lit.mean() < LIT_SHARE))
    return tuple(flags)


def plate(
    previews: Sequence[Preview], ambient: Sequence[bool], levels: Sequence[Level] | None = None
) -> NDArray[np.float32]:
    """The scene in daylight alone.

    Parameters
    ----------
    previews : sequence of Preview
        In one geometry.
    ambient : sequence of bool
    levels : sequence of Level, optional
        What will be done to the frames, where they are not levelled yet; makes the plate that of the reference.

    Returns
    -------
    (h, w, 3) float32, linear light
        Mean of the ambient frames; without one the lower envelope of the series: the second darkest frame per pixel and channel
        (the darkest may be a stand in front), the darkest of two.
    """
    chosen = [i for i, flag in enumerate(ambient) if flag] or list(range(len(previews)))
    light = np.stack([_evened(previews[i], None if levels is None else levels[i]) for i in chosen])
    missing = ~np.stack([previews[i].valid for i in chosen])
    nowhere = missing.all(axis=0)
    if any(ambient):
        if not missing.any():
            return np.asarray(light.mean(axis=0), np.float32)
        light[missing] = 0
        return np.asarray(light.sum(axis=0) / np.maximum((~missing).sum(axis=0), 1)[..., None], np.float32)
    light[missing] = np.inf
    light[:, nowhere] = 0
    light.sort(axis=0)
    found = light[1] if len(chosen) > 2 else light[0]
    return np.asarray(np.where(np.isinf(found), light[0], found), np.float32)


def level(
    previews: Sequence[Preview],
    ambient: Sequence[bool],
    reference: int,
    exposure_ev: Sequence[float | None] | None = None,
) -> tuple[Level, ...]:
    """Measure how the daylight of each frame differs from the reference's.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry.
    ambient : sequence of bool
        Which frames hold no flash light.
    reference : int
        Index of the frame that stays as it is.
    exposure_ev : sequence of float or None, optional
        Exposure values from EXIF (log2(N^2/t) - log2(S/100), higher is less light), None where unknown.

    Returns
    -------
    tuple of Level

    Notes
    -----
    EXIF first: a difference in exposure value is undone on the whole frame. Then pixels decide: the ratio of each frame to the
    ambient frame in places without flash is measured, and where that contradicts EXIF, EXIF is not used. Without an ambient
    frame, the reference is compared instead, where many places agree (lit by neither), or in reflections of the daylight.
    """
    if not 0 <= reference < len(previews):
        raise InputError(
            f"frame {reference} of {len(previews)} as reference", remedy="give an index of the series"
        )
    steps = _exposure_steps(exposure_ev, reference, len(previews))
    even = [replace(p, linear=p.linear * np.float32(2**s)) for p, s in zip(previews, steps, strict=True)]
    by_day = reference if ambient[reference] or not any(ambient) else list(ambient).index(True)
    found = [
        _Drift(0.0) if i == by_day else _measure(p, even[by_day], lit=not ambient[by_day])
        for i, p in enumerate(even)
    ]
    return tuple(
        Level(reason="the reference") if i == reference else _decide(d, found[reference], steps[i])
        for i, d in enumerate(found)
    )


def level_field(level: Level, preview: Preview, plate: NDArray[np.float32]) -> NDArray[np.float32] | None:
    """Factors that level one frame, in linear light, or None where there is nothing to do.

    Parameters
    ----------
    level : Level
    preview : Preview
        The frame, in the reference's geometry, not levelled.
    plate : (h, w, 3) float32, linear light
        The scene in the reference's daylight (`plate`).

    Returns
    -------
    (h, w, 3) float32 or None
        Multiply the frame's linear light with it. Clipped pixels are never darkened.

    Notes
    -----
    Light adds: with exposure and white balance undone, ``F = A 2^-e + L``; wanted is ``F' = A + L = F + A (1 - 2^-e)``. The
    field is ``F'/F``: it is ``2^e`` where no flash reaches, and nears 1 where the flash outshines daylight.
    """
    if level.is_even:
        return None
    if plate.shape != preview.linear.shape:
        raise InputError(
            f"the plate is {plate.shape}, the preview {preview.linear.shape}", remedy="use one size"
        )
    h, w = preview.shape
    even = np.asarray(level.gains, np.float32) * np.float32(2**level.exposure_ev)
    x = (np.arange(w, dtype=np.float32) + 0.5) / w - 0.5
    y = (np.arange(h, dtype=np.float32) + 0.5) / h - 0.5
    stops = level.ambient_ev + level.gradient_ev[0] * x[None, :] + level.gradient_ev[1] * y[:, None]
    e = np.exp2(stops).astype(np.float32)[..., None]
    frame = cv2.GaussianBlur(preview.linear, (0, 0), 1) * even
    daylight = np.clip(
        cv2.GaussianBlur(plate, (0, 0), 1) / np.maximum(frame, FLOOR), 0, e
    )  # F is never below A 2^-e
    field = even * (1 + (1 - 1 / e) * daylight)
    keep = np.clip((preview.linear.max(axis=2) - KEEP_FROM) / (1 - KEEP_FROM), 0, 1)
    keep = np.where(cv2.dilate(preview.clipped.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0, 1, keep)[
        ..., None
    ]
    return np.asarray(np.where(field < 1, field + (1 - field) * keep, field), np.float32)


@dataclass(frozen=True, slots=True)
class _Drift:
    """How much brighter a frame's daylight is than the plate, in stops."""

    ev: float
    gradient: tuple[float, float] = (0.0, 0.0)
    channels: tuple[float, float, float] = (0.0, 0.0, 0.0)
    trusted: bool = True
    how: str = "from places that no flash reaches"


def _blocks(preview: Preview) -> NDArray[np.float32]:
    h, w = preview.shape
    size = max(h, w) / BLOCKS
    small = cv2.resize(
        luminance(preview.linear),
        (max(1, round(w / size)), max(1, round(h / size))),
        interpolation=cv2.INTER_AREA,
    )
    if min(small.shape) > 4:
        small = small[1:-1, 1:-1]  # motion shows at the border first
    return np.asarray(np.log2(np.maximum(small, 1e-3)), np.float32)


def _common_level(difference: NDArray[np.float32]) -> float:
    """Level that two frames share over a good part of the picture; 0 where they share none."""
    mode, share = _highest_mode(difference.ravel(), 0.04)
    return mode if share > 0.25 else 0.0


def _evened(preview: Preview, level: Level | None) -> NDArray[np.float32]:
    if level is None:
        return preview.linear
    return preview.linear * (
        np.asarray(level.gains, np.float32) * np.float32(2 ** (level.exposure_ev + level.ambient_ev))
    )


def _exposure_steps(exposure_ev: Sequence[float | None] | None, reference: int, n: int) -> list[float]:
    """Stops that EXIF asks to apply to each frame."""
    if exposure_ev is None:
        return [0.0] * n
    if len(exposure_ev) != n:
        raise InputError(
            f"{len(exposure_ev)} exposure values for {n} frames", remedy="give one for each frame"
        )
    own = exposure_ev[reference]
    steps = [0.0 if own is None or ev is None else ev - own for ev in exposure_ev]
    return [0.0 if abs(s) < 0.05 else s for s in steps]


def _measure(frame: Preview, below: Preview, *, lit: bool) -> _Drift:
    """Compare one frame with one that shows the daylight alone, or (`lit`) with another lamp frame."""
    good = frame.valid & ~frame.clipped & below.valid & ~below.clipped
    good = cv2.erode(good.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    windows = _matching_windows(_quiet(luminance(below.linear)), _quiet(luminance(frame.linear)), good)
    ev, share = _highest_mode(windows.ev, 0.03) if lit else _lowest_mode(windows.ev)
    trusted = share >= (COMMON_SHARE if lit else SOME_SHARE) and len(windows.ev) >= ENOUGH
    glints = _glint_slope(_quiet(below.linear.min(axis=2)), _quiet(frame.linear.min(axis=2)), good)
    if glints is not None and (not trusted or (glints < ev - GLINT_BELOW_EV and not lit)):
        return _Drift(glints, how="from reflections of the daylight, for the flash reaches everything else")
    if not trusted:
        return _Drift(0.0, trusted=False, how="not measured: nothing was found that the flash does not reach")
    near = np.abs(windows.ev - ev) < 0.1
    rows, cols = windows.rows[near], windows.cols[near]
    ratio = np.log2(np.maximum(frame.linear[rows, cols], FLOOR) / np.maximum(below.linear[rows, cols], FLOOR))
    channels = np.median(ratio, axis=0) - np.median(ratio)
    gradient = _gradient(windows, ev, frame.shape)
    return _Drift(ev, gradient, (float(channels[0]), float(channels[1]), float(channels[2])))


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    ev: NDArray[np.float32]  # (n,) stops, frame over plate
    rows: NDArray[np.intp]
    cols: NDArray[np.intp]


def _quiet(channel: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(channel, (0, 0), QUIET_PX), np.float32)


def _matching_windows(a: NDArray[np.float32], f: NDArray[np.float32], good: NDArray[np.bool_]) -> _Windows:
    """Pixels whose surroundings are the plate's, scaled.

    Where ratio and slope agree, frame = factor x plate without anything added: no flare, no glow, nothing in front. (A
    surface lit by the flash may agree, too, at a higher factor.) Smooth places have no slope and count by their ratio alone.
    """
    slope, r2, mean_a, spread_a = _regress(a, f, np.ones_like(a), WINDOW_PX)
    ratio = np.log2(np.maximum(f, FLOOR) / np.maximum(a, FLOOR))
    slope_ev = np.log2(np.maximum(slope, 1e-3))
    agree = (
        good
        & (a > DARK)
        & (r2 > CORRELATED)
        & (spread_a > 0.002)
        & (a > mean_a)
        & (np.abs(ratio - slope_ev) < 0.12)
    )
    ev = (ratio + slope_ev) / 2
    if agree.sum() < ENOUGH * 10:
        smooth = good & (a > DARK) & ~agree
        ev = np.where(
            smooth,
            np.log2(
                np.maximum(cv2.GaussianBlur(f, (0, 0), 2), FLOOR)
                / np.maximum(cv2.GaussianBlur(a, (0, 0), 2), FLOOR)
            ),
            ev,
        )
        agree = agree | smooth
    rows, cols = np.nonzero(agree)
    return _Windows(ev[rows, cols], rows, cols)


def _glint_slope(a: NDArray[np.float32], f: NDArray[np.float32], good: NDArray[np.bool_]) -> float | None:
    """Drift from reflections of the daylight (metal, glass, wet ground), in stops.

    What a mirror shows of a window or the sky has the daylight's own changes of brightness, while the flash adds at most
    something even: the slope of frame on plate inside such a reflection is the drift. The darkest of the three channels is
    compared: mirrors are neutral, and coloured paint, which the flash lights, is dark in one.
    """
    glint = ((a > GLINT * cv2.GaussianBlur(a, (0, 0), 15)) & good).astype(np.float32)
    slopes, weights = [], []
    for sigma in GLINT_WINDOWS_PX:
        slope, r2, _, spread = _regress(a, f, glint, sigma)
        use = (glint > 0) & (spread > 0.008) & (r2 > CORRELATED) & (slope > 0.1)
        slopes.append(np.log2(slope[use]))
        weights.append(np.minimum(spread[use] / 0.02, 1) ** 2)
    found, weight = np.concatenate(slopes), np.concatenate(weights)
    if len(found) < len(GLINT_WINDOWS_PX) * ENOUGH:
        return None
    mode, _ = _highest_mode(found, 0.04, weight)
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


def _highest_mode(
    values: NDArray[np.floating[Any]], width: float, weights: NDArray[np.floating[Any]] | None = None
) -> tuple[float, float]:
    """Most frequent value, and the share of values within `width` of it."""
    if len(values) == 0:
        return 0.0, 0.0
    density = _density(values, width / 2 if weights is None else width, weights)
    mode = float(_EDGES[int(density.argmax())] + _BIN_EV / 2)
    return mode, float((np.abs(values - mode) < width).mean())


def _lowest_mode(values: NDArray[np.floating[Any]]) -> tuple[float, float]:
    """Lowest value that a noticeable share of places has in common, and that share; (0, 0) where there are too few."""
    if len(values) < ENOUGH:
        return 0.0, 0.0
    density = _density(values, 0.02)
    peak = (
        (density[1:-1] >= density[:-2])
        & (density[1:-1] > density[2:])
        & (density[1:-1] >= 0.12 * density.max())
    )
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
            inside = (
                (windows.rows * 4 // h == r) & (windows.cols * 6 // w == c) & (np.abs(windows.ev - ev) < 0.3)
            )
            if inside.sum() < ENOUGH:
                continue
            mode, share = _lowest_mode(windows.ev[inside])
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


def _decide(found: _Drift, reference: _Drift, step: float) -> Level:
    """From measured drifts to what is to be done."""
    if not (found.trusted and reference.trusted):
        return Level(exposure_ev=step, measured=False, reason=found.how)
    ev = found.ev - reference.ev
    exposure, reason = step, found.how
    if step and abs(ev) > 0.5 and abs(ev - step) < abs(ev) - 0.3:
        ev, exposure, reason = ev - step, 0.0, reason + "; EXIF's exposure does not fit the pixels"
    elif not step and abs(ev) > EXPOSURE_EV:
        ev, exposure, reason = 0.0, -ev, reason + "; taken for a change of exposure"
    channels = np.subtract(found.channels, reference.channels)
    gains = (1.0, 1.0, 1.0)
    if np.abs(channels).max() > BALANCE_EV:
        g = np.exp2(-channels)
        gains = (float(g[0]), float(g[1]), float(g[2]))
        reason += "; white balance differs"
    tilt = (found.gradient[0] - reference.gradient[0], found.gradient[1] - reference.gradient[1])
    return Level(
        ambient_ev=0.0 if abs(ev) < EVEN_EV else -float(ev),
        gradient_ev=(0.0, 0.0) if tilt == (0, 0) else (-float(tilt[0]), -float(tilt[1])),
        exposure_ev=float(exposure),
        gains=gains,
        reason=reason,
    )

"""Drift of the daylight from its reflections in metal, glass or wet ground, where a flash reaches all else.

What a mirror shows of a window or the sky has the daylight's own changes of brightness, in every frame alike, while
a lamp adds at most something even: the slope of a frame on the plate inside such a reflection is the drift. A place
where the frames disagree is a bright surface, no reflection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import LUMINANCE
from .light import darkest
from .modes import highest_mode
from .previews import Preview

WINDOWS_PX = (2.5, 4.0)
"""Sigmas of the windows round reflections, preview pixels; several, because reflections are small and few."""

BRIGHTER = 1.5
"""Factor over its surroundings from which a place of the plate counts as a reflection of the daylight itself."""

QUIET_PX = 0.7
"""Sigma of the smoothing before, preview pixels: reflections are small. With 1.0 the worst frame of the workshop is 0.06
off, with 1.5 0.12 (benchmarks/light.md)."""

SPREAD = 0.008
"""Smallest spread of the plate in a window, linear light."""

CORRELATED = 0.95
"""Squared correlation of frame and plate in a window from which its slope is trusted."""

MOST_POINTS = 2000
"""Windows of one size that are looked at, evenly picked."""

ENOUGH = 60
"""Slopes below which a frame is not measured."""

MANY = 150
"""The same where the plate is lit, too, and for a difference in white balance."""

REAL_SHARE = 0.5
"""Share of the places, of those with a slope in half of the frames, at which the frames agree: then there are reflections
at all. Measured: 0.56 and up with metal or wet ground, 0.46 at most without (0.19 where an ambient frame is the plate)."""

SAME_EV = 0.1
"""Stops from a frame's mode up to which a slope agrees with it."""

FRAMES_AGREE = 0.5
"""Share of the frames whose slope must agree at one place: then it is a reflection."""

MODE_EV = 0.04
"""Width of a mode of slopes, stops."""

TRUSTED_SHARE = 0.5
"""Share of slopes that must agree in one frame. Measured: right answers 0.49 and up, most above 0.75."""

ROUNDS = 3
"""Times that places are picked by the modes, and modes taken from the places."""

BALANCE_EV = 0.1
"""Difference between channels, in stops, from which a frame's white balance is another; measured: 0.02, once 0.07, where it
is not."""

Points = NDArray[np.intp]
Windows = tuple[Points, Points, NDArray[np.float32]]
"""Centres (n,), pixels (n, p) and weights (n, p) of windows that see reflections only."""


@dataclass(frozen=True, slots=True)
class Mirrored:
    """What reflections say of one frame.

    Attributes
    ----------
    ev : float
        Drift of the daylight, stops of luminance.
    channels : (float, float, float)
        Further stops in R, G, B; 0 where the white balance is the same.
    """

    ev: float
    channels: tuple[float, float, float] = (0.0, 0.0, 0.0)


def measure(previews: Sequence[Preview], at: int, *, lit: bool) -> list[Mirrored | None]:
    """Compare the daylight of all frames in its reflections.

    Parameters
    ----------
    previews : sequence of Preview
        In one geometry.
    at : int
        The frame that the others are compared with.
    lit : bool
        That frame is lit by a flash, too: reflections are looked for in the darkest of all frames.

    Returns
    -------
    list of Mirrored or None
        None where too little was found, or it does not agree.
    """
    plain = [_quiet(darkest(p.linear)) for p in previews]  # mirrors are neutral, paint is dark in one channel
    plate = _second_darkest(plain) if lit and len(plain) > 2 else plain[at]
    good = [_good(p) for p in previews]
    glint = _glints(plate) & good[at]
    windows = [_windows(plate, glint, sigma) for sigma in WINDOWS_PX]
    slopes, trust, weights = _slopes(plain, plate, windows, good)
    if lit:
        slopes, trust = slopes - slopes[at], trust & trust[at]
    keep = _agreed(slopes, trust, weights, at)
    found = [_mode(s, t & keep, weights) for s, t in zip(slopes, trust, strict=True)]
    enough = (trust & keep).sum(axis=1) >= (MANY if lit else ENOUGH)
    sure = [bool(ok and share >= TRUSTED_SHARE) for (_, share), ok in zip(found, enough, strict=True)]
    if not any(sure):
        return [None] * len(previews)
    kept = np.split(keep, np.cumsum([len(points) for points, _, _ in windows])[:-1])
    windows = [(p[k], i[k], a[k]) for (p, i, a), k in zip(windows, kept, strict=True)]
    colours = np.stack([_colour(previews, at, c, windows, good, lit=lit) for c in range(3)], axis=1)
    return [_mirrored(mode, stops) if ok else None for (mode, _), stops, ok in zip(found, colours, sure, strict=True)]


def _colour(
    previews: Sequence[Preview],
    at: int,
    channel: int,
    windows: Sequence[Windows],
    good: Sequence[NDArray[np.bool_]],
    *,
    lit: bool,
) -> NDArray[np.float64]:
    """Mode of the slopes of one channel, stops, for each frame; NaN where there are few."""
    pictures = [_quiet(np.ascontiguousarray(p.linear[..., channel])) for p in previews]
    plate = _second_darkest(pictures) if lit and len(pictures) > 2 else pictures[at]
    slopes, trust, weights = _slopes(pictures, plate, windows, good)
    if lit:
        slopes, trust = slopes - slopes[at], trust & trust[at]
    return np.array(
        [_mode(s, t, weights)[0] if t.sum() >= MANY else np.nan for s, t in zip(slopes, trust, strict=True)]
    )


def _mirrored(mode: float, stops: NDArray[np.float64]) -> Mirrored:
    if not np.ptp(stops) >= BALANCE_EV:  # or not known
        return Mirrored(mode)
    ev = float(np.log2(np.exp2(stops) @ LUMINANCE))
    r, g, b = (float(s) - ev for s in stops)
    return Mirrored(ev, (r, g, b))


def _quiet(channel: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(channel, (0, 0), QUIET_PX), np.float32)


def _second_darkest(pictures: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    low, second = pictures[0], np.full_like(pictures[0], np.inf)
    for picture in pictures[1:]:
        second, low = np.minimum(second, np.maximum(low, picture)), np.minimum(low, picture)
    return second


def _good(preview: Preview) -> NDArray[np.bool_]:
    good = (preview.valid & ~preview.clipped).astype(np.uint8)
    return np.asarray(cv2.erode(good, np.ones((9, 9), np.uint8)) > 0)


def _slopes(
    frames: Sequence[NDArray[np.float32]],
    plate: NDArray[np.float32],
    windows: Sequence[Windows],
    good: Sequence[NDArray[np.bool_]],
) -> tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]:
    """Slope of each frame on the plate, stops, in windows; whether to trust it; weight of a window."""
    found: list[tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]] = []
    for points, inside, around in windows:
        a = plate.ravel()[inside]
        total = around.sum(axis=1)
        centred = a - ((around * a).sum(axis=1) / total)[:, None]
        spread = np.maximum((around * centred**2).sum(axis=1) / total, np.float32(1e-9))
        pull = around * centred / total[:, None]
        ev, sure = [], []
        for frame, usable in zip(frames, good, strict=True):
            f = frame.ravel()[inside]
            slope = (pull * f).sum(axis=1) / spread
            mean = (around * f).sum(axis=1) / total
            own = np.maximum((around * f * f).sum(axis=1) / total - mean**2, 1e-12)
            ev.append(np.log2(np.maximum(slope, 1e-3)))
            sure.append((slope > 0.1) & (slope**2 * spread > CORRELATED * own) & usable.ravel()[points])
        weight = np.minimum(spread, np.float32(0.02**2))
        found.append((np.array(ev, np.float32), np.array(sure), weight))
    slopes, trust, weights = (np.concatenate([f[k] for f in found], axis=-1) for k in range(3))
    return slopes, trust, weights


def _glints(plate: NDArray[np.float32]) -> NDArray[np.bool_]:
    h, w = plate.shape
    small = cv2.resize(plate, (max(1, w // 4), max(1, h // 4)), interpolation=cv2.INTER_AREA)
    return np.asarray(plate > BRIGHTER * cv2.resize(cv2.GaussianBlur(small, (0, 0), 4), (w, h)))


def _windows(plate: NDArray[np.float32], glint: NDArray[np.bool_], sigma: float) -> Windows:
    h, w = plate.shape
    radius = round(2 * sigma)
    weight = glint.astype(np.float32)
    n = cv2.GaussianBlur(weight, (0, 0), sigma) + np.float32(1e-6)
    mean = cv2.GaussianBlur(plate * weight, (0, 0), sigma) / n
    spread = cv2.GaussianBlur(plate * plate * weight, (0, 0), sigma) / n - mean * mean
    rows, cols = np.nonzero((glint & (spread > SPREAD**2))[radius : h - radius, radius : w - radius])
    points = ((rows + radius) * w + cols + radius)[:: max(1, -(-len(rows) // MOST_POINTS))]
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    inside = points[:, None] + (y * w + x).ravel()[None, :]
    bell = np.exp(-0.5 * (x**2 + y**2) / sigma**2).ravel().astype(np.float32)
    return points, inside, np.asarray(bell * glint.ravel()[inside], np.float32)


def _agreed(
    slopes: NDArray[np.float32], trust: NDArray[np.bool_], weights: NDArray[np.float32], at: int
) -> NDArray[np.bool_]:
    """Windows in which the frames agree: (n,); none where that is too few of all."""
    n = len(slopes)
    others = np.arange(n) != at
    needed = max(2.0, FRAMES_AGREE * (n - 1)) if n > 3 else 1.0
    keep = np.asarray(trust[others].sum(axis=0) >= needed)
    seen = max(1, int(keep.sum()))
    for _ in range(ROUNDS if n > 3 else 0):
        modes = np.array([_mode(s, t & keep, weights)[0] for s, t in zip(slopes, trust, strict=True)])
        agree = trust & (np.abs(slopes - modes[:, None]) < SAME_EV)
        keep = agree[others].sum(axis=0) >= needed
    return keep if keep.sum() >= REAL_SHARE * seen else np.zeros_like(keep)


def _mode(slopes: NDArray[np.float32], use: NDArray[np.bool_], weights: NDArray[np.float32]) -> tuple[float, float]:
    if not use.any():
        return 0.0, 0.0
    mode, _ = highest_mode(slopes[use], MODE_EV, weights[use])
    near = np.abs(slopes[use] - mode) < 2 * MODE_EV
    return mode, float(weights[use][near].sum() / weights[use].sum())

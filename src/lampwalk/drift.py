"""Drift of the daylight between frames, measured in places that the flash does not reach.

With daylight A in one frame, the other is ``F = g A + L``: drift g, and lamp light L that is zero somewhere. Where
it is, frame and plate agree in small windows up to the factor g, and g is the lowest factor that many windows
share. Places that no flash reaches share that factor sharply, and none lie below it; places that a flash reaches
faintly fade out towards lower factors, and have the lamp's colour. Where the flash reaches everything, reflections
of the daylight (`reflections`) or the colour of the lamp's light (`tint`) may still show g; else it is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import parallel, reflections, tint
from .colour import luminance
from .light import halved
from .modes import FEWEST, highest_mode, lowest_mode
from .previews import Preview

WINDOW_PX = 3.0
"""Sigma of the window, in half-size pixels, in which frame and plate are compared."""

QUIET_PX = 1.0
"""Sigma of the smoothing before windows are compared, half-size pixels: without, an alignment error of half a preview
pixel costs 0.07 EV, so 0.008 (benchmarks/light.md)."""

RATIO_PX = 1.5
"""Sigma of the means whose ratio is the drift, half-size pixels: wide, so that frames half a pixel apart agree."""

CORRELATED = 0.95
"""Squared correlation of frame and plate in a window from which its slope is trusted."""

ENOUGH = FEWEST
"""Windows below which a measurement is not made."""

FEW = 400
"""Windows with texture below which smooth places count as well."""

COMMON_SHARE = 0.4
"""Share of windows that must agree when two lamp frames are compared. Measured: 0.44 and up where both leave much of the
picture unlit, 0.33 at most where they do not and the answer is wrong."""

UNLIT_SHARE = 0.3
"""Share of windows in a part of the picture that must agree for it to count in a gradient."""

SOME_SHARE = 0.02
"""Share of windows that must lie in the lowest mode of frame over daylight."""

SURE_SHARE = 0.5
"""Share of windows in the lowest mode from which a difference in colour is taken for another white balance."""

TAIL = 0.02
"""Windows just below the lowest mode (0.03 to 0.2 stops), as a share of those in it, up to which it is unlit. Measured:
0.009 at most where much is unlit, 0.03 to 1.7 where a lamp reaches all and the answer is 0.04 to 0.3 EV wrong."""

FRINGE = 0.65
"""Windows just above it (0.03 to 0.1 stops), likewise. Measured: 0.54 at most where much is unlit; a lamp that fades out
evenly gives 1."""

TINTED_EV = 0.01
"""Difference between channels, in stops, up to which places are surely unlit: 0.003 at most where they are (0.005 between
two lamp frames), 0.014 and up where a lamp of another colour reaches all."""

BALANCE_EV = 0.08
"""Difference between channels, in stops, from which two lamp frames differ in white balance; daylight's own drift and
tinted light in shadows stay below it."""

CLEARER = 1.3
"""Factor by which more windows must agree once a gradient is taken off, or there is none."""

BELOW_EV = 0.02
"""Stops by which another cue may lie above the lowest mode: the drift cannot, but both have errors."""

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


UNKNOWN = Drift(0.0, trusted=False, how="not measured: nothing was found that the flash does not reach")


def measure(previews: Sequence[Preview], at: int, *, lit: bool) -> list[Drift]:
    """Compare the daylight of all frames with that of one.

    Parameters
    ----------
    previews : sequence of Preview
        In one geometry.
    at : int
        Index of a frame that shows the daylight alone, or (`lit`) is a lamp frame, too.
    lit : bool

    Returns
    -------
    list of Drift
        Not trusted, and 0, where too little was found that no flash reaches.
    """
    halves = parallel.each(_Half, previews)
    day = halves[at]
    looks = parallel.each(lambda half: _look(half, day, lit=lit), halves)
    if all(look.sure or i == at for i, look in enumerate(looks)):
        return [look.drift() for look in looks]
    mirrored = reflections.measure(previews, at, lit=lit)

    def choose(i: int) -> Drift:
        look, ev = looks[i], mirrored[i]
        if i == at or look.sure:
            return look.drift()
        if ev is not None and (not look.some or ev < look.ev + BELOW_EV):
            return Drift(ev, how="from reflections of the daylight: the flash reaches all else")
        if look.some and not lit:
            ratios = tint.ratios(halves[i].linear, day.linear, halves[i].good & day.good)
            g = tint.meets_grey(ratios, 2**look.ev)
            if g is not None and np.log2(g) < look.ev + BELOW_EV:
                return Drift(float(np.log2(g)), how="from the colour of the lamp's light: the flash reaches all")
        return UNKNOWN

    return parallel.each(choose, range(len(previews)))


class _Half:
    """What is compared of one frame, at half size."""

    def __init__(self, preview: Preview) -> None:
        self.linear = halved(preview.linear)
        whole = halved((preview.valid & ~preview.clipped).astype(np.uint8) * 255)
        self.good = cv2.erode(whole, np.ones((5, 5), np.uint8)) == 255
        self.light = cv2.GaussianBlur(luminance(self.linear), (0, 0), QUIET_PX)
        self.wide = cv2.GaussianBlur(self.light, (0, 0), RATIO_PX)
        self.mean = cv2.GaussianBlur(self.light, (0, 0), WINDOW_PX)
        self.square = np.maximum(cv2.GaussianBlur(self.light**2, (0, 0), WINDOW_PX) - self.mean**2, 0)


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    ev: NDArray[np.float32]  # (n,) stops, frame over plate, from ratio and slope: shows where flare is
    ratio: NDArray[np.float32]  # (n,) the same from wide means: more exact where there is none
    rows: NDArray[np.intp]
    cols: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Look:
    """What the windows of one frame say."""

    ev: float = 0.0
    some: bool = False  # there is something that many windows share
    sure: bool = False  # and it is daylight
    gradient: tuple[float, float] = (0.0, 0.0)
    channels: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def drift(self) -> Drift:
        return Drift(self.ev, self.gradient, self.channels)


def _look(frame: _Half, day: _Half, *, lit: bool) -> _Look:
    windows = _matching_windows(frame, day)
    if len(windows.ev) < ENOUGH:
        return _Look()
    find = _common_mode if lit else lowest_mode
    mode, share = find(windows.ev)
    gradient = _gradient(windows, mode, frame.light.shape)
    if gradient != (0, 0):
        even = _without_gradient(windows, gradient, frame.light.shape)
        if find(even.ev)[1] > CLEARER * share:
            windows, (mode, share) = even, find(even.ev)
        else:
            gradient = (0.0, 0.0)
    near = np.abs(windows.ev - mode) < 0.1
    if share < (COMMON_SHARE if lit else SOME_SHARE) or not near.any():
        return _Look()
    ev, _ = lowest_mode(windows.ratio[near])
    rows, cols = windows.rows[near], windows.cols[near]
    stops = np.log2(np.maximum(frame.linear[rows, cols], FLOOR) / np.maximum(day.linear[rows, cols], FLOOR))
    channels = np.median(stops, axis=0) - np.median(stops)
    tinted = float(np.ptp(channels))
    alike = tinted < TINTED_EV or (share >= SURE_SHARE and (not lit or tinted > BALANCE_EV))
    sharp = lit or _is_sharp(windows.ratio - ev)
    r, g, b = (float(c) for c in channels)
    return _Look(ev, True, bool(alike and sharp), gradient, (r, g, b))


def _is_sharp(above: NDArray[np.float32]) -> bool:
    """Whether stops above the lowest mode say that it is daylight: a step, no slope."""
    inside = int((np.abs(above) < 0.03).sum())
    below = int(((above > -0.2) & (above < -0.03)).sum())
    fringe = int(((above > 0.03) & (above < 0.1)).sum())
    return below <= TAIL * inside and fringe <= FRINGE * inside


def _common_mode(values: NDArray[np.float32]) -> tuple[float, float]:
    return highest_mode(values, 0.03)


def _without_gradient(windows: _Windows, gradient: tuple[float, float], shape: tuple[int, int]) -> _Windows:
    h, w = shape
    slope = (windows.cols + 0.5) / w * gradient[0] + (windows.rows + 0.5) / h * gradient[1] - sum(gradient) / 2
    stops = np.asarray(slope, np.float32)
    return replace(windows, ev=windows.ev - stops, ratio=windows.ratio - stops)


def _matching_windows(frame: _Half, day: _Half) -> _Windows:
    """Find pixels whose surroundings are the plate's, scaled.

    Where ratio and slope agree, frame = factor x plate without anything added: no flare, no glow, nothing in
    front. (A surface lit by the flash may agree, too, at a higher factor.) Smooth places have no slope and
    count by their ratio alone, where there is too little else.
    """
    both = cv2.GaussianBlur(frame.light * day.light, (0, 0), WINDOW_PX) - frame.mean * day.mean
    bright = frame.good & day.good & (day.light > DARK)
    agree = bright & (day.square > 0.002**2) & (day.light > day.mean)
    agree &= both * np.abs(both) > np.float32(CORRELATED) * day.square * frame.square
    rows, cols = np.nonzero(agree)
    slope = np.log2(np.maximum(both[rows, cols] / day.square[rows, cols], 1e-3))
    ratio = _stops(frame.light, day.light, rows, cols)
    same = np.abs(ratio - slope) < 0.12
    rows, cols, ev = rows[same], cols[same], ((ratio + slope) / 2)[same]
    if len(ev) < FEW:
        agree[:] = False
        agree[rows, cols] = True
        more, across = np.nonzero(bright & ~agree)
        ev = np.concatenate([ev, _stops(frame.wide, day.wide, more, across)])
        rows, cols = np.concatenate([rows, more]), np.concatenate([cols, across])
    return _Windows(ev, _stops(frame.wide, day.wide, rows, cols), rows, cols)


def _stops(
    frame: NDArray[Any], day: NDArray[Any], rows: NDArray[np.intp], cols: NDArray[np.intp]
) -> NDArray[np.float32]:
    return np.asarray(np.log2(np.maximum(frame[rows, cols], FLOOR) / np.maximum(day[rows, cols], FLOOR)), np.float32)


def _gradient(windows: _Windows, ev: float, shape: tuple[int, int]) -> tuple[float, float]:
    """Slow change of the drift over the picture, in stops per width and height; 0 where it is not needed."""
    h, w = shape
    tile = windows.rows * 4 // h * 6 + windows.cols * 6 // w
    points = []
    for k in range(24):
        inside = windows.ratio[(tile == k) & (np.abs(windows.ratio - ev) < 0.3)]
        mode, share = lowest_mode(inside)
        if share > UNLIT_SHARE:
            points.append((k % 6 / 6 - 5 / 12, k // 6 / 4 - 3 / 8, mode))
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

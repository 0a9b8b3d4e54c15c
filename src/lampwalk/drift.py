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
from itertools import product
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import parallel, reflections, tint
from .colour import LUMINANCE, luminance
from .light import halved
from .modes import FEWEST, highest_mode, lowest_mode
from .places import Settled
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

SOME_SHARE = 0.02
"""Share of windows that must lie in the lowest mode of frame over daylight."""

SURE_SHARE = 0.5
"""Share of windows in the lowest mode from which a difference in colour is taken for another white balance."""

EVEN_SHARE = 0.8
"""The same from which any difference in colour is the daylight's. Measured: 0.83 and up where it is, 0.76 at most where a
tinted lamp reaches all."""

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

CLEARER = 1.2
"""Factor by which more windows must agree (within 0.01 stops) once a gradient is taken off, or there is none."""

CLEAR = 1.04
"""The same for a gradient that no fading lamp looks like."""

STEEPNESS = tuple(np.arange(-3, 4) * 0.16)
"""Gradients that are tried, stops from edge to edge."""

PLANE_SHARE = 0.25
"""Share of the windows that must lie on one plane. Measured: 0.5 and up where it is daylight's, 0.08 on a lamp's slope."""

REACHES = 0.07
"""Smallest share of the picture's width or height that unlit places are taken to reach over."""

FADES_EV = 0.03
"""Stops by which a lamp that fades out may slant the unlit places from one end to the other: over a narrow band that looks
like a steep gradient. Measured: 0.004 to 0.03 (benchmarks/light.md)."""

SURE_EV = 0.005
"""Stops by which noise may slant them."""

LAMPS_EV = 0.02
"""Difference between channels, in stops, from which what is lit has another colour than what is not. Measured: 0.025 and up
(benchmarks/light.md)."""

LIT_EV = 0.1
"""Stops above the plane of the unlit places from which a window is surely lit."""

SPREADS_EV = 0.01
"""Deviation of windows that are unlit, stops."""

MOST_WINDOWS = 1500
"""Windows that a gradient is sought in, evenly picked."""

BELOW_EV = 0.02
"""Stops by which another cue may lie above the lowest mode: the drift cannot, but both have errors."""

GRADIENT_EV = 0.05
"""Smallest gradient that is levelled, in stops from edge to edge."""

NARROWING_EV = (0.05, 0.035, 0.025, 0.02)
"""Distances from the plane up to which windows count at first, stops."""

SETTLING = 14
"""Rounds of weighing the windows after that."""

FLOOR = 1e-4
"""Linear light below which a ratio means nothing (a third of the first 8-bit level)."""

DARK = 0.003
"""Linear light of the plate below which 8-bit steps and JPEG dominate a ratio (code 9 of 255)."""


UNLIT = "from places that no flash reaches"


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
    how: str = UNLIT


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
    day = _Half(*_halved(previews[at]))
    looks = parallel.each(lambda p: _look_twice(_Half(*_halved(p)), day, lit=lit), previews)  # one at a time
    if all(look.sure or i == at for i, look in enumerate(looks)):
        return [look.drift() for look in looks]
    mirrored = reflections.measure(previews, at, lit=lit)
    shown = [m is not None and (not k.some or m.ev < k.ev + BELOW_EV) for k, m in zip(looks, mirrored, strict=True)]
    open_ = [not look.sure and not ok and i != at for i, (look, ok) in enumerate(zip(looks, shown, strict=True))]
    tinted = [None] * len(previews) if lit or not any(open_) else _tinted(previews, looks, at)

    def choose(look: _Look, glint: reflections.Mirrored | None, line: Settled | None) -> Drift:
        if look.sure:
            return look.drift()
        if glint is not None and (not look.some or glint.ev < look.ev + BELOW_EV):
            how = "from reflections of the daylight: the flash reaches all else" + _doubt(glint.doubtful)
            return Drift(glint.ev, glint.gradient, glint.channels, how=how)
        if line is not None and line.ev < look.ev + BELOW_EV:
            how = "from the colour of the lamp's light: the flash reaches all" + _doubt(line.doubtful)
            return Drift(line.ev, line.gradient, how=how)
        return UNKNOWN

    found = [choose(*cues) for cues in zip(looks, mirrored, tinted, strict=True)]
    found[at] = Drift(0.0)
    return found


def _doubt(doubtful: bool) -> str:
    return "; whether it changed more on one side cannot be told" if doubtful else ""


def _tinted(previews: Sequence[Preview], looks: Sequence[_Look], at: int) -> list[Settled | None]:
    """Drift of each frame from the colour of its lamp."""
    day, known = _halved(previews[at])

    def ratios(i: int) -> tint.Ratios | None:
        if i == at or not looks[i].some:
            return None
        linear, good = _halved(previews[i])
        return tint.ratios(linear, day, good & known, 2 ** looks[i].ev)

    return tint.measure(parallel.each(ratios, range(len(previews))))


class _Half:
    """What is compared of one frame, at half size."""

    def __init__(self, linear: NDArray[np.float32], good: NDArray[np.bool_]) -> None:
        self.linear, self.good = linear, good
        self.light = cv2.GaussianBlur(luminance(linear), (0, 0), QUIET_PX)
        self.wide = cv2.GaussianBlur(self.light, (0, 0), RATIO_PX)
        self.mean = cv2.GaussianBlur(self.light, (0, 0), WINDOW_PX)
        self.square = np.maximum(cv2.GaussianBlur(self.light**2, (0, 0), WINDOW_PX) - self.mean**2, 0)


def _halved(preview: Preview) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Light at half size, and where it is known."""
    whole = halved((preview.valid & ~preview.clipped).astype(np.uint8) * 255)
    return halved(preview.linear), cv2.erode(whole, np.ones((5, 5), np.uint8)) == 255


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
    share: float = 0.0
    some: bool = False  # there is something that many windows share
    sure: bool = False  # and it is daylight
    gradient: tuple[float, float] = (0.0, 0.0)
    channels: tuple[float, float, float] = (0.0, 0.0, 0.0)
    doubtful: bool = False  # there may be a gradient, or another one

    def drift(self) -> Drift:
        return Drift(self.ev, self.gradient, self.channels, how=UNLIT + _doubt(self.doubtful))


def _look_twice(frame: _Half, day: _Half, *, lit: bool) -> _Look:
    """Look at a frame; where that is not enough, as if its white balance were the other's."""
    windows = _matching_windows(frame, day)
    look = _look(frame, day, windows, lit=lit)
    if lit or (look.sure and np.ptp(look.channels) < BALANCE_EV) or len(windows.ev) < ENOUGH:
        return look
    wide, below = (cv2.GaussianBlur(half.linear, (0, 0), 2 * RATIO_PX) for half in (frame, day))
    stops = [lowest_mode(_stops(wide[..., c], below[..., c], windows.rows, windows.cols))[0] for c in range(3)]
    balance = _of_white(np.array(stops))
    if np.ptp(balance) < BALANCE_EV:
        return look
    even = _Half(np.asarray(frame.linear * np.exp2(-balance), np.float32), frame.good)
    again = _look(even, day, _matching_windows(even, day), lit=False)
    if not again.sure or again.share < SURE_SHARE:
        return look
    r, g, b = (float(c) for c in balance + again.channels)
    return replace(again, channels=(r, g, b))


def _of_white(stops: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Stops of the channels without what changes the luminance of white: (3,)."""
    return np.asarray(stops - np.log2(np.exp2(stops) @ LUMINANCE), np.float64)


def _look(frame: _Half, day: _Half, windows: _Windows, *, lit: bool) -> _Look:
    if len(windows.ev) < ENOUGH:
        return _Look()
    find = _common_mode if lit else lowest_mode
    mode, share = find(windows.ev)
    gradient, doubtful = (0.0, 0.0), False
    if not lit:  # two lamps' light is a slope anyway
        gradient, doubtful = _gradient(windows, frame, day)
    if gradient != (0, 0):
        windows = _without_gradient(windows, gradient, frame.light.shape)
        mode, share = find(windows.ev)
    near = np.abs(windows.ev - mode) < 0.1
    if share < (COMMON_SHARE if lit else SOME_SHARE) or not near.any():
        return _Look()
    ev, _ = lowest_mode(windows.ratio[near])
    channels = _colour(frame, day, windows.rows[near], windows.cols[near])
    tinted = float(np.ptp(channels))
    flat = gradient == (0, 0)  # with one, a tinted lamp that reaches all looks more like a step
    balanced = flat and share >= SURE_SHARE and tinted > BALANCE_EV  # another white balance
    alike = tinted < TINTED_EV or balanced or (share >= EVEN_SHARE and not lit)
    sharp = lit or _is_sharp(windows.ratio - ev)
    r, g, b = (float(c) for c in channels)
    return _Look(ev, share, True, bool(alike and sharp), gradient, (r, g, b), doubtful)


def _colour(frame: _Half, day: _Half, rows: NDArray[np.intp], cols: NDArray[np.intp]) -> NDArray[np.float64]:
    """Colour of a frame over the plate in some windows: stops of R, G, B, (3,)."""
    stops = np.log2(np.maximum(frame.linear[rows, cols], FLOOR) / np.maximum(day.linear[rows, cols], FLOOR))
    return _of_white(np.median(stops, axis=0))


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


def _gradient(windows: _Windows, frame: _Half, day: _Half) -> tuple[tuple[float, float], bool]:
    """Slow change of the drift over the picture, in stops per width and height, 0 where it is not needed; and any doubt.

    The plane on which most windows lie. A lamp that fades out rises towards what it lights, and no steeper than by
    `FADES_EV` over the unlit places: a plane that rises more, or the other way, is daylight. A lamp without an end is as
    steep as that: then only its colour tells.
    """
    h, w = frame.light.shape
    step = max(1, len(windows.ratio) // MOST_WINDOWS)
    rows, cols, v = windows.rows[::step], windows.cols[::step], windows.ratio[::step].astype(np.float64)
    plain = _crowd(v, SPREADS_EV)[1]
    if CLEAR * plain > len(v):
        return (0.0, 0.0), False
    along = np.stack([(cols + 0.5) / w - 0.5, (rows + 0.5) / h - 0.5], axis=1)
    fit, on = _plane(v, along)
    lit = v - fit[0] - along @ fit[1:] > LIT_EV
    if on.mean() < PLANE_SHARE:
        return (0.0, 0.0), False
    reach = np.maximum(np.ptp(np.quantile(along[on], (0.05, 0.95), axis=0), axis=0), REACHES)
    rises, coloured = np.zeros(2, bool), False
    if lit.sum() >= ENOUGH:
        rises = (along[lit].mean(axis=0) - along[on].mean(axis=0)) * fit[1:] > 0
        lamps = _colour(frame, day, rows[lit], cols[lit]) - _colour(frame, day, rows[on], cols[on])
        coloured = bool(np.ptp(lamps) > LAMPS_EV)
    least = GRADIENT_EV + SURE_EV / reach
    steep = np.abs(fit[1:]) > np.where(rises, GRADIENT_EV + FADES_EV / reach, least)
    steep &= ~rises | coloured
    doubtful = bool((np.abs(fit[1:]) > least)[~steep].any())
    found = fit[1:] * steep
    agree = _crowd(v - along @ found, SPREADS_EV)[1]
    for axis in np.flatnonzero(steep):  # each has to be worth it
        without = found * (np.arange(2) != axis)
        clearer = CLEARER if rises[axis] else CLEAR
        steep[axis] = agree > clearer * _crowd(v - along @ without, SPREADS_EV)[1]
    if steep.any() and not steep.all():
        fit, _ = _plane(v, along * steep)
    return (float(fit[1] * steep[0]), float(fit[2] * steep[1])), doubtful


def _plane(v: NDArray[np.float64], along: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Plane on which most values lie: its level in the middle and its two gradients, (3,); and which do, (n,).

    Above the plane there are windows that a lamp reaches faintly, down to the plane itself: each window counts by how
    likely it is none of them.
    """
    tried = [STEEPNESS if place.any() else (0.0,) for place in along.T]
    steep = max(product(*tried), key=lambda g: (_crowd(v - along @ g, SPREADS_EV)[1], -abs(g[0]) - abs(g[1])))
    fit = np.array([_crowd(v - along @ steep, SPREADS_EV)[0], *steep])
    design = np.column_stack([np.ones(len(v)), along])
    weight = np.zeros(len(v))
    for i in range(len(NARROWING_EV) + SETTLING):
        off = v - design @ fit
        weight = (np.abs(off) < NARROWING_EV[i]).astype(float) if i < len(NARROWING_EV) else _unlit(off)
        pulled = design * weight[:, None]
        fit = np.linalg.lstsq(pulled.T @ design, pulled.T @ v, rcond=1e-9)[0]  # a column may be all zero
    return np.asarray(fit, np.float64), weight > 0.3


def _unlit(off: NDArray[np.float64]) -> NDArray[np.float64]:
    """Likelihood of windows so far from the plane to be unlit: a normal distribution among an even one above it."""
    width = SPREADS_EV
    faint = ((off > 3 * width) & (off < 6 * width)).sum() / (3 * width)
    inside = (np.abs(off) < 2 * width).sum() - faint * 2 * width
    peak = max(float(inside), 1.0) / (width * np.sqrt(2 * np.pi))
    bell = peak * np.exp(-0.5 * (off / width) ** 2)
    return np.asarray(bell / (bell + faint * (off > 0) + 0.02 * peak), np.float64)


def _crowd(stops: NDArray[np.float64], near: float) -> tuple[float, int]:
    """Value that most of these share within `near` stops, and how many do."""
    ordered = np.sort(stops)
    last = np.searchsorted(ordered, ordered + 2 * near)
    count = last - np.arange(len(ordered))
    at = int(count.argmax())
    return float(ordered[at] + near), int(count[at])

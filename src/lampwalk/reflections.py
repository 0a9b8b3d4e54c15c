"""Drift of the daylight from its reflections in metal, glass or wet ground, where a flash reaches all else.

What a mirror shows of a window or the sky has the daylight's own changes of brightness, in every frame alike, while
a lamp adds at most something nearly even: the slope of a frame on the plate inside such a reflection is the drift. It is
the truer the less lamp light there is beside the reflection's contrast. A place where the frames disagree is a bright
surface, no reflection.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import parallel
from .colour import LUMINANCE
from .light import darkest
from .places import NOTHING, Settled, gather, settle
from .previews import Preview

WINDOWS_PX = (2.5, 4.0)
"""Sigmas of the windows round reflections, preview pixels; several, because reflections are small and few."""

BRIGHTER = 1.5
"""Factor over its surroundings from which a place of the plate counts as a reflection of the daylight itself."""

QUIET_PX = 0.85
"""Sigma of the smoothing before, preview pixels: reflections are small. With less, frames that were resampled look softer
than the plate (errors fall); with more, what surrounds a reflection counts, too (errors rise)."""

SPREAD = 0.008
"""Smallest spread of the plate in a window, linear light."""

CORRELATED = 0.95
"""Squared correlation of frame and plate in a window from which its slope is trusted."""

MOST_POINTS = 1500
"""Windows of one size that are looked at, evenly picked."""

PLACE_PX = 20
"""Side, in preview pixels, of the squares whose windows are taken for one witness."""

FEWEST = 3
"""Windows below which a place says nothing."""

READ_EV = 0.02
"""Error of a slope where there is no lamp light, stops."""

UNEVEN_EV = 0.15
"""Error of a slope where there is as much lamp light as the reflection has contrast, stops; less in proportion. Measured:
0.02 at a tenth, 0.04 at a third, 0.07 at a half (workshop)."""

ABOVE = 1.25
"""Factor on the error of places that say more than the others: mirrors show what the lamp lights, too."""

REAL_SHARE = 0.62
"""Share of the windows, of those with a slope in half of the frames, at which the frames agree: then there are reflections
at all. Measured: 0.72 and up with metal or wet ground, 0.53 at most without."""

SAME_EV = 0.2
"""Stops from a frame's drift up to which a slope agrees with it, and no more than `SAME_ERRORS`."""

SAME_ERRORS = 2.5

FRAMES_AGREE = 0.5
"""Share of the frames whose slope must agree at one window: then it is a reflection."""

ROUNDS = 3
"""Times that windows are picked by the drifts, and drifts taken from the windows."""

ERROR_EV = 0.018
"""Standard error from which a drift is not known well enough, stops."""

BALANCE_EV = 0.1
"""Difference between channels, in stops, from which a frame's white balance is another; measured: 0.02, once 0.07, where it
is not."""

BALANCE_ERROR_EV = 0.025
"""Standard error of a channel from which a white balance is not known."""

HINT_ERROR_EV = 0.06
"""Standard error up to which a channel still tells that the white balance is another."""

HINTS = 2
"""Channels that must tell it is not."""

Map = NDArray[np.float32]
Look = Callable[[Map], Map]
"""What is looked at of linear light, (h, w, 3) to (h, w)."""

Points = NDArray[np.intp]
Windows = tuple[Points, Points, NDArray[np.float32]]
"""Centres (n,), pixels (n, p) and weights (n, p) of windows that see reflections only."""


@dataclass(frozen=True, slots=True)
class Mirrored:
    """What reflections say about one frame.

    Attributes
    ----------
    ev : float
        Drift of the daylight, stops of luminance.
    gradient : (float, float)
        Further stops from left to right and from top to bottom.
    channels : (float, float, float)
        Further stops in R, G, B; 0 where the white balance is the same.
    doubtful : bool
        There may be a gradient, or another one.
    """

    ev: float
    gradient: tuple[float, float] = (0.0, 0.0)
    channels: tuple[float, float, float] = (0.0, 0.0, 0.0)
    doubtful: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """Slope of each frame on the plate in each window: (frames, windows)."""

    ev: NDArray[np.float64]  # stops
    error: NDArray[np.float64]  # stops
    trust: NDArray[np.bool_]

    def over(self, at: int) -> _Slopes:
        """The same over one of the frames, which is no better known itself."""
        return _Slopes(self.ev - self.ev[at], np.hypot(self.error, self.error[at]), self.trust & self.trust[at])


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
    plate = _plate(previews, darkest, at, lit=lit)  # mirrors are neutral, paint is dark in one channel
    glint = _glints(plate) & _good(previews[at])
    windows = [_windows(plate, glint, sigma) for sigma in WINDOWS_PX]
    slopes = _slopes(previews, darkest, plate, windows)
    if lit:
        slopes = slopes.over(at)
    witness = _Witnesses(np.concatenate([points for points, _, _ in windows]), plate.shape, lit=lit)
    keep = _agreed(slopes, witness, at)
    found = [witness.ask(slopes, i, keep, slanted=not lit) for i in range(len(previews))]
    sure = [drift.agreed and drift.error < ERROR_EV for drift in found]
    if not any(sure):
        return [None] * len(previews)
    channels = [_channel(previews, at, c, windows, lit=lit) for c in range(3)]

    def mirrored(i: int) -> Mirrored | None:
        colours = [witness.ask(channel, i, keep, slanted=False) for channel in channels]
        return _mirrored(found[i], colours)

    return [mirrored(i) if ok else None for i, ok in enumerate(sure)]


class _Witnesses:
    """Places of the picture that hold windows."""

    def __init__(self, points: Points, shape: tuple[int, int], *, lit: bool) -> None:
        rows, cols = np.divmod(points, shape[1])
        squares, self._place = np.unique(rows // PLACE_PX * shape[1] + cols // PLACE_PX, return_inverse=True)
        middle = np.stack([squares % shape[1], squares // shape[1]], axis=1) * PLACE_PX + PLACE_PX / 2
        self._xy = middle / np.array(shape[::-1]) - 0.5
        self._above = 1.0 if lit else ABOVE

    def ask(self, slopes: _Slopes, frame: int, keep: NDArray[np.bool_], *, slanted: bool) -> Settled:
        """What the places say about one frame."""
        use = slopes.trust[frame] & keep
        if not use.any():
            return NOTHING
        stops, error = gather(slopes.ev[frame, use], slopes.error[frame, use], self._place[use], len(self._xy), FEWEST)
        return settle(stops, error, self._xy, above=self._above, slanted=slanted)


def _channel(
    previews: Sequence[Preview],
    at: int,
    channel: int,
    windows: Sequence[Windows],
    *,
    lit: bool,
) -> _Slopes:
    def picked(linear: Map) -> Map:
        return np.ascontiguousarray(linear[..., channel])

    slopes = _slopes(previews, picked, _plate(previews, picked, at, lit=lit), windows)
    return slopes.over(at) if lit else slopes


def _mirrored(drift: Settled, colours: Sequence[Settled]) -> Mirrored | None:
    """Drift with its colour; None where the channels differ, but not by a white balance that is known."""
    stops = np.array([colour.ev for colour in colours])
    known = all(colour.agreed and colour.error < BALANCE_ERROR_EV for colour in colours)
    if not known:
        apart = [abs(c.ev - drift.ev) for c in colours if c.error < HINT_ERROR_EV]
        alike = len(apart) >= HINTS and max(apart) < BALANCE_EV
        return Mirrored(drift.ev, drift.gradient, doubtful=drift.doubtful) if alike else None
    if np.ptp(stops) < BALANCE_EV:
        return Mirrored(drift.ev, drift.gradient, doubtful=drift.doubtful)
    ev = float(np.log2(np.exp2(stops) @ LUMINANCE))
    r, g, b = (float(s) - ev for s in stops)
    slanted = drift.gradient != (0, 0)  # of the darkest channel, which is now another from place to place
    return Mirrored(ev, channels=(r, g, b), doubtful=drift.doubtful or slanted)


def _quiet(channel: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(channel, (0, 0), QUIET_PX), np.float32)


def _plate(previews: Sequence[Preview], look: Look, at: int, *, lit: bool) -> Map:
    """What frames are compared with: one of them, or where that is lit the second darkest of all."""
    low = _quiet(look(previews[at].linear))
    if not lit or len(previews) < 3:
        return low
    second = np.full_like(low, np.inf)
    for picture in (_quiet(look(p.linear)) for i, p in enumerate(previews) if i != at):  # one at a time
        second, low = np.minimum(second, np.maximum(low, picture)), np.minimum(low, picture)
    return second


def _good(preview: Preview) -> NDArray[np.bool_]:
    good = (preview.valid & ~preview.clipped).astype(np.uint8)
    return np.asarray(cv2.erode(good, np.ones((9, 9), np.uint8)) > 0)


def _slopes(previews: Sequence[Preview], look: Look, plate: Map, windows: Sequence[Windows]) -> _Slopes:
    """Slope of each frame on the plate in windows, the lamp light there, and whether to trust it."""
    below = []
    for points, inside, around in windows:
        a = plate.ravel()[inside]
        share = around / around.sum(axis=1, keepdims=True)
        middle = np.einsum("np,np->n", share, a)
        pull = share * (a - middle[:, None])
        spread = np.maximum(np.einsum("np,np->n", pull, a), np.float32(1e-9))
        below.append((points, inside, share, middle, pull, spread))

    def one(preview: Preview) -> tuple[NDArray[Any], NDArray[Any], NDArray[np.bool_]]:
        frame, usable = _quiet(look(preview.linear)).ravel(), _good(preview).ravel()
        ev, error, sure = [], [], []
        for points, inside, share, middle, pull, spread in below:
            f = frame[inside]
            slope = np.einsum("np,np->n", pull, f) / spread
            mean = np.einsum("np,np->n", share, f)
            own = np.maximum(np.einsum("np,np,np->n", share, f, f) - mean**2, 1e-12)
            lamp = np.abs(mean - slope * middle) / (np.maximum(slope, 0.05) * np.sqrt(spread))
            ev.append(np.log2(np.maximum(slope, 1e-3)))
            error.append(np.hypot(READ_EV, UNEVEN_EV * lamp))
            sure.append((slope > 0.1) & (slope**2 * spread > CORRELATED * own) & usable[points])
        return np.concatenate(ev), np.concatenate(error), np.concatenate(sure)

    ev, error, trust = (np.array(told) for told in zip(*parallel.each(one, previews), strict=True))
    return _Slopes(ev.astype(np.float64), error.astype(np.float64), trust)


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


def _agreed(slopes: _Slopes, witness: _Witnesses, at: int) -> NDArray[np.bool_]:
    """Windows in which the frames agree: (n,); none where that is too few of all."""
    n = len(slopes.ev)
    others = np.arange(n) != at
    needed = max(2.0, FRAMES_AGREE * (n - 1)) if n > 3 else 1.0
    keep = np.asarray(slopes.trust[others].sum(axis=0) >= needed)
    seen = max(1, int(keep.sum()))
    for _ in range(ROUNDS if n > 3 else 0):
        drifts = np.array([witness.ask(slopes, i, keep, slanted=False).ev for i in range(n)])
        near = np.minimum(SAME_ERRORS * slopes.error, SAME_EV)
        agree = slopes.trust & (np.abs(slopes.ev - drifts[:, None]) < near)
        keep = agree[others].sum(axis=0) >= needed
    return keep if keep.sum() >= REAL_SHARE * seen else np.zeros_like(keep)

"""Drift of the daylight from the colour of the lamp's light, where that light reaches everything.

With daylight A and lamp light L, each channel c of frame over plate is ``g + m k_c``: m, how strong the lamp is
beside the daylight, differs from place to place, and k, the lamp's colour over the daylight's, does not; one flash has
it in all frames. So the ratios of all places lie on a straight line in (R, G, B), and where it meets the grey axis the
lamp's light is nothing and the ratio is the drift g. With k known from all frames, each pixel splits into g and m, and
what the places of the picture say of g tells whether that holds: a surface that tints the lamp's light on its way
moves it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from . import parallel
from .places import Settled, settle

TOPS = (1.5, 2.5)
"""Factors over the darkest ratio up to which places are looked at, one after the other."""

SAME_EV = 0.03
"""Stops up to which what is found up to these must agree."""

NOISE = 0.02
"""Distance of a ratio from the line from which it counts less: noise and tinted places."""

TINTED = 0.02
"""Distance of a ratio from the plane of grey and the lamp's colour from which it is of another colour."""

COLOUR = 0.04
"""Error of a pixel's share of daylight, for lamp light as strong as that: the colour is known to no more."""

QUIET_PX = 2.0
"""Sigma over which light is averaged before the ratio is taken, half-size pixels."""

STEP = 3
"""Every so many half-size pixels a ratio is taken: they are smooth."""

MOST = 1500
"""Ratios that one fit looks at, evenly picked."""

ENOUGH = 200
"""Ratios below which there is no fit."""

SQUARES = 7
"""Places along each side of the picture."""

FEWEST = 30
"""Ratios below which a place says nothing."""

ERROR_EV = 0.017
"""Standard error from which a drift is not known well enough, stops. Measured: 0.004 to 0.013 where the line is straight,
0.02 to 0.13 in rooms whose walls tint the light (benchmarks/light.md)."""

ALIKE = 4
"""Neighbouring ratios that share their noise."""

LAMPS_EV = 0.1
"""Largest difference of a lamp's colour from that of most frames, in stops of R and B over G: more is another white balance,
or the line is no line."""

FRAMES_AGREE = 0.7
"""Share of the frames that must have an answer: where few have, it is chance. Measured: all in the garage, up to half where
walls tint the light."""

DARK = 0.003
"""Linear light of the darkest channel of the plate below which 8-bit steps dominate a ratio."""

DIFFERS = 0.08
"""Distance of the line's direction from grey (for its unit vector) below which lamp and daylight are of one colour."""

ROUNDS = 10

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Ratios:
    """Frame over plate where both are known.

    Attributes
    ----------
    rgb : (n, 3) float64
    xy : (n, 2) float64
        Where, as shares of width and height, 0 in the middle.
    lowest : float
        About the lowest ratio that many places share: the drift is no more than that.
    """

    rgb: Array
    xy: Array
    lowest: float


def ratios(frame: NDArray[np.float32], plate: NDArray[np.float32], good: NDArray[np.bool_], lowest: float) -> Ratios:
    """Frame over plate in each channel.

    Parameters
    ----------
    frame, plate : (h, w, 3) float32, linear light, half size
    good : (h, w) bool
    lowest : float
    """
    f, a = (cv2.GaussianBlur(p, (0, 0), QUIET_PX)[::STEP, ::STEP] for p in (frame, plate))
    near = cv2.erode(good.astype(np.uint8), np.ones((5, 5), np.uint8))[::STEP, ::STEP] > 0
    use = near & (a[..., 0] > DARK) & (a[..., 1] > DARK) & (a[..., 2] > DARK)
    rows, cols = np.nonzero(use)
    xy = (np.stack([cols, rows], axis=1) + 0.5) / np.array(use.shape[::-1]) - 0.5
    return Ratios(np.asarray(f[use] / a[use], np.float64), xy, lowest)


def measure(frames: Sequence[Ratios | None]) -> list[Settled | None]:
    """Find each frame's drift from the colour that the lamp has in all of them.

    Parameters
    ----------
    frames : sequence of Ratios or None

    Returns
    -------
    list of Settled or None
        None where lamp and daylight are of one colour, the line is no line, or the places do not agree.
    """
    lines = parallel.each(lambda found: [] if found is None else _colours(found), frames)
    every = [colour for line in lines for colour in line]
    if not every:
        return [None] * len(frames)
    usual = np.median(every, axis=0)
    lamp = np.exp2([usual[0], 0.0, usual[1]])

    def one(found: Ratios | None, own: list[Array]) -> Settled | None:
        if found is None or not own or np.abs(np.median(own, axis=0) - usual).max() > LAMPS_EV:
            return None
        return _drift(found, lamp)

    found = parallel.each(lambda pair: one(*pair), list(zip(frames, lines, strict=True)))
    known, asked = (sum(one is not None for one in some) for some in (found, frames))
    return found if known >= FRAMES_AGREE * asked else [None] * len(frames)


def _drift(found: Ratios, lamp: Array) -> Settled | None:
    """Drift with the lamp's colour known."""
    split = np.linalg.pinv(np.column_stack([np.ones(3), lamp]))
    daylight, strength = split @ found.rgb.T
    across = np.cross(np.ones(3), lamp)
    off = found.rgb @ (across / np.linalg.norm(across))
    pure = (np.abs(off) < TINTED * found.lowest) & (daylight > 0.3 * found.lowest)
    squares = np.minimum((found.xy + 0.5) * SQUARES, SQUARES - 1).astype(np.intp)
    place = squares[:, 1] * SQUARES + squares[:, 0]
    middle = (np.indices((SQUARES, SQUARES)).reshape(2, -1).T[:, ::-1] + 0.5) / SQUARES - 0.5
    brightest = found.rgb.max(axis=1)
    answers = []
    for top in TOPS:
        use = pure & (brightest < found.lowest * top)
        readings = np.log2(daylight[use]), strength[use] / daylight[use], place[use]
        answers.append(settle(*_gathered(*readings), middle))
    stops = np.array([answer.ev for answer in answers])
    if not all(answer.agreed and answer.error < ERROR_EV for answer in answers) or np.ptp(stops) > SAME_EV:
        return None
    across, down = _common([answer.gradient for answer in answers])
    return replace(answers[0], ev=float(stops.mean()), gradient=(float(across), float(down)))


def _common(gradients: Sequence[tuple[float, float]]) -> Array:
    """Gradients that all ranges have, along each axis."""
    found = np.array(gradients)
    return np.where((found != 0).all(axis=0), found.mean(axis=0), 0.0)


def _gathered(stops: Array, strength: Array, place: NDArray[np.intp]) -> tuple[Array, Array]:
    """Median of the pixels of each square and its error: noise averages out, an error of the lamp's colour does not."""
    said, error = np.full(SQUARES**2, np.nan), np.full(SQUARES**2, np.nan)
    order = np.argsort(place, kind="stable")
    for inside in np.split(order, np.flatnonzero(np.diff(place[order])) + 1):
        if len(inside) >= FEWEST:
            at = place[inside[0]]
            said[at] = np.median(stops[inside])
            noise = float(np.median(np.abs(stops[inside] - said[at]))) * 1.9 / np.sqrt(len(inside) / ALIKE)
            error[at] = np.hypot(noise, COLOUR * float(np.median(strength[inside])))
    return said, error


def _colours(found: Ratios) -> list[Array]:
    """Colour of the lamp over that of the daylight, stops of R and of B over G: one for each range that has a line."""
    fits = [_line(found.rgb, found.lowest, top) for top in TOPS]
    return [fit for fit in fits if fit is not None]


def _line(points: Array, lowest: float, top: float) -> Array | None:
    """Line through (g, g, g): least squares with less weight far from it."""
    use = points[(points.max(axis=1) < lowest * top) & (points.min(axis=1) > lowest * 0.8)]
    use = use[:: max(1, len(use) // MOST)]
    if len(use) < ENOUGH:
        return None
    g = 0.9 * lowest
    k = np.median(use, axis=0) - g
    k /= max(float(np.linalg.norm(k)), 1e-9)
    for _ in range(ROUNDS):
        # Two directions across the line; the residual along each changes with g, and with a turn of the line.
        across = np.cross(k, [1.0, 0.0, 0.0] if abs(k[0]) < 0.9 else [0.0, 1.0, 0.0])
        across /= np.linalg.norm(across)
        sides = np.stack([across, np.cross(k, across)])
        off = (use - g) @ sides.T
        along = (use - g) @ k
        weight = 1 / (1 + (off**2).sum(axis=1) / NOISE**2)
        of_g = sides.sum(axis=1)
        wt, wtt, w = float(weight @ along), float(weight @ along**2), float(weight.sum())
        normal = np.array(
            [
                [w * float(of_g @ of_g), wt * of_g[0], wt * of_g[1]],
                [wt * of_g[0], wtt, 0],
                [wt * of_g[1], 0, wtt],
            ]
        )
        right = np.array([float(weight @ (off @ of_g)), *((weight * along) @ off)])
        dg, *turn = np.linalg.lstsq(normal, right, rcond=1e-10)[0]
        g = float(np.clip(g + dg, 0.3 * lowest, 1.1 * lowest))
        k = k + turn @ sides
        k /= np.linalg.norm(k)
    differs = float(np.linalg.norm(k - k.mean()))
    if differs < DIFFERS or not 0.31 * lowest < g < 1.09 * lowest or (k <= 0).any():
        return None
    return np.log2([k[0] / k[1], k[2] / k[1]])

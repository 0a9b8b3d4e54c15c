"""Drift of the daylight from the colour of the lamp's light, where that light reaches everything.

With daylight A and lamp light L, each channel c of frame over plate is ``g + m k_c``: m, how strong the lamp is
beside the daylight, differs from place to place, and k, the lamp's colour over the daylight's, does not. So the
ratios of all places lie on a straight line in (R, G, B), and where it meets the grey axis the lamp's light is nothing
and the ratio is the drift g. That needs a lamp of another colour than the daylight, and no surface that tints the lamp's
light on its way: then the line bends, and the answer changes with how much of it is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

TOPS = (1.5, 2.0, 3.0)
"""Factors over the darkest ratio up to which places are looked at, one after the other."""

SAME_EV = 0.03
"""Stops up to which the three answers must agree. Measured: 0.001 to 0.01 where the line is straight, 0.05 to 0.5 in a
room whose walls tint the light (benchmarks/light.md)."""

NOISE = 0.02
"""Distance of a ratio from the line from which it counts less: noise and tinted places."""

QUIET_PX = 2.0
"""Sigma over which light is averaged before the ratio is taken, half-size pixels."""

STEP = 3
"""Every so many half-size pixels a ratio is taken: they are smooth."""

MOST = 2500
"""Ratios that one fit looks at, evenly picked."""

ENOUGH = 200
"""Ratios below which there is no fit."""

DARK = 0.003
"""Linear light of the darkest channel of the plate below which 8-bit steps dominate a ratio."""

DIFFERS = 0.08
"""Distance of the line's direction from grey (for its unit vector) below which lamp and daylight are of one colour."""

ROUNDS = 12


def ratios(frame: NDArray[np.float32], plate: NDArray[np.float32], good: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Frame over plate in each channel where both are known.

    Parameters
    ----------
    frame, plate : (h, w, 3) float32, linear light, half size
    good : (h, w) bool

    Returns
    -------
    (n, 3) float64
    """
    f, a = (cv2.GaussianBlur(p, (0, 0), QUIET_PX)[::STEP, ::STEP] for p in (frame, plate))
    near = cv2.erode(good.astype(np.uint8), np.ones((5, 5), np.uint8))[::STEP, ::STEP] > 0
    use = near & (a[..., 0] > DARK) & (a[..., 1] > DARK) & (a[..., 2] > DARK)
    return np.asarray(f[use] / a[use], np.float64)


@dataclass(frozen=True, slots=True)
class Line:
    """What the line of ratios says.

    Attributes
    ----------
    ev : float
        The drift, stops.
    colour_ev : (float, float)
        Colour of the lamp over that of the daylight: stops of R and of B over G.
    """

    ev: float
    colour_ev: tuple[float, float]


def meets_grey(points: NDArray[np.float64], lowest: float) -> Line | None:
    """Find where the line of ratios meets the grey axis.

    Parameters
    ----------
    points : (n, 3) float64
        `ratios`.
    lowest : float
        About the lowest ratio that many places share: the drift is no more than that.

    Returns
    -------
    Line or None
        None where lamp and daylight are of one colour, or the line is no line.
    """
    found = [line for line in (_fit(points, lowest, top) for top in TOPS) if line is not None]
    if len(found) < len(TOPS) or np.ptp([line.ev for line in found]) > SAME_EV:
        return None
    return sorted(found, key=lambda line: line.ev)[len(found) // 2]


def _fit(points: NDArray[np.float64], lowest: float, top: float) -> Line | None:
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
    return Line(float(np.log2(g)), (float(np.log2(k[0] / k[1])), float(np.log2(k[2] / k[1]))))

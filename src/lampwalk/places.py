"""What many places of a picture say about one frame's daylight: one value, or a slow gradient, and how sure it is.

A place is a small square of the picture in which a cue has been read. Neighbouring pixels err together, so each place
has one voice however many pixels it holds; some places are wrong altogether, so far voices count little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GRID = np.arange(-2.0, 2.0, 0.01)
"""Stops that are tried as a start."""

OWN_EV = 0.02
"""Stops by which places differ though each is read exactly: lamp light that a cue takes for daylight."""

FREEDOM = 3.0
"""Degrees of freedom of the t distribution that the voices are taken to have: a few far off are expected."""

ROUNDS = 12
"""Rounds of reweighting; they settle in fewer."""

STARTS_EV = (0.2, 0.12, 0.07, 0.04)
"""Widths with which a gradient is sought first, stops, so that places at the edges are not given up beforehand."""

SURE = 3.0
"""Errors from which a gradient is one."""

SLANTED_EV = 0.016
"""Stops by which lamp light that a cue takes for daylight may differ between the halves of the places: an error of every
gradient, the larger the closer the places lie together."""

FEWEST = 6.0
"""Voices, counted by weight, below which nothing is settled."""

SHARE = 0.6
"""Share of the weight that must lie within two deviations of what is settled."""

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """What the places agree on.

    Attributes
    ----------
    ev : float
        Stops in the middle of the picture.
    gradient : (float, float)
        Further stops from left to right and from top to bottom; 0 where there is none for sure.
    error : float
        Standard error of `ev`, stops.
    voices : float
        Places, counted by their weight.
    share : float
        Share of the places, by weight, that agree.
    doubtful : bool
        There may be a gradient, but lamp light would look the same.
    """

    ev: float
    gradient: tuple[float, float]
    error: float
    voices: float
    share: float
    doubtful: bool = False

    @property
    def agreed(self) -> bool:
        """Whether enough places say the same."""
        return self.voices >= FEWEST and self.share >= SHARE


NOTHING = Settled(ev=0.0, gradient=(0.0, 0.0), error=np.inf, voices=0.0, share=0.0)


def gather(stops: Array, sd: Array, place: NDArray[np.intp], n: int, fewest: int) -> tuple[Array, Array]:
    """Bring readings together that lie in one place.

    Parameters
    ----------
    stops, sd : (m,) float64
        Readings and their deviations.
    place : (m,) int
        Index of the place of each, below `n`.
    fewest : int
        Readings below which a place says nothing.

    Returns
    -------
    stops, sd : (n,) float64
        NaN where a place says nothing. Readings of one place err together: more of them make it no surer.
    """
    weight = 1 / sd**2
    total = np.bincount(place, weight, n)
    count = np.bincount(place, minlength=n)
    some = np.where(count >= fewest, np.maximum(total, 1e-12), np.nan)
    mean = np.bincount(place, weight * stops, n) / some
    apart = np.bincount(place, weight * (stops - mean[place]) ** 2, n) / some
    return mean, np.sqrt(count / some + apart)


def settle(stops: Array, sd: Array, xy: Array, *, above: float = 1.0, slanted: bool = True) -> Settled:
    """Find what places agree on.

    Parameters
    ----------
    stops, sd : (n,) float64
        What each place says and its deviation; NaN for nothing.
    xy : (n, 2) float64
        Where it lies, as shares of width and height, 0 in the middle.
    above : float
        Factor on the deviation of places that say more: a lamp only adds light.
    slanted : bool
        Look for a gradient.

    Returns
    -------
    Settled
    """
    said = np.isfinite(stops)
    stops, sd, xy = stops[said], np.hypot(sd[said], OWN_EV), xy[said]
    if len(stops) < FEWEST:
        return NOTHING
    flat = np.ones((len(stops), 1))
    off = (stops[:, None] - GRID) / (sd[:, None] * np.where(stops[:, None] > GRID, above, 1))
    start = np.array([GRID[np.log1p(off**2 / FREEDOM).sum(axis=0).argmin()]])
    fit, weight = _fit(stops, sd, flat, start, above)
    gradient, doubtful = np.zeros(2), False
    if slanted:
        gradient, doubtful = _gradient(stops, sd, xy, above, float(fit[0]))
        if gradient.any():
            stops = stops - xy @ gradient
            fit, weight = _fit(stops, sd, flat, fit, above)
    far = stops - fit[0]
    scatter = np.sqrt((weight**2 * far**2).sum()) / weight.sum()
    near = np.abs(far) < 2 * sd
    return Settled(
        ev=float(fit[0]),
        gradient=(float(gradient[0]), float(gradient[1])),
        error=max(float(scatter), float(1 / np.sqrt(weight.sum()))),
        voices=float(weight.sum() ** 2 / (weight**2).sum()),
        share=float((near / sd**2).sum() / (1 / sd**2).sum()),
        doubtful=doubtful,
    )


def _gradient(stops: Array, sd: Array, xy: Array, above: float, start: float) -> tuple[Array, bool]:
    """Gradient that is one for sure, along each axis by itself or along both; and whether there may be another."""
    design = np.column_stack([np.ones(len(stops)), xy])
    fit = np.array([start, 0.0, 0.0])
    for width in STARTS_EV:
        fit, _ = _fit(stops, np.hypot(sd, width), design, fit, 1.0)
    fit, weight = _fit(stops, sd, design, fit, above)
    inverse = np.linalg.pinv(design.T @ (weight[:, None] * design))
    far = weight * (stops - design @ fit)
    scatter = inverse @ (design.T * far**2 @ design) @ inverse
    error = np.sqrt(np.maximum(np.diag(inverse), np.diag(scatter)))[1:]
    slanted = np.hypot(error, SLANTED_EV / np.maximum(xy.std(axis=0), 1e-6))
    sure = np.abs(fit[1:]) > SURE * slanted
    doubtful = (np.abs(fit[1:]) > SURE * error) & ~sure
    if sure.sum() == 1:  # along one axis only
        axis = int(np.flatnonzero(sure)[0])
        fit[[0, axis + 1]], _ = _fit(stops, sd, design[:, [0, axis + 1]], fit[[0, axis + 1]], above)
    return np.where(sure, fit[1:], 0.0), bool(doubtful.any())


def _fit(stops: Array, sd: Array, design: Array, fit: Array, above: float) -> tuple[Array, Array]:
    """Likeliest fit under a t distribution by reweighting, and the weights: (k,), (n,)."""
    weight = 1 / sd**2
    ridge = 1e-6 * np.eye(design.shape[1])  # places may lie in one line
    for _ in range(ROUNDS):
        off = stops - design @ fit
        width = sd * np.where(off > 0, above, 1)
        weight = (FREEDOM + 1) / (FREEDOM + (off / width) ** 2) / width**2
        pulled = design * weight[:, None]
        fit = 0.3 * fit + 0.7 * np.linalg.solve(pulled.T @ design + ridge, pulled.T @ stops)
    return fit, weight

"""Which motion of the camera explains what the patches saw: the simplest that is worth its parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from . import motion
from .geometry import Matrix, moved

Model = Literal["identity", "shift", "similarity", "homography"]

LIKELIER = 12.0
"""Robust cost that each parameter of a richer model must save. Neighbouring patches err alike, so this is
far more than the 1 of independent errors."""
LIKELIER_ZOOM = 80.0
"""The same for a change of scale, which a lens on a tripod seldom has and moving light often mimics: it saved
64 where there was none."""
LIKELIER_ZOOM_SEEN = 16.0
"""The same where enough frames look at it: from lamps in different places light mimics no common change of scale. Three series
without one saved at most 6 so, three with changes of 1 in 5000 saved 20 and more in half of their frames."""
LIKELIER_HOMOGRAPHY = 40.0
"""The same for a general homography: light on a relief moves whole regions by tenths of a pixel and looks like one."""
WORTH_PX = 0.04
"""A frame that moved by less than this (rms over the picture, px at working size) is not resampled: that costs detail, and
light alone moves what is seen by some hundredths of a pixel."""
SAME_PX = 0.02
"""A shift that a wide lens bends by less than this is called a shift, px at working size."""
BREATHES, BREATHES_SHARE = 2, 0.25
"""Frames, and share of the frames, that each prove a change of scale, from which it costs no more in the others than any
other parameter: a lens that breathes does so in all frames. Three series without: none of 26 frames."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """A motion that was chosen.

    Attributes
    ----------
    model : str
        ``"identity"``, ``"shift"``, ``"similarity"`` or ``"homography"``.
    matrix : (3, 3) float64
        Frame to reference, normalised coordinates.
    fit : motion.Fit
    zooms : bool
        Whether it changes the scale.
    """

    model: Model
    matrix: Matrix
    fit: motion.Fit
    zooms: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What the frames of a series share.

    Attributes
    ----------
    bend : float or None
        See `motion`; None where no frame moved enough to tell.
    breathes : bool
        It changes its scale from frame to frame.
    """

    bend: float | None
    breathes: bool

    @property
    def likely_bend(self) -> float:
        """The bend that was found, else the usual one."""
        return motion.USUAL_BEND if self.bend is None else self.bend


def lens_and_motions(data: Sequence[motion.Displacements], units: Sequence[float]) -> tuple[Lens, list[Motion]]:
    """Find what the frames of one series say about their lens, and the motion of each.

    Parameters
    ----------
    data : sequence of Displacements
        Of each frame.
    units : sequence of float
        Pixels at working size per normalised unit.
    """
    lens = Lens(bend=motion.common_bend(data), breathes=False)
    motions = [simplest(d, lens, unit) for d, unit in zip(data, units, strict=True)]
    proven = sum(found.zooms for found in motions)
    if BREATHES <= proven < len(data) and proven >= BREATHES_SHARE * len(data):
        lens = replace(lens, breathes=True)
        motions = [simplest(d, lens, unit) for d, unit in zip(data, units, strict=True)]
    return lens, motions


def simplest(data: motion.Displacements, lens: Lens, unit: float) -> Motion:
    """Choose the simplest motion whose parameters are each worth their keep.

    Parameters
    ----------
    data : Displacements
    lens : Lens
    unit : float
        Pixels at working size per normalised unit.
    """
    known = lens.likely_bend
    seldom = LIKELIER_ZOOM_SEEN if data.joint else LIKELIER_ZOOM
    turn, zoom = 3 * LIKELIER, LIKELIER if lens.breathes else seldom
    prices: dict[tuple[int, float], float] = {
        # towards the corners a wide lens turns a shift into more
        (2, known): 2 * LIKELIER + (LIKELIER if lens.bend is None else 0),
        (3, known): turn,
        (4, known): turn + zoom,
        (8, known): turn + zoom + 4 * LIKELIER_HOMOGRAPHY,
        (2, 0.0): 2 * LIKELIER,
    }
    richest = motion.fit(data, 8, known)
    variance = max(richest.variance, motion.LEAST_VARIANCE)
    still = motion.fit(data, 0, 0.0, variance=variance)
    fits = {of: motion.fit(data, *of, variance=variance) for of in prices}
    (free, bent), best = min(fits.items(), key=lambda item: item[1].cost + prices[item[0]])
    matrix = motion.matrix_of(best.parameters, bent)
    shift = fits[2, 0.0]
    if free == 2 and _apart(np.linalg.inv(motion.matrix_of(shift.parameters, 0.0)) @ matrix) * unit < SAME_PX:
        bent, best, matrix = 0.0, shift, motion.matrix_of(shift.parameters, 0.0)
    if best.cost + prices[free, bent] >= still.cost or _apart(matrix) * unit <= WORTH_PX:
        return Motion(model="identity", matrix=np.eye(3), fit=still, zooms=False)
    if free == 2 and bent == 0:
        matrix = np.array([[1, 0, matrix[0, 2]], [0, 1, matrix[1, 2]], [0, 0, 1]])
        return Motion(model="shift", matrix=matrix, fit=best, zooms=False)
    model: Model = "similarity" if free <= 4 and bent == 0 else "homography"
    return Motion(model=model, matrix=matrix, fit=best, zooms=free >= 4)


def _apart(matrix: Matrix) -> float:
    """Rms distance by which a motion moves the picture, normalised."""
    axis = np.linspace(-1, 1, 5)
    grid = np.stack(np.meshgrid(axis, 0.7 * axis), axis=-1).reshape(-1, 2)
    return float(np.sqrt(((moved(grid, matrix) - grid) ** 2).sum(axis=-1).mean()))

"""Two frames: where the patches of one are found in the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import motion
from .coarse import CONFIDENT, Coarse, common_motion, place
from .geometry import Matrix, normalised
from .models import LIKELIER_HOMOGRAPHY
from .patches import ALIKE, WINDOW_PX, Template, View, Whole, Windows
from .sighting import MARGIN_PX, Sighting, enlarging, with_crops

NEAR_PX = 1.5
"""A patch that finds its best place within this agrees, px at working size."""
ROUNDS = 5
SETTLED_PX = 0.05
"""Least-squares steps end when the corners move by less, px, or after so many; the last fit is exact
anyway."""
KEPT = 0.6
"""Share of the patches that must still be alike when edges have their sign, else too many have turned over."""
RECUT_PX = 4.0
"""Windows are cut anew where the corners moved by more, px at working size."""
MIN_AGREEING = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """What the patches of one frame say about its motion; ``problem`` where they say nothing."""

    problem: str = ""
    data: motion.Displacements | None = None
    peaks: tuple[NDArray[np.float64], ...] = ()
    matrix: Matrix | None = None
    work: tuple[int, int] = (1, 1)
    full: tuple[int, int] = (1, 1)
    coarse: bool = False
    sound: bool = False


class Base:
    """The reference as every frame is compared with it, made once."""

    def __init__(self, sighting: Sighting) -> None:
        self.sighting = sighting
        if sighting.problem:
            return
        self.coarse = Coarse(sighting)
        self.coarse_template = Template(self.coarse.view)
        if sighting.crops is not None:
            view: View = Windows(sighting, np.eye(3))
        else:
            view = self.coarse.view if self.coarse.step == 1 else Whole(sighting.small)
        self.template = self.coarse_template if view is self.coarse.view else Template(view)
        self.signed_template = Template(view, signed=True)


def compare(base: Base, sighting: Sighting, decode: Callable[[], NDArray[Any]] | None) -> Match:
    """Find the patches of one frame in the reference; ``decode`` gives its pixels anew where it moved far."""
    problem = sighting.problem or (base.sighting.problem and f"the reference cannot be used: {base.sighting.problem}")
    if not problem and sighting.shape != base.sighting.shape:
        problem = "the frame has another size than the reference"
    if problem:
        return Match(problem=problem)
    coarse = Coarse(sighting)
    rough = place(base.coarse_template, base.coarse, coarse)
    lift = enlarging(coarse.full_step / sighting.step)
    matrix = normalised(lift @ rough @ np.linalg.inv(lift))
    full = sighting.work_shape[0] * sighting.step, sighting.work_shape[1] * sighting.step
    view: View
    if sighting.crops is None:
        view = coarse.view if coarse.step == 1 else Whole(sighting.small)
    else:
        if _beyond_crops(matrix, sighting):
            if decode is None:
                matrix, data = _refined(base.coarse_template, coarse.view, rough)
                return _matched(base.coarse_template, coarse.view, matrix, data, full, coarse=True)
            sighting = with_crops(sighting, decode(), matrix)
        view = Windows(sighting, matrix)
        nearer = _correlated(base.template, view, matrix)
        if _apart_px(nearer, matrix, view.shape) > RECUT_PX:
            view = Windows(sighting, nearer)
        matrix = nearer
    matrix, data = _refined(base.template, view, matrix)
    finer, fine_data = _refined(base.signed_template, view, matrix)
    if fine_data.usable.sum() >= KEPT * data.usable.sum():
        matrix, data = finer, fine_data
    return _matched(base.template, view, matrix, data, full)


def _matched(
    template: Template, view: View, matrix: Matrix, data: motion.Displacements, full: tuple[int, int], *,
    coarse: bool = False,
) -> Match:  # fmt: skip
    """Look once more, independently of the fit, where each patch correlates best."""
    peaks = template.peaks(view.at(matrix))
    sound = int(((peaks[1] > CONFIDENT) & (np.hypot(*peaks[0].T) < NEAR_PX)).sum()) >= MIN_AGREEING
    return Match(data=data, peaks=peaks, matrix=matrix, work=view.shape, full=full, coarse=coarse, sound=sound)


def _correlated(template: Template, view: View, matrix: Matrix) -> Matrix:
    """Motion on which the places of best correlation agree."""
    displacements, peak = template.peaks(view.at(matrix))
    return common_motion(template, displacements, peak > CONFIDENT, matrix, view.shape)[0]


def _refined(template: Template, view: View, matrix: Matrix) -> tuple[Matrix, motion.Displacements]:
    """Least-squares steps of all patches, gathered by a robust homography; the last one's displacements."""
    to_unit = motion.unit_matrix(view.shape)
    from_unit = np.linalg.inv(to_unit)
    data = None
    for _ in range(ROUNDS):
        displacements, information, alike = template.steps(view.at(matrix, signed=template.signed))
        usable = (alike > ALIKE) & view.reached(matrix) & (np.abs(displacements).max(axis=1) < 4)
        data = motion.displaced(
            template.centres, displacements, matrix, view.shape, usable=usable, information=information
        )
        if usable.sum() < 6:
            break
        matrix, before = normalised(from_unit @ _gathered(data) @ to_unit), matrix
        if _apart_px(matrix, before, view.shape) < SETTLED_PX:
            break
    assert data is not None
    return matrix, data


def _gathered(data: motion.Displacements) -> Matrix:
    """Choose the motion to linearise at: a turn with zoom, unless a homography is far nearer."""
    general = motion.fit(data, 8, motion.USUAL_BEND)
    turn = motion.fit(data, 4, motion.USUAL_BEND, variance=general.variance)
    better = turn.cost - general.cost > 4 * LIKELIER_HOMOGRAPHY
    return motion.matrix_of((general if better else turn).parameters, motion.USUAL_BEND)


def _apart_px(one: Matrix, other: Matrix, shape: tuple[int, int]) -> float:
    """How far two motions are apart in the corner where they are most."""
    h, w = shape
    corners = np.array([[0, 0], [w - 1, 0], [0, h - 1], [w - 1, h - 1.0]])
    return float(np.abs(motion.moved(corners, one) - motion.moved(corners, other)).max())


def _beyond_crops(matrix: Matrix, sighting: Sighting) -> bool:
    return _apart_px(matrix, np.eye(3), sighting.work_shape) > MARGIN_PX - WINDOW_PX

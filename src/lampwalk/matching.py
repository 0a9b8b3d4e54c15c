"""Two frames: where the patches of one are found in the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import motion
from .coarse import CONFIDENT, Coarse, common_motion, place
from .geometry import Matrix, normalised
from .models import LIKELIER_HOMOGRAPHY
from .patches import ALIKE, WINDOW_PX, Template, View, Whole, Windows
from .sighting import MARGIN_PX, Field, Sighting, enlarging, with_crops

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
FOUND_AGAIN = 0.2
"""A patch that correlates by so much better elsewhere moved."""
SECOND_MOTION, SECOND_SHARE, SECOND_SHARE_ALONE, NEIGHBOUR = 4, 0.085, 0.2, 0.15
"""Patches that moved otherwise, and their share, from which a second motion is looked for; share from which they are one
whatever they look like; and the share of the long side within which patches are neighbours. 80 parallax cases: at least 4
and 0.10; 120 good pairs: at most 2 and 0.03; seven series: at most 13 and 0.07, in leaves that moved by 2 px."""
COHERENT, COLLINEAR = 0.5, 0.4
"""Share of these that go with a neighbour, and spread of their displacement across over along its main direction, from
which they are one motion."""


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
    others: float = 0.0


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
            view = self.coarse.view if self.coarse.step == 1 else Whole(sighting.small, full_size=sighting.step == 1)
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
        view = coarse.view if coarse.step == 1 else Whole(sighting.small, full_size=sighting.step == 1)
    else:
        if _beyond_crops(matrix, sighting):
            if decode is None:
                matrix, data = _refined(base.coarse_template, coarse.view, rough)
                templates = base.coarse_template, Template(base.coarse.view, signed=True)
                return replace(_matched(templates, coarse.view, matrix, data, full), coarse=True)
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
    return _matched((base.template, base.signed_template), view, matrix, data, full)


def _matched(
    templates: tuple[Template, Template], view: View, matrix: Matrix, data: motion.Displacements, full: tuple[int, int]
) -> Match:
    """Look once more, independently of the fit, where each patch correlates best."""
    template, signed = templates
    patches = view.at(matrix)
    peaks = template.peaks(patches)
    sound = int(((peaks[1] > CONFIDENT) & (np.hypot(*peaks[0].T) < NEAR_PX)).sum()) >= MIN_AGREEING
    others = second_motion(template, peaks, patches, signed, view.at(matrix, signed=True), view.shape)
    return Match(data=data, peaks=peaks, matrix=matrix, work=view.shape, full=full, sound=sound, others=others)


def second_motion(
    template: Template, peaks: tuple[motion.Floats, motion.Floats], patches: Field, signed: Template,
    signed_patches: Field, shape: tuple[int, int],
) -> float:  # fmt: skip
    """Share of the detail that moved otherwise than the rest; 0 where it is not one motion more.

    What moved is found again elsewhere with edges as they were, by either representation and much better than where it
    should be. Shadows, shading and highlights that walk are not. Parallax displaces neighbours alike, and all along one
    line, the way that the camera was carried; leaves and water do so in all directions.
    """
    (seen, sure), (again, sure_again) = peaks, signed.peaks(signed_patches)
    apart = np.hypot(*seen.T)
    here = np.maximum(template.alike(patches), signed.alike(signed_patches))
    there = np.minimum(sure, sure_again)
    moved = (apart >= NEAR_PX) & (np.hypot(*(seen - again).T) < NEAR_PX)
    moved &= (there > CONFIDENT) & (there > here + FOUND_AGAIN)
    count = int(moved.sum())
    share = count / max(count + int(((apart < NEAR_PX) & (sure > CONFIDENT)).sum()), 1)
    if count < SECOND_MOTION or share < SECOND_SHARE:
        return 0.0
    centres, off = template.centres[moved], seen[moved]
    near = np.hypot(*(centres[:, None] - centres[None]).transpose(2, 0, 1)) < NEIGHBOUR * max(shape)
    alike = near & (np.hypot(*(off[:, None] - off[None]).transpose(2, 0, 1)) < 2 * NEAR_PX)
    along, across = np.linalg.svd(off, compute_uv=False)[:2]
    together = (alike.sum(axis=1) > 1).mean() >= COHERENT and across < COLLINEAR * along
    return share if together or share >= SECOND_SHARE_ALONE else 0.0


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

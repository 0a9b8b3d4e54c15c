"""Two frames: where the patches of one are found in the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import motion, parallel
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
EXACT_PX = 0.3
"""A step by less than this in the corners is right to a twentieth."""
LENSES = (0.0, 0.12, 0.25, 0.45, 0.7)
NUDGED_PX = 2.0
"""Bends tried for the place where patches are measured, where a frame moved by more; a wrong one leaves them a pixel off
where it moved by 10 px."""
RECUT_PX = 4.0
"""Windows are cut anew where the corners moved by more, px at working size."""
MIN_AGREEING = 10
LEAST = 6
"""Patches that say where a frame lies."""
FAR_PX = 4.0
"""A least-squares step by more is none, px at working size."""
FOUND_AGAIN = 0.2
"""A patch that correlates by so much better elsewhere moved."""
SECOND_MOTION, NEIGHBOUR = 4, 0.15
"""Patches that moved otherwise from which a second motion is looked for; and the share of the long side within which patches
are neighbours."""
SECOND_LIMITS = (0.04, 0.5, 0.15), (0.085, 0.5, 0.4), (0.2, 0.0, 2.0)
"""What is a second motion: least share of the detail, least share of these patches that go with a neighbour, and spread of
their displacements across over along their main direction. 80 parallax cases: at least 0.10, and 0.15 or less across but for
two; 120 good pairs: at most 2 patches; seven series: at most 0.07, in leaves that moved by 2 px, with 0.29 across."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """What the patches of one frame say about its motion; ``problem`` where they say nothing."""

    problem: str = ""
    data: motion.Displacements | None = None
    peaks: tuple[NDArray[np.float64], ...] = ()
    matrix: Matrix = field(default_factory=lambda: np.eye(3))
    work: tuple[int, int] = (1, 1)
    step: int = 1
    coarse: bool = False
    sound: bool = False
    others: float = 0.0
    sighting: Sighting | None = None


@dataclass(frozen=True, eq=False)
class Seen:
    """The patches of a frame as one matrix brings them, beside those of the reference."""

    template: Template
    patches: Field

    @cached_property
    def peaks(self) -> tuple[motion.Floats, motion.Floats]:
        """Where each patch correlates best, and how well."""
        return self.template.peaks(self.patches)

    @cached_property
    def alike(self) -> motion.Floats:
        """How well each patch correlates as it lies."""
        return self.template.alike(self.patches)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """What the patches that one matrix brings still lack, and the matrix that follows."""

    seen: Seen
    matrix: Matrix
    data: motion.Displacements
    next: Matrix


class Base:
    """The reference as every frame is compared with it, made once."""

    def __init__(self, sighting: Sighting) -> None:
        self.sighting = sighting
        if sighting.problem:
            return
        self.coarse = Coarse(sighting)
        if sighting.corners is not None:
            view: View = Windows(sighting, np.eye(3))
        else:
            view = self.coarse.view if self.coarse.step == 1 else Whole(sighting.small, full_size=sighting.step == 1)
        views = [view] if view is self.coarse.view else [view, self.coarse.view]
        jobs = [partial(Template.of, v, signed=signed) for v in views for signed in (False, True)]
        made = parallel.each(lambda job: job(), jobs)
        self.template, self.signed_template = made[:2]
        self.coarse_template, self.coarse_signed = made[-2:]


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
    view: View
    if sighting.corners is None:
        view = coarse.view if coarse.step == 1 else Whole(sighting.small, full_size=sighting.step == 1)
    else:
        if _beyond_crops(matrix, sighting):
            if decode is None:
                seen = _refined(base.coarse_template, coarse.view, rough)
                again = _refined(base.coarse_signed, coarse.view, seen.next)
                return replace(_matched(seen, again, coarse.view.shape, coarse.full_step), coarse=True)
            sighting = with_crops(sighting, decode(), matrix)
        view = Windows(sighting, matrix)
        nearer = _correlated(base.template, view, matrix)
        if motion.apart_px(nearer, matrix, view.shape) > RECUT_PX:
            view = Windows(sighting, nearer)
        matrix = nearer
    seen = _refined(base.template, view, matrix, enough=EXACT_PX)
    again = _refined(base.signed_template, view, seen.next)
    match = replace(_matched(seen, again, view.shape, sighting.step), sighting=sighting)
    if match.others or view is coarse.view:
        return match
    # what moved so far that no patch finds it again
    matrix = np.linalg.inv(lift) @ match.matrix @ lift
    far, signed = (Seen(t, coarse.view.at(matrix, signed=t.signed)) for t in (base.coarse_template, base.coarse_signed))
    return replace(match, others=second_motion(far, signed, coarse.view.shape))


def _matched(first: Look, second: Look, shape: tuple[int, int], step: int) -> Match:
    """Ask, independently of the fit, where each patch correlates best."""
    signed = bool(second.data.usable.sum() >= KEPT * first.data.usable.sum())
    kept = second if signed else first
    peaks = first.seen.peaks
    sound = int(((peaks[1] > CONFIDENT) & (np.hypot(*peaks[0].T) < NEAR_PX)).sum()) >= MIN_AGREEING
    return Match(
        data=kept.data, peaks=peaks, matrix=first.matrix, work=shape, step=step, sound=sound,
        others=second_motion(first.seen, second.seen, shape),
    )  # fmt: skip


def second_motion(look: Seen, signed: Seen, shape: tuple[int, int]) -> float:
    """Share of the detail that moved otherwise than the rest; 0 where it is not one motion more.

    What moved is found again elsewhere with edges as they were, by either representation and much better than where it
    should be. Shadows, shading and highlights that walk are not. Parallax displaces neighbours alike, and all along one
    line, the way that the camera was carried; leaves and water do so in all directions.
    """
    (seen, sure), (again, sure_again) = look.peaks, signed.peaks
    apart = np.hypot(*seen.T)
    elsewhere = (apart >= NEAR_PX) & (sure > CONFIDENT)
    agreeing = int(((apart < NEAR_PX) & (sure > CONFIDENT)).sum())
    there, here = np.minimum(sure, sure_again), np.maximum(look.alike, signed.alike)
    again_there = (np.hypot(*(seen - again).T) < NEAR_PX) & (there > CONFIDENT) & (there > here + FOUND_AGAIN)
    moved = elsewhere & again_there
    count = int(moved.sum())
    if count < SECOND_MOTION:
        return 0.0
    share = count / (count + agreeing)
    together, spread = _together(look.template.centres[moved] / max(shape), seen[moved])
    found = any(share >= least and together >= most and spread < widest for least, most, widest in SECOND_LIMITS)
    return share if found else 0.0


def _together(centres: motion.Floats, off: motion.Floats) -> tuple[float, float]:
    """Share of displacements that go with a neighbour's, and their spread across over along their main direction."""
    near = np.hypot(*(centres[:, None] - centres[None]).transpose(2, 0, 1)) < NEIGHBOUR
    alike = near & (np.hypot(*(off[:, None] - off[None]).transpose(2, 0, 1)) < 2 * NEAR_PX)
    along, across = np.linalg.svd(off, compute_uv=False)[:2]
    return float((alike.sum(axis=1) > 1).mean()), float(across / along)


def _correlated(template: Template, view: View, matrix: Matrix) -> Matrix:
    """Motion on which the places of best correlation agree."""
    displacements, peak = template.peaks(view.at(matrix))
    return common_motion(template, displacements, peak > CONFIDENT, matrix, view.shape)[0]


def _refined(template: Template, view: View, matrix: Matrix, *, enough: float = SETTLED_PX) -> Look:
    """Take least-squares steps until the corners move by less than ``enough``; the last look."""
    for left in reversed(range(ROUNDS)):
        look = _look(template, view, matrix)
        if not left or int(look.data.usable.sum()) < LEAST or motion.apart_px(look.next, matrix, view.shape) < enough:
            break
        matrix = look.next
    return look


def _look(template: Template, view: View, matrix: Matrix) -> Look:
    """Take one least-squares step with all patches, and gather these by a robust homography."""
    seen = Seen(template, view.at(matrix, signed=template.signed))
    displacements, information, alike = template.steps(seen.patches)
    usable = (alike > ALIKE) & view.reached(matrix) & (np.abs(displacements).max(axis=1) < FAR_PX)
    data = motion.displaced(template.centres, displacements, matrix, view.shape, usable=usable, information=information)
    better = matrix
    if int(usable.sum()) >= LEAST:
        to_unit = motion.unit_matrix(view.shape)
        better = normalised(np.linalg.inv(to_unit) @ _gathered(data, max(view.shape) / 2) @ to_unit)
    return Look(seen=seen, matrix=matrix, data=data, next=better)


def _gathered(data: motion.Displacements, unit: float) -> Matrix:
    """Choose the motion to linearise at: a turn with zoom by the likeliest lens, unless a homography is far nearer."""
    general = motion.fit(data, 8, motion.USUAL_BEND)
    lenses = LENSES if np.abs(general.parameters[:2]).max() * unit > NUDGED_PX else (motion.USUAL_BEND,)
    turns = [(motion.fit(data, 4, bend, variance=general.variance), bend) for bend in lenses]
    turn, bend = min(turns, key=lambda t: t[0].cost)
    if turn.cost - general.cost > 4 * LIKELIER_HOMOGRAPHY:
        return motion.matrix_of(general.parameters, motion.USUAL_BEND)
    return motion.matrix_of(turn.parameters, bend)


def _beyond_crops(matrix: Matrix, sighting: Sighting) -> bool:
    return motion.apart_px(matrix, np.eye(3), sighting.work_shape) > MARGIN_PX - WINDOW_PX

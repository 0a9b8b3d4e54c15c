"""Two frames: where the patches of one are found in the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import motion
from .geometry import Matrix, normalised
from .patches import ALIKE, Patches, Template
from .sighting import MARGIN_PX, Sighting, small_to_work, with_crops

RATIO = 0.8
"""Best over second-best distance of a feature match (Lowe 2004, from memory)."""
MAGSAC_PX = 2.0
"""Residual of a feature match that still counts, px of the small picture."""
MIN_MATCHES = 12
LIKELIER_HOMOGRAPHY = 40.0
"""The same for a general homography: light on a relief moves whole regions by tenths of a pixel and looks
like one."""
CONFIDENT = 0.45
"""Correlation at which a patch is sure of its place."""
NEAR_PX = 1.5
"""A patch that finds its best place within this agrees, px at working size."""
ROUNDS = 7
SETTLED_PX = 0.05
"""Least-squares steps end when the corners move by less, px, or after so many; the last fit is exact
anyway."""
START_PX = 3.0
"""The least-squares steps find home from here, px of the small picture."""
MIN_AGREEING = 10
SCALE_LIMIT = 0.03
TURN_LIMIT = np.deg2rad(2.5)
SHIFT_LIMIT = 0.06
"""Beyond these a tripod was not nudged but moved: share, radian, share of the long side."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """What the patches of one frame say about its motion; ``problem`` where they say nothing."""

    problem: str = ""
    data: motion.Displacements | None = None
    peaks: tuple[NDArray[np.float64], ...] = ()
    judges: NDArray[np.intp] = field(default_factory=lambda: np.arange(0))
    matrix: Matrix | None = None
    work: tuple[int, int] = (1, 1)
    full: tuple[int, int] = (1, 1)
    coarse: bool = False
    sound: bool = False


class Base:
    """The reference's patches at both sizes, made once."""

    def __init__(self, sighting: Sighting) -> None:
        self.sighting = sighting
        self.levels: list[Template] = []
        if not sighting.problem:
            for small in (True, False) if sighting.crops is not None else (True,):
                self.levels.append(Template(Patches(sighting, small=small)))


def compare(base: Base, sighting: Sighting, decode: Callable[[], NDArray[Any]] | None) -> Match:
    """Find the patches of one frame in the reference; ``decode`` gives its pixels anew where it moved far."""
    problem = sighting.problem or (base.sighting.problem and f"the reference cannot be used: {base.sighting.problem}")
    if not problem and sighting.shape != base.sighting.shape:
        problem = "the frame has another size than the reference"
    if problem:
        return Match(problem=problem)
    patches = Patches(sighting, small=True)
    matrix = _start(base, sighting, patches)
    matrix, data = _refined(base.levels[0], patches, matrix, rounds=ROUNDS)
    level = base.levels[0]
    coarse = False
    if sighting.crops is not None:
        lift = small_to_work(sighting)
        matrix = normalised(lift @ matrix @ np.linalg.inv(lift))
        level = base.levels[1]
        if _beyond_crops(matrix, sighting):
            if decode is not None:
                sighting = with_crops(sighting, decode(), matrix)
            else:
                coarse = True
        if not coarse:
            patches = Patches(sighting, small=False)
            matrix, data = _refined(level, patches, matrix, rounds=ROUNDS)
        else:
            level = base.levels[0]
            matrix = normalised(np.linalg.inv(lift) @ matrix @ lift)
    peaks = level.peaks(patches.at(matrix))
    sound = int((_agreeing(peaks)).sum()) >= MIN_AGREEING
    full = sighting.work_shape[0] * sighting.step, sighting.work_shape[1] * sighting.step
    return Match(
        data=data, peaks=peaks, judges=level.judges, matrix=matrix, work=patches.shape, full=full,
        coarse=coarse, sound=sound,
    )  # fmt: skip


def _start(base: Base, sighting: Sighting, patches: Patches) -> Matrix:
    """Choose the likeliest of: did not move; what the features say; what the features say, as a shift."""
    best, most = np.eye(3), -1.0
    for candidate in (np.eye(3), *_from_features(base.sighting, sighting)):
        apart, peak = base.levels[0].peaks(patches.at(candidate, cv2.INTER_LINEAR))
        agreeing = int(((peak > CONFIDENT) & (np.hypot(*apart.T) < START_PX)).sum())
        if agreeing > 1.1 * most:
            best, most = candidate, float(agreeing)
    return best


def _from_features(reference: Sighting, frame: Sighting) -> list[Matrix]:
    if min(len(reference.points), len(frame.points)) < MIN_MATCHES:
        return []
    matcher = cv2.BFMatcher(cv2.NORM_L2)
    pairs = matcher.knnMatch(frame.descriptors.astype(np.float32), reference.descriptors.astype(np.float32), k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < RATIO * p[1].distance]
    if len(good) < MIN_MATCHES:
        return []
    src = frame.points[[m.queryIdx for m in good]]
    dst = reference.points[[m.trainIdx for m in good]]
    shift = np.eye(3)
    shift[:2, 2] = np.median(dst - src, axis=0)
    matrix, inside = cv2.findHomography(src, dst, cv2.USAC_MAGSAC, MAGSAC_PX, maxIters=2000, confidence=0.999)
    if matrix is None or not np.isfinite(matrix).all() or int(inside.sum()) < MIN_MATCHES:
        return [shift]
    by_features = np.array(matrix, dtype=np.float64)
    sane = abs(by_features[2, 2]) > 0.1 and not impossible(normalised(by_features), frame.small.shape)
    return [shift, normalised(by_features)] if sane else [shift]


def _refined(template: Template, patches: Patches, matrix: Matrix, rounds: int) -> tuple[Matrix, motion.Displacements]:
    """Least-squares steps of all patches, gathered by a robust homography; the last one's displacements."""
    centre, unit = middle_and_unit(patches.shape)
    to_unit = unit_matrix(patches.shape)
    from_unit = np.linalg.inv(to_unit)
    data = None
    for _ in range(rounds):
        displacements, information, alike = template.steps(patches.at(matrix))
        usable = (alike > ALIKE) & patches.reached(matrix) & (np.abs(displacements).max(axis=1) < 4)
        seen = motion.moved(template.centres, np.asarray(np.linalg.inv(matrix), np.float64))
        data = motion.Displacements(
            seen=(seen - centre) / unit,
            found=(template.centres + displacements - centre) / unit,
            information=information * unit * unit,
            usable=usable,
        )
        if usable.sum() < 6:
            break
        change = _gathered(data)
        matrix, before = normalised(from_unit @ change @ to_unit), matrix
        corners = np.array([[0, 0], [patches.shape[1], 0], [0, patches.shape[0]], patches.shape[::-1]], np.float64)
        if np.abs(motion.moved(corners, matrix) - motion.moved(corners, before)).max() < SETTLED_PX:
            break
    assert data is not None
    return matrix, data


def _gathered(data: motion.Displacements) -> Matrix:
    """Choose the motion to linearise at: a turn with zoom, unless a homography is far nearer."""
    general = motion.fit(data, 8, motion.USUAL_BEND)
    turn = motion.fit(data, 4, motion.USUAL_BEND, variance=general.variance)
    better = turn.cost - general.cost > 4 * LIKELIER_HOMOGRAPHY
    return motion.matrix_of((general if better else turn).parameters, motion.USUAL_BEND)


def _agreeing(peaks: tuple[NDArray[np.float64], ...]) -> NDArray[np.bool_]:
    return np.asarray((peaks[1] > CONFIDENT) & (np.hypot(*peaks[0].T) < NEAR_PX))


def _beyond_crops(matrix: Matrix, sighting: Sighting) -> bool:
    h, w = sighting.work_shape
    corners = np.array([[0, 0], [w - 1, 0], [0, h - 1], [w - 1, h - 1.0]])
    return bool(np.abs(motion.moved(corners, matrix) - corners).max() > MARGIN_PX - 6)


def impossible(matrix: Matrix, shape: tuple[int, ...]) -> str:
    """Why a motion is none of a tripod; empty where it may be one."""
    h, w = shape[:2]
    corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]])
    possible = np.isfinite(matrix).all() and abs(np.linalg.det(matrix)) > 0.1
    if not possible or (matrix @ np.vstack([corners.T, np.ones(4)]))[2].min() < 0.5:
        return "no motion of a camera explains it"
    shift = np.abs(motion.moved(np.array([[(w - 1) / 2, (h - 1) / 2]]), matrix)[0] - ((w - 1) / 2, (h - 1) / 2)).max()
    turn = np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1])
    if abs(scale_of(matrix, shape) - 1) > SCALE_LIMIT:
        return f"its scale differs by {abs(scale_of(matrix, shape) - 1):.1%}: zoom or focus was changed"
    if abs(turn) > TURN_LIMIT or shift > SHIFT_LIMIT * max(h, w):
        return f"the camera was moved ({shift:.0f} px, {np.rad2deg(abs(turn)):.1f} degrees)"
    return ""


def scale_of(matrix: Matrix, shape: tuple[int, ...]) -> float:
    """Change of scale in the middle of the picture."""
    h, w = shape[:2]
    x, y = (w - 1) / 2, (h - 1) / 2
    around = motion.moved(np.array([[x - 1, y], [x + 1, y], [x, y - 1], [x, y + 1]]), matrix)
    across, along = around[1] - around[0], around[3] - around[2]
    return float(np.sqrt(abs(across[0] * along[1] - across[1] * along[0])) / 2)


def middle_and_unit(shape: tuple[int, int]) -> tuple[NDArray[np.float64], float]:
    """Origin (x, y) and unit of the normalised coordinates, px."""
    return np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2]), max(shape) / 2


def unit_matrix(shape: tuple[int, int]) -> Matrix:
    """Matrix from pixels to normalised coordinates."""
    (x, y), unit = middle_and_unit(shape)
    return np.array([[1 / unit, 0, -x / unit], [0, 1 / unit, -y / unit], [0, 0, 1]])

"""Alignment of frames that differ more by light than by motion.

`observe` looks at each frame alone; `solve` finds one homography per frame from what was observed:

1. features of the small picture give a homography (SIFT, MAGSAC), beside "did not move"; the patches of the small
   picture say which of the two is nearer and refine it;
2. patches at working size, all over the picture, refine it further; each knows how precisely and in which direction;
3. the simplest motion that explains the patches is kept: identity, shift, similarity, homography;
4. an independent look (where does each patch correlate best?) gives the verdict.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from . import motion
from .errors import Finding
from .frames import Frame, Series, as_series
from .geometry import Matrix, normalised, scaling
from .patches import ALIKE, Patches, Template
from .sighting import MARGIN_PX, Sighting, light_insensitive, observe, patch_side, small_to_work, with_crops

Model = Literal["identity", "shift", "similarity", "homography"]
Verdict = Literal["aligned", "weak", "refused"]

RATIO = 0.8
"""Best over second-best distance of a feature match (Lowe 2004, from memory)."""
MAGSAC_PX = 2.0
"""Residual of a feature match that still counts, px of the small picture."""
MIN_MATCHES = 12
LIKELIER = 12.0
"""Robust cost that each parameter of a richer model must save. Neighbouring patches err alike, so this is far more than
the 1 of independent errors."""
LIKELIER_HOMOGRAPHY = 40.0
"""The same for a general homography: light on a relief moves whole regions by tenths of a pixel and looks like one."""
CONFIDENT = 0.45
"""Correlation at which a patch is sure of its place."""
NEAR_PX = 1.5
"""A patch that finds its best place within this agrees, px at working size."""
ROUNDS = 7
SETTLED_PX = 0.05
"""Least-squares steps end when the corners move by less, px, or after so many; the last fit is exact anyway."""
START_PX = 3.0
"""The least-squares steps find home from here, px of the small picture."""
WORTH_PX = 0.04
"""A richer model that moves the picture by less than this (rms over the picture, px at working size) is not worth it:
a shift costs a resampling, and light alone moves what is seen by some hundredths of a pixel."""
MIN_AGREEING = 10
MIN_SHARE = 0.7
"""Agreeing share of the sure patches; parallax and wrong scenes leave less."""
WEAK_SHARE = 0.8
MIN_SPREAD = 0.1
WEAK_SPREAD = 0.25
SCALE_LIMIT = 0.03
TURN_LIMIT = np.deg2rad(2.5)
SHIFT_LIMIT = 0.06
"""Beyond these a tripod was not nudged but moved: share, radian, share of the long side."""
WEAK_PX = 0.75
"""Median residual of the patches above which detail softens, px at working size."""
CHAIN = 3
"""Neighbours through which a frame is tried that shares too little light with the reference."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """How one frame lies on the reference.

    Attributes
    ----------
    frame_to_reference : (3, 3) float64 or None
        Frame pixel -> reference pixel, centres at integers; exactly ``np.eye(3)`` for a frame that did not move;
        None where refused.
    model : str
        ``"identity"``, ``"shift"``, ``"similarity"`` or ``"homography"``.
    residual_px : float
        Median residual of the patches that agree, full-size px; infinite where nothing agrees.
    inliers : int
        Patches that agree.
    spread : float
        Share of the picture within the hull of these, 0-1.
    verdict : str
        ``"aligned"``, ``"weak"`` (usable, look at it) or ``"refused"``.
    reason : str
        In words.
    """

    frame_to_reference: Matrix | None
    model: Model
    residual_px: float
    inliers: int
    spread: float
    verdict: Verdict
    reason: str


def align(series: Series | Any, *, reference: str | int | None = None) -> tuple[Alignment, ...]:
    """Align all frames of a series.

    Parameters
    ----------
    series : Series, or what `as_series` takes
    reference : str or int, optional
        Name or number of the frame whose geometry the result has; by default the best-connected one.

    Returns
    -------
    tuple of Alignment
        One per frame; the reference has ``reason == "reference"``.
    """
    series = as_series(series)
    if isinstance(reference, str):
        reference = [frame.name for frame in series.frames].index(reference)
    with ThreadPoolExecutor(1) as ahead:
        decoded = ahead.submit(series.frames[0].pixels)
        sightings = []
        for index in range(len(series)):
            pixels = decoded.result()
            if index + 1 < len(series):
                decoded = ahead.submit(series.frames[index + 1].pixels)
            sightings.append(observe(pixels))
    return solve(sightings, reference=reference, pixels=lambda i: series.frames[i].pixels())


def solve(
    sightings: Sequence[Sighting],
    *,
    reference: int | None = None,
    pixels: Callable[[int], NDArray[Any]] | None = None,
) -> tuple[Alignment, ...]:
    """Align frames from their sightings.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of frames of one size.
    reference : int, optional
        By default `best_connected`.
    pixels : callable, optional
        Decodes frame i again where it moved beyond the crops; without it such a frame is aligned at the size of the
        small picture only.

    Returns
    -------
    tuple of Alignment
    """
    if not sightings:
        return ()
    reference = best_connected(sightings) if reference is None else reference
    base = _Base(sightings[reference])
    matches = [
        None if i == reference else _match(base, sighting, _again(pixels, i)) for i, sighting in enumerate(sightings)
    ]
    bend = motion.common_bend([m.data for m in matches if m is not None and m.data is not None and m.sound])
    found = [_REFERENCE if m is None else _conclude(m, bend) for m in matches]
    return tuple(_chained(sightings, found, bend, pixels))


def best_connected(sightings: Sequence[Sighting]) -> int:
    """The frame that looks most like all the others, in the light-insensitive representation."""
    usable = [i for i, s in enumerate(sightings) if not s.problem]
    if not usable:
        return 0
    vectors = np.stack([_thumb(sightings[i]) for i in usable])
    alike = np.clip(vectors @ vectors.T, 0, None)
    return usable[int(np.argmax(alike.sum(axis=1)))]


def lens_findings(frames: Sequence[Frame], alignments: Sequence[Alignment]) -> list[Finding]:
    """Zoom and focus: what the fit and the files say about the focal length.

    Parameters
    ----------
    frames : sequence of Frame
    alignments : sequence of Alignment
        In the same order.

    Returns
    -------
    list of Finding
    """
    findings = []
    reference = next((f for f, a in zip(frames, alignments, strict=True) if a.reason == "reference"), frames[0])
    for frame, alignment in zip(frames, alignments, strict=True):
        ours, theirs = (getattr(f.facts, "focal_mm", None) for f in (frame, reference))
        zoomed = bool(ours and theirs and abs(ours / theirs - 1) > 0.005)
        scale = 1.0 if alignment.frame_to_reference is None else _scale(alignment.frame_to_reference, frame.shape)
        if zoomed:
            findings.append(
                Finding(
                    code="zoom-moved",
                    frame=frame.name,
                    text=f"taken at {ours:g} mm, the reference at {theirs:g} mm",
                    remedy="tape the zoom ring; shoot this frame again",
                )
            )
        elif abs(scale - 1) > BREATHING and alignment.verdict != "refused":
            findings.append(
                Finding(
                    code="focus-moved",
                    frame=frame.name,
                    text=f"its picture is {abs(scale - 1):.2%} {'smaller' if scale > 1 else 'larger'}: the focus moved",
                    remedy="switch autofocus off after focusing; look at its sharpness",
                )
            )
    return findings


BREATHING = 0.0008
"""Change of scale that is more than the error of the fit: a pixel at the edge of a 2500 px picture."""


# ---------------------------------------------------------------- one pair


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Match:
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


class _Base:
    """The reference's patches at both sizes, made once."""

    def __init__(self, sighting: Sighting) -> None:
        self.sighting = sighting
        self.levels: list[Template] = []
        if not sighting.problem:
            for small in (True, False) if sighting.crops is not None else (True,):
                self.levels.append(Template(Patches(sighting, small=small)))


def _again(pixels: Callable[[int], NDArray[Any]] | None, index: int) -> Callable[[], NDArray[Any]] | None:
    return None if pixels is None else lambda: pixels(index)


def _match(base: _Base, sighting: Sighting, decode: Callable[[], NDArray[Any]] | None) -> _Match:
    problem = sighting.problem or (base.sighting.problem and f"the reference cannot be used: {base.sighting.problem}")
    if not problem and sighting.shape != base.sighting.shape:
        problem = "the frame has another size than the reference"
    if problem:
        return _Match(problem=problem)
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
    return _Match(
        data=data, peaks=peaks, judges=level.judges, matrix=matrix, work=patches.shape, full=full,
        coarse=coarse, sound=sound,
    )  # fmt: skip


def _start(base: _Base, sighting: Sighting, patches: Patches) -> Matrix:
    """The likeliest of: did not move; what the features say; what the features say, as a shift."""
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
    sane = abs(matrix[2, 2]) > 0.1 and not _insane(normalised(matrix), frame.small.shape)
    return [shift, normalised(matrix)] if sane else [shift]


def _refined(
    template: Template, patches: Patches, matrix: Matrix, rounds: int
) -> tuple[Matrix, motion.Displacements]:
    """Least-squares steps of all patches, gathered by a robust homography; the last one's displacements."""
    centre, unit = _normal(patches.shape)
    to_unit = _to_unit(patches.shape)
    from_unit = np.linalg.inv(to_unit)
    data = None
    for _ in range(rounds):
        displacements, information, alike = template.steps(patches.at(matrix))
        usable = (alike > ALIKE) & patches.reached(matrix) & (np.abs(displacements).max(axis=1) < 4)
        seen = motion.moved(template.centres, np.linalg.inv(matrix))
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
    """The motion to linearise at: a turn with zoom, unless a homography is far nearer (lens unknown as yet)."""
    general = motion.fit(data, 8, motion.USUAL_BEND)
    turn = motion.fit(data, 4, motion.USUAL_BEND, variance=general.variance)
    better = turn.cost - general.cost > 4 * LIKELIER_HOMOGRAPHY
    return motion.matrix_of((general if better else turn).parameters, motion.USUAL_BEND)


def _beyond_crops(matrix: Matrix, sighting: Sighting) -> bool:
    h, w = sighting.work_shape
    corners = np.array([[0, 0], [w - 1, 0], [0, h - 1], [w - 1, h - 1.0]])
    return bool(np.abs(motion.moved(corners, matrix) - corners).max() > MARGIN_PX - 6)


# ---------------------------------------------------------------- model and verdict


def _conclude(match: _Match, bend: float) -> Alignment:
    if match.problem:
        return _refused(match.problem)
    assert match.data is not None
    if not match.sound:
        return _refused("nothing in it matches the reference: another scene, another view, or too dark to tell")
    if int(match.data.usable.sum()) < MIN_AGREEING:
        return _refused("too little in it matches the reference")
    unit = _normal(match.work)[1]
    free, fit = _simplest(match.data, bend, unit)
    used_bend = 0.0 if free <= 2 else bend
    model: Model = ("identity", "shift", "similarity", "homography")[_rank(free, used_bend)]
    work_matrix = np.linalg.inv(_to_unit(match.work)) @ motion.matrix_of(fit.parameters, used_bend) @ _to_unit(match.work)
    matrix = np.eye(3) if free == 0 else normalised(work_matrix)
    if free == 2:
        matrix = np.array([[1, 0, matrix[0, 2]], [0, 1, matrix[1, 2]], [0, 0, 1]])
    return _judged(match, matrix, model, fit, unit)


def _rank(free: int, bend: float) -> int:
    if free <= 2:
        return free // 2
    return 2 if free <= 4 and bend == 0 else 3


def _simplest(data: motion.Displacements, bend: float, unit: float) -> tuple[int, motion.Fit]:
    """The simplest motion whose extra parameters are each worth their keep."""
    richest = motion.fit(data, 8, bend)
    chosen, kept = 0, motion.fit(data, 0, 0.0, variance=richest.variance)
    for free in (2, 3, 4, 8):
        fit = motion.fit(data, free, 0.0 if free == 2 else bend, variance=richest.variance)
        price = LIKELIER_HOMOGRAPHY if free == 8 else LIKELIER
        saved = kept.cost - fit.cost > price * (free - chosen)
        if saved and _apart(kept, chosen, fit, free, bend) * unit > WORTH_PX:
            chosen, kept = free, fit
    return chosen, kept


def _apart(one: motion.Fit, one_free: int, other: motion.Fit, other_free: int, bend: float) -> float:
    """Rms distance of two motions over the picture, normalised."""
    axis = np.linspace(-1, 1, 5)
    grid = np.stack(np.meshgrid(axis, 0.7 * axis), axis=-1).reshape(-1, 2)
    ends = [
        motion.moved(grid, motion.matrix_of(fit.parameters, 0.0 if free <= 2 else bend))
        for fit, free in ((one, one_free), (other, other_free))
    ]
    return float(np.sqrt(((ends[0] - ends[1]) ** 2).sum(axis=-1).mean()))


def _judged(match: _Match, matrix: Matrix, model: Model, fit: motion.Fit, unit: float) -> Alignment:
    assert match.matrix is not None
    assert match.data is not None
    full, step = match.full, match.full[1] / match.work[1]
    lift = scaling(full, match.work)
    lifted = np.eye(3) if model == "identity" else normalised(lift @ matrix @ np.linalg.inv(lift))
    centres = (match.data.found * unit + _normal(match.work)[0])[match.judges]
    # where the correlation sees each patch, relative to the motion that was kept
    off = match.peaks[0] + motion.moved(motion.moved(centres, np.linalg.inv(match.matrix)), match.matrix) - motion.moved(
        motion.moved(centres, np.linalg.inv(match.matrix)), matrix
    )
    sure = match.peaks[1] > CONFIDENT
    agree = sure & (np.hypot(*off.T) < NEAR_PX)
    count = int(agree.sum())
    share = count / max(int(sure.sum()), 1)
    spread = _spread(centres[agree], match.work)
    usable = match.data.usable[match.judges]
    lengths = np.hypot(*(fit.residuals[match.judges] * unit).T)[agree & usable]
    residual = float(np.median(lengths)) * step if len(lengths) else np.inf
    facts = {"inliers": count, "spread": spread, "residual_px": residual}
    sanity = _insane(lifted, full)
    if sanity:
        return _refused(sanity, **facts)
    if count < MIN_AGREEING or spread < MIN_SPREAD:
        return _refused("too little of it matches the reference", **facts)
    if share < MIN_SHARE:
        return _refused(
            f"only {share:.0%} of its detail lies where the reference has it: the camera was moved, or the scene", **facts
        )
    weak = ""
    if match.coarse:
        weak = "it moved too far for a precise alignment"
    elif share < WEAK_SHARE:
        weak = f"{1 - share:.0%} of its detail lies elsewhere than in the reference"
    elif spread < WEAK_SPREAD:
        weak = f"only {spread:.0%} of the picture could be compared"
    elif residual > WEAK_PX * step:
        weak = f"its detail is {residual:.1f} px off in places"
    reason = weak or ("did not move" if model == "identity" else f"moved, {_words(lifted, full)}")
    return Alignment(
        frame_to_reference=lifted, model=model, verdict="weak" if weak else "aligned", reason=reason,
        inliers=count, spread=spread, residual_px=residual,
    )  # fmt: skip


def _agreeing(peaks: tuple[NDArray[np.float64], ...]) -> NDArray[np.bool_]:
    return np.asarray((peaks[1] > CONFIDENT) & (np.hypot(*peaks[0].T) < NEAR_PX))


def _refused(reason: str, *, inliers: int = 0, spread: float = 0.0, residual_px: float = np.inf) -> Alignment:
    return Alignment(
        frame_to_reference=None, model="identity", residual_px=residual_px, inliers=inliers, spread=spread,
        verdict="refused", reason=reason,
    )  # fmt: skip


_REFERENCE = Alignment(
    frame_to_reference=np.eye(3), model="identity", residual_px=0.0, inliers=0, spread=1.0,
    verdict="aligned", reason="reference",
)  # fmt: skip


def _insane(matrix: Matrix, shape: tuple[int, ...]) -> str:
    """Why a motion is none of a tripod; empty where it may be one."""
    h, w = shape[:2]
    corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]])
    possible = np.isfinite(matrix).all() and abs(np.linalg.det(matrix)) > 0.1
    if not possible or (matrix @ np.vstack([corners.T, np.ones(4)]))[2].min() < 0.5:
        return "no motion of a camera explains it"
    shift = np.abs(motion.moved(np.array([[(w - 1) / 2, (h - 1) / 2]]), matrix)[0] - ((w - 1) / 2, (h - 1) / 2)).max()
    turn = np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1])
    if abs(_scale(matrix, shape) - 1) > SCALE_LIMIT:
        return f"its scale differs by {abs(_scale(matrix, shape) - 1):.1%}: zoom or focus was changed"
    if abs(turn) > TURN_LIMIT or shift > SHIFT_LIMIT * max(h, w):
        return f"the camera was moved ({shift:.0f} px, {np.rad2deg(abs(turn)):.1f} degrees)"
    return ""


def _scale(matrix: Matrix, shape: tuple[int, ...]) -> float:
    """Change of scale in the middle of the picture."""
    h, w = shape[:2]
    x, y = (w - 1) / 2, (h - 1) / 2
    around = motion.moved(np.array([[x - 1, y], [x + 1, y], [x, y - 1], [x, y + 1]]), matrix)
    across, along = around[1] - around[0], around[3] - around[2]
    return float(np.sqrt(abs(across[0] * along[1] - across[1] * along[0])) / 2)


def _words(matrix: Matrix, shape: tuple[int, int]) -> str:
    h, w = shape
    corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]])
    most = float(np.hypot(*(motion.moved(corners, matrix) - corners).T).max())
    return f"up to {most:.1f} px in the corners"


def _spread(points: NDArray[np.float64], shape: tuple[int, int]) -> float:
    if len(points) < 3:
        return 0.0
    half = patch_side(shape) / 2
    corners = [points + (x, y) for x in (-half, half) for y in (-half, half)]
    hull = cv2.convexHull(np.concatenate(corners).astype(np.float32))
    return float(min(1.0, cv2.contourArea(hull) / ((shape[0] - 1) * (shape[1] - 1))))


def _normal(shape: tuple[int, int]) -> tuple[NDArray[np.float64], float]:
    return np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2]), max(shape) / 2


def _to_unit(shape: tuple[int, int]) -> Matrix:
    (x, y), unit = _normal(shape)
    return np.array([[1 / unit, 0, -x / unit], [0, 1 / unit, -y / unit], [0, 0, 1]])


# ---------------------------------------------------------------- the series


def _chained(
    sightings: Sequence[Sighting],
    found: list[Alignment],
    bend: float,
    pixels: Callable[[int], NDArray[Any]] | None,
) -> list[Alignment]:
    """Try refused frames through their nearest aligned neighbours in shooting order."""
    good = [i for i, a in enumerate(found) if a.verdict == "aligned"]
    out = list(found)
    for i, alignment in enumerate(found):
        if alignment.verdict != "refused" or sightings[i].problem:
            continue
        for k in sorted(good, key=lambda j: abs(j - i))[:CHAIN]:
            if found[k].reason == "reference":
                continue
            link = _conclude(_match(_Base(sightings[k]), sightings[i], _again(pixels, i)), bend)
            if link.verdict == "aligned":
                out[i] = _joined(link, found[k], sightings[i].shape)
                break
    return out


def _joined(link: Alignment, to_reference: Alignment, shape: tuple[int, int]) -> Alignment:
    assert link.frame_to_reference is not None
    assert to_reference.frame_to_reference is not None
    matrix = normalised(to_reference.frame_to_reference @ link.frame_to_reference)
    order = ("identity", "shift", "similarity", "homography")
    return Alignment(
        frame_to_reference=matrix,
        model=order[max(order.index(link.model), order.index(to_reference.model))],  # type: ignore[arg-type]
        residual_px=float(np.hypot(link.residual_px, to_reference.residual_px)),
        inliers=link.inliers,
        spread=link.spread,
        verdict="aligned",
        reason=f"aligned through another frame, {_words(matrix, shape)}",
    )


def _thumb(sighting: Sighting) -> NDArray[np.float32]:
    h, w = sighting.small.shape
    small = cv2.resize(sighting.small, (max(8, w // 4), max(8, h // 4)), interpolation=cv2.INTER_AREA)
    vector = cv2.GaussianBlur(light_insensitive(small), (0, 0), 1.5).ravel()
    return np.asarray(vector / (np.linalg.norm(vector) + 1e-6), np.float32)

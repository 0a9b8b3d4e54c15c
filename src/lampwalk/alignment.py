"""Alignment of frames that differ more by light than by motion.

`observe` looks at each frame alone; `solve` finds one homography per frame from what was observed:

1. patches of the coarse picture find their place by correlation, from "did not move"; where too few of them agree,
   features give other places to start from (SIFT, MAGSAC) (`coarse`);
2. patches at working size, all over the picture, refine it by least squares, first of edges without their sign, which
   light turns over, then with it; each knows how precisely and in which direction (`matching`);
3. all motions are found at once, each frame as a mixture of the others (`together`), with the lens that all share; the
   simplest motion that explains the patches is kept: identity, shift, similarity, homography (`models`);
4. an independent look (where does each patch correlate best, and what is found again elsewhere?) gives the verdict.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from . import motion, parallel, together
from .coarse import CONFIDENT
from .comparing import Comparing
from .errors import Finding, InputError
from .frames import Frame, Series, as_series
from .geometry import Matrix, is_identity, moved, normalised, scaling
from .matching import MIN_AGREEING, NEAR_PX, Base, Match, compare
from .models import Lens, Model, Motion, lens_and_motions, simplest
from .motion import impossible, middle_and_unit, scale_of, unit_matrix
from .sighting import Gradient, Sighting, observe, patch_side

Verdict = Literal["aligned", "weak", "refused"]

MIN_SHARE = 0.7
"""Agreeing share of the sure patches; parallax and wrong scenes leave less."""
WEAK_SHARE = 0.8
STILL_PX, STILL_AGREEING, STILL_SHARE = 1.5, 20, 0.6
"""A tripod that stood still to within this many px (at working size) is believed on fewer agreeing patches and a smaller
share: where hard shadows walk over most of the picture the rest disagree, but by chance a patch lands so near its own
place once in 250 times."""
MIN_SPREAD = 0.1
WEAK_SPREAD = 0.25
WEAK_AGREEING = 30
"""Fewer agreeing patches leave errors of half a pixel: 2 of 400 good pairs, with 14 and 27 patches."""
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
        Frame pixel -> reference pixel, centres at integers; exactly ``np.eye(3)`` for a frame that did not
        move;
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

    Raises
    ------
    InputError
        No frame has that name.
    """
    series = as_series(series)
    if isinstance(reference, str):
        names = [frame.name for frame in series.frames]
        if reference not in names:
            raise InputError(f"no frame is called {reference}", remedy=f"one of {', '.join(names)}")
        reference = names.index(reference)
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
    comparing: Comparing | None = None,
) -> tuple[Alignment, ...]:
    """Align frames from their sightings.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of frames of one size.
    reference : int, optional
        By default `best_connected`.
    pixels : callable, optional
        Decodes frame i again where it moved beyond the crops; without it such a frame is aligned at the size
        of the small picture only.
    comparing : Comparing, optional
        What is known of comparisons already.

    Returns
    -------
    tuple of Alignment
    """
    if not sightings:
        return ()
    reference = best_connected(sightings) if reference is None else reference
    matches = _matches(sightings, reference, pixels, comparing or Comparing())
    lens, motions, crew = _moved_together(sightings, matches, reference)
    found = [
        _REFERENCE if match is None else _concluded(match, lens, motions.get(i)) for i, match in enumerate(matches)
    ]
    out = _chained(sightings, found, lens, motions, pixels)
    late = [i for i, a in enumerate(out) if a.verdict != "refused" and i not in crew]
    return tuple(_joining(out, late, crew | {i: sightings[i] for i in late}, reference, lens))


def _matches(
    sightings: Sequence[Sighting],
    reference: int,
    pixels: Callable[[int], NDArray[Any]] | None,
    comparing: Comparing,
) -> list[Match | None]:
    comparing.base(sightings[reference])  # now, on all threads

    def match(i: int) -> Match | None:
        if i == reference:
            return None
        return comparing.match(sightings[reference], sightings[i], _again(pixels, i))

    found = parallel.each(match, range(len(sightings)))
    comparing.end()
    return found


def _moved_together(
    sightings: Sequence[Sighting], matches: Sequence[Match | None], reference: int
) -> tuple[Lens, dict[int, Motion], dict[int, Sighting]]:
    """Find the lens of the series and the motions of its frames, each against all others; and what these were."""
    told = {i: m for i, m in enumerate(matches) if m is not None and m.data is not None and not _untold(m)}
    data = {i: m.data for i, m in told.items() if m.data is not None}
    units = [max(m.work) / 2 for m in told.values()]
    fine = {i: m.sighting for i, m in told.items() if m.sighting is not None and not m.others}
    to_unit = unit_matrix(sightings[reference].work_shape)
    bend = Lens(bend=motion.common_bend(list(data.values())), breathes=False).likely_bend
    turns = {i: motion.matrix_of(motion.fit(data[i], 4, bend).parameters, bend) for i in fine}
    matrices = {i: normalised(np.linalg.inv(to_unit) @ turn @ to_unit) for i, turn in turns.items()}
    crew = fine | {reference: sightings[reference]}
    data |= together.solve(crew, matrices | {reference: np.eye(3)}, reference, bend)
    lens, motions = lens_and_motions(list(data.values()), units)
    return lens, {i: found for i, found in zip(data, motions, strict=True) if i in fine}, crew


def _joining(
    out: list[Alignment], late: Sequence[int], crew: Mapping[int, Sighting], reference: int, lens: Lens
) -> list[Alignment]:
    """Find the motions of frames that were aligned through another one, too, against all others."""
    if not late:
        return out
    shape, step = crew[reference].work_shape, crew[reference].step
    scale = scaling((step, step), (1, 1))
    there = {i: a.frame_to_reference for i, a in enumerate(out) if i in crew and a.frame_to_reference is not None}
    places = {i: normalised(np.linalg.inv(scale) @ matrix @ scale) for i, matrix in there.items()}
    told = together.solve({i: crew[i] for i in places}, places, reference, lens.likely_bend)
    for i in late:
        if i in told:
            found = simplest(told[i], lens, max(shape) / 2)
            matrix = _lifted(found, shape, step)
            reason = f"aligned through another frame, {_words(matrix, crew[i].shape)}"
            out[i] = replace(out[i], frame_to_reference=matrix, model=found.model, reason=reason)
    return out


def best_connected(sightings: Sequence[Sighting]) -> int:
    """Find the frame that looks most like all the others, in the light-insensitive representation."""
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
        scale = 1.0 if alignment.frame_to_reference is None else scale_of(alignment.frame_to_reference, frame.shape)
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
                    text=f"its scale differs by {abs(scale - 1):.2%}: the focus moved",
                    remedy="switch autofocus off after focusing; look at its sharpness",
                )
            )
    return findings


BREATHING = 0.0008
"""Change of scale that is more than the error of the fit: a pixel at the edge of a 2500 px picture."""


# ---------------------------------------------------------------- model and verdict


def _concluded(match: Match, lens: Lens, motion_: Motion | None) -> Alignment:
    """Judge a motion; choose it where none is known."""
    untold = _untold(match)
    if untold or match.data is None:
        return _refused(untold)
    judged = None if motion_ is None else _judged(match, motion_)
    if judged is not None and judged.verdict != "refused":
        return judged
    alone = _judged(match, simplest(match.data, lens, max(match.work) / 2))
    if judged is None or motion_ is None or alone.verdict == "refused":
        return judged or alone
    # light displaces what is seen, but alike: the pair alone tells that it is the same scene, and all frames where it lies
    full = match.work[0] * match.step, match.work[1] * match.step
    lifted = _lifted(motion_, match.work, match.step)
    if impossible(lifted, full):
        return judged
    told = alone.reason if alone.verdict == "weak" else _told(motion_, lifted, full)
    return replace(alone, frame_to_reference=lifted, model=motion_.model, reason=told)


def _untold(match: Match) -> str:
    """Why the patches of a frame say nothing about its motion; empty where they do."""
    if match.problem or match.data is None:
        return match.problem
    if not match.sound:
        return "nothing in it matches the reference: another scene, another view, or too dark to tell"
    return "too little in it matches the reference" if int(match.data.usable.sum()) < MIN_AGREEING else ""


def _judged(match: Match, motion_: Motion) -> Alignment:
    assert match.matrix is not None
    assert match.data is not None
    step = match.step
    full = match.work[0] * step, match.work[1] * step
    model, unit = motion_.model, max(match.work) / 2
    to_unit = unit_matrix(match.work)
    matrix = normalised(np.linalg.inv(to_unit) @ motion_.matrix @ to_unit)
    lifted = _lifted(motion_, match.work, step)
    centres = match.data.found * unit + middle_and_unit(match.work)[0]
    # where the correlation sees each patch, relative to the motion that was kept
    seen = moved(centres, np.asarray(np.linalg.inv(match.matrix), np.float64))
    off = match.peaks[0] + centres - moved(seen, matrix)
    sure = match.peaks[1] > CONFIDENT
    agree = sure & (np.hypot(*off.T) < NEAR_PX)
    count = int(agree.sum())
    share = count / max(int(sure.sum()), 1)
    spread = _spread(centres[agree], match.work)
    usable = match.data.usable
    rests = match.data.found - moved(match.data.seen, motion_.matrix)
    lengths = np.hypot(*(rests * unit).T)[agree & usable]
    residual = float(np.median(lengths)) * step if len(lengths) else np.inf
    sanity = impossible(lifted, full)
    if sanity:
        return _refused(sanity, inliers=count, spread=spread, residual_px=residual)
    if count < MIN_AGREEING or spread < MIN_SPREAD:
        why = "too little of it matches the reference"
        return _refused(why, inliers=count, spread=spread, residual_px=residual)
    still = _largest_px(lifted, full) < STILL_PX * step and count >= STILL_AGREEING and share >= STILL_SHARE
    if match.others:
        why = f"{match.others:.0%} of its detail moved otherwise than the rest: the camera was carried, or something large moved"
        return _refused(why, inliers=count, spread=spread, residual_px=residual)
    if share < MIN_SHARE and not still:
        why = f"only {share:.0%} of its detail lies where the reference has it: the camera or the scene moved"
        return _refused(why, inliers=count, spread=spread, residual_px=residual)
    weak = ""
    if match.coarse:
        weak = "it moved too far for a precise alignment"
    elif share < WEAK_SHARE:
        weak = f"{1 - share:.0%} of its detail lies elsewhere than in the reference"
    elif spread < WEAK_SPREAD:
        weak = f"only {spread:.0%} of the picture could be compared"
    elif count < WEAK_AGREEING:
        weak = f"only {count} places in it could be compared"
    elif residual > WEAK_PX * step:
        weak = f"its detail is {residual:.1f} px off in places"
    reason = weak or _told(motion_, lifted, full)
    return Alignment(
        frame_to_reference=lifted, model=model, verdict="weak" if weak else "aligned", reason=reason,
        inliers=count, spread=spread, residual_px=residual,
    )  # fmt: skip


def _lifted(motion_: Motion, work: tuple[int, int], step: int) -> Matrix:
    """Homography at full size; exactly the identity for a frame that did not move."""
    if motion_.model == "identity":
        return np.eye(3)
    lift = scaling((step, step), (1, 1)) @ np.linalg.inv(unit_matrix(work))
    return normalised(lift @ motion_.matrix @ np.linalg.inv(lift))


def _largest_px(matrix: Matrix, shape: tuple[int, int]) -> float:
    """How far a homography moves the corner that it moves most."""
    h, w = shape
    corners = np.array([[[0, 0], [w - 1, 0], [0, h - 1], [w - 1, h - 1]]], np.float64)
    return float(np.hypot(*(cv2.perspectiveTransform(corners, matrix) - corners)[0].T).max())


def _refused(reason: str, *, inliers: int = 0, spread: float = 0.0, residual_px: float = np.inf) -> Alignment:
    return Alignment(
        frame_to_reference=None, model="identity", residual_px=residual_px, inliers=inliers, spread=spread,
        verdict="refused", reason=reason,
    )  # fmt: skip


_REFERENCE = Alignment(
    frame_to_reference=np.eye(3), model="identity", residual_px=0.0, inliers=0, spread=1.0,
    verdict="aligned", reason="reference",
)  # fmt: skip


def _told(motion_: Motion, lifted: Matrix, shape: tuple[int, int]) -> str:
    return "did not move" if motion_.model == "identity" else f"moved, {_words(lifted, shape)}"


def _words(matrix: Matrix, shape: tuple[int, int]) -> str:
    h, w = shape
    corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]])
    most = float(np.hypot(*(moved(corners, matrix) - corners).T).max())
    return f"up to {most:.1f} px in the corners"


def _spread(points: NDArray[np.float64], shape: tuple[int, int]) -> float:
    if len(points) < 3:
        return 0.0
    half = patch_side(shape) / 2
    corners = [points + np.array([x, y]) for x in (-half, half) for y in (-half, half)]
    hull = cv2.convexHull(np.concatenate(corners).astype(np.float32))
    return float(min(1.0, cv2.contourArea(hull) / ((shape[0] - 1) * (shape[1] - 1))))


# ---------------------------------------------------------------- the series


def _again(pixels: Callable[[int], NDArray[Any]] | None, index: int) -> Callable[[], NDArray[Any]] | None:
    return None if pixels is None else lambda: pixels(index)


def _chained(
    sightings: Sequence[Sighting],
    found: list[Alignment],
    lens: Lens,
    motions: dict[int, Motion],
    pixels: Callable[[int], NDArray[Any]] | None,
) -> list[Alignment]:
    """Try refused frames through their nearest neighbours in shooting order that could be aligned."""
    good = [i for i, a in enumerate(found) if a.verdict != "refused" and a.reason != "reference"]
    out = list(found)
    for i, alignment in enumerate(found):
        if alignment.verdict != "refused" or sightings[i].problem:
            continue
        for k in sorted(good, key=lambda j: abs(j - i))[:CHAIN]:
            known = i in motions and k in motions
            between = _between(motions[i], motions[k]) if known else None
            link = _concluded(compare(Base(sightings[k]), sightings[i], _again(pixels, i)), lens, between)
            if link.verdict == "aligned":
                own = _lifted(motions[i], sightings[i].work_shape, sightings[i].step) if known else None
                out[i] = _joined(link, found[k], sightings[i].shape, own)
                break
    return out


def _between(frame: Motion, neighbour: Motion) -> Motion:
    """How a frame lies on its neighbour when both lie on the reference."""
    still = frame.model == neighbour.model == "identity"
    matrix = np.eye(3) if still else normalised(np.linalg.inv(neighbour.matrix) @ frame.matrix)
    return replace(frame, model="identity" if still else "homography", matrix=matrix)


def _joined(link: Alignment, to_reference: Alignment, shape: tuple[int, int], own: Matrix | None) -> Alignment:
    """What follows from a frame's place on its neighbour and that one's on the reference; ``own`` where it is known anyway."""
    assert link.frame_to_reference is not None
    assert to_reference.frame_to_reference is not None
    matrix = normalised(to_reference.frame_to_reference @ link.frame_to_reference) if own is None else own
    order = ("identity", "shift", "similarity", "homography")
    model = order[max(order.index(link.model), order.index(to_reference.model))]
    return Alignment(
        frame_to_reference=matrix,
        model="identity" if is_identity(matrix) else model,  # type: ignore[arg-type]
        residual_px=float(np.hypot(link.residual_px, to_reference.residual_px)),
        inliers=link.inliers,
        spread=link.spread,
        verdict=to_reference.verdict,
        reason=f"aligned through another frame, {_words(matrix, shape)}",
    )


def _thumb(sighting: Sighting) -> NDArray[np.float32]:
    picture = sighting.small
    h, w = picture.shape
    small = cv2.resize(picture, (max(8, w // 4), max(8, h // 4)), interpolation=cv2.INTER_AREA)
    vector = cv2.GaussianBlur(Gradient.of(np.asarray(small, np.uint8)).doubled(), (0, 0), 1.5).ravel()
    return np.asarray(vector / (np.linalg.norm(vector) + 1e-6), np.float32)


__all__ = ["Alignment", "Sighting", "align", "best_connected", "lens_findings", "observe", "solve"]

"""Masks: what is hidden in each frame, why, and what that means for the picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from . import ambient, colour, cues, detector, geometry, parallel, regions
from .alignment import Alignment
from .drawer import IN_MEMORY, Drawer, Row, Waiting, shape_of
from .errors import Finding, InputError
from .files import exposure_ev
from .frames import Series, working_pixels
from .fullmask import FullMask
from .geometry import Matrix
from .light import halved
from .previews import Preview, align_preview, make_preview, relit
from .regions import Region

T = TypeVar("T")

WIDER = 0.0008
"""Share of the long side by which a mask is wider than what was found (1 px of 1200): soft edges, resampling and what is
left of the alignment's error. Measured on seven scenes: 2 to 3 px cost up to 3 500 ppm of holes and spare no ghost but on one
(slipway: 100 ppm)."""

LEAST_PX = 1
"""Preview pixels that a mask is widened by at least."""

SOFT_PX = 0.8
"""Preview pixels (sigma) over which a mask's edge is softened."""

AROUND = 0.03
"""Share of the long side over which the light round a mask is averaged."""

ONLY = 1.4
"""A lamp alone lights what it makes this many times as bright as the other frames do (half a stop)."""

LIT, DIM = 2.0, 0.15
"""A lamp lights what it makes this many times as bright as daylight (one stop), and at least this bright
(linear light, a dark mid-tone)."""

MUCH = 0.005
"""Share of the picture (a stand's lower half at full length) from which hidden light is worth a word."""

SUBJECT = 0.05
"""Share of what a lamp lights that its own stand may hide. Measured: stands beside the subject 0-3 %, before
it 5-24 %."""

BRIGHT_SKY = 0.18
"""Daylight behind a head, linear: brighter than mid-grey, its glow cannot be told from the sky."""

UNSURE = 0.002
"""Share of the picture from which an unsure region is worth a word."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Mask:
    """What is hidden in one frame.

    Attributes
    ----------
    name : str
        Of the frame.
    drawer : Drawer
        Where it waits; by default in memory.
    hidden : (h, w) uint8
        255 = hidden, soft over 1-2 px at the edges; size and geometry of the previews that were given. Not to be written to.
    regions : tuple of Region
        What was found and why; empty where a mask was painted.
    by_hand : bool
        Painted by the photographer, wholly or in part.
    """

    name: str
    drawer: Drawer = IN_MEMORY
    hidden: Waiting = Waiting()
    regions: tuple[Region, ...] = ()
    by_hand: bool = False

    def full_size(self, shape: tuple[int, int]) -> NDArray[np.uint8]:
        """Return the mask as large as the frame: (H, W) uint8, 255 = hidden."""
        return FullMask.found(self.hidden, shape).whole()


def find_equipment(series: Series, alignments: Sequence[Alignment]) -> tuple[Mask, ...]:
    """Find stands, heads, booms and helpers in the frames of a series.

    Parameters
    ----------
    series : Series
    alignments : one per frame, as `alignment.align` returns them

    Returns
    -------
    tuple of Mask
        One per frame, in the frame's own geometry, at preview size (`Mask.full_size` enlarges it); empty for frames
        that could not be aligned.

    Raises
    ------
    InputError
        Not one alignment per frame.
    """
    if len(alignments) != len(series):
        raise InputError(f"{len(alignments)} alignments for {len(series)} frames", remedy="give one per frame")
    own = parallel.each(lambda f: make_preview(f.name, working_pixels(f, f.pixels())), series.frames)
    by_day = ambient.find_ambient(own)
    matrices = [a.frame_to_reference for a in alignments]
    used = [i for i, matrix in enumerate(matrices) if matrix is not None]
    small = [align_preview(own[i], matrices[i]) for i in used]  # type: ignore[arg-type]
    flags = [by_day[i] for i in used]
    at = next((k for k, i in enumerate(used) if geometry.is_identity(matrices[i])), 0)  # type: ignore[arg-type]
    levels = ambient.level(small, flags, at, [exposure_ev(series.frames[i].facts) for i in used])
    plate = ambient.plate(small, flags, levels)
    small = [relit(p, ambient.level_field(level, p, plate)) for p, level in zip(small, levels, strict=True)]
    found = dict(zip(used, find_in_previews(small, flags), strict=True))
    return tuple(
        in_own_geometry(found[i], matrices[i], series.shape)  # type: ignore[arg-type]
        if i in found
        else Mask(name=frame.name, hidden=np.zeros(own[i].shape, np.uint8))
        for i, frame in enumerate(series.frames)
    )


def in_own_geometry(mask: Mask, frame_to_reference: Matrix, full: tuple[int, int]) -> Mask:
    """Bring a mask from the reference's geometry into its frame's own, at preview size.

    Parameters
    ----------
    mask : Mask
    frame_to_reference : (3, 3) float64
        Homography of the frame, full-size pixels.
    full : (int, int)
        Height and width of the frame.
    """
    h, w = shape_of(mask, "hidden")
    back = np.asarray(np.linalg.inv(geometry.to_small(frame_to_reference, full, (h, w))), np.float64)
    return replace(mask, hidden=geometry.warp(mask.hidden, back, linear=True))


def find_in_previews(previews: Sequence[Preview], by_day: Sequence[bool]) -> tuple[Mask, ...]:
    """Find the equipment in all frames.

    Parameters
    ----------
    previews : N of Preview, (h, w)
        In the reference's geometry, daylight levelled.
    by_day : N of bool
        Frames that hold no flash light, and therefore no equipment.

    Returns
    -------
    tuple of N Mask
        In the reference's geometry, at preview size. A single frame has nothing to be compared with: empty.

    Raises
    ------
    InputError
        If the previews differ in size or the two sequences in length.
    """
    return tuple(each_in_previews(previews, by_day, lambda _, mask: mask))


def each_in_previews(previews: Sequence[Preview], by_day: Sequence[bool], use: Callable[[int, Mask], T]) -> list[T]:
    """Use the mask of every frame as soon as `find_in_previews` has it: what `use` makes of (frame number, it)."""
    if len(previews) != len(by_day):
        raise InputError(f"{len(previews)} previews, but {len(by_day)} flags for daylight", remedy="give one per frame")
    if len({p.shape for p in previews}) > 1:
        raise InputError("the previews differ in size", remedy="align them first")
    light = regions.compare(previews, by_day) if len(previews) > 1 else None  # else nothing to compare with

    def one(i: int, probability: NDArray[np.float32]) -> T:
        own = previews[i]
        area, found = np.zeros(own.shape, np.bool_), tuple[Region, ...]()
        if not by_day[i] and light is not None:
            area, found = regions.find(probability, own, light)
        return use(i, Mask(name=own.name, drawer=own.drawer, hidden=_widened(area), regions=found))

    return detector.each(previews, by_day, one)


def _widened(area: NDArray[np.bool_]) -> NDArray[np.uint8]:
    if not area.any():
        return np.zeros(area.shape, np.uint8)
    r = max(LEAST_PX, round(WIDER * max(area.shape)))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    wide = cv2.dilate(area.astype(np.uint8) * 255, disc)
    return np.where(area, np.uint8(255), cv2.GaussianBlur(wide, (0, 0), SOFT_PX))


def findings(masks: Sequence[Mask], previews: Sequence[Preview], by_day: Sequence[bool]) -> list[Finding]:
    """Say what the photographer should know about the masks.

    Parameters
    ----------
    masks : N of Mask
    previews : N of Preview
        In the same geometry, daylight levelled.
    by_day : N of bool

    Returns
    -------
    list of Finding
        ``"stand-hides-light"``: a mask lies on what only this lamp lights, and the fill has to carry the
        light in. ``"never-seen"``: a place is hidden in every frame.
        ``"head-before-sky"``: a head stands in front of bright daylight.
        ``"unsure-mask"``: a large region that may not be equipment.
    """
    if not masks:
        return []
    light = Row([p.drawer.put(halved(colour.luminance(p.linear))) for p in previews])
    hidden = Row([p.drawer.put(halved(m.hidden) > 127) for m, p in zip(masks, previews, strict=True)])

    def shown(i: int) -> NDArray[np.float32]:
        return np.where(hidden[i], np.float32(0), light[i])

    best, second, _, _ = cues.extremes(map(shown, range(len(masks))))
    plates = [f for f, a in zip(light, by_day, strict=True) if a]
    daylight = np.asarray(np.mean(plates, axis=0) if plates else reduce(np.minimum, light), np.float32)

    def remarks(i: int) -> list[Finding]:
        if not hidden[i].any():
            return []
        own = shown(i)
        others = np.maximum(cues.other(own, best, second), 0)
        found = _hides(masks[i].name, hidden[i], own, others, daylight)
        found += _before_sky(masks[i], previews[i], daylight) if plates else []
        return found + _unsure(masks[i])

    found = parallel.each(remarks, range(len(masks)))
    return [*_never_seen(hidden, previews), *(remark for some in found for remark in some)]


def _never_seen(hidden: Sequence[NDArray[np.bool_]], previews: Sequence[Preview]) -> list[Finding]:
    """Remark on what is hidden (half size) in every frame that reaches it, and in one at least."""
    ever, gone = np.zeros_like(hidden[0]), np.ones_like(hidden[0])
    for own, preview in zip(hidden, previews, strict=True):
        ever |= own
        gone &= own | (halved(preview.valid.view(np.uint8)) == 0)
    gone &= ever
    if gone.mean() < MUCH / 10:
        return []
    return [
        Finding(
            code="never-seen",
            text=f"{_percent(gone)} of the picture is hidden in every frame",
            remedy="add one frame without equipment, or paint the masks smaller",
        )
    ]


def _hides(
    name: str,
    hidden: NDArray[np.bool_],
    shown: NDArray[np.float32],
    others: NDArray[np.float32],
    daylight: NDArray[np.float32],
) -> list[Finding]:
    """Compare the light round a mask with daylight and with what the other frames show there (half-size)."""
    sigma = AROUND * max(hidden.shape)
    seen = np.maximum(_wide((~hidden).astype(np.float32), sigma), 1e-3)
    own = _wide(shown, sigma) / seen
    lit = (own > LIT * _wide(daylight, sigma)) & (own > DIM)
    result = []
    if lit.mean() > 2 * MUCH and (lit & hidden).sum() > SUBJECT * lit.sum():
        share = (lit & hidden).sum() / lit.sum()
        result.append(
            Finding(
                code="stand-hides-subject",
                frame=name,
                text=f"the equipment hides {100 * share:.0f} % of what its own lamp lights",
                remedy="place the lamp further to the side, or light the same place from elsewhere, too",
                serious=False,
            )
        )
    lost = hidden & (own > ONLY * _wide(np.where(hidden, 0, others), sigma) / seen)
    if lost.mean() > MUCH:
        result.append(
            Finding(
                code="stand-hides-light",
                frame=name,
                text=f"the equipment stands before what only this lamp lights ({_percent(lost)} of the "
                "picture); there the light is carried in from around",
                remedy="light the place once more with the lamp elsewhere, and look at it in the result",
                serious=bool(lost.mean() > 2 * MUCH),
            )
        )
    return result


def _before_sky(mask: Mask, preview: Preview, daylight: NDArray[np.float32]) -> list[Finding]:
    clipped, hidden = preview.clipped, mask.hidden
    for region in mask.regions:
        r0, c0, r1, c1 = region.box
        burnt = clipped[r0:r1, c0:c1] & (hidden[r0:r1, c0:c1] > 127)
        rows, columns = np.nonzero(burnt)
        behind = daylight[(r0 + rows) // 2, (c0 + columns) // 2]
        if burnt.sum() > regions.HEAD * clipped.size and np.median(behind) > BRIGHT_SKY:
            return [
                Finding(
                    code="head-before-sky",
                    frame=mask.name,
                    text="a head stands before bright sky, where its glow can hardly be told from the sky",
                    remedy="lower the head below the skyline, hide it behind the subject, wait until dusk",
                    serious=False,
                )
            ]
    return []


def _unsure(mask: Mask) -> list[Finding]:
    least = UNSURE * np.prod(shape_of(mask, "hidden"))
    large = [r for r in mask.regions if r.unsure and r.area_px >= least]
    return [
        Finding(
            code="unsure-mask",
            frame=mask.name,
            text=f"hidden, but perhaps no equipment: {r.why} (rows {r.box[0]}-{r.box[2]}, columns "
            f"{r.box[1]}-{r.box[3]} of the preview)",
            remedy="look at the mask in the review and paint it away if it is wrong",
            serious=False,
        )
        for r in large
    ]


def _wide(a: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Gaussian blur, computed on a smaller picture."""
    k = max(1, int(sigma / 3))
    h, w = a.shape
    small = cv2.resize(a, (max(1, w // k), max(1, h // k)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / k), (w, h)))


def _percent(area: NDArray[np.bool_]) -> str:
    return f"{100 * area.mean():.1f} %"

"""Pass 1: everything that is decided about a series, on small versions of its frames."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import alignment, ambient, fill, geometry, glow, lamps, masks, parallel, records, regions, rules
from .alignment import Alignment, Sighting
from .ambient import Level
from .comparing import Comparing
from .drawer import IN_MEMORY, Drawer, Row
from .errors import Finding, InputError, SeriesError
from .files import exposure_ev
from .frames import Frame, Series, working_pixels
from .fullmask import FullMask
from .light import (
    Field,
    crop_field,
    gain_field,
    halved,
    nothing,
    only,
    scaled_gain,
    scaled_stray,
    stray_field,
    stray_of,
    waiting,
)
from .looking import Keep, Known, Looker, Progress
from .masks import Mask
from .offer import Offer, offer_of
from .previews import Preview, align_preview, relit, small_shape
from .shelf import Shelf
from .worksheet import Lamp, Worksheet

FIELD_BYTES = 20_000_000
"""Fields of the frames that are kept in memory through the second pass, bytes: those of some 6 frames."""

MAX_FRAMES = 254
"""Frames of one series: the coverage map is 8-bit, 0 and 255 are taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What a caller may choose; everything has a default that needs no thought.

    Attributes
    ----------
    rule : str
        How a pixel is chosen: see `rules`.
    quiet : bool
        A frame takes no part where its lamp adds no light, so that the result is not the noisiest of all frames there.
    hide : bool
        Find and hide equipment.
    glow, fill : bool
        Take off stray light round visible heads; put light back behind the masks.
    level : bool
        Even out the daylight.
    hot_pixels : bool
        Find constant bright points of the sensor and take them out (files only, never arrays).
    """

    rule: str = "lighten"
    quiet: bool = True
    hide: bool = True
    glow: bool = True
    fill: bool = True
    level: bool = True
    hot_pixels: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """What has been decided before, by a person or by an earlier run.

    Attributes
    ----------
    masks : mapping of frame name to FullMask
        They replace the found ones exactly.
    lamps : mapping of frame name to Lamp
        Lamps turned off, changed in stops or warmth.
    sheet : Worksheet or None
        Decisions to repeat: roles, alignment and levels are taken from it, nothing is looked for.
    small : callable
        The frames at preview size, as far as they are known from the run that is repeated.
    """

    masks: Mapping[str, FullMask] = field(default_factory=dict)
    lamps: Mapping[str, Lamp] = field(default_factory=dict)
    sheet: Worksheet | None = None
    small: Known = lambda _: None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decision:
    """What is done with one frame at full size.

    Attributes
    ----------
    frame : Frame
    role : str
        ``ambient`` or ``lamp``.
    alignment : Alignment
    level : Level or None
    hidden : FullMask or None
        What of the frame is hidden.
    found : tuple of Region, or None
        Why; None where it was given by hand.
    lamp : Lamp
        How the photographer changed its light.
    by_hand : bool
        The mask is a person's.
    gain, glow, reach, fill : Field or None
        Small fields in the reference's geometry: gain (`light.gain_field`), stray light (`light.stray_field`), 255
        where the frame takes part, fill ratio (`light.gain_field`).
    fill_share : float
        Share of the picture that the fill brightens visibly, 0-1.
    """

    frame: Frame
    role: str
    alignment: Alignment
    level: Level | None = None
    hidden: FullMask | None = None
    found: tuple[regions.Region, ...] | None = None
    lamp: Lamp = field(default_factory=Lamp)
    by_hand: bool = False
    gain: Field | None = None
    glow: Field | None = None
    reach: Field | None = None
    fill: Field | None = None
    fill_share: float = 0.0

    @property
    def frame_to_reference(self) -> geometry.Matrix:
        """Homography of the frame, full-size pixels."""
        assert self.alignment.frame_to_reference is not None
        return self.alignment.frame_to_reference

    def in_hand(self) -> Decision:
        """The same with its fields in memory, for work strip by strip."""
        return replace(
            self,
            hidden=None if self.hidden is None else self.hidden.waiting(IN_MEMORY),
            gain=waiting(self.gain, IN_MEMORY),
            glow=waiting(self.glow, IN_MEMORY),
            reach=waiting(self.reach, IN_MEMORY),
        )


Hid = Callable[[Decision], object]
"""Called with what is decided about a frame so far; its mask stays as it is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decisions:
    """Everything that pass 2 needs.

    Attributes
    ----------
    series : Series
    reference : str
        Name of the frame whose geometry the result has.
    frames : tuple of Decision
        The frames that take part, in shooting order.
    left_out : tuple of (name, why)
    choices : Choices
    hot_pixels : (n, 2) int
        Row and column of constant bright points of the sensor, taken out of every frame before the warp.
    glow_fit : glow.Fit or None
        What the glow of all frames, in their order, was made of.
    offer : Offer
    findings : tuple of Finding
    """

    series: Series
    reference: str
    frames: tuple[Decision, ...]
    left_out: tuple[tuple[str, str], ...]
    choices: Choices
    hot_pixels: NDArray[np.intp]
    glow_fit: glow.Fit | None
    offer: Offer
    findings: tuple[Finding, ...]


def decide(
    series: Series,
    *,
    choices: Choices = Choices(),
    given: Given = Given(),
    keep: Keep | None = None,
    hid: Hid = lambda _: None,
    shelf: Shelf | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> Decisions:
    """Decide everything about a series; nothing full-size is kept.

    Parameters
    ----------
    series : Series
    choices : Choices
    given : Given
        What is already decided.
    keep : callable, optional
        Gets every frame at preview size as it is made.
    hid : callable
        Gets every frame that takes part, once it is known what of it is hidden.
    shelf : Shelf, optional
        Keeps the decoded frames for the second pass.
    threads : int
    progress : callable, optional

    Raises
    ------
    SeriesError
        Fewer than two frames could be aligned, or too many frames.
    """
    if len(series) > MAX_FRAMES:
        raise SeriesError(f"{len(series)} frames in one series", remedy=f"merge at most {MAX_FRAMES} at a time")
    shelf = shelf or Shelf()
    fields = shelf.drawer(FIELD_BYTES)
    with parallel.limited(threads):
        found = _decide(series, Looker(series, keep, shelf, progress), fields, choices=choices, given=given, hid=hid)
    parallel.give_back_memory()
    return found


def _decide(series: Series, looker: Looker, fields: Drawer, *, choices: Choices, given: Given, hid: Hid) -> Decisions:
    sheet = given.sheet
    if sheet is None:
        series, previews, lit_by_day, alignments = _aligned(series, looker)
        parallel.give_back_memory()
    else:
        series, previews, _ = looker.look(observe=False, known=given.small)
        lit_by_day, alignments = records.roles_and_alignments(series, sheet)
    used = [i for i, found in enumerate(alignments) if found.verdict != "refused"]
    left_out = [(series.frames[i].name, found.reason) for i, found in enumerate(alignments) if i not in used]
    if len(used) < 2:
        raise SeriesError(
            "no two frames can be brought into line",
            remedy="check that all frames were taken from one tripod position with one focal length",
        )
    if rules.get(choices.rule).needs_ambient and not any(lit_by_day[i] for i in used):
        raise SeriesError(f"the rule {choices.rule} needs a frame without flash", remedy="use the rule lighten")
    frames = [
        Decision(
            frame=series.frames[i],
            role="ambient" if lit_by_day[i] else "lamp",
            alignment=alignments[i],
            lamp=given.lamps.get(series.frames[i].name, Lamp()),
            by_hand=series.frames[i].name in given.masks and sheet is None,
        )
        for i in used
    ]
    reference = next(d.frame.name for d in frames if geometry.is_identity(d.frame_to_reference))
    own = dict(enumerate(previews))
    previews.clear()  # each is let go of as soon as it is aligned
    small = parallel.each(lambda i: align_preview(own.pop(i), alignments[i].frame_to_reference), used)  # type: ignore[arg-type]
    own.clear()
    frames, glow_fit, offer, remarks = _light(frames, small, reference, fields, choices=choices, given=given, hid=hid)
    looker.tell("deciding", 1)
    return Decisions(
        series=series,
        reference=reference,
        frames=tuple(frames),
        left_out=(*series.left_out, *left_out),
        choices=choices,
        hot_pixels=looker.hot_pixels(given.sheet) if choices.hot_pixels else np.zeros((0, 2), np.intp),
        glow_fit=glow_fit,
        offer=offer,
        findings=(*_findings(series, frames, left_out), *remarks),
    )


def _aligned(series: Series, looker: Looker) -> tuple[Series, list[Preview], tuple[bool, ...], tuple[Alignment, ...]]:
    """Look at all frames, and align them to the first ambient one; where there is none, to the best-connected frame."""
    first = series.frames[0]
    with parallel.aside() as aside:
        comparing = Comparing(aside)

        def saw(frame: Frame, preview: Preview, sighting: Sighting) -> None:
            comparing.saw(preview, sighting, lambda: _pixels(frame), first=frame is first)

        series, previews, sightings = looker.look(observe=True, saw=saw)
        lit_by_day = ambient.find_ambient(previews)
        reference = next((i for i, by_day in enumerate(lit_by_day) if by_day), None)
        alignments = alignment.solve(
            sightings, reference=reference, pixels=lambda i: _pixels(series.frames[i]), comparing=comparing
        )
    return series, previews, lit_by_day, alignments


def _pixels(frame: Frame) -> NDArray[Any]:
    return working_pixels(frame, frame.pixels())


def _light(
    frames: list[Decision],
    small: list[Preview],
    reference: str,
    fields: Drawer,
    *,
    choices: Choices,
    given: Given,
    hid: Hid,
) -> tuple[list[Decision], glow.Fit | None, Offer, list[Finding]]:
    """Daylight, equipment, glow, lamps, reach, fill, each on what the one before has left of the previews `small`.

    Fields that outlast the first pass wait in the drawer `fields`.
    """
    full = frames[0].frame.shape
    by_day = [d.role == "ambient" for d in frames]
    at = next(i for i, d in enumerate(frames) if d.frame.name == reference)
    if choices.level:
        levels = _levels(frames, small, at, given.sheet)
        plate = ambient.plate(small, by_day, levels)

        def levelled(i: int) -> Decision:
            gain = ambient.level_field(levels[i], small[i], plate)
            small[i] = relit(small[i], gain)
            return replace(frames[i], level=levels[i], gain=waiting(gain_field(_coarse(gain), full), fields))

        frames = parallel.each(levelled, range(len(frames)))

    remarks: list[Finding] = []
    if choices.hide or given.masks:
        find = choices.hide and given.sheet is None
        frames, remarks = _hide(frames, small, by_day, fields, find=find, by_hand=given.masks)
        parallel.give_back_memory()
    for d in frames:
        hid(d)
    hidden = Row(parallel.each(lambda i: small[i].drawer.put(_in_reference(frames[i])), range(len(frames))))

    glow_fit: glow.Fit | None = None
    if choices.glow:
        frames, glow_fit = _without_glow(frames, small, hidden, by_day, fields, given.sheet)
    parallel.give_back_memory()

    plate = ambient.plate(small, by_day)
    with parallel.aside() as aside:
        seen = tuple(small)
        offer = aside(lambda: offer_of(seen, plate, by_day, hidden))
        frames = _changed(frames, small, plate, fields)
        on = [i for i, d in enumerate(frames) if d.lamp.on]
        if choices.quiet:
            for i, reach in zip(on, _reaches([frames[i] for i in on], [small[i] for i in on], fields), strict=True):
                frames[i] = replace(frames[i], reach=reach)
        if choices.fill:
            below = plate if choices.rule == "sum" else None
            frames = _filled(frames, lambda i: _as_merged(frames[i], small[i], plate), hidden, on, below, fields)
    return frames, glow_fit, offer.result(), remarks


def _changed(
    frames: Sequence[Decision], small: list[Preview], plate: NDArray[np.float32], fields: Drawer
) -> list[Decision]:
    """Change lamps as the photographer wants them, on the previews in place."""
    out = list(frames)
    for i, d in enumerate(frames):
        if d.role == "lamp" and (d.lamp.gain_ev or d.lamp.warmth):
            change = lamps.lamp_field(small[i], plate, gain_ev=d.lamp.gain_ev, warmth=d.lamp.warmth)
            small[i] = relit(small[i], change)
            change = _coarse(change)
            full = d.frame.shape
            gain, stray = scaled_gain(d.gain, change, full), scaled_stray(d.glow, change)
            out[i] = replace(d, gain=waiting(gain, fields), glow=waiting(stray, fields))
    return out


def _reaches(on: Sequence[Decision], small: Sequence[Preview], fields: Drawer) -> list[Field | None]:
    reach_of = rules.one_by_one(small, [d.role == "ambient" for d in on], [d.glow for d in on])

    def one(i: int) -> Field | None:
        reach, full = reach_of(i), on[i].frame.shape
        return None if reach is None else waiting(crop_field(reach, full) or nothing(full, reach.shape), fields)

    return parallel.each(one, range(len(on)))


def _as_merged(d: Decision, small: Preview, plate: NDArray[np.float32]) -> Preview:
    return rules.as_merged(small, plate, None if d.reach is None else d.reach.whole(), stray_of(d.glow))


def _without_glow(
    frames: Sequence[Decision],
    small: list[Preview],
    hidden: Sequence[NDArray[np.uint8]],
    by_day: Sequence[bool],
    fields: Drawer,
    sheet: Worksheet | None,
) -> tuple[list[Decision], glow.Fit | None]:
    """Take the glow off the previews, in place, and note it."""
    full = frames[0].frame.shape
    recorded = None if sheet is None else sheet.merge.get("glow_fit")
    known = None if recorded is None else glow.Fit.from_data(recorded, [d.frame.name for d in frames])
    glow_of, found = glow.one_by_one(small, hidden, by_day, known)

    def one(i: int) -> Decision:
        stray = glow_of(i)
        if stray is None:
            return frames[i]
        small[i] = replace(small[i], linear=small[i].linear - stray)
        return replace(frames[i], glow=waiting(stray_field(_coarse(stray), full), fields))

    return parallel.each(one, range(len(frames))), found


def _filled(
    frames: Sequence[Decision],
    shown: Callable[[int], Preview],
    hidden: Sequence[NDArray[np.uint8]],
    on: Sequence[int],
    below: NDArray[np.float32] | None,
    fields: Drawer,
) -> list[Decision]:
    """Fill of the frames `on`, which enter the merge as `shown`."""
    full = frames[0].frame.shape
    by_day = [frames[i].role == "ambient" for i in on]
    fill_of = fill.one_by_one(lambda k: shown(on[k]), [hidden[i] for i in on], by_day, below)

    def one(k: int) -> Decision:
        mask = hidden[on[k]]
        behind = cv2.dilate(mask, np.ones((5, 5), np.uint8)) > 0
        ratio = fill_of(k)
        share = fill.share(mask, ratio)
        field = waiting(only(gain_field(ratio, full), behind), fields)
        return replace(frames[on[k]], fill=field, fill_share=share)

    changed = dict(zip(on, parallel.each(one, range(len(on))), strict=True))
    return [changed.get(i, d) for i, d in enumerate(frames)]


def _levels(frames: list[Decision], small: list[Preview], at: int, sheet: Worksheet | None) -> Sequence[Level]:
    if sheet is None:
        by_day = [d.role == "ambient" for d in frames]
        return ambient.level(small, by_day, at, [exposure_ev(d.frame.facts) for d in frames])
    return [records.level(sheet.frame(d.frame.name)) for d in frames]


def _hide(
    frames: list[Decision],
    small: list[Preview],
    by_day: list[bool],
    fields: Drawer,
    *,
    find: bool,
    by_hand: Mapping[str, FullMask],
) -> tuple[list[Decision], list[Finding]]:
    found: Sequence[Mask | None] = [None] * len(frames)
    remarks: list[Finding] = []
    if find:
        seen = masks.find_in_previews(small, by_day)
        found, remarks = seen, masks.findings(seen, small, by_day)
    out = []
    for d, mask in zip(frames, found, strict=True):
        if d.frame.name in by_hand:
            painted = by_hand[d.frame.name]
            if painted.shape != d.frame.shape:
                raise InputError(
                    f"the mask of {d.frame.name} is {painted.shape[1]}x{painted.shape[0]}",
                    remedy=f"paint it on the frame itself: {d.frame.shape[1]}x{d.frame.shape[0]}",
                )
            out.append(replace(d, hidden=painted))
        elif mask is not None and mask.hidden.any():
            own = masks.in_own_geometry(mask, d.frame_to_reference, d.frame.shape)
            hidden = FullMask.found(own.hidden, d.frame.shape).waiting(fields)
            out.append(replace(d, hidden=hidden, found=mask.regions))
        else:
            out.append(replace(d, found=None if mask is None else mask.regions))
    return out, remarks


def _in_reference(d: Decision) -> NDArray[np.uint8]:
    if d.hidden is None:
        return np.zeros(small_shape(d.frame.shape), np.uint8)
    small = d.hidden.small()
    matrix = geometry.to_small(d.frame_to_reference, d.frame.shape, small.shape)
    return geometry.warp(small, matrix, linear=True)


def _coarse(values: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
    """Light that is smooth is kept at half the preview's size: the fields of all frames outlast the first pass."""
    return None if values is None else halved(values)


def _findings(series: Series, frames: Sequence[Decision], left_out: Sequence[tuple[str, str]]) -> tuple[Finding, ...]:
    found = list(series.findings)
    found += [
        Finding(code="not-aligned", frame=name, text=f"left out: {why}", remedy="see check; shoot it again if you can")
        for name, why in left_out
    ]
    found += [
        Finding(code="weakly-aligned", frame=d.frame.name, text=d.alignment.reason, remedy="look at fine detail")
        for d in frames
        if d.alignment.verdict == "weak"
    ]
    found += [
        Finding(
            code="daylight-not-measured",
            frame=d.frame.name,
            text="no place without flash light: its daylight was left as it is",
            remedy="take a frame without flash at the start and at the end of the walk",
            serious=False,
        )
        for d in frames
        if d.level is not None and not d.level.measured
    ]
    return tuple(found)

"""Light and equipment of a series on its previews: the steps of pass 1 that come after alignment."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from . import ambient, fill, geometry, glow, lamps, masks, parallel, records, rules
from .ambient import Level
from .drawer import Drawer, Kept, Row
from .errors import Finding, InputError
from .files import exposure_ev
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
from .masks import Mask
from .offer import Offer, offer_of
from .previews import Preview, relit, small_shape
from .recall import Recall, anew
from .worksheet import Worksheet

if TYPE_CHECKING:
    from .decisions import Choices, Decision, Given, Hid


def decided(
    frames: list[Decision],
    aligned: Callable[[], list[Preview]],
    reference: str,
    fields: Drawer,
    *,
    choices: Choices,
    given: Given,
    hid: Hid,
) -> tuple[list[Decision], glow.Fit | None, Offer, list[Finding]]:
    """Daylight, equipment, glow, lamps, reach, fill, each on what the one before has left of the previews in the reference's geometry.

    Fields that outlast the first pass wait in the drawer `fields`.
    """
    by_day = [d.role == "ambient" for d in frames]
    at = next(i for i, d in enumerate(frames) if d.frame.name == reference)
    recall = given.recall
    first = () if recall is anew else _first_of_all(frames, choices, given)
    levelled, levels, gains = recall(
        lambda: _levelled(frames, aligned(), at, fields, level=choices.level, sheet=given.sheet), "levelled", at, first
    )
    small = list(levelled)
    frames = [replace(d, level=level, gain=gain) for d, level, gain in zip(frames, levels, gains, strict=True)]

    find = choices.hide and given.sheet is None
    frames, remarks = _hide(frames, small, by_day, fields, find=find, by_hand=given.masks, hid=hid)

    def hides(i: int) -> Kept:
        mask, place = frames[i].hidden, frames[i].frame_to_reference
        return recall(
            lambda: small[i].drawer.put(_in_reference(frames[i])), "hides", mask, place, frames[i].frame.shape
        )

    kept = parallel.each(hides, range(len(frames)))
    hidden = Row(kept)

    glow_fit: glow.Fit | None = None
    if choices.glow:
        frames, glow_fit = _without_glow(frames, small, hidden, by_day, fields, given.sheet, recall)

    seen, days = tuple(small), tuple(by_day)
    dark = tuple(preview for preview, day in zip(seen, days, strict=True) if day or not any(days))
    plate_of = (any(days), dark)
    plate = recall(lambda: ambient.plate(dark, [any(days)] * len(dark)), "plate", *plate_of)
    with parallel.aside() as aside:
        offer = aside(lambda: recall(lambda: offer_of(seen, plate, days, hidden), "offer", seen, days, *kept))
        frames = _changed(frames, small, plate, fields, recall)
        on = [i for i, d in enumerate(frames) if d.lamp.on]
        if choices.quiet:
            reaches = _reaches([frames[i] for i in on], [small[i] for i in on], fields, recall)
            for i, reach in zip(on, reaches, strict=True):
                frames[i] = replace(frames[i], reach=reach)
        if choices.fill:
            below = plate if choices.rule == "sum" else None

            def shown(i: int) -> Preview:
                d = frames[i]
                return recall(lambda: _as_merged(d, small[i], plate), "merged", small[i], d.reach, d.glow, *plate_of)

            frames = _filled(frames, shown, hidden, on, below, fields, recall)
    return frames, glow_fit, offer.result(), remarks


def _first_of_all(frames: Sequence[Decision], choices: Choices, given: Given) -> tuple[Hashable, ...]:
    """What the levelled previews of a run that is repeated are made of."""
    assert given.sheet is not None
    return choices.level, *(
        (
            *(
                d.frame.name,
                given.contents[d.frame.name],
                d.frame.bits,
                repr(d.frame.development),
                d.frame.shape,
                d.role,
            ),
            *(
                d.frame.facts.orientation,
                d.frame_to_reference.tobytes(),
                records.level(given.sheet.frame(d.frame.name)),
            ),
        )
        for d in frames
    )


_Levelled = tuple[tuple[Preview, ...], Sequence[Level | None], tuple[Field | None, ...]]
"""Previews with their daylight evened out, how, and by which gain."""


def _levelled(
    frames: list[Decision], small: list[Preview], at: int, fields: Drawer, *, level: bool, sheet: Worksheet | None
) -> _Levelled:
    if not level:
        return tuple(small), [None] * len(small), (None,) * len(small)
    levels = _levels(frames, small, at, sheet)
    plate = ambient.plate(small, [d.role == "ambient" for d in frames], levels)

    def one(i: int) -> Field | None:
        gain = ambient.level_field(levels[i], small[i], plate)
        small[i] = relit(small[i], gain)
        return waiting(gain_field(_coarse(gain), frames[i].frame.shape), fields)

    gains = parallel.each(one, range(len(frames)))
    return tuple(small), levels, tuple(gains)


def _changed(
    frames: Sequence[Decision], small: list[Preview], plate: NDArray[np.float32], fields: Drawer, recall: Recall
) -> list[Decision]:
    """Change lamps as the photographer wants them, on the previews in place."""

    def one(d: Decision, own: Preview) -> tuple[Preview, Field | None, Field | None]:
        change = lamps.lamp_field(own, plate, gain_ev=d.lamp.gain_ev, warmth=d.lamp.warmth)
        lit, change = relit(own, change), _coarse(change)
        gain, stray = scaled_gain(d.gain, change, d.frame.shape), scaled_stray(d.glow, change)
        return lit, waiting(gain, fields), waiting(stray, fields)

    out = list(frames)
    for i, d in enumerate(frames):
        if d.role == "lamp" and (d.lamp.gain_ev or d.lamp.warmth):
            made_of = (small[i], d.lamp.gain_ev, d.lamp.warmth, d.gain, d.glow, plate)
            small[i], gain, stray = recall(partial(one, d, small[i]), "lamp", *made_of)
            out[i] = replace(d, gain=gain, glow=stray)
    return out


def _reaches(on: Sequence[Decision], small: Sequence[Preview], fields: Drawer, recall: Recall) -> list[Field | None]:
    by_day = [d.role == "ambient" for d in on]
    reach_of = rules.one_by_one(small, by_day, [d.glow for d in on], recall)
    quiet = by_day.index(True) if any(by_day) else None

    def one(i: int) -> Field | None:
        reach, full = reach_of(i), on[i].frame.shape
        return None if reach is None else waiting(crop_field(reach, full) or nothing(full, reach.shape), fields)

    def known(i: int) -> Field | None:
        below = None if quiet is None else small[quiet]
        return recall(lambda: one(i), "reach", i == quiet, small[i], below, on[i].glow)

    return parallel.each(known, range(len(on)))


def _as_merged(d: Decision, small: Preview, plate: NDArray[np.float32]) -> Preview:
    return rules.as_merged(small, plate, None if d.reach is None else d.reach.whole(), stray_of(d.glow))


def _without_glow(
    frames: Sequence[Decision],
    small: list[Preview],
    hidden: Sequence[NDArray[np.uint8]],
    by_day: Sequence[bool],
    fields: Drawer,
    sheet: Worksheet | None,
    recall: Recall,
) -> tuple[list[Decision], glow.Fit | None]:
    """Take the glow off the previews, in place, and note it."""
    full, before = frames[0].frame.shape, tuple(small)
    recorded = None if sheet is None else sheet.merge.get("glow_fit")
    known = None if recorded is None else glow.Fit.from_data(recorded, [d.frame.name for d in frames])
    glow_of, found = glow.one_by_one(before, hidden, by_day, known, recall)
    unseen = () if any(by_day) else tuple(hidden)  # where no frame shows daylight alone, the darkest that is seen does

    def one(i: int) -> tuple[Preview, Field | None]:
        stray = glow_of(i)
        if stray is None:
            return before[i], None
        dark = replace(before[i], linear=before[i].linear - stray)
        return dark, waiting(stray_field(_coarse(stray), full), fields)

    def taken_off(i: int) -> Decision:
        fit = None if found is None else (found.kernel, found.rim, found.heads[i])
        made_of = (i, tuple(by_day), before, fit, hidden[i], *unseen)
        small[i], stray = recall(lambda: one(i), "glow", *made_of)
        return frames[i] if stray is None else replace(frames[i], glow=stray)

    return parallel.each(taken_off, range(len(frames))), found


def _filled(
    frames: Sequence[Decision],
    shown: Callable[[int], Preview],
    hidden: Sequence[NDArray[np.uint8]],
    on: Sequence[int],
    below: NDArray[np.float32] | None,
    fields: Drawer,
    recall: Recall,
) -> list[Decision]:
    """Fill of the frames `on`, which enter the merge as `shown`."""
    full = frames[0].frame.shape
    by_day = [frames[i].role == "ambient" for i in on]
    behind = fill.one_by_one(lambda k: shown(on[k]), [hidden[i] for i in on], by_day, below, recall)

    def one(made_of: fill.Behind, mask: NDArray[np.uint8]) -> tuple[Field | None, float]:
        ratio, there = made_of.ratio(), cv2.dilate(mask, np.ones((5, 5), np.uint8)) > 0
        return waiting(only(gain_field(ratio, full), there), fields), fill.share(mask, ratio)

    def filled(k: int) -> Decision:
        made_of, mask = behind(k), hidden[on[k]]
        if made_of is None:
            return frames[on[k]]
        field, share = recall(lambda: one(made_of, mask), "fill", mask, *made_of.made_of)
        return replace(frames[on[k]], fill=field, fill_share=share)

    changed = dict(zip(on, parallel.each(filled, range(len(on))), strict=True))
    return [changed.get(i, d) for i, d in enumerate(frames)]


def _levels(frames: list[Decision], small: list[Preview], at: int, sheet: Worksheet | None) -> Sequence[Level]:
    if sheet is None:
        by_day = [d.role == "ambient" for d in frames]
        return ambient.level(small, by_day, at, [exposure_ev(d.frame.facts) for d in frames])
    return [records.level(sheet.frame(d.frame.name)) for d in frames]


def _hide(
    frames: Sequence[Decision],
    small: Sequence[Preview],
    by_day: Sequence[bool],
    fields: Drawer,
    *,
    find: bool,
    by_hand: Mapping[str, FullMask],
    hid: Hid,
) -> tuple[list[Decision], list[Finding]]:
    """Hide what was painted, and in the other frames what is found; `hid` gets each frame once that is known."""

    def masked(i: int, mask: Mask | None) -> Decision:
        d, painted = frames[i], by_hand.get(frames[i].frame.name)
        if painted is not None:
            if painted.shape != d.frame.shape:
                raise InputError(
                    f"the mask of {d.frame.name} is {painted.shape[1]}x{painted.shape[0]}",
                    remedy=f"paint it on the frame itself: {d.frame.shape[1]}x{d.frame.shape[0]}",
                )
            d = replace(d, hidden=painted)
        elif mask is not None:
            d = replace(d, found=mask.regions)
            if mask.hidden.any():
                own = masks.in_own_geometry(mask, d.frame_to_reference, d.frame.shape)
                d = replace(d, hidden=FullMask.found(own.hidden, d.frame.shape).waiting(fields))
        hid(d)
        return d

    if not find:
        return [masked(i, None) for i in range(len(frames))], []
    found = masks.each_in_previews(small, by_day, lambda i, mask: (masked(i, mask), mask))
    return [d for d, _ in found], masks.findings([mask for _, mask in found], small, by_day)


def _in_reference(d: Decision) -> NDArray[np.uint8]:
    if d.hidden is None:
        return np.zeros(small_shape(d.frame.shape), np.uint8)
    small = d.hidden.small()
    matrix = geometry.to_small(d.frame_to_reference, d.frame.shape, small.shape)
    return geometry.warp(small, matrix, linear=True)


def _coarse(values: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
    """Light that is smooth is kept at half the preview's size: the fields of all frames outlast the first pass."""
    return None if values is None else halved(values)

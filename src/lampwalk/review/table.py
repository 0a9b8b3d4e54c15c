"""The light table: a series at preview size, merged by the very code of the full merge.

Two speeds. `settle` decides everything anew, exactly as a merge does; it takes seconds and runs in the
background. The methods of `LightTable` change one thing on what was settled last, and merge only what that
touches; they take a fraction of a second and differ from the settled picture only where a mask changes what
is known about glow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .. import ambient, composite, fill, geometry, lamps, merging, parallel, rules
from ..ambient import Level
from ..bench import Bench
from ..colour import to_encoded, to_linear
from ..decisions import Decision, Decisions, Given, decide
from ..fullmask import FullMask
from ..geometry import STRIP_ROWS
from ..light import UNITY, Field, crop_field, gain_field, halved, nothing, stray_field
from ..offer import Offer
from ..previews import CLIPPED, Preview, align_preview, make_preview
from ..stack import Stack
from ..worksheet import Lamp, Worksheet
from .opened import OpenedRun
from .strokes import Box

FILL_MARGIN_PX = 128
"""Preview pixels round a stroke that are looked at for its fill: twice the widest smoothing of `fill`."""

THREADS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settled:
    """A series at preview size, merged.

    Attributes
    ----------
    decisions : Decisions
        For frames of preview size.
    layers : tuple of (h, w, 3) uint16, encoded
        Every frame in the reference's geometry, levelled, glow taken off, its lamp changed; nothing hidden.
    daylight, levelled : (h, w, 3) float32, linear light
        The scene without flash, before and after the frames' daylight was levelled.
    pixels : (h, w, 3) uint16, encoded
    coverage : (h, w) uint8
        Number of the frame (1 = first that takes part) that gives the pixel.
    """

    decisions: Decisions
    layers: tuple[NDArray[np.uint16], ...]
    daylight: NDArray[np.float32]
    levelled: NDArray[np.float32]
    pixels: NDArray[np.uint16]
    coverage: NDArray[np.uint8]


def settle(
    run: OpenedRun,
    sheet: Worksheet,
    masks: Mapping[str, NDArray[np.uint8]],
    goes_on: Callable[[], None] = lambda: None,
) -> Settled:
    """Decide and merge everything at preview size, as `merging.merge_worksheet` does at full size.

    Parameters
    ----------
    run : OpenedRun
    sheet : Worksheet
        With homographies for full size, as in the run folder.
    masks : mapping of frame name to (h, w) uint8
    goes_on : callable
        Called between steps; may raise to give up.
    """
    # The places of hot pixels are those of full size; a preview has none left.
    choices = replace(merging.choices_of(sheet), hot_pixels=False)
    decisions = decide(
        run.series,
        choices=choices,
        given=Given(
            masks={name: FullMask.painted(mask) for name, mask in masks.items()},
            lamps=merging.lamps_of(sheet),
            sheet=run.small_sheet(sheet),
        ),
        threads=THREADS,
        progress=lambda *_: goes_on(),
    )
    layers = []
    for d in decisions.frames:
        goes_on()
        layers.append(_layer(d))
    daylight, levelled = _plates(decisions)
    goes_on()
    stack = _merged(decisions.frames, choices.rule, slice(0, run.small[0]))
    return Settled(
        decisions=decisions,
        layers=tuple(layers),
        daylight=daylight,
        levelled=levelled,
        pixels=stack.pixels(),
        coverage=stack.coverage(),
    )


class LightTable:
    """What was settled last, and what was changed on it since.

    Parameters
    ----------
    settled : Settled
    """

    def __init__(self, settled: Settled) -> None:
        self._settled = settled
        self.frames = list(settled.decisions.frames)
        self.layers = list(settled.layers)
        self.pixels = settled.pixels.copy()
        self.coverage = settled.coverage.copy()
        self._shot: tuple[int, _Shot] | None = None
        self._laid: dict[int, tuple[FullMask | None, NDArray[np.uint16], FullMask | None]] = {}
        self._names = {d.frame.name: i for i, d in enumerate(self.frames)}

    @property
    def _fills(self) -> bool:
        return self._settled.decisions.choices.fill

    @property
    def _below(self) -> NDArray[np.float32] | None:
        """The scene without flash, where lamps are added to it."""
        return self._settled.levelled if self._settled.decisions.choices.rule == "sum" else None

    @property
    def offer(self) -> Offer:
        """What the series suggests for the finish."""
        return self._settled.decisions.offer

    def remask(self, name: str, hidden: NDArray[np.uint8], box: Box) -> slice:
        """Take another mask for one frame.

        Parameters
        ----------
        name : str
            The frame.
        hidden : (h, w) uint8
            Preview size, the frame's own geometry.
        box : Box
            Where it differs from the former, in the reference's geometry.

        Returns
        -------
        slice
            Rows of the result that may have changed.
        """
        i = self._names[name]
        rows = slice(box[0], box[2])
        if rows.start >= rows.stop:
            return rows
        small = (hidden.shape[0], hidden.shape[1])
        d = replace(self.frames[i], hidden=FullMask.found(hidden, small) if hidden.any() else None)
        self.frames[i] = d
        if self._fills and d.lamp.on and d.role == "lamp" and d.hidden is not None:
            self.frames[i] = replace(d, fill=self._refilled(i, box))
        self._remerge(rows)
        return rows

    def relamp(self, name: str, lamp: Lamp) -> None:
        """Change one lamp.

        Raises
        ------
        InputError
            The gain would burn out too much of the picture (`lamps.lamp_field`), or a value is out of range.
        """
        i = self._names[name]
        d = self.frames[i]
        if replace(lamp, on=True) != replace(d.lamp, on=True) and d.role == "lamp":
            shot = self._as_shot(i)
            change = lamps.lamp_field(shot.preview, self._settled.levelled, gain_ev=lamp.gain_ev, warmth=lamp.warmth)
            shape = (self.pixels.shape[0], self.pixels.shape[1])
            gain = shot.even if change is None else shot.even * change
            glow = shot.glow if change is None else shot.glow * change
            d = replace(d, gain=gain_field(halved(gain), shape), glow=stray_field(halved(glow), shape))
            self.layers[i] = _layer(d)
            d = replace(d, reach=None)
        self.frames[i] = replace(d, lamp=lamp)
        if lamp.on and d.reach is None:
            self.frames[i] = replace(self.frames[i], reach=self._reached(i))
        self._remerge(slice(0, len(self.pixels)))

    def anew(self) -> list[Decision]:
        """Find all fills anew, on the layers as they are; give it to `adopt`."""
        frames, layers = list(self.frames), list(self.layers)
        on = [k for k, d in enumerate(frames) if d.lamp.on]
        rows = slice(0, len(layers[0]))
        cols = slice(0, layers[0].shape[1])
        shown = [self._shown(k, frames[k], rows, cols) for k in on]
        by_day = [frames[k].role == "ambient" for k in on]
        if self._fills:
            hidden = [_masked(self._laid_out(k), rows, cols) for k in on]
            for k, ratio in zip(on, fill.estimate(shown, hidden, by_day, self._below), strict=True):
                frames[k] = replace(frames[k], fill=gain_field(ratio, layers[k].shape[:2]))
        return frames

    def adopt(self, frames: list[Decision]) -> None:
        """Take what `anew` has found."""
        self.frames = list(frames)
        self._remerge(slice(0, len(self.pixels)))

    def light_of(self, name: str) -> NDArray[np.uint16]:
        """Show what one lamp adds to the daylight, nothing hidden: (h, w, 3) uint16, encoded."""
        i = self._names[name]
        added = np.maximum(to_linear(self.layers[i]) - self._settled.levelled, 0)
        reach = _whole(self.frames[i].reach, added.shape[:2], 255) / 255
        return to_encoded(np.asarray(added * reach[..., None], np.float32))

    def unhidden(self) -> NDArray[np.uint16]:
        """Merge all frames as they are, nothing hidden or filled: (h, w, 3) uint16, encoded."""
        plain = [replace(d, hidden=None, reach=None, fill=None, gain=None, glow=None) for d in self.frames if d.lamp.on]
        return np.asarray(_merged(plain, "lighten", slice(0, len(self.pixels))).pixels(), np.uint16)

    def _reached(self, i: int) -> Field | None:
        """Where one lamp adds light to the first ambient frame; None where it takes part everywhere."""
        by_day = [k for k, d in enumerate(self.frames) if d.role == "ambient"]
        if not self._settled.decisions.choices.quiet or not by_day or self.frames[i].role == "ambient":
            return None
        pair = [_seen(self.layers[by_day[0]]), _seen(self.layers[i])]
        found = rules.reach(pair, [True, False], [None, self.frames[i].glow])[1]
        return None if found is None else crop_field(found, found.shape) or nothing(found.shape)

    def _as_shot(self, i: int) -> _Shot:
        # A slider asks for the same frame many times.
        if self._shot is None or self._shot[0] != i:
            self._shot = (i, _as_shot(self.frames[i], self._settled.daylight))
        return self._shot[1]

    def _laid_out(self, i: int) -> Decision:
        """One frame as if it had been shot in the reference's geometry with its light as corrected.

        Merging that needs no warp and no correction: what does not change is not computed again.
        """
        d = self.frames[i]
        known = self._laid.get(i)
        if known is None or known[0] is not d.hidden or known[1] is not self.layers[i]:
            hidden = None
            if d.hidden is not None:
                warped = geometry.warp(d.hidden.whole(), d.frame_to_reference, linear=True)
                hidden = FullMask.found(warped, self.coverage.shape) if warped.any() else None
            self._laid[i] = known = (d.hidden, self.layers[i], hidden)
        return replace(
            d,
            frame=replace(d.frame, array=self.layers[i]),
            alignment=replace(d.alignment, frame_to_reference=np.eye(3)),
            hidden=known[2],
            gain=None,
            glow=None,
        )

    def _remerge(self, rows: slice) -> None:
        laid = [self._laid_out(i) for i in range(len(self.frames))]
        stack = _merged(laid, self._settled.decisions.choices.rule, rows)
        self.pixels[rows] = stack.pixels()[rows]
        self.coverage[rows] = stack.coverage()[rows]

    def _shown(self, k: int, d: Decision, rows: slice, cols: slice) -> Preview:
        """A window of a layer, as it enters the merge."""
        plate = np.ascontiguousarray(self._settled.levelled[rows, cols])
        reach = None if d.reach is None else np.ascontiguousarray(d.reach.render(rows, cols))
        stray = None if d.glow is None else d.glow.render(rows, cols) * np.float32(1 / 65535)
        return rules.as_merged(_seen(np.ascontiguousarray(self.layers[k][rows, cols])), plate, reach, stray)

    def _refilled(self, i: int, box: Box) -> Field | None:
        """Fill of one frame, found anew in and near a box."""
        h, w = self.coverage.shape
        r0, c0 = max(0, box[0] - FILL_MARGIN_PX), max(0, box[1] - FILL_MARGIN_PX)
        r1, c1 = min(h, box[2] + FILL_MARGIN_PX), min(w, box[3] + FILL_MARGIN_PX)
        rows, cols = slice(r0, r1), slice(c0, c1)
        on = [k for k, d in enumerate(self.frames) if d.lamp.on]
        near, hidden = [], []
        for k in on:
            near.append(self._shown(k, self.frames[k], rows, cols))
            hidden.append(_masked(self._laid_out(k), rows, cols))
        # Frames marked as lit by day get no fill of their own: so only this frame's is computed.
        below = None if self._below is None else np.ascontiguousarray(self._below[rows, cols])
        ratio = fill.estimate(near, hidden, [k != i for k in on], below)[on.index(i)]
        values = _gain(self.frames[i].fill, (h, w, 3))
        if ratio is not None:
            inside = (slice(box[0] - r0, box[2] - r0), slice(box[1] - c0, box[3] - c0))
            values[box[0] : box[2], box[1] : box[3]] = ratio[inside]
        return gain_field(values, (h, w))


def _masked(laid: Decision, rows: slice, cols: slice) -> NDArray[np.uint8]:
    """Cut out of a window what the mask of a frame hides that is laid out in the reference's geometry."""
    if laid.hidden is None:
        return np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)
    return laid.hidden.part(rows, cols)


def _seen(layer: NDArray[np.uint16]) -> Preview:
    """Take a layer, or a part of one, for a preview."""
    valid = np.asarray(layer.any(axis=2))
    clipped = np.asarray(layer.max(axis=2) >= CLIPPED * 65535)
    full = (layer.shape[0], layer.shape[1])
    return Preview(name="", linear=to_linear(layer), clipped=clipped, valid=valid, full_shape=full)


def _layer(d: Decision) -> NDArray[np.uint16]:
    """Bring a frame to the reference's geometry with its light corrected: a merge of nothing else."""
    alone = replace(d, hidden=None, reach=None, fill=None, lamp=replace(d.lamp, on=True))
    return np.asarray(_merged([alone], "lighten", slice(0, d.frame.shape[0])).pixels(), np.uint16)


def _merged(frames: Sequence[Decision], rule: str, rows: slice) -> Stack:
    """Merge some rows of the result, in the same steps as `composite.execute`."""
    stack = Stack(frames[0].frame.shape, np.uint16, rule=rule)
    numbers = {d.frame.name: i + 1 for i, d in enumerate(frames)}
    on = composite.merge_order(frames, rule)
    filled = [d for d in on if d.fill is not None]

    def one(strip: slice) -> None:
        at, bench = (strip, slice(0, frames[0].frame.shape[1])), Bench()
        for d in on:
            composite.add_strip(stack, at, d, d.frame.pixels(), numbers[d.frame.name], bench)
        if filled:
            composite.fill_strip(stack, at, filled)

    # The whole picture on the strips of the full merge, for the same bytes; a few rows on two threads.
    height = rows.stop - rows.start
    whole = height == frames[0].frame.shape[0]
    step = STRIP_ROWS if whole else min(STRIP_ROWS, max(32, -(-height // THREADS)))
    strips = [slice(top, min(top + step, rows.stop)) for top in range(rows.start, rows.stop, step)]
    with parallel.limited(THREADS):
        parallel.each(one, strips)
    return stack


def _plates(decisions: Decisions) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Find the scene without flash, before and after levelling, as `decide` takes it."""
    by_day = [d.role == "ambient" for d in decisions.frames]
    # Where there is an ambient frame the plate depends on nothing else: the others need not be looked at.
    chosen = [d for d, flag in zip(decisions.frames, by_day, strict=True) if flag or not any(by_day)]
    flags = [d.role == "ambient" for d in chosen]
    levels = [d.level or Level() for d in chosen]
    daylight = ambient.plate([_aligned(d) for d in chosen], flags, levels)
    levelled = ambient.plate([_as_shot(d, daylight).preview for d in chosen], flags)
    return daylight, levelled


def _aligned(d: Decision) -> Preview:
    return align_preview(make_preview(d.frame.name, d.frame.pixels()), d.frame_to_reference)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shot:
    """A frame with its daylight levelled and its glow taken off, its lamp as it was; and what did that."""

    preview: Preview
    even: NDArray[np.float32]
    glow: NDArray[np.float32]


def _as_shot(d: Decision, daylight: NDArray[np.float32]) -> _Shot:
    preview = _aligned(d)
    shape = preview.linear.shape
    even = None if d.level is None else ambient.level_field(d.level, preview, daylight)
    even = np.ones(shape, np.float32) if even is None else even
    glow = _whole(d.glow, shape, 0) / np.float32(65535)
    if d.lamp.gain_ev or d.lamp.warmth:
        glow = glow * even / _gain(d.gain, shape)  # `decide` changes the glow of a lamp with the lamp
    linear = np.clip(np.clip(preview.linear * even, 0, 1) - glow, 0, 1)
    return _Shot(preview=replace(preview, linear=linear), even=even, glow=glow)


def _whole(field: Field | None, shape: tuple[int, ...], neutral: float) -> NDArray[np.float32]:
    if field is None:
        return np.full(shape, neutral, np.float32)
    return np.array(field.render(slice(0, shape[0]), slice(0, shape[1])), np.float32)


def _gain(field: Field | None, shape: tuple[int, ...]) -> NDArray[np.float32]:
    root = _whole(field, shape, UNITY) / np.float32(UNITY)
    return root * root

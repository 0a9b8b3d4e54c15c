"""Pass 2 and the whole merge: decisions in, one picture out."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import takewhile
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, geometry, light, parallel, profiles, resampling, rules
from .bench import Bench
from .decisions import Choices, Decision, Decisions, Given, decide
from .desk import prepared
from .drawer import IN_MEMORY
from .errors import Finding
from .frames import Frame, Series, as_series
from .fullmask import FullMask
from .geometry import strips
from .light import Field
from .looking import Progress
from .parallel import Lent
from .passing import Passing
from .profiles import Profile
from .records import worksheet_of
from .resampling import Ready
from .shelf import Shelf
from .stack import FILLED, Stack
from .worksheet import Worksheet

if TYPE_CHECKING:
    from .beneath import Beneath

Window = tuple[slice, slice]
"""Rows and columns of the result."""

BLOCK_ROWS = 32
"""Rows that are filled at a time: copies of so few rows stay in the processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Composite:
    """The merged picture and how it came about.

    Attributes
    ----------
    pixels : (H, W, 3) uint16
        Encoded like the frames; uncropped, unfinished, in the reference's geometry.
    coverage : (H, W) uint8
        Number of the frame that is brightest at a pixel (1 = first of ``worksheet.frames``), 0 = none, 255 = fill.
    decisions : Decisions
    worksheet : Worksheet
    findings : tuple of Finding
    """

    pixels: NDArray[np.uint16]
    coverage: NDArray[np.uint8]
    decisions: Decisions
    worksheet: Worksheet
    findings: tuple[Finding, ...]

    @property
    def masks(self) -> dict[str, NDArray[np.uint8]]:
        """Masks by frame name: (H, W) uint8 in each frame's own geometry, 255 = hidden; made when asked for."""
        return {d.frame.name: full_mask(d) for d in self.decisions.frames}


def merge(
    source: Series | str | Path | Sequence[Any],
    *,
    choices: Choices = Choices(),  # noqa: B008  (frozen)
    masks: Mapping[str, NDArray[np.uint8]] | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> Composite:
    """Merge a series into one picture.

    Parameters
    ----------
    source : Series, folder, list of paths, or list of arrays
        Arrays are (H, W) or (H, W, 3) uint8, uint16 or float32 in 0-1, encoded.
    choices : Choices
    masks : mapping of frame name to (H, W) uint8, optional
        Masks by hand, in the frame's own geometry, 255 = hidden; they replace the found ones exactly.
    threads : int
        Worker threads; the result does not depend on it.
    progress : callable, optional
        Called with (step, done, of how many).

    Returns
    -------
    Composite

    Raises
    ------
    LampwalkError
        The series cannot be read, aligned or held in memory.
    """
    series = as_series(source)
    given = Given(masks={name: FullMask.painted(mask) for name, mask in (masks or {}).items()})
    with TemporaryDirectory(ignore_cleanup_errors=True) as scratch:  # of what waits there some is still in use
        shelf = Shelf(Path(scratch))
        decisions = decide(series, choices=choices, given=given, shelf=shelf, threads=threads, progress=progress)
        return execute(decisions, shelf=shelf, threads=threads, progress=progress)


def execute(
    decisions: Decisions,
    *,
    former: Former | None = None,
    shelf: Shelf | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> Composite:
    """Carry out decisions at full size, one frame at a time.

    Parameters
    ----------
    decisions : Decisions
    former : Former, optional
        A result of which most still holds; it is changed in place.
    shelf : Shelf, optional
        What the first pass has kept of the decoded frames.
    threads : int
    progress : callable, optional
    """
    rule, profile = decisions.choices.rule, _profile(decisions)
    filled = [d for d in merge_order(decisions.frames, rule) if d.fill is not None]

    def finish(piece: Piece) -> None:
        stack, at = piece
        if filled:
            fill_strip(stack, at, filled)
        _into_profile(stack.part(*at)[0], profile)
        if former is not None:
            former.pixels[at], former.coverage[at] = stack.part(*at)

    with parallel.limited(threads):
        windows = None if former is None else former.windows
        pieces = stacked(decisions, windows, shelf=shelf, threads=threads, progress=progress)
        if former is not None and (beneath := former.beneath) is not None:
            beneath.keep(pieces)
            parallel.each(lambda at: finish(_taken_out(beneath, rule, at)), former.refilled)
        parallel.each(finish, pieces)
    return Composite(
        pixels=pieces[0][0].pixels() if former is None else former.pixels,
        coverage=pieces[0][0].coverage() if former is None else former.coverage,
        decisions=decisions,
        worksheet=worksheet_of(decisions),
        findings=decisions.findings,
    )


Piece = tuple[Stack, Window]
"""A window of the result, and the stack that it lies in."""


def stacked(
    decisions: Decisions,
    windows: Sequence[Window] | None,
    *,
    shelf: Shelf | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> list[Piece]:
    """Merge all frames, one at a time: what lies beneath the fills.

    Parameters
    ----------
    decisions : Decisions
    windows : sequence of (rows, columns), or None
        Whole tiles of the fixed grid, each on a stack of its own; all strips on one stack where not given.
    shelf : Shelf, optional
    threads : int
    progress : callable, optional
    """
    shape, rule = decisions.series.shape, decisions.choices.rule
    if windows is None:
        whole = Stack(shape, np.uint16, rule=rule)
        pieces: list[Piece] = [(whole, (rows, slice(0, shape[1]))) for rows in strips(shape[0])]
    else:
        pieces = [(_stack_of(at, rule), at) for at in windows]
    everywhere = [at for _, at in pieces]
    on = merge_order(decisions.frames, rule)
    seen = [d for d in on if _takes_part(light.waiting(d.reach, IN_MEMORY), everywhere)]
    numbers = {frame.name: i + 1 for i, frame in enumerate(decisions.series.frames)}
    benches = Lent(Bench)

    def add(piece: Piece, frames: Sequence[tuple[Decision, Ready]], passing: Passing) -> None:
        with benches.one() as bench:
            for d, pixels in frames:
                add_strip(*piece, d, pixels, numbers[d.frame.name], bench)
        passing.done(piece[1][0])

    shelf, hot, ahead = shelf or Shelf(), decisions.hot_pixels, 1 if windows is None else 2
    with parallel.limited(threads), parallel.rounds(pieces) as begin:

        def start(*frames: tuple[Decision, Ready]) -> Sequence[Future[object]]:
            passing = Passing(
                [] if windows else [(d, pixels) for d, pixels in frames if shelf.owns(pixels, d.frame)], shape
            )
            return begin(partial(add, frames=frames, passing=passing))

        waiting = _waiting(seen, shelf, hot) if windows is None else []
        first = len(waiting)
        if waiting:
            jobs = start(*waiting)
            waiting.clear()
            # Halfway there is memory for the next frame, if there is one.
            for done, job in enumerate(jobs[: len(jobs) // 2 + 1] if first < len(seen) else jobs, 1):
                job.result()
                if progress:
                    progress("merging", first * done // (len(jobs) + 1), len(seen))
        for done, (d, pixels) in enumerate(_decoded(seen[first:], shelf, hot, ahead), first):
            start((d, pixels))
            del pixels
            if progress and done:
                progress("merging", done, len(seen))
    if progress and seen:
        progress("merging", len(seen), len(seen))
    return pieces


def _waiting(on: Sequence[Decision], shelf: Shelf, hot: NDArray[np.intp]) -> list[tuple[Decision, Ready]]:
    """Frames that wait in memory, as far as they come first: merged side by side, they make room for the result."""
    found = takewhile(lambda pair: pair[1] is not None, ((d, shelf.given_away(d.frame)) for d in on))
    return [(d.in_hand(), prepared(d.frame, pixels, hot)) for d, pixels in found if pixels is not None]


def _stack_of(at: Window, rule: str) -> Stack:
    rows, cols = at
    shape = rows.stop - rows.start, cols.stop - cols.start
    return Stack(shape, np.uint16, rule=rule, first=(rows.start, cols.start))


def _taken_out(beneath: Beneath, rule: str, tile: Window) -> Piece:
    """A tile that was merged before and is only filled anew."""
    stack = _stack_of(tile, rule)
    pixels, coverage = stack.part(*tile)
    pixels[:], coverage[:] = beneath.get(tile)
    return stack, tile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Former:
    """A result of which a part still holds.

    Attributes
    ----------
    pixels : (H, W, 3) uint16
        As of a `Composite`.
    coverage : (H, W) uint8
    windows : tuple of (rows, columns)
        Where it does not hold any more: whole tiles of the fixed grid.
    refilled : tuple of (rows, columns)
        Tiles of which only the fill does not hold any more.
    beneath : Beneath, optional
        What lies beneath the fills of these; gets what is merged now.
    """

    pixels: NDArray[np.uint16]
    coverage: NDArray[np.uint8]
    windows: tuple[Window, ...]
    refilled: tuple[Window, ...] = ()
    beneath: Beneath | None = None


def in_order(frames: Sequence[Decision]) -> list[Decision]:
    """List the frames that take part, ambient frames first, as layers lie on each other."""
    return sorted((d for d in frames if d.lamp.on), key=lambda d: d.role != "ambient")


def merge_order(frames: Sequence[Decision], rule: str) -> list[Decision]:
    """List the frames that take part, in the order in which the stack gets them.

    A rule that adds lamps to daylight needs that below them. Else the last ones come first: they may still wait where they
    were decoded.
    """
    on = in_order(frames)
    return on if rules.get(rule).needs_ambient else on[::-1]


def aligned(d: Decision, decisions: Decisions) -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
    """Make one frame as it enters the merge.

    Parameters
    ----------
    d : Decision
    decisions : Decisions
        All of its series.

    Returns
    -------
    (H, W, 3) uint16, encoded like the reference
        Warped, levelled, without glow, weakened where a mask or the reach of its lamp ends softly.
    (H, W) uint8
        255 where it takes no part: hidden by its mask, or its lamp adds nothing there; else 0.
    """
    shape = decisions.series.shape
    pixels = prepared(d.frame, d.frame.pixels(), decisions.hot_pixels)
    whole, hidden = np.zeros((*shape, 3), np.uint16), np.full(shape, 255, np.uint8)
    profile = _profile(decisions)

    def one(rows: slice) -> None:
        for cols, part in _parts((rows, slice(0, shape[1])), d, pixels, Bench()):
            whole[rows, cols] = profile.from_working(part)
            unseen = np.zeros(part.shape[:2], np.uint8) if d.reach is None else (d.reach.render(rows, cols) == 0) * 255
            masked = _masked(rows, cols, d)
            if masked is not None:
                inside = unseen[:, masked[0].start - cols.start : masked[0].stop - cols.start]
                inside[masked[1] == 255] = 255
            hidden[rows, cols] = unseen

    parallel.each(one, strips(shape[0]))
    return whole, hidden


def full_mask(d: Decision) -> NDArray[np.uint8]:
    """Mask of one frame at full size in its own geometry: (H, W) uint8, 255 = hidden."""
    return np.zeros(d.frame.shape, np.uint8) if d.hidden is None else d.hidden.whole()


def _decoded(
    on: Sequence[Decision], shelf: Shelf, hot: NDArray[np.intp], ahead: int
) -> Iterator[tuple[Decision, Ready]]:
    """Decode some frames ahead of the one in hand: one where merging it takes longer than decoding the next.

    A frame is in hand until the next but one is asked for.
    """
    with ThreadPoolExecutor(ahead) as reader:

        def begin(d: Decision) -> Future[Ready]:
            return reader.submit(shelf.ready, d.frame, hot, d.frame_to_reference)

        waiting, in_hand = deque(begin(d) for d in on[:ahead]), deque[tuple[Frame, Ready]]()
        for i, d in enumerate(on):
            in_hand.append((d.frame, waiting.popleft().result()))
            yield d.in_hand(), in_hand[-1][1]
            if i:
                shelf.give_back(*in_hand.popleft())
            if i + ahead < len(on):
                waiting.append(begin(on[i + ahead]))
        shelf.clear()


def _takes_part(reach: Field | None, windows: Sequence[Window]) -> bool:
    """Whether a frame of such a reach can bring light to any of these windows."""
    return any(_within_reach(reach, at) is not None for at in windows)


def _within_reach(reach: Field | None, at: Window) -> slice | None:
    """Columns of a window in which a frame of such a reach takes part; None if there are none."""
    rows, cols = at
    if reach is None:
        return cols
    window = reach.window(rows)
    if window is None or not reach.matters(rows, np.array([cols.start, cols.stop])).any():
        return None
    left, right = max(cols.start, window[1].start), min(cols.stop, window[1].stop)
    return slice(left, right) if left < right else None


def _profile(decisions: Decisions) -> Profile:
    reference = next(d.frame for d in decisions.frames if d.frame.name == decisions.reference)
    return profiles.recognise(reference.facts.icc)


def add_strip(stack: Stack, at: Window, d: Decision, pixels: Ready, number: int, bench: Bench) -> None:
    """One strip of one frame, or whole tiles of it, onto the stack."""
    for cols, part in _parts(at, d, pixels, bench):
        stack.add_strip(at[0].start, part, number, left=cols.start, ambient=d.role == "ambient")


def _parts(at: Window, d: Decision, pixels: Ready, bench: Bench) -> Iterator[tuple[slice, NDArray[np.uint16]]]:
    """Warp, correct and weaken the tiles of a window in which the frame takes part; one tile stays in the processor's cache.

    Yields
    ------
    columns, (h, w, 3) uint16 encoded
        Until the next one.
    """
    rows, cols = at[0], _within_reach(d.reach, at)
    if cols is None:
        return
    factor, stray, masked = light.limited(d.gain, d.reach), light.within(d.glow, d.reach), _masked(rows, cols, d)
    grid = geometry.tiles(cols, d.frame.shape[1])
    levels = resampling.levels_of(pixels, d.frame_to_reference)
    warped = resampling.warp_tiles(pixels, d.frame_to_reference, rows, grid, bench)
    matters = (_matters(field, rows, grid) for field in (factor, stray))
    for across, part, scaled, lowered in zip(grid, warped, *matters, strict=True):
        gain = factor.render(rows, across, bench, "warped") if factor is not None and scaled else None
        light_off = stray.render(rows, across, bench, "pixels") if stray is not None and lowered else None
        lit = light.relight(part, gain, light_off, levels=levels, bench=bench)
        yield across, lit if masked is None else _weakened(lit, across, *masked)


def _matters(field: Field | None, rows: slice, grid: Sequence[slice]) -> NDArray[np.bool_]:
    """Whether a field changes anything in each of some neighbouring tiles."""
    if field is None:
        return np.zeros(len(grid), bool)
    return field.matters(rows, np.array([*(cols.start for cols in grid), grid[-1].stop]))


def _weakened(part: NDArray[np.uint16], across: slice, cols: slice, mask: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """A tile where a mask, known in some columns, hides some of it."""
    left, right = max(across.start, cols.start), min(across.stop, cols.stop)
    hidden = mask[:, left - cols.start : right - cols.start]
    if left >= right or not hidden.any():
        return part
    part = part if part.flags.writeable else part.copy()
    part[:, left - across.start : right - across.start] = light.weakened(
        part[:, left - across.start : right - across.start], hidden
    )
    return part


def _into_profile(strip: NDArray[np.uint16], profile: Profile) -> None:
    encoded = profile.from_working(strip)
    if encoded is not strip:
        strip[:] = encoded


def _masked(rows: slice, cols: slice, d: Decision) -> tuple[slice, NDArray[np.uint8]] | None:
    """Mask of a frame in a window of the reference's geometry: columns and values; None if nothing is hidden there."""
    if d.hidden is None:
        return None
    across = geometry.shown(d.hidden.window, d.frame.shape, d.frame_to_reference, rows, cols)
    if across is None:
        return None
    mask = resampling.warp_mask_strip(d.hidden, d.frame_to_reference, rows, across)
    return (across, mask) if mask.any() else None


def fill_strip(stack: Stack, at: Window, filled: Sequence[Decision]) -> None:
    """Raise what is left behind masks by the largest fill ratio of the frames hidden there.

    Notes
    -----
    Behind a mask of opacity a, frame i with light F left ``(1 - a) F`` in the maximum M beside the others' light O, and
    its fill ratio r says that ``F = r O`` there. So ``F = M / (1 - a)`` if its own rest won, else ``F = r M``: in
    both cases the factor is ``min(r, 1 / (1 - a))``, which makes the soft edge of a mask seamless. A sum gets back what
    each mask has kept from it (`rules.missing`).
    """
    if stack.rule == "sum":
        _fill_sum(stack, at, filled)
        return
    rows, cols = at
    left, right = cols.stop, cols.start
    whole = np.full((rows.stop - rows.start, cols.stop - cols.start, 3), light.UNITY, np.uint16)
    for ratio, down, across, mask in _behind_masks(at, filled):
        limit = light.limit_of_fill(mask)
        inside = whole[
            down.start - rows.start : down.stop - rows.start, across.start - cols.start : across.stop - cols.start
        ]
        np.maximum(inside, cv2.min(ratio, cv2.merge([limit, limit, limit])), out=inside)
        left, right = min(left, across.start), max(right, across.stop)
    if left >= right:
        return
    for top in range(rows.start, rows.stop, BLOCK_ROWS):
        block = slice(top, min(top + BLOCK_ROWS, rows.stop))
        factor = whole[block.start - rows.start : block.stop - rows.start, left - cols.start : right - cols.start]
        factor = np.ascontiguousarray(factor)
        pixels, coverage = stack.part(block, slice(left, right))
        lit = np.maximum(pixels, light.relight(np.ascontiguousarray(pixels), factor))
        # A fill only raises: where its factor is 1, the table's rounding must not change a level.
        raised = np.maximum(np.maximum(factor[..., 0], factor[..., 1]), factor[..., 2]) > light.UNITY
        pixels[:] = cv2.copyTo(lit, raised.view(np.uint8), np.ascontiguousarray(pixels))
        coverage |= -raised.view(np.uint8)  # FILLED has all bits


def _behind_masks(
    at: Window, filled: Sequence[Decision]
) -> Iterator[tuple[NDArray[np.uint16], slice, slice, NDArray[np.uint8]]]:
    """Fill ratio (on the root), rows, columns and mask of every frame that has both in a window."""
    for d in filled:
        window = None if d.fill is None else d.fill.window(at[0])
        if d.fill is None or window is None:
            continue
        down, cols = window[0], slice(max(at[1].start, window[1].start), min(at[1].stop, window[1].stop))
        masked = _masked(down, cols, d) if cols.start < cols.stop else None
        if masked is not None:
            across, mask = masked
            yield d.fill.pick(down, across), down, across, mask


def _fill_sum(stack: Stack, window: Window, filled: Sequence[Decision]) -> None:
    """Add what masks have kept from a sum, frame by frame."""
    (pixels, coverage), plate = stack.part(*window), stack.daylight(*window)
    added = np.zeros(pixels.shape, np.float32)
    top, left = window[0].start, window[1].start
    for ratio, down, across, mask in _behind_masks(window, filled):
        at = (slice(down.start - top, down.stop - top), slice(across.start - left, across.stop - left))
        gain = np.maximum((ratio / np.float32(light.UNITY)) ** 2, 1)
        added[at] += rules.missing(pixels[at], plate[at], gain, mask)
    raised = light.strongest(added) > 0
    total = np.maximum(pixels, light.encode(colour.to_linear(pixels) + added))
    np.copyto(pixels, total, where=raised[..., None])
    coverage[raised] = FILLED

"""Pass 2 and the whole merge: decisions in, one picture out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, geometry, hotpixels, light, parallel, profiles, resampling, rules, worksheet
from .decisions import Choices, Decision, Decisions, Given, decide
from .errors import Finding
from .frames import Series, as_series, working_pixels
from .fullmask import FullMask
from .geometry import STRIP_ROWS
from .light import Field
from .looking import Progress
from .profiles import Profile
from .shelf import Shelf
from .stack import Stack
from .worksheet import Worksheet

FILLED = 255
"""Value of the coverage map where the light is a fill, not measured."""


BLOCK_ROWS = 32
"""Rows that are corrected at a time: float copies of so few rows stay in the processor's cache. Part of the method, like
the strips."""


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
    decisions: Decisions, *, shelf: Shelf | None = None, threads: int = 2, progress: Progress | None = None
) -> Composite:
    """Carry out decisions at full size, one frame at a time.

    Parameters
    ----------
    decisions : Decisions
    shelf : Shelf, optional
        What the first pass has kept of the decoded frames.
    threads : int
    progress : callable, optional
    """
    shelf = shelf or Shelf()
    shape = decisions.series.shape
    stack = Stack(shape, np.uint16, rule=decisions.choices.rule)
    on = merge_order(decisions.frames, decisions.choices.rule)
    reference = _profile(decisions)
    numbers = {frame.name: i + 1 for i, frame in enumerate(decisions.series.frames)}
    with parallel.limited(threads):
        for done, (d, pixels) in enumerate(_decoded(on, shelf, decisions.hot_pixels)):
            _each_strip(shape, lambda rows, d=d, p=pixels: add_strip(stack, rows, d, p, numbers[d.frame.name]))  # type: ignore[misc]
            if progress:
                progress("merging", done + 1, len(on))
        filled = [d for d in on if d.fill is not None]
        if filled:
            _each_strip(shape, lambda rows: fill_strip(stack, rows, filled))
        _each_strip(shape, lambda rows: _into_profile(stack.pixels()[rows], reference))
    return Composite(
        pixels=stack.pixels(),
        coverage=stack.coverage(),
        decisions=decisions,
        worksheet=worksheet_of(decisions),
        findings=decisions.findings,
    )


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
    pixels = _ready(d, d.frame.pixels(), decisions.hot_pixels)
    whole, hidden = np.zeros((*shape, 3), np.uint16), np.full(shape, 255, np.uint8)
    profile = _profile(decisions)

    def one(rows: slice) -> None:
        for block, cols, part in _parts(rows, d, pixels):
            whole[block, cols] = profile.from_working(part)
            unseen = np.zeros(part.shape[:2], np.uint8) if d.reach is None else (d.reach.render(block, cols) == 0) * 255
            masked = _masked(block, cols, d)
            if masked is not None:
                inside = unseen[:, masked[0].start - cols.start : masked[0].stop - cols.start]
                inside[masked[1] == 255] = 255
            hidden[block, cols] = unseen

    _each_strip(shape, one)
    return whole, hidden


def full_mask(d: Decision) -> NDArray[np.uint8]:
    """Mask of one frame at full size in its own geometry: (H, W) uint8, 255 = hidden."""
    return np.zeros(d.frame.shape, np.uint8) if d.hidden is None else d.hidden.whole()


def _decoded(on: Sequence[Decision], shelf: Shelf, hot: NDArray[np.intp]) -> Iterator[tuple[Decision, NDArray[Any]]]:
    """Decode one frame ahead of the one in hand."""
    with ThreadPoolExecutor(1) as reader:
        ahead: Future[NDArray[Any]] | None = reader.submit(shelf.pixels, on[0].frame)
        for i, d in enumerate(on):
            assert ahead is not None
            pixels = _ready(d, ahead.result(), hot)
            ahead = reader.submit(shelf.pixels, on[i + 1].frame) if i + 1 < len(on) else None
            yield d.in_hand(), pixels
            shelf.give_back(d.frame, pixels)
            del pixels
        shelf.clear()


def _each_strip(shape: tuple[int, int], job: Callable[[slice], None]) -> None:
    parallel.each(job, [slice(top, min(top + STRIP_ROWS, shape[0])) for top in range(0, shape[0], STRIP_ROWS)])


def _ready(d: Decision, pixels: NDArray[Any], hot: NDArray[np.intp]) -> NDArray[Any]:
    """Decoded pixels without the sensor's hot ones, in the curve that all steps work in."""
    if len(hot) and d.frame.array is None:
        pixels = hotpixels.remove(pixels, hot)
    return working_pixels(d.frame, pixels)


def _profile(decisions: Decisions) -> Profile:
    reference = next(d.frame for d in decisions.frames if d.frame.name == decisions.reference)
    return profiles.recognise(reference.facts.icc)


def add_strip(stack: Stack, rows: slice, d: Decision, pixels: NDArray[Any], number: int) -> None:
    """One strip of one frame onto the stack."""
    for block, cols, part in _parts(rows, d, pixels):
        stack.add_strip(block.start, part, number, left=cols.start, ambient=d.role == "ambient")


def _parts(rows: slice, d: Decision, pixels: NDArray[Any]) -> Iterator[tuple[slice, slice, NDArray[np.uint16]]]:
    """Warp, correct and weaken one strip, only in the columns where the frame takes part.

    Yields
    ------
    rows, columns, (h, w, 3) uint16 encoded
    """
    cols = slice(0, d.frame.shape[1])
    if d.reach is not None:
        window = d.reach.window(rows)
        if window is None:
            return
        cols = window[1]
    warped = resampling.warp_strip(pixels, d.frame_to_reference, rows, cols)
    factor, stray, masked = light.limited(d.gain, d.reach), light.within(d.glow, d.reach), _masked(rows, cols, d)
    for top in range(rows.start, rows.stop, BLOCK_ROWS):
        block = slice(top, min(top + BLOCK_ROWS, rows.stop))
        down = slice(top - rows.start, block.stop - rows.start)
        part = _corrected(warped[down], block, cols, factor, stray)
        if masked is not None and masked[1][down].any():
            across = slice(masked[0].start - cols.start, masked[0].stop - cols.start)
            part = part if part.flags.writeable else part.copy()
            part[:, across] = light.weakened(part[:, across], masked[1][down])
        yield block, cols, part


def _into_profile(strip: NDArray[np.uint16], profile: Profile) -> None:
    encoded = profile.from_working(strip)
    if encoded is not strip:
        strip[:] = encoded


def _corrected(
    strip: NDArray[Any], rows: slice, cols: slice, factor: Field | None, stray: Field | None
) -> NDArray[np.uint16]:
    """Daylight, lamp, reach and glow of one block, in linear light, where they change anything; in place where it may be."""
    whole = colour.sixteen_bits(strip)
    edges = np.array([*range(cols.start, cols.stop, geometry.TILE_COLUMNS), cols.stop], np.intp)
    scaled, lowered = (
        np.zeros(len(edges) - 1, bool) if field is None else field.matters(rows, edges) for field in (factor, stray)
    )
    gain = factor.render(rows, cols) if factor is not None and scaled.any() else None
    light_off = stray.render(rows, cols) if stray is not None and lowered.any() else None
    for at, has_gain, has_stray in _runs(edges - cols.start, scaled, lowered):
        whole = whole if whole.flags.writeable else whole.copy()
        whole[:, at] = light.relight(
            strip[:, at],
            gain[:, at] if has_gain and gain is not None else None,
            light_off[:, at] if has_stray and light_off is not None else None,
        )
    return whole


def _runs(
    edges: NDArray[np.intp], scaled: NDArray[np.bool_], lowered: NDArray[np.bool_]
) -> Iterator[tuple[slice, bool, bool]]:
    """Neighbouring tiles in which the same changes, as one; none where nothing does."""
    start = 0
    for k in range(1, len(scaled) + 1):
        if k == len(scaled) or (scaled[k], lowered[k]) != (scaled[start], lowered[start]):
            if scaled[start] or lowered[start]:
                yield slice(int(edges[start]), int(edges[k])), bool(scaled[start]), bool(lowered[start])
            start = k


def _masked(rows: slice, cols: slice, d: Decision) -> tuple[slice, NDArray[np.uint8]] | None:
    """Mask of a frame in a window of the reference's geometry: columns and values; None if nothing is hidden there."""
    if d.hidden is None:
        return None
    across = geometry.shown(d.hidden.window, d.frame.shape, d.frame_to_reference, rows, cols)
    if across is None:
        return None
    mask = resampling.warp_mask_strip(d.hidden, d.frame_to_reference, rows, across)
    return (across, mask) if mask.any() else None


def fill_strip(stack: Stack, rows: slice, filled: Sequence[Decision]) -> None:
    """Raise what is left behind masks by the largest fill ratio of the frames hidden there.

    Notes
    -----
    Behind a mask of opacity a, frame i with light F left ``(1 - a) F`` in the maximum M beside the others' light O, and
    its fill ratio r says that ``F = r O`` there. So ``F = M / (1 - a)`` if its own rest won, else ``F = r M``: in
    both cases the factor is ``min(r, 1 / (1 - a))``, which makes the soft edge of a mask seamless. A sum gets back what
    each mask has kept from it (`rules.missing`).
    """
    if stack.rule == "sum":
        _fill_sum(stack, rows, filled)
        return
    width = stack.coverage().shape[1]
    left, right = width, 0
    whole = np.full((rows.stop - rows.start, width, 3), light.UNITY, np.uint16)
    for ratio, down, across, mask in _behind_masks(rows, filled):
        limit = light.limit_of_fill(mask)
        inside = whole[down.start - rows.start : down.stop - rows.start, across]
        np.maximum(inside, cv2.min(ratio, cv2.merge([limit, limit, limit])), out=inside)
        left, right = min(left, across.start), max(right, across.stop)
    if left >= right:
        return
    for top in range(rows.start, rows.stop, BLOCK_ROWS):
        block = slice(top, min(top + BLOCK_ROWS, rows.stop))
        factor = np.ascontiguousarray(whole[block.start - rows.start : block.stop - rows.start, left:right])
        pixels, coverage = stack.pixels()[block, left:right], stack.coverage()[block, left:right]
        lit = np.maximum(pixels, light.relight(np.ascontiguousarray(pixels), factor))
        # A fill only raises: where its factor is 1, the table's rounding must not change a level.
        raised = np.maximum(np.maximum(factor[..., 0], factor[..., 1]), factor[..., 2]) > light.UNITY
        pixels[:] = cv2.copyTo(lit, raised.view(np.uint8), np.ascontiguousarray(pixels))
        coverage |= -raised.view(np.uint8)  # FILLED has all bits


def _behind_masks(
    rows: slice, filled: Sequence[Decision]
) -> Iterator[tuple[NDArray[np.uint16], slice, slice, NDArray[np.uint8]]]:
    """Fill ratio (on the root), rows, columns and mask of every frame that has both in a strip."""
    for d in filled:
        window = None if d.fill is None else d.fill.window(rows)
        masked = None if window is None else _masked(*window, d)
        if d.fill is not None and window is not None and masked is not None:
            across, mask = masked
            yield d.fill.pick(window[0], across), window[0], across, mask


def _fill_sum(stack: Stack, rows: slice, filled: Sequence[Decision]) -> None:
    """Add what masks have kept from a sum, frame by frame."""
    pixels, coverage, plate = stack.pixels()[rows], stack.coverage()[rows], stack.daylight()[rows]
    added = np.zeros(pixels.shape, np.float32)
    for ratio, down, across, mask in _behind_masks(rows, filled):
        at = (slice(down.start - rows.start, down.stop - rows.start), across)
        gain = np.maximum((ratio / np.float32(light.UNITY)) ** 2, 1)
        added[at] += rules.missing(pixels[at], plate[at], gain, mask)
    raised = light.strongest(added) > 0
    total = np.maximum(pixels, light.encode(colour.to_linear(pixels) + added))
    np.copyto(pixels, total, where=raised[..., None])
    coverage[raised] = FILLED


def worksheet_of(decisions: Decisions) -> Worksheet:
    """Write down what was decided."""
    taken = {d.frame.name: d for d in decisions.frames}
    out = dict(decisions.left_out)
    names = [f.name for f in decisions.series.frames] + [
        n for n in out if n not in {f.name for f in decisions.series.frames}
    ]
    records = [
        _record(taken[n]) if n in taken else worksheet.FrameRecord(file=n, role="left out", why=out[n]) for n in names
    ]
    legend = {"0": "no frame", str(FILLED): "fill: light put back behind masks"}
    legend |= {str(i + 1): f.name for i, f in enumerate(decisions.series.frames)}
    choices = decisions.choices
    return Worksheet(
        reference=decisions.reference,
        frames=tuple(records),
        merge=asdict(choices) | {"hot_points": decisions.hot_pixels.tolist()},
        coverage=legend,
        offer={
            "subject": list(decisions.offer.subject.ellipse or ()),
            "inside": list(decisions.offer.inside),
            "lamps": [{"frame": s.name, "gain_ev": s.gain_ev, "why": s.why} for s in decisions.offer.lamps],
        },
        findings=tuple(
            {"code": f.code, "frame": f.frame, "text": f.text, "remedy": f.remedy, "serious": f.serious}
            for f in decisions.findings
        ),
    )


def _record(d: Decision) -> worksheet.FrameRecord:
    a = d.alignment
    notes: dict[str, Any] = {
        "alignment": {
            "model": a.model,
            "residual_px": round(a.residual_px, 3),
            "inliers": a.inliers,
            "spread": round(a.spread, 3),
            "verdict": a.verdict,
        }
    }
    if d.level is not None and not d.level.is_even:
        notes["level"] = {
            "gradient_ev": list(d.level.gradient_ev),
            "exposure_ev": d.level.exposure_ev,
            "gains": list(d.level.gains),
            "reason": d.level.reason,
        }
    if d.found is not None:
        notes["hidden"] = [
            {
                "box": list(r.box),
                "area_px": r.area_px,
                "why": r.why,
                "confidence": round(r.confidence, 3),
                "unsure": r.unsure,
            }
            for r in d.found
        ]
    if d.fill_share:
        notes["fill"] = {"share": round(d.fill_share, 5)}
    return worksheet.FrameRecord(
        file=d.frame.name,
        role=d.role,
        why=a.reason,
        homography=d.frame_to_reference,
        ambient_ev=0.0 if d.level is None else d.level.ambient_ev,
        mask=f"masks/{Path(d.frame.name).stem}.png",
        gain_ev=d.lamp.gain_ev,
        warmth=d.lamp.warmth,
        on=d.lamp.on,
        by_hand=d.by_hand,
        notes=notes,
    )

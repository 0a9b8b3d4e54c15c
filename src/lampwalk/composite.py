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

from . import geometry, hotpixels, light, parallel, profiles, worksheet
from .decisions import Choices, Decision, Decisions, Given, Progress, decide
from .errors import Finding
from .frames import Series, as_series, working_pixels
from .geometry import STRIP_ROWS
from .profiles import Profile
from .shelf import Shelf
from .stack import Stack, weaken
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
    given = Given(masks=masks or {})
    with TemporaryDirectory() as scratch:
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
    on = in_order(decisions)
    reference = _profile(decisions)
    numbers = {frame.name: i + 1 for i, frame in enumerate(decisions.series.frames)}
    with parallel.limited(threads):
        for done, (d, pixels) in enumerate(_decoded(on, shelf, decisions.hot_pixels)):
            _each_strip(shape, lambda rows, d=d, p=pixels: _add(stack, rows, d, p, numbers[d.frame.name]))  # type: ignore[misc]
            if progress:
                progress("merging", done + 1, len(on))
        filled = [d for d in on if d.fill is not None]
        if filled:
            _each_strip(shape, lambda rows: _fill(stack, rows, filled))
        _each_strip(shape, lambda rows: _into_profile(stack.pixels()[rows], reference))
    return Composite(
        pixels=stack.pixels(),
        coverage=stack.coverage(),
        decisions=decisions,
        worksheet=worksheet_of(decisions),
        findings=decisions.findings,
    )


def in_order(decisions: Decisions) -> list[Decision]:
    """List the frames that take part, ambient frames first: a rule that adds lamps to daylight needs it below them."""
    return sorted((d for d in decisions.frames if d.lamp.on), key=lambda d: d.role != "ambient")


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
        Warped, levelled, without glow.
    (H, W) uint8
        255 where it takes no part: hidden by its mask, or its lamp adds nothing there.
    """
    shape = decisions.series.shape
    pixels = _ready(d, d.frame.pixels(), decisions.hot_pixels)
    whole, hidden = np.zeros((*shape, 3), np.uint16), np.full(shape, 255, np.uint8)
    profile = _profile(decisions)

    def one(rows: slice) -> None:
        for block, cols, part, unseen in _parts(rows, d, pixels):
            whole[block, cols] = profile.from_working(part)
            hidden[block, cols] = 0 if unseen is None else unseen

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
            pixels = ahead.result()
            pixels = _ready(d, pixels, hot)
            ahead = reader.submit(shelf.pixels, on[i + 1].frame) if i + 1 < len(on) else None
            yield d, pixels
            del pixels


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


def _add(stack: Stack, rows: slice, d: Decision, pixels: NDArray[Any], number: int) -> None:
    """One strip of one frame onto the stack."""
    for block, cols, part, hidden in _parts(rows, d, pixels):
        seen = part if hidden is None else weaken(part, hidden)
        stack.add_strip(block.start, seen, number, left=cols.start, ambient=d.role == "ambient")


def _parts(
    rows: slice, d: Decision, pixels: NDArray[Any]
) -> Iterator[tuple[slice, slice, NDArray[np.uint16], NDArray[np.uint8] | None]]:
    """Warp and correct one strip, only in the columns where the frame takes part.

    Yields
    ------
    rows, columns, (h, w, 3) uint16 encoded, (h, w) uint8 of what is hidden or None
    """
    cols = slice(0, d.frame.shape[1])
    if d.reach is not None:
        window = d.reach.window(rows)
        if window is None:
            return
        cols = window[1]
    warped = geometry.warp_strip(pixels, d.frame_to_reference, rows, cols)
    for top in range(rows.start, rows.stop, BLOCK_ROWS):
        block = slice(top, min(top + BLOCK_ROWS, rows.stop))
        part = np.ascontiguousarray(warped[block.start - rows.start : block.stop - rows.start])
        if part.dtype == np.uint8:
            part = np.multiply(part, np.uint16(257), dtype=np.uint16)
        yield block, cols, _corrected(part, block, cols, d), _hidden(block, cols, d)


def _into_profile(strip: NDArray[np.uint16], profile: Profile) -> None:
    encoded = profile.from_working(strip)
    if encoded is not strip:
        strip[:] = encoded


def _corrected(strip: NDArray[np.uint16], rows: slice, cols: slice, d: Decision) -> NDArray[np.uint16]:
    """Daylight, lamp and glow of one strip, in linear light, where they change anything."""
    windows = [field.window(rows) for field in (d.gain, d.glow) if field is not None]
    touched = [window for window in windows if window is not None]
    if not touched:
        return strip
    down = slice(min(r.start for r, _ in touched), max(r.stop for r, _ in touched))
    across = slice(max(cols.start, min(c.start for _, c in touched)), min(cols.stop, max(c.stop for _, c in touched)))
    if across.start >= across.stop:
        return strip
    gain = None if d.gain is None else d.gain.render(down, across)
    stray = None if d.glow is None else d.glow.render(down, across)
    inside = (
        slice(down.start - rows.start, down.stop - rows.start),
        slice(across.start - cols.start, across.stop - cols.start),
    )
    changed = light.relight(np.ascontiguousarray(strip[inside]), gain, stray)
    if changed.shape == strip.shape:
        return changed
    strip = strip.copy()
    strip[inside] = changed
    return strip


def _hidden(rows: slice, cols: slice, d: Decision) -> NDArray[np.uint8] | None:
    """What of a strip is hidden, by the mask or because the lamp adds nothing there."""
    hidden = None
    if d.hidden is not None:
        hidden = geometry.warp_strip(d.hidden, d.frame_to_reference, rows, cols, linear=True)
        if not hidden.any():
            hidden = None
    if d.reach is not None:
        quiet = cv2.bitwise_not(np.ascontiguousarray(d.reach.render(rows, cols)))
        hidden = quiet if hidden is None else np.maximum(hidden, quiet)
    return hidden


def _fill(stack: Stack, rows: slice, filled: Sequence[Decision]) -> None:
    """Raise what is left behind masks by the largest fill ratio of the frames hidden there.

    Notes
    -----
    Behind a mask of opacity a, frame i with light F left ``(1 - a) F`` in the maximum M beside the others' light O, and
    its fill ratio r says that ``F = r O`` there. So ``F = M / (1 - a)`` if its own rest won, else ``F = r M``: in
    both cases the factor is ``min(r, 1 / (1 - a))``, which makes the soft edge of a mask seamless.
    """
    for top in range(rows.start, rows.stop, BLOCK_ROWS):
        _fill_block(stack, slice(top, min(top + BLOCK_ROWS, rows.stop)), filled)


def _fill_block(stack: Stack, rows: slice, filled: Sequence[Decision]) -> None:
    pixels, coverage = stack.pixels()[rows], stack.coverage()[rows]
    ratio = np.ones(pixels.shape, np.float32)
    for d in filled:
        window = None if d.fill is None else d.fill.window(rows)
        if d.fill is None or window is None or d.hidden is None:
            continue
        inside = (slice(window[0].start - rows.start, window[0].stop - rows.start), window[1])
        mask = geometry.warp_strip(d.hidden, d.frame_to_reference, window[0], window[1], linear=True)
        if not mask.any():
            continue
        behind = np.nonzero(mask)
        left = (255 - mask[behind]).astype(np.float32)[:, None] / 255
        limit = np.minimum(d.fill.render(*window)[behind], 1 / np.maximum(left, 1e-6))
        ratio[inside][behind] = np.maximum(ratio[inside][behind], limit)
    raised = (ratio > 1).any(axis=2)
    if raised.any():
        # A fill only raises: where its factor is 1, the table's rounding must not lower a level.
        pixels[raised] = np.maximum(pixels[raised], light.relight(pixels[raised][None], ratio[raised][None], None)[0])
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
    if d.mask is not None:
        notes["hidden"] = [
            {
                "box": list(r.box),
                "area_px": r.area_px,
                "why": r.why,
                "confidence": round(r.confidence, 3),
                "unsure": r.unsure,
            }
            for r in d.mask.regions
        ]
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

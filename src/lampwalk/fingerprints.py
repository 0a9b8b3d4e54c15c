"""Fingerprints: a digest of what every tile of a result is made of. Where that is the same, so are the pixels.

A tile depends on the frames that take part in it, and on what their small fields and masks are in and round it. So two runs
of one series differ at most where these digests differ, and only there need the second one be merged.
"""

from __future__ import annotations

import json
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from . import geometry, parallel, resampling
from .composite import Former, Window, merge_order
from .decisions import Decision, Decisions
from .frames import state_of
from .light import Field
from .recall import Recall, anew

FILE = "small/fingerprints.json"
"""In a run folder."""

RESULTS = ("composite.tif", "coverage.png")
"""The files whose tiles the digests speak of; written before the digests, and not since."""

MARGIN_PX = 8
"""Preview pixels round a tile that it may depend on: twice what light is grown by before it is cut (`light.within`)."""

DIGITS = 16
"""Hexadecimal digits of a digest that are kept."""

_Part = NDArray[np.generic]
_NOTHING: _Part = np.zeros(0, np.uint8)

Fingerprints = tuple[tuple[str, ...], ...]
"""Digests by row and column of the fixed grid."""


def of(decisions: Decisions, contents: Mapping[str, str], recall: Recall = anew) -> Fingerprints:
    """Digest what a result is made of.

    Parameters
    ----------
    decisions : Decisions
    contents : mapping of frame name to str
        Digest of the frame's file.
    recall : Recall
    """
    shape, numbers = decisions.series.shape, {frame.name: i + 1 for i, frame in enumerate(decisions.series.frames)}
    tiles, everywhere = _tiles(shape), _everywhere(decisions)
    found = [[sha256(everywhere) for _ in tiles] for _ in geometry.strips(shape[0])]
    for d in merge_order(decisions.frames, decisions.choices.rule):
        own = _own(d, numbers[d.frame.name], contents[d.frame.name])
        made_of = (own, d.gain, d.glow, d.reach, d.fill, d.hidden, shape)
        for digests, parts in zip(found, recall(partial(_of_frame, d, own, shape), "tiles", *made_of), strict=True):
            for digest, part in zip(digests, parts, strict=True):
                digest.update(part)
    return tuple(tuple(digest.hexdigest()[:DIGITS] for digest in row) for row in found)


def _of_frame(one: Decision, own: bytes, shape: tuple[int, int]) -> list[list[bytes]]:
    """Digest what a frame brings to each tile, by row and column; nothing where it takes no part."""
    tiles, d = _tiles(shape), one.in_hand()

    def digest(parts: Sequence[_Part]) -> bytes:
        found = sha256(own)
        for part in parts:
            found.update(str(part.shape).encode() + np.ascontiguousarray(part).tobytes())
        return found.digest() if parts else b""

    return parallel.each(
        lambda rows: [digest(parts) for parts in _ingredients(d, rows, tiles)], geometry.strips(shape[0])
    )


def write(folder: Path, known: Fingerprints) -> None:
    """Keep it in a run folder whose result is written already; as text, about 20 bytes a tile."""
    (folder / FILE).write_text(json.dumps(known) + "\n", "utf-8")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """The result of a run, and what it was made of.

    Attributes
    ----------
    pixels : (H, W, 3) uint16
    coverage : (H, W) uint8
    made_of : Fingerprints
    state : tuple
        By which is seen whether its files are still as they were written (`state`).
    """

    pixels: NDArray[np.uint16]
    coverage: NDArray[np.uint8]
    made_of: Fingerprints
    state: tuple[Hashable, ...] = ()


def state(run: Path) -> tuple[Hashable, ...]:
    """Length and time of the files that a result is read from; nothing where one is missing."""
    try:
        return tuple(state_of(run / name) for name in (*RESULTS, FILE))
    except OSError:
        return ()


def read_result(run: Path, known: Result | None = None) -> Result | None:
    """Read the result of a run; None where it is not known what it was made of, or it was written to since.

    Parameters
    ----------
    run : Path
    known : Result, optional
        What was written there last: it is given back where that is still so.
    """
    if known is not None and known.state and known.state == state(run):
        return known
    try:
        made_of = json.loads((run / FILE).read_text("utf-8"))
        written = (run / FILE).stat().st_mtime_ns
        if any((run / name).stat().st_mtime_ns > written for name in RESULTS):
            return None
        pixels = _mapped(run / RESULTS[0])
        coverage = cv2.imread(str(run / RESULTS[1]), cv2.IMREAD_GRAYSCALE)
    except (OSError, ValueError, tifffile.TiffFileError):
        return None
    if coverage is None or pixels.dtype != np.uint16 or pixels.shape != (*coverage.shape, 3):
        return None
    return Result(pixels=pixels, coverage=np.asarray(coverage, np.uint8), made_of=made_of)


def still_holding(result: Result | None, made_of: Fingerprints) -> Former | None:
    """Say where a result does not hold any more; None where it holds nowhere.

    Parameters
    ----------
    result : Result or None
    made_of : Fingerprints
        Of what is to be merged now.
    """
    if result is None:
        return None
    height, width = result.coverage.shape
    windows = changed(result.made_of, made_of, (height, width))
    return None if windows is None else Former(pixels=result.pixels, coverage=result.coverage, windows=windows)


def changed(before: Fingerprints, after: Fingerprints, shape: tuple[int, int]) -> tuple[Window, ...] | None:
    """Say where two results of height and width `shape` may differ, as whole tiles; None where they may everywhere."""
    try:
        same = [[a == b for a, b in zip(*rows, strict=True)] for rows in zip(before, after, strict=True)]
    except (TypeError, ValueError):  # of another picture, or no fingerprints at all
        return None
    return tuple(_windows(same, shape)) if any(map(any, same)) else None


def _mapped(path: Path) -> NDArray[np.uint16]:
    """Pixels of a TIFF file; where they lie in it as they are, they stay there, and what is changed is kept in memory."""
    try:
        return np.asarray(tifffile.memmap(path, mode="c"))
    except ValueError:  # compressed
        return np.asarray(tifffile.imread(path))


def _windows(same: list[list[bool]], shape: tuple[int, int]) -> Iterator[Window]:
    """Give the tiles that are not the same, neighbours in a row as one."""
    for rows, known in zip(geometry.strips(shape[0]), same, strict=True):
        for is_same, run in groupby(zip(known, _tiles(shape), strict=True), key=itemgetter(0)):
            tiles = [cols for _, cols in run]
            if not is_same:
                yield rows, slice(tiles[0].start, tiles[-1].stop)


def _tiles(shape: tuple[int, int]) -> list[slice]:
    return geometry.tiles(slice(0, shape[1]), shape[1])


def _everywhere(decisions: Decisions) -> bytes:
    """What all tiles depend on, the program itself included."""
    from . import __version__

    reference = next(d.frame for d in decisions.frames if d.frame.name == decisions.reference)
    told = (
        (__version__, cv2.__version__, np.__version__, decisions.series.shape, decisions.choices.rule),
        decisions.reference,
        sha256(reference.facts.icc or b"").hexdigest(),
        decisions.hot_pixels.tolist(),
    )
    return repr(told).encode()


def _own(d: Decision, number: int, content: str) -> bytes:
    """What the pixels of a frame, and their place, depend on in all tiles."""
    frame = d.frame
    told = (frame.name, content, frame.bits, frame.development, frame.facts.orientation, number, d.role)
    return repr((*told, d.frame_to_reference.tolist())).encode()


def _ingredients(d: Decision, rows: slice, tiles: list[slice]) -> Iterator[list[_Part]]:
    """What a frame brings to each tile of a strip; nothing where it takes no part."""
    fields = (_around(field, rows, tiles) for field in (d.gain, d.glow, d.reach, d.fill))
    for gain, glow, reach, fill, mask in zip(*fields, _hidden(d, rows, tiles), strict=True):
        if d.reach is None or reach.size:
            yield [gain, glow, reach, fill, *mask]
        else:
            yield [fill, *mask] if fill.size else []


def _around(field: Field | None, rows: slice, tiles: list[slice]) -> list[_Part]:
    """Part of a field that each tile can depend on; nothing where it changes nothing."""
    if field is None:
        return [_NOTHING] * len(tiles)
    strip, across = field.around(rows, tiles, MARGIN_PX)
    changes = (strip != field.neutral).reshape(len(strip), -1).any(axis=0).reshape(strip.shape[1], -1).any(axis=1)
    return [strip[:, near] if changes[near].any() else _NOTHING for near in across]


def _hidden(d: Decision, rows: slice, tiles: list[slice]) -> list[list[_Part]]:
    """Where in its source something is hidden, and the mask there, for each tile of a strip; nothing if nothing is."""
    if d.hidden is None:
        return [[] for _ in tiles]
    boxes = resampling.source_boxes(d.frame.shape, d.frame_to_reference, rows, tiles)
    down = slice(min(box[0].start for box in boxes), max(box[0].stop for box in boxes))
    window = d.hidden.window(down)
    if window is None:
        return [[] for _ in tiles]
    strip = d.hidden.part(down, window[1])
    found = []
    for own, cols in boxes:
        left, right = max(cols.start, window[1].start), min(cols.stop, window[1].stop)
        part = strip[own.start - down.start : own.stop - down.start, left - window[1].start : right - window[1].start]
        x, y, w, h = cv2.boundingRect(part) if left < right else (0, 0, 0, 0)
        place: _Part = np.array([left + x, own.start + y])
        found.append([place, part[y : y + h, x : x + w]] if w else [])
    return found

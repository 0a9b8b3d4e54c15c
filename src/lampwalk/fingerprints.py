"""Fingerprints: a digest of what every tile of a result is made of. Where that is the same, so are the pixels.

A tile depends on the frames that take part in it, and on what their small fields and masks are in and round it. So two runs
of one series differ at most where these digests differ, and only there need the second one be merged.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
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
from .drawer import IN_MEMORY
from .frames import state_of
from .fullmask import FullMask
from .geometry import Matrix
from .light import Field, waiting
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


def of(
    decisions: Decisions, contents: Mapping[str, str], recall: Recall = anew, *, filled: bool = True
) -> Fingerprints:
    """Digest what a result is made of.

    Parameters
    ----------
    decisions : Decisions
    contents : mapping of frame name to str
        Digest of the frame's file.
    recall : Recall
    filled : bool
        With its fills, or what lies beneath them.
    """
    shape, numbers = decisions.series.shape, {frame.name: i + 1 for i, frame in enumerate(decisions.series.frames)}
    tiles, everywhere = _tiles(shape), _everywhere(decisions)
    found = [[sha256(everywhere) for _ in tiles] for _ in geometry.strips(shape[0])]
    for d in merge_order(decisions.frames, decisions.choices.rule):
        own, place = _own(d, numbers[d.frame.name], contents[d.frame.name]), d.frame_to_reference
        lights = recall(partial(_of_light, d, shape), "light of tiles", d.gain, d.glow, d.reach, shape)
        fills = _fills(d if filled else replace(d, fill=None), shape, recall)
        masks = recall(partial(_of_mask, d, shape), "mask of tiles", d.hidden, place, shape)
        for row, *parts in zip(found, lights, fills, masks, strict=True):
            for digest, light, fill, mask in zip(row, *parts, strict=True):
                if light or fill:  # else the frame takes no part
                    digest.update(own + light + fill + mask)
    return tuple(tuple(digest.hexdigest()[:DIGITS] for digest in row) for row in found)


def with_fill(decisions: Decisions, recall: Recall = anew) -> list[list[bool]]:
    """Say which tiles have a fill, by row and column of the fixed grid."""
    shape, on = decisions.series.shape, merge_order(decisions.frames, decisions.choices.rule)
    frames = [_fills(d, shape, recall) for d in on]
    return [[any(fills) for fills in zip(*rows, strict=True)] for rows in zip(*frames, strict=True)]


_Digests = list[list[bytes]]
"""Of what one frame brings to each tile, by row and column; nothing where it brings nothing."""


def _by_strips(digests: Callable[[slice], list[bytes]], shape: tuple[int, int]) -> _Digests:
    return parallel.each(digests, geometry.strips(shape[0]))


def _digest(*parts: _Part) -> bytes:
    found = sha256()
    for part in parts:
        found.update(str(part.shape).encode() + np.ascontiguousarray(part).tobytes())
    return found.digest()


def _of_light(d: Decision, shape: tuple[int, int]) -> _Digests:
    """Gain, glow and reach; nothing beyond its reach."""
    fields = [waiting(field, IN_MEMORY) for field in (d.gain, d.glow, d.reach)]

    def digests(rows: slice) -> list[bytes]:
        parts = zip(*(_around(field, rows, _tiles(shape)) for field in fields), strict=True)
        return [_digest(*three) if d.reach is None or three[2].size else b"" for three in parts]

    return _by_strips(digests, shape)


def _of_fill(d: Decision, shape: tuple[int, int]) -> _Digests:
    field = waiting(d.fill, IN_MEMORY)
    return _by_strips(
        lambda rows: [_digest(fill) if fill.size else b"" for fill in _around(field, rows, _tiles(shape))], shape
    )


def _fills(d: Decision, shape: tuple[int, int], recall: Recall) -> _Digests:
    return recall(partial(_of_fill, d, shape), "fill of tiles", d.fill, shape)


def _of_mask(d: Decision, shape: tuple[int, int]) -> _Digests:
    hidden = None if d.hidden is None else d.hidden.waiting(IN_MEMORY)

    def digests(rows: slice) -> list[bytes]:
        parts = _hidden(hidden, d.frame_to_reference, rows, _tiles(shape))
        return [_digest(*mask) if mask else b"" for mask in parts]

    return _by_strips(digests, shape)


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


def _around(field: Field | None, rows: slice, tiles: list[slice]) -> list[_Part]:
    """Part of a field that each tile can depend on; nothing where it changes nothing."""
    if field is None:
        return [_NOTHING] * len(tiles)
    strip, across = field.around(rows, tiles, MARGIN_PX)
    changes = (strip != field.neutral).reshape(len(strip), -1).any(axis=0).reshape(strip.shape[1], -1).any(axis=1)
    return [strip[:, near] if changes[near].any() else _NOTHING for near in across]


def _hidden(mask: FullMask | None, frame_to_reference: Matrix, rows: slice, tiles: list[slice]) -> list[list[_Part]]:
    """Where in its source something is hidden, and the mask there, for each tile of a strip; nothing if nothing is."""
    if mask is None:
        return [[] for _ in tiles]
    boxes = resampling.source_boxes(mask.shape, frame_to_reference, rows, tiles)
    down = slice(min(box[0].start for box in boxes), max(box[0].stop for box in boxes))
    window = mask.window(down)
    if window is None:
        return [[] for _ in tiles]
    strip = mask.part(down, window[1])
    found = []
    for own, cols in boxes:
        left, right = max(cols.start, window[1].start), min(cols.stop, window[1].stop)
        part = strip[own.start - down.start : own.stop - down.start, left - window[1].start : right - window[1].start]
        x, y, w, h = cv2.boundingRect(part) if left < right else (0, 0, 0, 0)
        place: _Part = np.array([left + x, own.start + y])
        found.append([place, part[y : y + h, x : x + w]] if w else [])
    return found

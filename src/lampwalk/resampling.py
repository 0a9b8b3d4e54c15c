"""Tiles of a frame in the reference's geometry, at full size.

A cubic costs three times what a bilinear interpolation does, and they differ by little more than a sharpening: with the
fraction f of a pixel by which a place lies off the grid, and second differences D(x) = I(x-1) - 2 I(x) + I(x+1), the cubic
of Keys (a = -1/2) is in one dimension the bilinear interpolation of ``I - f (1 - f) / 2 * D``, and so across, too. A frame from
a tripod moves nearly alike in all of a small block, so f is taken to be constant in each. Where a pixel comes from
is exact; only its sharpness is that of the middle of its block.

References
----------
Keys (1981), Cubic convolution interpolation for digital image processing, IEEE Transactions on Acoustics, Speech, and
Signal Processing 29, 1153-1160.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from io import FileIO
from itertools import pairwise
from math import ceil, floor
from threading import Lock
from typing import Any, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour
from .bench import Bench
from .colour import Levels
from .errors import OutputError
from .geometry import Matrix, Windowed, is_identity, part_of, strips, tiles
from .unpacked import Pixels, Unpacked

STRENGTH = 0.7
"""Factor of ``f (1 - f) D``; 0.5 would be Keys. On photographs moved by quarters of a pixel the error is 0.94 of that at 0.5, and
least from 0.7 to 0.75 (benchmarks/alignment.md); unlike OpenCV's cubic (a = -3/4, 0.93) it displaces nothing."""

ALIKE_PX = 0.08
"""How much the motion may differ along a block of one sharpness: the overshoot of a ramp then differs by less than 0.02 of it."""

LEAST_BLOCK = 64
"""Pixels of a block's side at least; smaller ones cost more than they give."""

STEPS = 44
"""Steps for one level of a sharpened frame of 8 bits. Its kernel has weights of 1.35 and twice -0.175 in each direction at most, so
values reach from -0.945 to 1.945 of white: what a signed filter holds in 15 bits, and an unsigned warp can read."""

SHARPENED = Levels(zero=10_620, full=255 * STEPS)
"""Of a sharpened frame of 8 bits. Rounding to its steps adds less than a hundredth of a level."""

_LEVEL = np.array([[STEPS]], np.float32)

_Point = tuple[float, float]
"""x and y."""

_Block = tuple[slice, slice, NDArray[np.float32], NDArray[np.float32]]
"""Rows and columns of a window, and the kernels along them."""

MARGIN = 3
"""Pixels round the source of a tile that its interpolation may look at."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moved:
    """A frame that was brought into the reference's geometry before: what `warp_tiles` gives, tile by tile in a file.

    Attributes
    ----------
    file : binary file, unbuffered
        As `move` has filled it; it need have no name any more.
    shape : (int, int)
        Height and width of the reference.
    levels : Levels
    """

    file: FileIO
    shape: tuple[int, int]
    levels: Levels
    lock: Lock = field(default_factory=Lock, repr=False)

    def tile(self, rows: slice, cols: slice, bench: Bench) -> NDArray[np.uint16]:
        """Read one tile of the fixed grid: (h, w, 3), on the bench.

        Raises
        ------
        OutputError
            The file was cut short.
        """
        height = rows.stop - rows.start
        tile = bench.array("sharp", (height, cols.stop - cols.start, 3), np.uint16)
        with self.lock:
            self.file.seek(tile.itemsize * 3 * (rows.start * self.shape[1] + cols.start * height))
            if self.file.readinto(tile.reshape(-1).view(np.uint8).data) != tile.nbytes:
                raise OutputError("a scratch file beside the result cannot be read", remedy="merge again")
        return tile

    def __del__(self) -> None:
        self.file.close()


Ready = Pixels | Moved
"""A whole frame as the second pass gets it."""


def move(picture: Pixels, frame_to_reference: Matrix, shape: tuple[int, int], file: BinaryIO) -> None:
    """Fill the file of a `Moved`, for a reference of this height and width, with tiles of levels `levels_of`."""
    bench, grid = Bench(), tiles(slice(0, shape[1]), shape[1])
    for rows in strips(shape[0]):
        for tile in warp_tiles(picture, frame_to_reference, rows, grid, bench):
            file.write(tile.data)


def warp_tiles(
    picture: Ready, frame_to_reference: Matrix, rows: slice, grid: Sequence[slice], bench: Bench
) -> Iterator[NDArray[Any]]:
    """Tiles of a picture in the reference's geometry, one after the other; black where the frame does not reach.

    Parameters
    ----------
    picture : (H, W, 3) uint8 or uint16, in memory or in a file, or Moved
        The whole frame.
    frame_to_reference : (3, 3) float64
    rows : slice
        Of a strip of the fixed grid (`geometry.strips`).
    grid : sequence of slice
        Columns of some tiles of the fixed grid (`geometry.tiles`). The bits of one do not depend on the others.
    bench : Bench

    Yields
    ------
    (h, w, 3) uint8 or uint16, encoded, of levels `levels_of`
        For the identity the frame's own pixels, not to be written to. Else nowhere brighter than the four pixels round each
        place, and on the bench: it holds until the next one.
    """
    if isinstance(picture, Moved):
        for cols in grid:
            yield picture.tile(rows, cols, bench)
        return
    near = _near(picture, frame_to_reference, rows, grid, bench) if isinstance(picture, Unpacked) else picture
    if is_identity(frame_to_reference):
        for cols in grid:
            same = part_of(near, rows, cols)
            same.flags.writeable = False
            yield same
        return
    back = np.linalg.inv(frame_to_reference)
    sources = [_Source.of(near, back, rows, cols) for cols in grid]
    for source, cols, blocks in zip(sources, grid, _blocks(sources, frame_to_reference), strict=True):
        tile = _cubic(source, (cols.stop - cols.start, rows.stop - rows.start), blocks, bench)
        _blacken_outside(tile, source)
        yield tile


def _near(picture: Unpacked, frame_to_reference: Matrix, rows: slice, grid: Sequence[slice], bench: Bench) -> Windowed:
    """Read the rows that some tiles of a strip are made of."""
    down = [down for down, _ in source_boxes(picture.shape[:2], frame_to_reference, rows, grid)]
    return picture.near(slice(min(d.start for d in down), max(d.stop for d in down)), bench)


def levels_of(picture: Ready, frame_to_reference: Matrix) -> Levels:
    """Levels of `warp_tiles`: a moved frame of 8 bits has steps between its own, and room for what sharpening puts below black."""
    if isinstance(picture, Moved):
        return picture.levels
    if is_identity(frame_to_reference) or picture.dtype != np.uint8:
        return colour.levels_of(picture.dtype)
    return SHARPENED


def warp_mask_strip(
    mask: NDArray[np.uint8] | Windowed, frame_to_reference: Matrix, rows: slice, cols: slice
) -> NDArray[np.uint8]:
    """Part of a mask in the reference's geometry, bilinear; 0 where the frame does not reach.

    Parameters
    ----------
    mask : (H, W) uint8, or what gives windows of it
    frame_to_reference : (3, 3) float64
    rows, cols : slice
        Of one strip of the fixed grid. A pixel's bits do not depend on which other columns are asked for.

    Returns
    -------
    (h, w) uint8
    """
    if is_identity(frame_to_reference):
        return part_of(mask, rows, cols)
    back, grid = np.linalg.inv(frame_to_reference), tiles(cols, mask.shape[1])
    left, right = grid[0].start, grid[-1].stop
    strip = np.zeros((rows.stop - rows.start, right - left), np.uint8)
    for across in grid:
        source = _Source.of(mask, back, rows, across)
        if source.pixels.any():  # not so in most of a mask
            size, flags = (across.stop - across.start, strip.shape[0]), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            tile = cv2.warpPerspective(source.pixels, source.inside, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
            _blacken_outside(tile, source)
            strip[:, across.start - left : across.stop - left] = tile
    return strip[:, cols.start - left : cols.stop - left]


@dataclass(frozen=True, slots=True, eq=False)
class _Source:
    """What one tile is made of.

    Attributes
    ----------
    pixels : (n, m[, C])
        A window of the frame.
    inside : (3, 3) float64
        From pixels of the tile to pixels of the window.
    back : (3, 3) float64
        From pixels of the tile to pixels of the frame.
    first : (int, int)
        Column and row of the frame at which the window begins.
    shape : (int, int)
        Height and width of the frame.
    complete : bool
        The frame covers all of the tile.
    """

    pixels: NDArray[Any]
    inside: Matrix
    back: Matrix
    first: tuple[int, int]
    shape: tuple[int, int]
    complete: bool

    @classmethod
    def of(cls, picture: NDArray[Any] | Windowed, back: NDArray[Any], rows: slice, cols: slice) -> _Source:
        shape = (picture.shape[0], picture.shape[1])
        corners = _sent(_corners(rows, cols), back)
        down, across = _box(corners, shape)
        complete = all(0 <= x <= shape[1] - 1 and 0 <= y <= shape[0] - 1 for x, y in corners)
        from_tile = back.copy()
        from_tile[:, 2] += back[:, 0] * cols.start + back[:, 1] * rows.start
        inside = from_tile.copy()
        inside[0] -= across.start * from_tile[2]
        inside[1] -= down.start * from_tile[2]
        return cls(part_of(picture, down, across), inside, from_tile, (across.start, down.start), shape, complete)


def source_boxes(
    shape: tuple[int, int], frame_to_reference: Matrix, rows: slice, tiles: Sequence[slice]
) -> list[tuple[slice, slice]]:
    """Rows and columns of a frame of some height and width that each tile of a strip of the reference is made of."""
    if is_identity(frame_to_reference):
        return [(rows, cols) for cols in tiles]
    back = np.linalg.inv(frame_to_reference)
    return [_box(_sent(_corners(rows, cols), back), shape) for cols in tiles]


def _corners(rows: slice, cols: slice) -> list[_Point]:
    return [(x, y) for y in (rows.start, rows.stop - 1) for x in (cols.start, cols.stop - 1)]


def _sent(points: list[_Point], matrix: NDArray[Any]) -> list[_Point]:
    """Move a few points by a homography: like `geometry.moved`, and quicker for fewer than ten."""
    (a, b, c), (d, e, f), (g, h, i) = matrix.tolist()
    return [((a * x + b * y + c) / (w := g * x + h * y + i), (d * x + e * y + f) / w) for x, y in points]


def _box(points: list[_Point], shape: tuple[int, int]) -> tuple[slice, slice]:
    """Rows and columns round some places, with a margin, inside a picture of this height and width."""
    x, y = zip(*points, strict=True)
    return _span(min(y), max(y), shape[0]), _span(min(x), max(x), shape[1])


def _span(low: float, high: float, length: int) -> slice:
    first = min(max(floor(low) - MARGIN, 0), length - 1)
    return slice(first, min(max(ceil(high) + MARGIN + 1, first + 1), length))


def _cubic(source: _Source, size: tuple[int, int], blocks: list[_Block], bench: Bench) -> NDArray[np.uint16]:
    """Interpolate a tile of this width and height, in three places of the bench."""
    linear, shape = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, (size[1], size[0], 4)
    eight = source.pixels.dtype == np.uint8
    kind: Any = np.uint16 if eight else np.float32
    # Four channels take less than half the time of three.
    pixels = bench.array("pixels", (*source.pixels.shape[:2], 4), source.pixels.dtype)
    cv2.cvtColor(source.pixels, cv2.COLOR_RGB2RGBA, dst=pixels)
    sharp = bench.array("sharp", pixels.shape, kind)
    _sharpen(pixels, blocks, sharp, bench)
    warped = bench.array("warped", shape, kind)
    cv2.warpPerspective(sharp, source.inside, size, dst=warped, flags=linear, borderMode=cv2.BORDER_REPLICATE)
    ceiling = _ceiling(pixels, source.inside, size, bench)
    if not eight:
        rounded = bench.array("pixels", shape, np.uint16)
        cv2.addWeighted(warped, 1, warped, 0, 0, dst=rounded, dtype=cv2.CV_16U)  # and saturated, in one pass
        warped = rounded
    cv2.min(warped, ceiling, dst=warped)
    tile = bench.array("sharp", (*shape[:2], 3), np.uint16)
    cv2.cvtColor(warped, cv2.COLOR_RGBA2RGB, dst=tile)
    return tile


def _sharpen(pixels: NDArray[Any], blocks: list[_Block], out: NDArray[Any], bench: Bench) -> None:
    """Sharpen a window by as much as its bilinear interpolation will soften it: uint16 of levels `SHARPENED`, or float32."""
    if pixels.dtype == np.uint8:
        full, zero, depth, signed = STEPS, SHARPENED.zero, cv2.CV_16S, out.view(np.int16)
    else:
        full, zero, depth, signed = 1, 0, cv2.CV_32F, out
        deep = bench.array("warped", pixels.shape, np.float32)
        np.copyto(deep, pixels)
        pixels = deep
    for down, across, x, y in blocks:
        above, before = min(1, down.start), min(1, across.start)
        rows, cols = slice(down.start - above, down.stop + 1), slice(across.start - before, across.stop + 1)
        into = signed[rows, cols]
        # A rim of one pixel comes out wrong: below and to the right the next blocks mend it, these are done already.
        done, done_too = into[:above].copy(), into[:, :before].copy()
        cv2.sepFilter2D(pixels[rows, cols], depth, x * np.float32(full), y, dst=into, delta=zero)
        into[:above], into[:, :before] = done, done_too


def _blocks(sources: Sequence[_Source], forth: Matrix) -> list[list[_Block]]:
    """Divide each window into blocks in which a motion is nearly alike, with the kernels that sharpen them."""
    parts, places, spreads = [], [], []
    for source in sources:
        left, top = source.first
        h, w = source.pixels.shape[:2]
        (width, height), change = _sides(forth, (left + w / 2, top + h / 2), max(h, w))
        own = [(down, across) for down in _parts(h, height) for across in _parts(w, width)]
        places += [(left + (a.start + a.stop - 1) / 2, top + (d.start + d.stop - 1) / 2) for d, a in own]
        spreads += [change] * len(own)
        parts.append(own)
    k = STRENGTH * _softness(np.array(places) - np.array(_sent(places, forth)), np.array(spreads))
    kernels = iter(np.stack([-k, 1 + 2 * k, -k], axis=-1).astype(np.float32))
    return [[(down, across, *next(kernels)) for down, across in own] for own in parts]


def _softness(off: NDArray[np.float64], spread: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of ``f (1 - f)``, f the fraction of a pixel, over places that lie up to half a spread about each."""

    def total(t: NDArray[np.float64]) -> NDArray[np.float64]:
        f = t % 1
        return np.asarray((t - f) / 6 + f**2 / 2 - f**3 / 3)

    return np.asarray((total(off + spread / 2) - total(off - spread / 2)) / spread)


def _parts(length: int, side: float) -> list[slice]:
    """Divide a length into even parts of about one side."""
    n = max(1, round(length / side))
    return [slice(i * length // n, (i + 1) * length // n) for i in range(n)]


def _sides(forth: Matrix, place: _Point, most: int) -> tuple[_Point, _Point]:
    """Width and height of the blocks in which a motion is nearly alike at some place, and how much it changes along one, in x and y."""
    x, y = place
    at, right, below = _sent([(x, y), (x + 1, y), (x, y + 1)], forth)
    (xx, xy), (yx, yy) = (  # change of x and of y, by a step right and a step down
        [abs(to - here - step) + 1e-6 for to, here, step in zip(moved, at, steps, strict=True)]
        for moved, steps in ((right, (1, 0)), (below, (0, 1)))
    )
    width, height = (min(max(ALIKE_PX / change, LEAST_BLOCK), most) for change in (max(xx, xy), max(yx, yy)))
    return (width, height), (width * xx + height * yx, width * xy + height * yy)


def _ceiling(pixels: NDArray[Any], inside: Matrix, size: tuple[int, int], bench: Bench) -> NDArray[np.uint16]:
    """The brightest of the four pixels round each place, in the levels of the tile; `pixels` do not outlast it.

    Beside a bright edge a cubic is too bright, and a maximum over frames collects just that. Its undershoot never wins,
    so it is left as it is. Measured in benchmarks/alignment.md.
    """
    rows = pixels.reshape(len(pixels), -1)
    cv2.max(rows[:-1], rows[1:], dst=rows[:-1])  # in place, of the pixel and the next ones
    cv2.max(rows[:, :-4], rows[:, 4:], dst=rows[:, :-4])
    floor = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]]) @ inside  # floor(x) = round(x - 0.5)
    nearest = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    ceiling = bench.array("sharp", (size[1], size[0], 4), pixels.dtype)
    cv2.warpPerspective(pixels, floor, size, dst=ceiling, flags=nearest, borderMode=cv2.BORDER_REPLICATE)
    if ceiling.dtype == np.uint16:
        return ceiling
    raised = bench.array("pixels", ceiling.shape, np.uint16)
    # the quickest way that OpenCV has from a level of 8 bits to one of 16: half the time of a table
    cv2.filter2D(ceiling, cv2.CV_16S, _LEVEL, dst=raised.view(np.int16), delta=SHARPENED.zero)
    return raised


def _blacken_outside(strip: NDArray[Any], source: _Source) -> None:
    """Set what lies outside the frame to 0, in place: borders must never win a maximum, so no blend with them is kept.

    Notes
    -----
    Inside means ``0 <= x/d <= w-1, 0 <= y/d <= h-1, d > 0`` for (x, y, d) = back (column, row, 1): five inequalities that
    are linear in the column, so every row has one interval of columns.
    """
    if source.complete:
        return
    h, w = source.shape
    rows, cols = strip.shape[:2]
    x, y, d = source.back
    row = np.arange(rows)
    first, last = np.zeros(rows), np.full(rows, cols - 1.0)
    for a, b, c in (x, (w - 1) * d - x, y, (h - 1) * d - y, d):
        rest = b * row + c
        if a > 0:
            first = np.maximum(first, np.ceil(-rest / a - 1e-9))
        elif a < 0:
            last = np.minimum(last, np.floor(-rest / a + 1e-9))
        else:
            first = np.where(rest < 0, cols, first)
    low, high = np.minimum(first, cols).astype(int), np.maximum(last + 1, 0).astype(int)
    changes = np.flatnonzero((np.diff(low) != 0) | (np.diff(high) != 0)) + 1  # rows between two of them are alike
    for top, bottom in pairwise([0, *changes.tolist(), rows]):
        strip[top:bottom, : low[top]] = 0
        strip[top:bottom, high[top] :] = 0

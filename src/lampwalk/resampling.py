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

from dataclasses import dataclass
from math import ceil, floor
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour
from .geometry import Matrix, Windowed, is_identity, moved, tiles

STRENGTH = 0.7
"""Factor of ``f (1 - f) D``; 0.5 would be Keys. On photographs moved by quarters of a pixel the error is 0.94 of that at 0.5, and
least from 0.7 to 0.75 (benchmarks/alignment.md); unlike OpenCV's cubic (a = -3/4, 0.93) it displaces nothing."""

ALIKE_PX = 0.08
"""How much the motion may differ along a block of one sharpness: the overshoot of a ramp then differs by less than 0.02 of it."""

LEAST_BLOCK = 64
"""Pixels of a block's side at least; smaller ones cost more than they give."""

_Point = tuple[float, float]
"""x and y."""

MARGIN = 3
"""Pixels round the source of a tile that its interpolation may look at."""


def warp_tile(picture: NDArray[Any], frame_to_reference: Matrix, rows: slice, cols: slice) -> NDArray[Any]:
    """One tile of a picture in the reference's geometry; black where the frame does not reach.

    Parameters
    ----------
    picture : (H, W, 3) uint8 or uint16
        The whole frame.
    frame_to_reference : (3, 3) float64
    rows, cols : slice
        One tile of the fixed grid (`geometry.strips`, `geometry.tiles`).

    Returns
    -------
    (h, w, 3) uint8 or uint16
        For the identity the frame's own pixels, not to be written to. Else uint16, 65535 = full, nowhere brighter than the four pixels
        round each place.
    """
    if is_identity(frame_to_reference):
        same = picture[rows, cols]
        same.flags.writeable = False
        return same
    source = _Source.of(picture, np.linalg.inv(frame_to_reference), rows, cols)
    tile = _cubic(source, (cols.stop - cols.start, rows.stop - rows.start))
    _blacken_outside(tile, source)
    return tile


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
        return _window(mask, rows, cols)
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
    shape : (int, int)
        Height and width of the frame.
    complete : bool
        The frame covers all of the tile.
    """

    pixels: NDArray[Any]
    inside: Matrix
    back: Matrix
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
        return cls(_window(picture, down, across), inside, from_tile, shape, complete)


def source_box(shape: tuple[int, int], frame_to_reference: Matrix, rows: slice, cols: slice) -> tuple[slice, slice]:
    """Rows and columns of a frame of some height and width that a tile of the reference is made of."""
    if is_identity(frame_to_reference):
        return rows, cols
    return _box(_sent(_corners(rows, cols), np.linalg.inv(frame_to_reference)), shape)


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


def _window(picture: NDArray[Any] | Windowed, rows: slice, cols: slice) -> NDArray[Any]:
    return picture[rows, cols] if isinstance(picture, np.ndarray) else picture.part(rows, cols)


def _cubic(source: _Source, size: tuple[int, int]) -> NDArray[np.uint16]:
    """Interpolate a tile of this width and height."""
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    pixels = cv2.cvtColor(source.pixels, cv2.COLOR_RGB2RGBA)  # four channels take less than half the time of three
    sharp = cv2.warpPerspective(
        _sharpened(pixels, source.inside), source.inside, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    rounded = cv2.addWeighted(sharp, 1, sharp, 0, 0, dtype=cv2.CV_16U)  # and saturated, in one pass
    cv2.min(rounded, _ceiling(pixels, source.inside, size), dst=rounded)
    return np.asarray(cv2.cvtColor(rounded, cv2.COLOR_RGBA2RGB), np.uint16)


def _sharpened(pixels: NDArray[Any], inside: Matrix) -> NDArray[np.float32]:
    """Sharpen a window by as much as its bilinear interpolation will soften it: float32, 65535 = full."""
    full = np.float32(257 if pixels.dtype == np.uint8 else 1)
    h, w = pixels.shape[:2]
    out = np.empty(pixels.shape, np.float32)
    pixels = pixels if pixels.dtype == np.uint8 else pixels.astype(np.float32)
    forth = np.linalg.inv(inside)
    (width, height), change = _blocks(forth, (h, w))
    blocks = [(down, across) for down in _parts(h, height) for across in _parts(w, width)]
    middles = np.array([((c.start + c.stop - 1) / 2, (r.start + r.stop - 1) / 2) for r, c in blocks])
    softness = _softness(middles - moved(middles, forth), change)
    for (down, across), soft in zip(blocks, softness, strict=True):
        above, before = min(1, down.start), min(1, across.start)
        x, y = (np.array([-k, 1 + 2 * k, -k], np.float32) for k in STRENGTH * soft)
        seen = pixels[down.start - above : down.stop + 1, across.start - before : across.stop + 1]
        block = cv2.sepFilter2D(seen, cv2.CV_32F, x * full, y)
        out[down, across] = block[above:, before:][: down.stop - down.start, : across.stop - across.start]
    return out


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


def _blocks(forth: NDArray[Any], shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Width and height of the blocks in which a motion is nearly alike, and how much it changes along one, in x and y."""
    x, y = shape[1] / 2, shape[0] / 2
    at, right, below = np.array(_sent([(x, y), (x + 1, y), (x, y + 1)], forth))
    change = np.abs([right - at - (1, 0), below - at - (0, 1)]) + 1e-6
    side = np.minimum(np.maximum(ALIKE_PX / change.max(axis=1), LEAST_BLOCK), max(shape))
    return side, side @ change


def _ceiling(pixels: NDArray[Any], inside: Matrix, size: tuple[int, int]) -> NDArray[np.uint16]:
    """The brightest of the four pixels round each place, 65535 = full.

    Beside a bright edge a cubic is too bright, and a maximum over frames collects just that. Its undershoot never wins,
    so it is left as it is. Measured in benchmarks/alignment.md.
    """
    brightest = cv2.dilate(pixels, np.ones((2, 2), np.uint8), anchor=(0, 0))  # of the pixel and the next ones
    floor = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]]) @ inside  # floor(x) = round(x - 0.5)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    ceiling = cv2.warpPerspective(brightest, floor, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return colour.sixteen_bits(ceiling)


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
    for r in np.flatnonzero((first > 0) | (last < cols - 1)):
        lo, hi = int(min(first[r], cols)), int(max(last[r], -1))
        strip[r, :lo] = 0
        strip[r, max(hi + 1, 0) :] = 0

"""Homographies between sizes and frames. Pixel centres lie at integers everywhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]

STRIP_ROWS = 256
"""Rows of one strip of the full-size pass. Part of the method, not a setting: cubic warps of strips differ from warps
of the whole picture by some levels, so a result repeats bit for bit only on one fixed grid."""


TILE_COLUMNS = 512
"""Columns of a strip that are warped at a time; part of the method likewise, so that a part of a picture can be made anew
with the same bits."""


def scaling(full: tuple[float, float], small: tuple[float, float]) -> Matrix:
    """Matrix from small pixels to full pixels for two (height, width) of one picture.

    Notes
    -----
    A resize maps pixel *edges* onto each other, so centres move by half a pixel of either scale:
    ``x_full = (x_small + 0.5) s - 0.5``.
    """
    sy, sx = full[0] / small[0], full[1] / small[1]
    return np.array([[sx, 0, (sx - 1) / 2], [0, sy, (sy - 1) / 2], [0, 0, 1]], np.float64)


def to_small(matrix: Matrix, full: tuple[int, int], small: tuple[int, int]) -> Matrix:
    """Homography between full-size pictures, for their small versions of the same size."""
    s = scaling(full, small)
    return normalised(np.linalg.inv(s) @ matrix @ s)


def normalised(matrix: Matrix) -> Matrix:
    """Scale a homography so that its last element is 1."""
    return np.asarray(matrix / matrix[2, 2], np.float64)


def is_identity(matrix: Matrix) -> bool:
    """Whether a homography moves nothing at all (exactly)."""
    return bool(np.array_equal(matrix, np.eye(3)))


def warp(picture: NDArray[Any], frame_to_reference: Matrix, *, linear: bool = False) -> NDArray[Any]:
    """A whole picture in the reference's geometry; black where the frame does not reach.

    Parameters
    ----------
    picture : (H, W) or (H, W, C) uint8, uint16 or float32
    frame_to_reference : (3, 3) float64
    linear : bool
        Bilinear instead of cubic interpolation (for masks and fields).
    """
    if is_identity(frame_to_reference):
        return picture
    h, w = picture.shape[:2]
    flags = cv2.INTER_LINEAR if linear else cv2.INTER_CUBIC
    return np.asarray(cv2.warpPerspective(picture, frame_to_reference, (w, h), flags=flags))


def covered(shape: tuple[int, int], frame_to_reference: Matrix) -> NDArray[np.bool_]:
    """Which pixels of the reference (H, W) a frame covers."""
    if is_identity(frame_to_reference):
        return np.ones(shape, bool)
    return np.asarray(warp(np.full(shape, 255, np.uint8), frame_to_reference, linear=True) == 255)


class Windowed(Protocol):
    """A picture that gives windows when asked for."""

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""

    def part(self, rows: slice, cols: slice) -> NDArray[Any]:
        """A window of it."""


def shown(
    window: Callable[[slice], tuple[slice, slice] | None],
    shape: tuple[int, int],
    frame_to_reference: Matrix,
    rows: slice,
    cols: slice,
) -> slice | None:
    """Columns of a window of the reference where a frame's own window can show; None if it cannot.

    Parameters
    ----------
    window : callable
        Takes rows of the frame; gives rows and columns, outside of which there is nothing, or None.
    shape : (int, int)
        Height and width of the frame.
    frame_to_reference : (3, 3) float64
    rows, cols : slice
        The window of the reference.
    """
    left, top, right, bottom = cols.start, rows.start, cols.stop - 1, rows.stop - 1
    y = _moved(np.linalg.inv(frame_to_reference), [(left, top), (right, top), (left, bottom), (right, bottom)])[:, 1]
    first, last = max(0, int(np.floor(y.min())) - 1), min(shape[0], int(np.ceil(y.max())) + 2)
    found = window(slice(first, last)) if first < last else None
    if found is None:
        return None
    down, across = found
    corners = [(c, r) for c in (across.start - 1, across.stop) for r in (down.start - 1, down.stop)]
    x = _moved(frame_to_reference, corners)[:, 0]
    first, last = max(cols.start, int(np.floor(x.min()))), min(cols.stop, int(np.ceil(x.max())) + 1)
    return slice(first, last) if first < last else None


def _moved(matrix: NDArray[Any], points: Sequence[tuple[int, int]]) -> NDArray[np.float64]:
    return np.asarray(cv2.perspectiveTransform(np.array([points], np.float64), matrix)[0], np.float64)


def warp_strip(
    picture: NDArray[Any] | Windowed,
    frame_to_reference: Matrix,
    rows: slice,
    cols: slice | None = None,
    *,
    linear: bool = False,
) -> NDArray[Any]:
    """Part of a picture in the reference's geometry; black where the frame does not reach.

    Parameters
    ----------
    picture : (H, W) or (H, W, C) uint8, uint16 or float32, or what gives windows of an (H, W) array
        The whole frame; for the identity its own rows are returned.
    frame_to_reference : (3, 3) float64
    rows : slice
        One strip of the fixed grid.
    cols : slice, optional
        Columns; by default all. A pixel's bits do not depend on which others are asked for.
    linear : bool
        Bilinear instead of cubic interpolation (for masks). A cubic is kept from overshooting.
    """
    w = picture.shape[1]
    left, right = (0, w) if cols is None else (cols.start, cols.stop)
    if is_identity(frame_to_reference):
        return _window(picture, rows, slice(left, right))
    first, back = left // TILE_COLUMNS * TILE_COLUMNS, np.linalg.inv(frame_to_reference)
    tiles = [
        _warp_tile(picture, back, (rows, slice(start, min(start + TILE_COLUMNS, w))), linear=linear)
        for start in range(first, right, TILE_COLUMNS)
    ]
    whole = tiles[0] if len(tiles) == 1 else cv2.hconcat(tiles)
    return np.asarray(whole)[:, left - first : right - first]


def _warp_tile(
    picture: NDArray[Any] | Windowed, back: NDArray[Any], at: tuple[slice, slice], *, linear: bool
) -> NDArray[Any]:
    h, w = picture.shape[:2]
    rows, cols = at
    size = (cols.stop - cols.start, rows.stop - rows.start)
    back = back @ np.array([[1, 0, cols.start], [0, 1, rows.start], [0, 0, 1.0]])
    corners = [(0, 0), (size[0] - 1, 0), (0, size[1] - 1), (size[0] - 1, size[1] - 1)]
    x, y = _moved(back, corners).T
    x0, y0 = int(np.clip(np.floor(x.min()) - 3, 0, w - 1)), int(np.clip(np.floor(y.min()) - 3, 0, h - 1))
    x1, y1 = int(np.clip(np.ceil(x.max()) + 4, x0 + 1, w)), int(np.clip(np.ceil(y.max()) + 4, y0 + 1, h))
    back = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]]) @ back
    source = _window(picture, slice(y0, y1), slice(x0, x1))
    if linear and not source.any():  # most of a mask
        return np.zeros((size[1], size[0], *source.shape[2:]), source.dtype)
    flags = (cv2.INTER_LINEAR if linear else cv2.INTER_CUBIC) | cv2.WARP_INVERSE_MAP
    tile = cv2.warpPerspective(source, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    if not linear:
        _clamp(tile, source, back)
    if min(x.min(), y.min()) < 0 or x.max() > w - 1 or y.max() > h - 1:
        _blacken_outside(tile, back, (x0, y0, h, w))
    return np.asarray(tile)


def _window(picture: NDArray[Any] | Windowed, rows: slice, cols: slice) -> NDArray[Any]:
    return picture[rows, cols] if isinstance(picture, np.ndarray) else picture.part(rows, cols)


def _clamp(strip: NDArray[Any], source: NDArray[Any], back: Matrix) -> None:
    """Keep a cubic's overshoot, in place, below the brightest of the four pixels round each place.

    Beside a bright edge a cubic is too bright, and a maximum over frames collects just that. Its undershoot never wins,
    so it is left as it is. Measured in benchmarks/alignment.md.
    """
    brightest = cv2.dilate(source, np.ones((2, 2), np.uint8), anchor=(0, 0))  # of the pixel and the next ones
    floor = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]]) @ back  # floor(x) = round(x - 0.5)
    size, flags = (strip.shape[1], strip.shape[0]), cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    cv2.min(strip, cv2.warpPerspective(brightest, floor, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), dst=strip)


def _blacken_outside(strip: NDArray[Any], back: Matrix, source: tuple[int, int, int, int]) -> None:
    """Set what lies outside the frame to 0, in place: borders must never win a maximum, so no blend with them is kept.

    Notes
    -----
    Inside means ``0 <= x/d <= w-1, 0 <= y/d <= h-1, d > 0`` for (x, y, d) = back (column, row, 1): five inequalities that
    are linear in the column, so every row has one interval of columns.
    """
    x0, y0, h, w = source
    rows, cols = strip.shape[:2]
    x, y, d = back[0] + x0 * back[2], back[1] + y0 * back[2], back[2]
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

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


class Rows(Protocol):
    """A picture that gives rows when asked for; arrays do."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Height, width, and channels if there are any."""

    def __getitem__(self, rows: slice, /) -> NDArray[Any]:
        """Some rows of it."""


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
    picture: Rows, frame_to_reference: Matrix, rows: slice, cols: slice | None = None, *, linear: bool = False
) -> NDArray[Any]:
    """Part of a picture in the reference's geometry; black where the frame does not reach.

    Parameters
    ----------
    picture : (H, W) or (H, W, C) uint8, uint16 or float32, or what gives rows of such an array
        The whole frame; for the identity its own rows are returned.
    frame_to_reference : (3, 3) float64
    rows : slice
        One strip of the fixed grid.
    cols : slice, optional
        Columns; by default all.
    linear : bool
        Bilinear instead of cubic interpolation (for masks). A cubic is kept from overshooting.
    """
    h, w = picture.shape[:2]
    left, right = (0, w) if cols is None else (cols.start, cols.stop)
    if is_identity(frame_to_reference):
        return picture[rows][:, left:right]
    back = np.linalg.inv(frame_to_reference) @ np.array([[1, 0, left], [0, 1, rows.start], [0, 0, 1.0]])
    size = (right - left, rows.stop - rows.start)
    corners = np.array([[[0, 0], [size[0] - 1, 0], [0, size[1] - 1], [size[0] - 1, size[1] - 1]]], np.float64)
    y = cv2.perspectiveTransform(corners, back)[0, :, 1]
    y0 = int(np.clip(np.floor(y.min()) - 3, 0, h - 1))
    y1 = int(np.clip(np.ceil(y.max()) + 4, y0 + 1, h))
    back = np.array([[1, 0, 0], [0, 1, -y0], [0, 0, 1.0]]) @ back
    flags = (cv2.INTER_LINEAR if linear else cv2.INTER_CUBIC) | cv2.WARP_INVERSE_MAP
    source = picture[y0:y1]
    if linear and not source.any():  # most rows of a mask
        return np.zeros((size[1], size[0], *source.shape[2:]), source.dtype)
    strip = cv2.warpPerspective(source, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    if not linear:
        _clamp(strip, source, back)
    _blacken_outside(strip, back, (y0, h, w))
    return np.asarray(strip)


def _clamp(strip: NDArray[Any], source: NDArray[Any], back: Matrix) -> None:
    """Keep a cubic's overshoot, in place, below the brightest of the four pixels round each place.

    Beside a bright edge a cubic is too bright, and a maximum over frames collects just that. Its undershoot never wins,
    so it is left as it is. Measured in benchmarks/alignment.md.
    """
    brightest = cv2.dilate(source, np.ones((2, 2), np.uint8), anchor=(0, 0))  # of the pixel and the next ones
    floor = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]]) @ back  # floor(x) = round(x - 0.5)
    size, flags = (strip.shape[1], strip.shape[0]), cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    cv2.min(strip, cv2.warpPerspective(brightest, floor, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), dst=strip)


def _blacken_outside(strip: NDArray[Any], back: Matrix, source: tuple[int, int, int]) -> None:
    """Set what lies outside the frame to 0, in place: borders must never win a maximum, so no blend with them is kept.

    Notes
    -----
    Inside means ``0 <= x/d <= w-1, 0 <= y/d <= h-1, d > 0`` for (x, y, d) = back (column, row, 1): five inequalities that
    are linear in the column, so every row has one interval of columns.
    """
    y0, h, w = source
    rows, cols = strip.shape[:2]
    x, y, d = back[0], back[1] + y0 * back[2], back[2]
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

"""Homographies between sizes and frames. Pixel centres lie at integers everywhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Matrix = NDArray[np.float64]

STRIP_ROWS = 256
"""Rows of one strip of the full-size pass. Part of the method, not a setting: cubic warps of strips differ from warps
of the whole picture by some levels, so a result repeats bit for bit only on one fixed grid."""


TILE_COLUMNS = 512
"""Columns of a strip that are warped at a time; part of the method likewise, so that a part of a picture can be made anew
with the same bits."""


def strips(height: int) -> list[slice]:
    """Rows of the strips of the fixed grid."""
    return [slice(top, min(top + STRIP_ROWS, height)) for top in range(0, height, STRIP_ROWS)]


def tiles(cols: slice, width: int) -> list[slice]:
    """Columns of the tiles of the fixed grid that some columns lie in."""
    first = cols.start // TILE_COLUMNS * TILE_COLUMNS
    return [slice(left, min(left + TILE_COLUMNS, width)) for left in range(first, cols.stop, TILE_COLUMNS)]


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
    return bool(np.asarray(matrix).tolist() == [[1, 0, 0], [0, 1, 0], [0, 0, 1]])


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


def part_of(picture: NDArray[Any] | Windowed, rows: slice, cols: slice) -> NDArray[Any]:
    """Some rows and columns of a picture, in memory or made when asked for."""
    return picture[rows, cols] if isinstance(picture, np.ndarray) else picture.part(rows, cols)


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
    y = moved([(left, top), (right, top), (left, bottom), (right, bottom)], np.linalg.inv(frame_to_reference))[:, 1]
    first, last = max(0, int(np.floor(y.min())) - 1), min(shape[0], int(np.ceil(y.max())) + 2)
    found = window(slice(first, last)) if first < last else None
    if found is None:
        return None
    down, across = found
    corners = [(c, r) for c in (across.start - 1, across.stop) for r in (down.start - 1, down.stop)]
    x = moved(corners, frame_to_reference)[:, 0]
    first, last = max(cols.start, int(np.floor(x.min()))), min(cols.stop, int(np.ceil(x.max())) + 1)
    return slice(first, last) if first < last else None


def moved(points: ArrayLike, matrix: NDArray[Any]) -> NDArray[np.float64]:
    """Move points (x, y) by a homography: (n, 2)."""
    mapped = np.asarray(points, np.float64) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:], np.float64)

"""Masks at full size without keeping them: rows are made, or unpacked, when asked for."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .errors import InputError
from .geometry import STRIP_ROWS
from .light import Field, crop_field
from .previews import grid, shrink_part, small_shape


class FullMask:
    """A mask in the frame's own geometry, 8-bit, 255 = hidden; windows of it are made when asked for.

    Parameters
    ----------
    shape : (int, int)
        Height and width of the frame.
    field : Field, optional
        A mask found at preview size; enlarged when asked for.
    packed : sequence of bytes, optional
        A mask painted at full size: of every 256 rows the columns `across`, deflated.
    across : slice
        The columns that hide anything.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        *,
        field: Field | None = None,
        packed: Sequence[bytes] = (),
        across: slice = slice(0, 0),
    ) -> None:
        self.shape = shape
        self._field = field
        self._packed = tuple(packed)
        self._across = across
        self._last: tuple[int, NDArray[np.uint8]] | None = None
        self._spans = [_span(self._part(i)) for i in range(len(self._packed))]

    @classmethod
    def found(cls, hidden: NDArray[np.uint8], full: tuple[int, int]) -> FullMask:
        """Make it from a preview-size mask (h, w) uint8."""
        return cls(full, field=crop_field(hidden, full))

    @classmethod
    def painted(cls, mask: NDArray[np.uint8]) -> FullMask:
        """Make it from a full-size mask (H, W) uint8, which it gives back bit for bit.

        Raises
        ------
        InputError
            The mask is no (H, W) uint8.
        """
        if mask.dtype != np.uint8 or mask.ndim != 2:
            raise InputError(
                f"a mask of shape {mask.shape} and type {mask.dtype}", remedy="give (H, W) uint8, 255 = hidden"
            )
        touched = _span(mask)
        across = slice(*touched) if touched else slice(0, 0)
        rows = range(0, mask.shape[0], STRIP_ROWS)
        packed = [zlib.compress(mask[r : r + STRIP_ROWS, across].tobytes(), 1) for r in rows]
        return cls(mask.shape, packed=packed, across=across)

    def part(self, rows: slice, cols: slice) -> NDArray[np.uint8]:
        """A window of the mask: (n, m) uint8."""
        out = np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)
        left, right = max(cols.start, self._across.start), min(cols.stop, self._across.stop)
        if self._packed and left < right:
            first, last = rows.start // STRIP_ROWS, (rows.stop - 1) // STRIP_ROWS
            kept = slice(left - self._across.start, right - self._across.start)
            block = np.concatenate([self._part(i)[:, kept] for i in range(first, last + 1)])
            top = rows.start - first * STRIP_ROWS
            out[:, left - cols.start : right - cols.start] = block[top : top + len(out)]
        window = None if self._field is None else self._field.window(rows)
        if self._field is not None and window is not None:
            down, across = window[0], slice(max(window[1].start, cols.start), min(window[1].stop, cols.stop))
            if across.start < across.stop:
                inside = out[down.start - rows.start : down.stop - rows.start]
                inside[:, across.start - cols.start : across.stop - cols.start] = self._field.pick(down, across)
        return out

    def window(self, rows: slice) -> tuple[slice, slice] | None:
        """Rows and columns, within some rows, outside of which nothing is hidden; None if there are none."""
        if self._field is not None:
            return self._field.window(rows)
        first, last = rows.start // STRIP_ROWS, (rows.stop - 1) // STRIP_ROWS
        spans = [span for span in self._spans[first : last + 1] if span is not None]
        if not spans:
            return None
        left = self._across.start
        return rows, slice(left + min(a for a, _ in spans), left + max(b for _, b in spans))

    def _part(self, index: int) -> NDArray[np.uint8]:
        last = self._last  # one assignment, one read: threads may unpack twice, but never see a half
        if last is None or last[0] != index:
            height = min(STRIP_ROWS, self.shape[0] - index * STRIP_ROWS)
            block = np.frombuffer(zlib.decompress(self._packed[index]), np.uint8)
            last = (index, block.reshape(height, self._across.stop - self._across.start))
            self._last = last
        return last[1]

    def whole(self) -> NDArray[np.uint8]:
        """Return all rows: (H, W) uint8."""
        return self.part(slice(0, self.shape[0]), slice(0, self.shape[1]))

    def small(self) -> NDArray[np.uint8]:
        """Return the mask at preview size: (h, w) uint8, averaged from full size."""
        h, w = self.shape
        step = max(1, grid(self.shape))
        window = self.window(slice(0, h))
        if window is None:
            return np.zeros(small_shape(self.shape), np.uint8)
        rows, cols = (
            slice(s.start // step * step, min(n, -(-s.stop // step) * step))
            for s, n in zip(window, (h, w), strict=True)
        )
        return shrink_part(np.ascontiguousarray(self.part(rows, cols)), (rows, cols), self.shape)


def _span(rows: NDArray[np.uint8]) -> tuple[int, int] | None:
    """First and end column that hide anything."""
    touched = np.flatnonzero(rows.any(axis=0))
    return (int(touched[0]), int(touched[-1]) + 1) if len(touched) else None

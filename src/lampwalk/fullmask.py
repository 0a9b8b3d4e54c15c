"""Masks at full size without keeping them: rows are made, or unpacked, when asked for."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from . import geometry
from .drawer import Drawer
from .errors import InputError
from .geometry import STRIP_ROWS
from .light import Field, crop_field, waiting
from .previews import grid, shrink_part, small_shape

UNPACKED = 4
"""Strips of a painted mask that stay unpacked: on two threads, a moved strip of the picture lies in two of the mask each."""


class FullMask:
    """A mask in the frame's own geometry, 8-bit, 255 = hidden; windows of it are made when asked for.

    Parameters
    ----------
    shape : (int, int)
        Height and width of the frame.
    field : Field, optional
        A mask found at preview size; enlarged when asked for.
    packed : sequence of bytes, optional
        A mask painted at full size: of every 256 rows the columns that hide anything in them, deflated.
    spans : sequence of (int, int) or None
        First and end column that hide anything, for each of these.
    png : bytes
        The 8-bit grey PNG file that it was read from, where it was.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        *,
        field: Field | None = None,
        packed: Sequence[bytes] = (),
        spans: Sequence[tuple[int, int] | None] = (),
        png: bytes = b"",
    ) -> None:
        self.shape = shape
        self.png = png
        self._field = field
        self._packed = tuple(packed)
        self._spans = tuple(spans)
        self._last: tuple[tuple[int, NDArray[np.uint8]], ...] = ()
        self._small = b""

    @classmethod
    def found(cls, hidden: NDArray[np.uint8], full: tuple[int, int]) -> FullMask:
        """Make it from a preview-size mask (h, w) uint8."""
        return cls(full, field=crop_field(hidden, full))

    @classmethod
    def painted(cls, mask: NDArray[np.uint8], *, png: bytes = b"") -> FullMask:
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
        strips = [mask[rows] for rows in geometry.strips(mask.shape[0])]
        spans = [_span(strip) for strip in strips]
        return cls(mask.shape, packed=list(map(_packed, strips, spans)), spans=spans, png=png)

    def repainted(self, window: tuple[slice, slice], values: NDArray[np.uint8]) -> FullMask:
        """The same with other values in a window of rows and columns, (n, m) uint8, bit for bit."""
        rows, cols = window
        packed: list[bytes] = []
        spans: list[tuple[int, int] | None] = []
        for i, own in enumerate(geometry.strips(self.shape[0])):
            top, bottom = max(own.start, rows.start), min(own.stop, rows.stop)
            if self._packed and top >= bottom:
                packed.append(self._packed[i])
                spans.append(self._spans[i])
                continue
            strip = self.part(own, slice(0, self.shape[1]))
            if top < bottom:
                strip[top - own.start : bottom - own.start, cols] = values[top - rows.start : bottom - rows.start]
            spans.append(_span(strip))
            packed.append(_packed(strip, spans[-1]))
        return FullMask(self.shape, packed=packed, spans=spans)

    def waiting(self, drawer: Drawer) -> FullMask:
        """The same with its field in a drawer (`light.waiting`)."""
        return self if self._field is None else FullMask(self.shape, field=waiting(self._field, drawer))

    def part(self, rows: slice, cols: slice) -> NDArray[np.uint8]:
        """A window of the mask: (n, m) uint8."""
        out = np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)
        for i in range(rows.start // STRIP_ROWS, -(-rows.stop // STRIP_ROWS)) if self._packed else ():
            span = self._spans[i]
            if span is None or span[0] >= cols.stop or span[1] <= cols.start:
                continue
            top, left, right = i * STRIP_ROWS, max(cols.start, span[0]), min(cols.stop, span[1])
            first, end = max(rows.start, top), min(rows.stop, top + STRIP_ROWS)
            block = self._part(i)[first - top : end - top, left - span[0] : right - span[0]]
            out[first - rows.start : end - rows.start, left - cols.start : right - cols.start] = block
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
        across = _hull(self._spans[first : last + 1])
        return (rows, across) if across.stop else None

    def _part(self, index: int) -> NDArray[np.uint8]:
        last = self._last  # one read, one assignment: threads may unpack twice, but never see a half
        for known, block in last:
            if known == index:
                return block
        height = min(STRIP_ROWS, self.shape[0] - index * STRIP_ROWS)
        block = np.frombuffer(zlib.decompress(self._packed[index]), np.uint8).reshape(height, -1)
        self._last = (*last[1 - UNPACKED :], (index, block))
        return block

    def whole(self) -> NDArray[np.uint8]:
        """Return all rows: (H, W) uint8."""
        return self.part(slice(0, self.shape[0]), slice(0, self.shape[1]))

    def small(self) -> NDArray[np.uint8]:
        """Return the mask at preview size: (h, w) uint8, averaged from full size; made once, and kept deflated."""
        if not self._small:
            self._small = zlib.compress(self._shrunk().tobytes(), 1)
        return np.frombuffer(zlib.decompress(self._small), np.uint8).reshape(small_shape(self.shape))

    def _shrunk(self) -> NDArray[np.uint8]:
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


def _packed(strip: NDArray[np.uint8], span: tuple[int, int] | None) -> bytes:
    return b"" if span is None else zlib.compress(strip[:, slice(*span)].tobytes(), 1)


def _span(rows: NDArray[np.uint8]) -> tuple[int, int] | None:
    """First and end column that hide anything."""
    touched = np.flatnonzero(rows.any(axis=0))
    return (int(touched[0]), int(touched[-1]) + 1) if len(touched) else None


def _hull(spans: Sequence[tuple[int, int] | None]) -> slice:
    """Columns from the first of any span to the last; none where no span is."""
    known = [span for span in spans if span is not None]
    return slice(min(a for a, _ in known), max(b for _, b in known)) if known else slice(0, 0)

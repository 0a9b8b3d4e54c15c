"""Pixels that lie in a file as they are, nothing packed: read window by window instead of whole.

Memory for a whole decoded frame costs more time than reading it: every page of it is touched for the first time.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import prod
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from .bench import Bench
from .errors import FrameError, about


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unpacked:
    """A picture in a file; windows of it are asked for like those of an array, on one thread at a time.

    Attributes
    ----------
    path : Path
    offset : int
        Byte of the file at which the first pixel lies; the others follow row by row.
    shape : (int, int, int)
        Height, width and channels.
    dtype : dtype
        uint8 or uint16, in the byte order of this machine.
    places : (n, 2) int
        Row and column of pixels that are not to be as in the file.
    values : (n, channels)
        What they are instead; where one place stands twice, the last.
    bench : Bench
        Where windows lie.

    Raises
    ------
    FrameError
        By every reading: the file has gone or has become too short.
    """

    path: Path
    offset: int
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    places: NDArray[np.intp] | None = None
    values: NDArray[Any] | None = None
    bench: Bench = field(default_factory=Bench, repr=False)

    @property
    def ndim(self) -> int:
        """Three, like that of an array."""
        return len(self.shape)

    def __getitem__(self, at: slice | tuple[slice, slice]) -> NDArray[Any]:
        """Rows, or rows and columns; the array is the caller's until another window is asked for."""
        rows, cols = at if isinstance(at, tuple) else (at, slice(None))
        return self._read(rows, self.bench)[:, cols]

    def near(self, rows: slice, bench: Bench) -> Rows:
        """Some rows, on a bench of the caller's, from which windows are cut; for any number of threads."""
        return Rows(top=rows.start, pixels=self._read(rows, bench), shape=self.shape[:2])

    def but(self, places: NDArray[np.intp], values: NDArray[Any]) -> Unpacked:
        """The same with other values, (n, channels), in some places, (n, 2) row and column."""
        return replace(self, places=places, values=values)

    def _read(self, rows: slice, bench: Bench) -> NDArray[Any]:
        top, bottom, _ = rows.indices(self.shape[0])
        pixels = bench.array("read", (bottom - top, *self.shape[1:]), self.dtype)
        view = pixels.reshape(-1).view(np.uint8).data
        with about(self.path), self.path.open("rb", buffering=0) as file:
            file.seek(self.offset + top * prod(self.shape[1:]) * self.dtype.itemsize)
            done = 0
            while done < len(view):
                got = file.readinto(view[done:])
                if not got:
                    raise FrameError("is damaged or cut short", file=self.path, remedy="copy it again from the card")
                done += got
        if self.places is not None and self.values is not None:
            inside = (self.places[:, 0] >= top) & (self.places[:, 0] < bottom)
            row, col = self.places[inside].T
            pixels[row - top, col] = self.values[inside]
        return pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Some rows of a picture, which gives windows of the whole.

    Attributes
    ----------
    top : int
        The first row.
    pixels : (h, W, channels)
    shape : (int, int)
        Height and width of the whole picture.
    """

    top: int
    pixels: NDArray[Any]
    shape: tuple[int, int]

    def part(self, rows: slice, cols: slice) -> NDArray[Any]:
        """A window of the picture that lies in these rows."""
        return self.pixels[rows.start - self.top : rows.stop - self.top, cols]


Pixels = NDArray[Any] | Unpacked
"""A whole picture in memory or in a file, (H, W, 3)."""

P = TypeVar("P", bound=Pixels)
"""One of them."""


def whole(pixels: Pixels) -> NDArray[Any]:
    """Return all of a picture as an array."""
    return pixels[:].copy() if isinstance(pixels, Unpacked) else pixels

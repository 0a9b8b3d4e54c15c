"""Arrays that wait: in memory as far as is allowed, the others in a scratch file.

What the first pass keeps of every frame waits here, so that memory does not grow with the number of frames. It waits as an
attribute (`Waiting`) or in a sequence (`Row`); whoever uses either need not know.
"""

from __future__ import annotations

import logging
import tempfile
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from threading import RLock
from typing import IO, Any, NoReturn, overload

import numpy as np
from numpy.typing import NDArray

from .errors import OutputError

_log = logging.getLogger(__name__)

IN_HAND = 0.2
"""Share of a drawer's memory that is left free while something waits in its file: each reading from the file is a copy, and a step
on two threads holds some 30 MB of them (measured: 12 MP, 40 frames beside 8, benchmarks/speed.md)."""


class Drawer:
    """Keeps arrays out of memory.

    The file has no name and is gone with the last array and the drawer, also after an error. It is read, not mapped: mapped
    pages count as memory of the process.

    Parameters
    ----------
    folder : Path or None
        An existing folder for the scratch file; None to keep everything in memory.
    memory_bytes : int
        How much may wait in memory where there is a folder; less (`IN_HAND`) while something waits in the file.
    """

    def __init__(self, folder: Path | None = None, memory_bytes: int = 0) -> None:
        self._folder, self._room, self._in_hand = folder, memory_bytes, round(IN_HAND * memory_bytes)
        self._file: IO[bytes] | None = None
        self._end, self._filed = 0, 0
        self._free: defaultdict[int, list[int]] = defaultdict(list)  # places in the file, by their size
        self._lock = RLock()  # an array may be let go of while its thread is in here

    def put(self, values: NDArray[Any]) -> Kept:
        """Keep an array, which nobody may change any more, as long as what is returned is held.

        Where the disk is full, it stays in memory.
        """
        if self._folder is None:
            return Kept(values)
        with self._lock:
            if values.nbytes <= self._room - bool(self._filed) * self._in_hand:
                self._room -= values.nbytes
                return Kept(values, self, None)
            try:
                return Kept(values, self, self._write(np.ascontiguousarray(values)))
            except OSError as error:
                _log.info("no scratch file: %s", error)
                self._folder = None
                return Kept(values)

    def read(self, at: int, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Read an array from its place in the file."""
        values = np.empty(shape, dtype)
        assert self._file is not None
        with self._lock:
            self._file.seek(at)
            if self._file.readinto(values.reshape(-1).view(np.uint8)) != values.nbytes:  # type: ignore[attr-defined]
                raise OutputError("a scratch file beside the result cannot be read", remedy="write to another disk")
        return values

    def let_go(self, at: int | None, nbytes: int) -> None:
        """Free a place in the file, or, without one, memory."""
        with self._lock:
            if at is None:
                self._room += nbytes
            else:
                self._free[nbytes].append(at)
                self._filed -= 1

    def close(self) -> None:
        """Let go of the file, and of what waits in it."""
        if self._file is not None:
            self._file.close()

    def __del__(self) -> None:
        self.close()

    def _write(self, values: NDArray[Any]) -> int:
        if self._file is None:
            self._file = tempfile.TemporaryFile(dir=self._folder, buffering=0)  # noqa: SIM115  (closed with the drawer)
        at = self._free[values.nbytes].pop() if self._free[values.nbytes] else self._end
        self._file.seek(at)
        if self._file.write(values.reshape(-1).view(np.uint8).data) != values.nbytes:
            raise OSError("the disk is full")
        self._end = max(self._end, at + values.nbytes)
        self._filed += 1
        return at


class Kept:
    """An array in a drawer, which has its place again when nobody holds this any more."""

    def __init__(self, values: NDArray[Any], drawer: Drawer | None = None, at: int | None = None) -> None:
        self._drawer, self._at = drawer, at
        self.shape, self._dtype, self._nbytes = values.shape, values.dtype, values.nbytes
        self._values = values if at is None else None

    def get(self) -> NDArray[Any]:
        """Return the array, not to be written to."""
        if self._values is not None:
            return self._values
        assert self._drawer is not None
        assert self._at is not None
        return self._drawer.read(self._at, self.shape, self._dtype)

    def __del__(self) -> None:
        if self._drawer is not None:
            self._drawer.let_go(self._at, self._nbytes)


IN_MEMORY = Drawer()
"""A drawer without a file."""


class Waiting:
    """An attribute of a dataclass: an array that waits in the object's `drawer`, an attribute that stands before it.

    It is read each time that it is asked for, and must not be written to. A dataclass with it has no slots.
    """

    def __set_name__(self, owner: type, name: str) -> None:
        self._kept = f"_{name}"

    @overload
    def __get__(self, thing: None, owner: type) -> NoReturn: ...
    @overload
    def __get__(self, thing: object, owner: type) -> NDArray[Any]: ...
    def __get__(self, thing: object | None, owner: type) -> NDArray[Any]:
        if thing is None:
            raise AttributeError(self._kept)  # so that a dataclass finds no default
        return self.unpacked(vars(thing)[self._kept].get(), thing)

    def __set__(self, thing: object, values: NDArray[Any]) -> None:
        vars(thing)[self._kept] = vars(thing)["drawer"].put(self.packed(values))

    def packed(self, values: NDArray[Any]) -> NDArray[Any]:
        """As it waits."""
        return values

    def unpacked(self, values: NDArray[Any], thing: object) -> NDArray[Any]:
        """As it is given."""
        return values


def shape_of(thing: object, name: str) -> tuple[int, ...]:
    """Shape of an attribute that is `Waiting`, as it waits, without reading it."""
    kept: Kept = vars(thing)[f"_{name}"]
    return kept.shape


class Row(Sequence[NDArray[Any]]):
    """Arrays that wait in a drawer, one for each frame: read when asked for."""

    def __init__(self, kept: Sequence[Kept]) -> None:
        self._kept = kept

    @overload
    def __getitem__(self, index: int) -> NDArray[Any]: ...
    @overload
    def __getitem__(self, index: slice) -> Row: ...
    def __getitem__(self, index: int | slice) -> NDArray[Any] | Row:
        return Row(self._kept[index]) if isinstance(index, slice) else self._kept[index].get()

    def __len__(self) -> int:
        return len(self._kept)

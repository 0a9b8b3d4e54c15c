"""Arrays that wait: in memory as far as is allowed, the others in a scratch file."""

from __future__ import annotations

import logging
import tempfile
from collections import defaultdict
from pathlib import Path
from threading import RLock
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from .errors import OutputError

_log = logging.getLogger(__name__)

MEMORY_BYTES = 48_000_000
"""What waits in memory: previews of 8 frames, so that a usual series needs no file."""


class Drawer:
    """Keeps arrays out of memory.

    The file has no name and is gone with the last array and the drawer, also after an error. It is read, not mapped: mapped
    pages count as memory of the process.

    Parameters
    ----------
    folder : Path or None
        An existing folder for the scratch file; None to keep everything in memory.
    memory_bytes : int
        How much may wait in memory where there is a folder.
    """

    def __init__(self, folder: Path | None = None, memory_bytes: int = MEMORY_BYTES) -> None:
        self._folder, self._room = folder, memory_bytes
        self._file: IO[bytes] | None = None
        self._end = 0
        self._free: defaultdict[int, list[int]] = defaultdict(list)  # places in the file, by their size
        self._lock = RLock()  # an array may be let go of while its thread is in here

    def put(self, values: NDArray[Any]) -> Kept:
        """Keep an array, which nobody may change any more, as long as what is returned is held.

        Where the disk is full, it stays in memory.
        """
        if self._folder is None:
            return Kept(values)
        with self._lock:
            if values.nbytes <= self._room:
                self._room -= values.nbytes
                return Kept(values, self, None)
            try:
                return Kept(values, self, self._write(np.ascontiguousarray(values)))
            except OSError as error:
                _log.info("no scratch file for previews: %s", error)
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

    def __del__(self) -> None:
        if self._file is not None:
            self._file.close()

    def _write(self, values: NDArray[Any]) -> int:
        if self._file is None:
            self._file = tempfile.TemporaryFile(dir=self._folder, buffering=0)  # noqa: SIM115  (closed with the drawer)
        at = self._free[values.nbytes].pop() if self._free[values.nbytes] else self._end
        self._file.seek(at)
        if self._file.write(values.reshape(-1).view(np.uint8).data) != values.nbytes:
            raise OSError("the disk is full")
        self._end = max(self._end, at + values.nbytes)
        return at


class Kept:
    """An array in a drawer, which has its place again when nobody holds this any more."""

    def __init__(self, values: NDArray[Any], drawer: Drawer | None = None, at: int | None = None) -> None:
        self._drawer, self._at = drawer, at
        self._shape, self._dtype, self._nbytes = values.shape, values.dtype, values.nbytes
        self._values = values if at is None else None

    def get(self) -> NDArray[Any]:
        """Return the array, not to be written to."""
        if self._values is not None:
            return self._values
        assert self._drawer is not None
        assert self._at is not None
        return self._drawer.read(self._at, self._shape, self._dtype)

    def __del__(self) -> None:
        if self._drawer is not None:
            self._drawer.let_go(self._at, self._nbytes)


IN_MEMORY = Drawer()
"""A drawer without a file."""

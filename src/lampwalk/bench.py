"""Memory that is used again from tile to tile: what was written to just now is still in the processor's cache."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray


class Bench:
    """Arrays that one thread fills again and again."""

    def __init__(self) -> None:
        self._memory: dict[str, NDArray[np.uint8]] = {}
        self._arrays: dict[tuple[str, tuple[int, ...], Any], NDArray[Any]] = {}

    def array(self, name: str, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Give an array of any content; it is the caller's until the same name is asked for again."""
        found = self._arrays.get((name, shape, dtype))
        return self._made(name, shape, dtype) if found is None else found

    def _made(self, name: str, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        nbytes = prod(shape) * np.dtype(dtype).itemsize
        memory = self._memory.get(name)
        if memory is None or len(memory) < nbytes:
            self._memory[name] = memory = np.empty(nbytes, np.uint8)
            self._arrays = {key: array for key, array in self._arrays.items() if key[0] != name}
        array: NDArray[Any] = memory[:nbytes].view(dtype).reshape(shape)
        self._arrays[name, shape, dtype] = array
        return array


class Benches:
    """A bench for each thread that works at a time."""

    def __init__(self) -> None:
        self._free: list[Bench] = []

    @contextmanager
    def one(self) -> Iterator[Bench]:
        """Lend a bench."""
        bench = self._free.pop() if self._free else Bench()  # pop and append are one step each
        try:
            yield bench
        finally:
            self._free.append(bench)

"""Memory that is used again from tile to tile: what was written to just now is still in the processor's cache."""

from __future__ import annotations

from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray


class Bench:
    """Arrays that one thread fills again and again.

    A name is a place. What has served makes room for what comes next, so that all that is done with a tile needs three places
    (`resampling`: "pixels", "sharp", "warped"): with one place for each array, the second pass takes a tenth longer.
    """

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

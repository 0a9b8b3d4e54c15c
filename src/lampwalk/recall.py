"""Recall: what a step has made of some inputs is not made again while nothing of them has changed.

The key of a result is all that it was made of: arrays by their content, everything else by value, or where it has none by identity
(what is recalled is the same object each time, so steps that build on each other know it again).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from hashlib import sha256
from typing import Any, Protocol, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

R = TypeVar("R")


class Recall(Protocol):
    """Gives what a step makes of some inputs."""

    def __call__(self, make: Callable[[], R], /, *made_of: Hashable | NDArray[Any]) -> R:
        """Give what `make` gives, which depends on nothing but `made_of`."""
        ...


def anew(make: Callable[[], R], /, *made_of: Hashable | NDArray[Any]) -> R:
    """Recall nothing."""
    return make()


def watched(recall: Recall, progress: Callable[[str, int, int], None]) -> Recall:
    """Recall, and tell before each step that decisions are going on: `progress` may raise to give them up."""

    def told(make: Callable[[], R], /, *made_of: Hashable | NDArray[Any]) -> R:
        progress("deciding", 0, 1)
        return recall(make, *made_of)

    return told


class Memory:
    """Recalls what the last round and this one have made; for any number of threads."""

    def __init__(self) -> None:
        self._before: dict[Hashable, object] = {}
        self._now: dict[Hashable, object] = {}

    def __call__(self, make: Callable[[], R], /, *made_of: Hashable | NDArray[Any]) -> R:
        """Give what `make` gives, or has given."""
        key = tuple(_digest(part) if isinstance(part, np.ndarray) else part for part in made_of)
        for known in (self._now, self._before):
            if key in known:
                found = cast(R, known[key])
                break
        else:
            found = make()
        self._now[key] = found
        return found

    def turn(self) -> None:
        """Begin a new round: what the last one has not asked for is forgotten."""
        self._before, self._now = self._now, {}

    def clear(self) -> None:
        """Forget everything."""
        self._before, self._now = {}, {}


def _digest(values: NDArray[Any]) -> tuple[Hashable, ...]:
    return values.shape, values.dtype.str, sha256(np.ascontiguousarray(values).reshape(-1).view(np.uint8).data).digest()

"""Frames compared with a reference, some of them before all are there."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from threading import Lock
from typing import Any

from numpy.typing import NDArray

from . import ambient
from .matching import Base, Match, compare
from .parallel import Start
from .previews import Preview
from .sighting import Sighting

Decode = Callable[[], NDArray[Any]]
"""Gives the pixels of a frame anew."""


class Comparing:
    """Compares frames with a reference, and knows what has been compared.

    Parameters
    ----------
    start : callable, optional
        Of `parallel.aside`: frames that `saw` has are compared there, beside what the caller does.

    Notes
    -----
    A comparison is many short steps, for which threads wait for each other; decoding is one long step. So the one goes well
    beside the other, and two comparisons do not go well side by side.
    """

    def __init__(self, start: Start | None = None) -> None:
        self._start = start
        self._base: Base | None = None
        self._making = Lock()
        self._early: dict[tuple[Sighting, Sighting], Future[Match]] = {}
        self._first: tuple[Preview, Sighting] | None = None
        self._others: list[tuple[Preview, Sighting, Decode]] = []
        self._lock = Lock()

    def saw(self, preview: Preview, sighting: Sighting, decode: Decode, *, first: bool) -> None:
        """Take a frame that was decoded just now, and compare it with the first one if that is the likely reference.

        Nobody knows the reference before all frames are there. Usually it is the first one, taken without flash: it is
        believed where it looks so beside the other frame.

        Parameters
        ----------
        preview : Preview
        sighting : Sighting
        decode : callable
        first : bool
            The first of the series.
        """
        with self._lock:
            if first:
                self._first = preview, sighting
            else:
                self._others.append((preview, sighting, decode))
            if self._first is None:
                return
            (by_day, reference), others, self._others = self._first, self._others, []
        for lit, other, again in others:
            if ambient.find_ambient((by_day, lit))[0]:
                self._ahead(reference, other, again)

    def _ahead(self, reference: Sighting, sighting: Sighting, decode: Decode) -> None:
        if self._start is not None:
            job = self._start(lambda: compare(self.base(reference), sighting, decode))
            self._early[reference, sighting] = job

    def base(self, reference: Sighting) -> Base:
        """Return the reference as frames are compared with it."""
        with self._making:
            if self._base is None or self._base.sighting is not reference:
                self._base = Base(reference)
            return self._base

    def match(self, reference: Sighting, sighting: Sighting, decode: Decode | None) -> Match:
        """Compare a frame with the reference, unless that is done or being done.

        Parameters
        ----------
        reference, sighting : Sighting
        decode : callable or None
            See `compare`.
        """
        early = self._early.pop((reference, sighting), None)
        if early is None or early.cancel():  # what has not begun is sooner done here
            return compare(self.base(reference), sighting, decode)
        return early.result()

    def end(self) -> None:
        """Stop what was begun in vain."""
        for job in self._early.values():
            job.cancel()

"""First look: every frame is decoded once, and what is small is kept of it."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from threading import Event, Lock

import numpy as np
from numpy.typing import NDArray

from . import alignment, parallel
from .alignment import Sighting
from .frames import Frame, Series, working_pixels
from .hotpixels import HotPixels
from .previews import Preview, make_preview
from .shelf import Shelf
from .worksheet import Worksheet

Progress = Callable[[str, int, int], None]
"""Called with (step, done, of how many)."""


class Looker:
    """Decodes every frame once, and keeps what is small."""

    def __init__(
        self, series: Series, keep: Callable[[Preview], None] | None, shelf: Shelf, progress: Progress | None
    ) -> None:
        self._series, self._keep, self._shelf, self._progress = series, keep, shelf, progress
        self._count = itertools.count(1)
        self._hot = HotPixels()
        self._lock, self._named = Lock(), Event()

    def look(self, *, observe: bool) -> tuple[list[Preview], list[Sighting]]:
        """Previews of all frames, and what alignment needs of them if asked for."""
        seen = parallel.each(lambda frame: self._look_at(frame, observe=observe), self._series.frames)
        return [preview for preview, _ in seen], [sighting for _, sighting in seen if sighting is not None]

    def hot_pixels(self, sheet: Worksheet | None) -> NDArray[np.intp]:
        """Points found on the frames, or those of a worksheet: (n, 2) row and column."""
        if sheet is None:
            return self._hot.found()
        points = np.array(sheet.merge.get("hot_points", []), np.intp).reshape(-1, 2)
        inside = (points >= 0).all(axis=1) & (points < self._series.shape).all(axis=1)
        return points[inside]

    def tell(self, step: str, done: int) -> None:
        """Report progress."""
        if self._progress:
            self._progress(step, done, len(self._series) if step == "looking" else 1)

    def _look_at(self, frame: Frame, *, observe: bool) -> tuple[Preview, Sighting | None]:
        first = frame is self._series.frames[0]
        try:
            pixels = working_pixels(frame, self._shelf.decode(frame, len(self._series)))
            if first:
                self._collect(frame, pixels, observe=observe)
        finally:
            if first:
                self._named.set()
        preview = make_preview(frame.name, pixels)
        sighting = alignment.observe(pixels) if observe else None
        if not first:
            self._named.wait()  # the first frame names the points that could be hot
            self._collect(frame, pixels, observe=observe)
        self._shelf.give_back(frame, pixels)
        del pixels
        if self._keep:
            self._keep(preview)
        self.tell("looking", next(self._count))
        return preview, sighting

    def _collect(self, frame: Frame, pixels: NDArray[np.generic], *, observe: bool) -> None:
        if observe and frame.array is None:
            with self._lock:
                self._hot.add(pixels)

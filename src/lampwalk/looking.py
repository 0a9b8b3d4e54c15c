"""First look: every frame is decoded once, and what is small is kept of it."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from threading import Event, Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import alignment, parallel
from .alignment import Sighting
from .drawer import IN_HAND
from .errors import Finding, FrameError
from .frames import Frame, Series, working_pixels
from .hotpixels import HotPixels
from .previews import Preview, is_small, of_small, shrink
from .shelf import Shelf
from .unpacked import Pixels
from .worksheet import Worksheet

MEMORY_BYTES = 148_000_000
"""What is kept of the frames in memory during the first pass, bytes: that of a usual series, so that it needs no file."""

USUAL_FRAMES = 8
"""Frames of a usual series. Of a longer one some wait in a file, and what is read of them takes memory, too."""

Progress = Callable[[str, int, int], None]
"""Called with (step, done, of how many)."""

Keep = Callable[[str, NDArray[Any]], None]
"""Called with a frame's name and the frame at preview size in its own geometry, (h, w, 3) uint8 or uint16, encoded."""

Saw = Callable[[Frame, Preview, Sighting], None]
"""Called, on several threads, with what is kept of each frame."""

Known = Callable[[str], NDArray[Any] | None]
"""What `Keep` was called with for a frame in a former run, at 16 bits; None where that is not known."""

HandOn = Callable[[Frame], bool]
"""Keeps once more what is known of a frame; False where nothing is."""


def hot_pixels_of(sheet: Worksheet, shape: tuple[int, int]) -> NDArray[np.intp]:
    """Hot pixels that a worksheet has taken out of a picture of this height and width: (n, 2) row and column."""
    told = sheet.merge.get("hot_points", []) if sheet.merge.get("hot_pixels", True) else []
    points = np.array(told, np.intp).reshape(-1, 2)
    inside = (points >= 0).all(axis=1) & (points < shape).all(axis=1)
    return np.asarray(points[inside])


class Looker:
    """Decodes every frame once, and keeps what is small."""

    def __init__(self, series: Series, keep: Keep | None, shelf: Shelf, progress: Progress | None) -> None:
        self._series, self._keep, self._shelf, self._progress = series, keep, shelf, progress
        self._count = itertools.count(1)
        self._hot = HotPixels()
        longer = len(series) > USUAL_FRAMES
        self._drawer = shelf.drawer(round((1 - IN_HAND) * MEMORY_BYTES) if longer else MEMORY_BYTES)
        self._lock, self._named, self._names_points = Lock(), Event(), False

    def look(
        self, *, observe: bool, known: Known = lambda _: None, saw: Saw = lambda *_: None
    ) -> tuple[Series, list[Preview], list[Sighting]]:
        """Look at all frames.

        Parameters
        ----------
        observe : bool
            Take what alignment needs, too. Where decisions are only repeated, they need every frame, ...
        known : callable
            ... and one that is known small need not be decoded.
        saw : callable
            Gets what is kept of each frame that is observed, as soon as it is there.

        Returns
        -------
        series, previews, sightings
            Of the frames that can be decoded; the others are left out of the series, with the reason.

        Raises
        ------
        FrameError
            A frame is damaged inside, and it is needed, or fewer than two are left.
        """
        seen = parallel.each(lambda frame: self._try(frame, observe=observe, known=known, saw=saw), self._series.frames)
        self._shelf.rest()
        good = [found for found in seen if not isinstance(found, FrameError)]
        bad = [(f, e) for f, e in zip(self._series.frames, seen, strict=True) if isinstance(e, FrameError)]
        if bad and (not observe or len(good) < 2):
            raise bad[0][1]
        if bad:
            lost = {frame.name for frame, _ in bad}
            self._series = replace(
                self._series,
                frames=tuple(f for f in self._series.frames if f.name not in lost),
                left_out=(*self._series.left_out, *((f.name, e.message) for f, e in bad)),
                findings=(
                    *self._series.findings,
                    *(
                        Finding(code="damaged", frame=f.name, text=f"left out: {e.message}", remedy=e.remedy)
                        for f, e in bad
                    ),
                ),
            )
        sightings = [sighting for _, sighting in good if sighting is not None]
        return self._series, [preview for preview, _ in good], sightings

    def hot_pixels(self, sheet: Worksheet | None) -> NDArray[np.intp]:
        """Points found on the frames, or those of a worksheet: (n, 2) row and column."""
        return self._hot.found() if sheet is None else hot_pixels_of(sheet, self._series.shape)

    def tell(self, step: str, done: int) -> None:
        """Report progress."""
        if self._progress:
            self._progress(step, done, len(self._series) if step == "looking" else 1)

    def _try(
        self, frame: Frame, *, observe: bool, known: Known, saw: Saw
    ) -> tuple[Preview, Sighting | None] | FrameError:
        try:
            small, sighting = (None if observe else known(frame.name)), None
            if not is_small(small, frame.shape):
                small, sighting = self._look_at(frame, observe=observe)
        except FrameError as error:
            return error
        preview = of_small(frame.name, small, frame.shape, self._drawer)
        if self._keep:
            self._keep(frame.name, small)
        self.tell("looking", next(self._count))
        if sighting is not None:
            saw(frame, preview, sighting)
        return preview, sighting

    def _look_at(self, frame: Frame, *, observe: bool) -> tuple[NDArray[Any], Sighting | None]:
        first = frame is self._series.frames[0]
        try:
            decoded = self._shelf.decode(frame, len(self._series))
            pixels = working_pixels(frame, decoded)
            if first and observe:
                self._collect(frame, pixels)
                self._names_points = True
        finally:
            if first:
                self._named.set()
        small = shrink(pixels)
        sighting = replace(alignment.observe(pixels), drawer=self._drawer) if observe else None
        if observe and not first:  # else the first one may be known, and never looked at
            self._named.wait()  # the first frame names the points that could be hot
            if self._names_points:
                self._collect(frame, pixels)
        if small is pixels:  # it is small enough as it is, and its memory is given back
            small = pixels.copy()
        left = next(i for i, known in enumerate(reversed(self._series.frames)) if known is frame)
        self._shelf.looked_at(frame, decoded, left=left)
        return small, sighting

    def _collect(self, frame: Frame, pixels: Pixels) -> None:
        if frame.array is None:
            with self._lock:
                self._hot.add(pixels)

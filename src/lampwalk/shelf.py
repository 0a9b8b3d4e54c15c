"""Decoded frames between the two passes: in memory as far as it is allowed, else in a scratch file, else not at all.

Decoding costs most of a merge. A frame that is kept need not be decoded again; a frame on disk is worth it only where
writing and reading it is quicker than the decoder, which is measured on the first frame of the series. The memory that the
last two frames were decoded into is needed in both passes where all are decoded twice, so these two wait in it. Scratch files
are read where they lie (mapped into memory), so with them only the last frame waits, and the other's memory is given back. Where
memory is left for more frames than these, the last ones of the series wait in it.
Files that are not packed are like scratch files themselves: they are read in both passes, and never whole (`unpacked`).
"""

from __future__ import annotations

import logging
import math
import mmap
import shutil
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Lock
from typing import Any, TypeGuard

import numpy as np
from numpy.typing import NDArray

from .desk import Desk, prepared
from .drawer import Drawer
from .errors import about
from .frames import Frame
from .geometry import Matrix
from .resampling import Moved, Ready
from .unpacked import Pixels, Unpacked

_log = logging.getLogger(__name__)

ROOM = 2.0
"""A scratch file is written only where the disk has this many times the room that it needs."""

WORTH = 0.5
"""Writing the first frame must take less than this share of the decoder's time. The trial flatters the disk: the other files need memory
of the system, too, which is slow where it is fresh. Measured on 45 MP frames: see benchmarks/speed.md. A slower disk is given up after
a few pieces."""

PIECE_BYTES = 8_000_000
"""Written between two looks at the clock."""

TRIAL_BYTES = 3 * PIECE_BYTES
"""Written at least before a disk is given up."""

HELD = 2
"""Frames that wait in the memory for decoding: one is in hand, one is decoded ahead."""


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """Memory for decoding.

    Attributes
    ----------
    name : str
        The frame that lies in it; empty where none does any more.
    waits : bool
        For the second pass, of which this is the first.
    pixels : (H, W, 3) uint8 or uint16
    """

    name: str
    waits: bool
    pixels: NDArray[Any]


class Shelf:
    """Keeps decoded frames.

    Parameters
    ----------
    scratch : Path or None
        An existing folder for scratch files; None to use none.
    memory_bytes : int
        How much more than what decoding needs may be kept in memory.
    desk : Desk, optional
        Keeps frames from one merge to the next.
    """

    def __init__(self, scratch: Path | None = None, memory_bytes: int = 0, desk: Desk | None = None) -> None:
        self._scratch = scratch
        self._desk = desk
        self._free_bytes = memory_bytes
        self._filed: dict[str, tuple[Path, tuple[int, ...], Any]] = {}
        self._tried, self._judged, self._worth = False, Event(), False
        self._held: list[_Held] = []
        self._made = 0  # how many frames memory was made for
        self._drawers: list[Drawer] = []
        self._lock = Lock()

    def decode(self, frame: Frame, frames_in_all: int) -> Pixels:
        """Decode a frame for the first pass; the first one tells whether scratch files are worth it.

        Parameters
        ----------
        frame : Frame
        frames_in_all : int
            Of the series.

        Returns
        -------
        (H, W, 3) uint8 or uint16, encoded
            Where its file is not packed, windows of it are read when they are asked for.
        """
        unpacked = frame.unpacked()
        if unpacked is not None:
            return unpacked
        start = time.perf_counter()

        def room(shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
            nonlocal start
            pixels = self._room(shape, dtype)
            pixels.reshape(-1)[:: mmap.PAGESIZE // pixels.itemsize] = 0  # fresh memory costs as much as the decoder
            start = time.perf_counter()
            return pixels

        pixels = frame.pixels(room)
        decode_s = time.perf_counter() - start
        with self._lock:
            first, self._tried = not self._tried, True
        if first:
            try:
                self._try(frame, pixels, frames_in_all, decode_s)
            finally:
                self._judged.set()
        return pixels

    def looked_at(self, frame: Frame, pixels: Pixels, *, left: int) -> None:
        """Take back a frame that the first pass has done with, and keep it for the second if that is worth it.

        Parameters
        ----------
        frame : Frame
        pixels : (H, W, 3) uint8 or uint16
            As `decode` gave them.
        left : int
            How many frames of the series come after this one: the last ones wait where they are.
        """
        if isinstance(pixels, Unpacked):
            return
        if left >= self._places(pixels.nbytes):
            self._judged.wait()  # one that was decoded beside the first is filed, too
        waits = left < self._places(pixels.nbytes) - self._worth  # two are decoded at a time; of scratch files, none is
        if self._worth and not waits and frame.name not in self._filed:
            self._file(frame.name, pixels)
        self._hold(frame, pixels, frame.name, waits=waits)

    def ready(self, frame: Frame, hot: NDArray[np.intp], frame_to_reference: Matrix = np.eye(3)) -> Ready:  # noqa: B008
        """Return the frame as the second pass merges it: without hot pixels, in the working curve.

        Parameters
        ----------
        frame : Frame
        hot : (n, 2) int
            Row and column of the sensor's hot pixels.
        frame_to_reference : (3, 3) float64
            A desk may have it moved already.

        Returns
        -------
        (H, W, 3) uint8 or uint16, or Moved
            Not to be written to.
        """
        known = None if self._desk is None else self._desk.ready(frame, hot, frame_to_reference)
        return prepared(frame, self.pixels(frame), hot) if known is None else known

    def pixels(self, frame: Frame) -> Pixels:
        """Return the frame for the second pass: (H, W, 3) uint8 or uint16; what was kept is given away."""
        with self._lock:
            held = self._taken(held for held in self._held if held.name == frame.name)
        if held is not None:
            return held.pixels
        if frame.name in self._filed:
            found = _mapped(*self._filed.pop(frame.name))
            if found is not None:
                return found
            _log.info("the scratch file of %s was lost; decoding again", frame.name)
        return frame.unpacked() or frame.pixels(self._room)

    def given_away(self, frame: Frame) -> NDArray[Any] | None:
        """Return a frame that waits, with its memory, in which nothing is decoded any more; None where it does not wait."""
        with self._lock:
            held = self._taken(held for held in self._held if held.name == frame.name)
            self._made -= held is not None
        return None if held is None else held.pixels

    @staticmethod
    def owns(pixels: Ready, frame: Frame) -> TypeGuard[NDArray[Any]]:
        """Whether pixels of a frame lie in memory that was made to decode into, and is nobody else's."""
        return frame.array is None and isinstance(pixels, np.ndarray) and _whole(pixels) is not None

    def give_back(self, frame: Frame, pixels: Ready) -> None:
        """Take back a frame that the second pass has done with: without scratch files, a later one is decoded into its memory."""
        if not self._worth and not isinstance(pixels, Moved):
            self._hold(frame, pixels, "")

    def rest(self) -> None:
        """End the first pass: in the second, a frame waits only until its memory is needed; with scratch files, nothing is decoded."""
        with self._lock:
            self._held = [_Held(held.name, False, held.pixels) for held in self._held if held.name not in self._filed]

    def drawer(self, memory_bytes: int) -> Drawer:
        """Give a drawer for what is small: the desk's, or one whose file lies beside the decoded frames until the shelf is closed."""
        kept = None if self._desk is None else self._desk.drawer(memory_bytes)
        if kept is not None:
            return kept
        drawer = Drawer(self._scratch, memory_bytes)
        self._drawers.append(drawer)
        return drawer

    def close(self) -> None:
        """Let go of everything that was kept, and of the files of all drawers."""
        self.clear()
        for drawer in self._drawers:
            drawer.close()

    def clear(self) -> None:
        """Let go of the memory for decoding."""
        with self._lock:
            self._held = []

    def _places(self, frame_bytes: int) -> int:
        """How many frames of this size memory is there for."""
        return HELD + self._free_bytes // frame_bytes

    def _room(self, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Memory to decode into: that of a frame which is not needed any more, or fresh memory while there is some."""

        def fits(held: _Held) -> bool:
            whole = _whole(held.pixels)
            return whole is not None and whole.shape == tuple(shape) and whole.dtype == dtype

        with self._lock:
            known = [held for held in self._held if fits(held) and not held.waits]
            unused = [held for held in known if not held.name]
            size = math.prod(shape) * np.dtype(dtype).itemsize
            held = self._taken(unused or (known if self._made >= self._places(size) else []))
            if held is None:
                self._made += 1
        if held is not None:
            whole = _whole(held.pixels)
            assert whole is not None
            return whole
        return np.empty(shape, dtype)

    def _taken(self, these: Iterable[_Held]) -> _Held | None:
        """Take the first of these, if there is any."""
        found = next(iter(these), None)
        self._held = [held for held in self._held if held is not found]
        return found

    def _hold(self, frame: Frame, pixels: Pixels, name: str, *, waits: bool = False) -> None:
        if self.owns(pixels, frame):
            with self._lock:
                self._held.append(_Held(name, waits, pixels))
                if len(self._held) > self._places(pixels.nbytes):  # a decoder that takes no memory brings its own
                    self._taken(held for held in self._held if not held.waits)

    def _try(self, frame: Frame, pixels: NDArray[Any], frames_in_all: int, decode_s: float) -> None:
        """Write the first frame to a scratch file, and see how long that takes."""
        enough = pixels.nbytes * frames_in_all
        if self._scratch is None or frame.path is None or frames_in_all <= self._places(pixels.nbytes):
            return
        with about(frame.path):  # it may have disappeared just now
            packed = frame.path.stat().st_size < pixels.nbytes  # else it is as quick to read as a scratch file
        if packed and shutil.disk_usage(self._scratch).free >= enough * ROOM:
            self._worth = self._file(frame.name, pixels, within_s=WORTH * decode_s)
        _log.info("decoded frames are %s", "kept in scratch files" if self._worth else "decoded twice")

    def _file(self, name: str, pixels: NDArray[Any], *, within_s: float = math.inf) -> bool:
        """Write a frame to a scratch file; False where it cannot be done in time."""
        assert self._scratch is not None
        path = self._scratch / f"{abs(hash(name))}.raw"
        try:
            whole = _write(path, pixels, within_s=within_s)
        except OSError:
            whole = False
        if whole:
            self._filed[name] = (path, pixels.shape, pixels.dtype)
        else:
            path.unlink(missing_ok=True)
        return whole


def _whole(pixels: NDArray[Any]) -> NDArray[Any] | None:
    """The array whose memory these pixels use; decoders give a view of what they were given. None for a mapped file."""
    whole = pixels if pixels.base is None else pixels.base
    return whole if isinstance(whole, np.ndarray) and whole.flags.owndata and whole.flags.writeable else None


def _mapped(path: Path, shape: tuple[int, ...], dtype: Any) -> NDArray[Any] | None:
    """Pixels of a scratch file where they lie; what is written into them is not written to the file. None where it is lost."""
    try:
        with path.open("rb") as file:
            mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY)
        if hasattr(mapped, "madvise"):
            mapped.madvise(mmap.MADV_WILLNEED)
        return np.frombuffer(mapped, dtype).reshape(shape)
    except (OSError, ValueError):  # gone, or cut short
        return None
    finally:
        with suppress(OSError):  # a system that deletes no file in use does so when the folder goes
            path.unlink()


def _write(path: Path, pixels: NDArray[Any], *, within_s: float) -> bool:
    """Write a frame; stop, and say so, once it is clear that it will take longer than that."""
    start = time.perf_counter()
    data = np.ascontiguousarray(pixels).reshape(-1).view(np.uint8).data
    with path.open("wb") as file:
        for at in range(0, len(data), PIECE_BYTES):
            written = at + file.write(data[at : at + PIECE_BYTES])
            if written >= TRIAL_BYTES and time.perf_counter() - start > within_s * written / len(data):
                return False
    return True

"""What a program keeps between merges of one run: masks and digests of files, what was made of them, and frames decoded ready."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from contextlib import suppress
from hashlib import blake2b
from io import FileIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import hotpixels, resampling, runfolder
from .colour import SIXTEEN
from .drawer import Drawer
from .errors import about
from .frames import Frame, content_hash, state_of, working_pixels
from .fullmask import FullMask
from .geometry import Matrix, is_identity
from .previews import is_small
from .recall import Memory, Recall, anew
from .resampling import SHARPENED, Moved, Ready
from .spares import Spares
from .unpacked import P

if TYPE_CHECKING:
    from .beneath import Tiles
    from .fingerprints import Result

ENDING = ".lampwalk-frames"
"""Of the folder of decoded frames, hidden beside the run folder; it may be deleted at any time."""

LIMIT_BYTES = 4_000_000_000
"""Frames beyond this are not kept: 14 frames of 45 MP that are moved, or 30 of 8 bits as they are decoded. The pictures of the run
lie there once besides."""

ROOM = 4.0
"""Something is kept only where the disk has this many times the room that it needs."""

_ENDINGS = {".moved-8": SHARPENED, ".moved-16": SIXTEEN}
"""Of the files of frames that are kept in the reference's geometry, by their levels."""

_AS_IT_IS: Matrix = np.eye(3)


class Desk:
    """Keeps what the next merge of a run needs again.

    Parameters
    ----------
    run : Path, optional
        The run folder beside which decoded frames are kept; without it none are.
    limit_bytes : int
        How much of them.

    Attributes
    ----------
    result : Result or None
        What was merged last.
    spares : Spares
        Files of it that are written already.
    beneath : Tiles
        What lies beneath its fills, as far as that is known.
    """

    def __init__(self, run: Path | None = None, limit_bytes: int = LIMIT_BYTES) -> None:
        self._folder = None if run is None else run.with_name(f".{run.name}{ENDING}")
        self._left = limit_bytes
        self._contents: dict[Path, tuple[tuple[int, int], str]] = {}
        self._masks: dict[Path, tuple[str, FullMask]] = {}
        self._thumbnails: dict[Path, tuple[tuple[int, int], NDArray[np.uint8]]] = {}
        self._drawers: dict[int, Drawer] = {}
        self._memory = Memory()
        self.result: Result | None = None
        self.beneath: Tiles = {}
        self.spares = Spares(self._folder)
        self.clear()

    @property
    def recall(self) -> Recall:
        """What was made on previews since the last `turn`, and in the round before that."""
        return anew if self._folder is None else self._memory

    def turn(self) -> None:
        """End a merge: what it had no use for is forgotten with the next one."""
        self._memory.turn()

    def drawer(self, memory_bytes: int) -> Drawer | None:
        """Where that waits from one merge to the next; None where nothing is kept."""
        if self._folder is None:
            return None
        if memory_bytes not in self._drawers:
            with suppress(OSError):
                self._folder.mkdir(exist_ok=True)
            self._drawers[memory_bytes] = Drawer(self._folder, memory_bytes)
        return self._drawers[memory_bytes]

    def mask(self, path: Path) -> FullMask:
        """Read a mask.

        Raises
        ------
        WorksheetError
            Missing or damaged.
        """
        try:
            content = content_hash(path).hex()  # a merge writes all masks anew, most of them with the same content
        except OSError:
            return runfolder.read_packed_mask(path)  # which says it better
        known = self._masks.get(path)
        if known is None or known[0] != content:
            self._masks[path] = known = (content, runfolder.read_packed_mask(path))
        return known[1]

    def know_mask(self, path: Path, mask: FullMask) -> None:
        """Take note of what has just been written into the file of a mask, so that it is not read again."""
        mask.png = path.read_bytes()
        self._masks[path] = (content_hash(path).hex(), mask)

    def thumbnail(self, run: Path, frame: Frame) -> NDArray[np.uint8] | None:
        """Thumbnail of what a run has kept of a frame at preview size; None where that is missing or damaged."""
        path = runfolder.small_file(run, frame.name)
        try:
            state = state_of(path)
        except OSError:
            return None
        known = self._thumbnails.get(path)
        if known is None or known[0] != state:
            small = runfolder.known_small(run, frame.name)
            if not is_small(small, frame.shape):
                return None
            self._thumbnails[path] = known = (state, runfolder.thumbnail(small))
        return known[1]

    def content(self, path: Path) -> str:
        """SHA-256 of a file, hexadecimal; computed once while it is not written to."""
        with about(path):  # a frame may have waited decoded while its file disappeared
            state = state_of(path)
            known = self._contents.get(path)
            if known is None or known[0] != state:
                self._contents[path] = known = (state, content_hash(path).hex())
        return known[1]

    def ready(self, frame: Frame, hot: NDArray[np.intp], frame_to_reference: Matrix = _AS_IT_IS) -> Ready | None:
        """Pixels of a frame as `keep` has left them, moved or else as decoded, not to be written to; None where it has not."""
        found = self._kept(frame, hot, frame_to_reference)
        return self._kept(frame, hot, _AS_IT_IS) if found is None else found

    def _kept(self, frame: Frame, hot: NDArray[np.intp], frame_to_reference: Matrix) -> Ready | None:
        path, count = self._file(frame, hot, frame_to_reference), 3 * frame.shape[0] * frame.shape[1]
        if path is None:
            return None
        try:
            if is_identity(frame_to_reference):
                dtype = np.uint16 if path.stat().st_size == 2 * count else np.uint8
                return np.asarray(np.memmap(path, dtype, "r", shape=(*frame.shape, 3)))
            for ending, levels in _ENDINGS.items():
                moved = path.with_suffix(ending)
                if moved.is_file() and moved.stat().st_size == 2 * count:
                    return Moved(file=FileIO(moved), shape=frame.shape, levels=levels)
        except (OSError, ValueError):  # gone, or cut short
            pass
        return None

    def keep(self, frame: Frame, hot: NDArray[np.intp], frame_to_reference: Matrix = _AS_IT_IS) -> bool:
        """Decode a frame and keep it ready to be merged, unless it is kept already; False where there is no room for it.

        Parameters
        ----------
        frame : Frame
        hot : (n, 2) int
            Row and column of the sensor's hot pixels.
        frame_to_reference : (3, 3) float64
            It is kept in the reference's geometry, at 16 bits: merging it then takes a third of the time.
        """
        path = self._file(frame, hot, frame_to_reference)
        needed = self.needed(frame, frame_to_reference)
        if path is None or needed > self._left:
            return False
        if self._kept(frame, hot, frame_to_reference) is not None:
            return True
        if not self.has_room(needed):
            return False
        part = path.with_suffix(".part")
        try:
            pixels = prepared(frame, frame.pixels(), hot)
            with part.open("wb") as file:
                if is_identity(frame_to_reference):
                    file.write(np.ascontiguousarray(pixels).data)
                else:
                    levels = resampling.levels_of(pixels, frame_to_reference)
                    path = path.with_suffix(next(ending for ending, known in _ENDINGS.items() if known == levels))
                    resampling.move(pixels, frame_to_reference, frame.shape, file)
            part.replace(path)
        except OSError:
            part.unlink(missing_ok=True)
            return False
        self._left -= needed
        return True

    def has_room(self, needed: int) -> bool:
        """Whether the disk has room for so many bytes more; then there is a folder for them."""
        if self._folder is None:
            return False
        try:
            self._folder.mkdir(exist_ok=True)
            return shutil.disk_usage(self._folder).free >= ROOM * needed
        except OSError:
            return False

    def fits(self, frames: Sequence[Frame], homographies: Sequence[Matrix]) -> bool:
        """Whether there is room for all of some frames, moved by these homographies."""
        return sum(map(self.needed, frames, homographies)) <= self._left

    @staticmethod
    def needed(frame: Frame, frame_to_reference: Matrix) -> int:
        """Bytes that a frame takes."""
        deep = frame.bits > 8 or not is_identity(frame_to_reference)
        return (6 if deep else 3) * frame.shape[0] * frame.shape[1]

    def clear(self) -> None:
        """Forget everything, and delete the decoded frames."""
        self._memory.clear()
        self.result = None
        self.beneath.clear()
        self.spares.clear()
        for drawer in self._drawers.values():
            drawer.close()
        self._drawers = {}
        if self._folder is not None:
            with suppress(OSError):
                shutil.rmtree(self._folder)

    def _file(self, frame: Frame, hot: NDArray[np.intp], frame_to_reference: Matrix) -> Path | None:
        """Where a frame is kept: under a name that changes with everything that its pixels depend on."""
        if self._folder is None or frame.path is None:
            return None
        content = self.content(frame.path)
        told = (
            content,
            frame.bits,
            frame.development,
            frame.facts.orientation,
            hot.tolist(),
            frame_to_reference.tolist(),
        )
        return self._folder / f"{blake2b(repr(told).encode(), digest_size=16).hexdigest()}.raw"


def prepared(frame: Frame, pixels: P, hot: NDArray[np.intp]) -> P:
    """Decoded pixels without the sensor's hot ones, in the curve that all steps work in; may be changed in place."""
    if len(hot) and frame.array is None:
        pixels = hotpixels.remove(pixels, hot)
    return working_pixels(frame, pixels)

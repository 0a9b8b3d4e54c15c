"""Saving: each change goes to the run folder at once, whole, and never over someone else's change."""

from __future__ import annotations

import logging
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .. import encode, runfolder, worksheet
from ..errors import LampwalkError, OutputError
from ..fullmask import FullMask
from ..geometry import scaling
from .strokes import Box

if TYPE_CHECKING:
    from .session import Session

log = logging.getLogger(__name__)

EDGE_PX = 2
"""Preview pixels round a stroke that enlarging may touch."""


class Keeper:
    """Writes worksheet, masks and history of one session.

    Parameters
    ----------
    session : Session

    Attributes
    ----------
    conflict : bool
        The worksheet on the disk is not the one that was read or written last: nothing is written until that
        is settled.
    failed : str
        Why the last attempt failed; empty where all is well.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._dirty = False
        self._writing = Lock()
        self._boxes: dict[str, Box] = {}
        self.conflict = False
        self.failed = ""

    @property
    def saved(self) -> bool:
        """Whether everything is on the disk."""
        return not self._dirty and not self._writing.locked()

    def touch(self) -> None:
        """There is something to save."""
        self._dirty = True

    def mask_changed(self, name: str, box: Box) -> None:
        """Note that a mask was changed inside a box, preview pixels of the frame's own geometry."""
        a = self._boxes.get(name, box)
        self._boxes[name] = (min(a[0], box[0]), min(a[1], box[1]), max(a[2], box[2]), max(a[3], box[3]))

    def forget(self) -> None:
        """Nothing is to be saved any more."""
        self._dirty, self._boxes, self.conflict, self.failed = False, {}, False, ""

    def save_forever(self) -> None:
        """Save whenever there is something to save, until the session closes."""
        session = self._session
        while not session.closing:
            with session.lock:
                session.news.wait_for(lambda: session.closing or (self._dirty and not self.conflict), 5)
                ready = self._dirty and not self.conflict and not session.merging
            if ready:
                self.save()
                if self.failed:
                    with session.lock:
                        session.news.wait_for(lambda: session.closing, 3)  # a full disk may get room again

    def save(self) -> None:
        """Have everything on the disk: also what another thread is just writing."""
        with self._writing:
            self._write()
        self._session.tell()

    def _write(self) -> None:
        """Write what was changed: masks first, then the worksheet that speaks of them, then the history."""
        session = self._session
        with session.lock:
            if not self._dirty or self.conflict:
                return
            sheet, former = session.sheet, session.sheet_bytes
            boxes, self._boxes = self._boxes, {}
            masks = {name: session.masks[name] for name in boxes}
            self._dirty = False
        folder = session.run.folder
        try:
            if (folder / runfolder.SHEET).read_bytes() != former:
                self._give_up(boxes, conflict=True)
                return
            for name, box in boxes.items():
                self._write_mask(name, masks[name], box)
            runfolder.write_sheet(folder, sheet)
            with session.lock:
                session.sheet_bytes = worksheet.to_json(sheet).encode("utf-8")
                if session.sheet is sheet:
                    session.history.save(folder, session.sheet_bytes)
                self.failed = ""
        except (OSError, LampwalkError) as error:
            log.warning("not saved: %s", error)
            self.failed = f"not saved: {getattr(error, 'strerror', None) or error}"
            self._give_up(boxes, conflict=False)

    def _give_up(self, boxes: dict[str, Box], *, conflict: bool) -> None:
        with self._session.lock:
            self._dirty = True
            for name, box in boxes.items():
                self.mask_changed(name, box)
            self.conflict = conflict

    def _write_mask(self, name: str, mask: NDArray[np.uint8], box: Box) -> None:
        """Write a mask at full size; outside the box it stays as it was, to the last bit."""
        run = self._session.run
        relative = run.sheet.frame(name).mask
        if relative is None:
            raise OutputError(f"the worksheet names no mask file for {name}", remedy="merge again")
        path, desk, new = run.folder / relative, self._session.desk, FullMask.found(mask, run.full)
        before, changed = self._before(path), None
        if before is not None:
            s = scaling(run.full, run.small)
            rows, cols = (
                slice(max(0, int((first - EDGE_PX) * scale)), min(size, max(0, int(np.ceil((last + EDGE_PX) * scale)))))
                for first, last, scale, size in zip(box[:2], box[2:], (s[1, 1], s[0, 0]), run.full, strict=True)
            )
            new, changed = before.repainted((rows, cols), new.part(rows, cols)), [rows]
        path.parent.mkdir(exist_ok=True)
        try:
            encode.write_map(path, new, changed)
        except OutputError:  # it is of another program: all of it is packed anew
            encode.write_map(path, new)
        desk.know_mask(path, new)

    def _before(self, path: Path) -> FullMask | None:
        """The mask as it lies on the disk; None where it is missing, damaged or of another size."""
        try:
            mask = self._session.desk.mask(path)
        except LampwalkError:
            return None
        return mask if mask.shape == self._session.run.full else None

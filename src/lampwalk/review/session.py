"""One run under review: what it shows, what is changed, and that nothing is lost."""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import finish, merging, runfolder, worksheet
from ..desk import Desk
from ..errors import InputError, LampwalkError, OutputError, WorksheetError
from ..looking import hot_pixels_of
from ..worksheet import FrameRecord
from . import changes
from .changes import Parts
from .history import History, State, patched
from .keeper import Keeper
from .opened import OpenedRun, missing_frames, open_run, originals
from .strokes import Box, moved
from .table import LightTable, settle

log = logging.getLogger(__name__)

PAUSE_S = 2.0
"""Seconds without a change before everything is decided anew in the background."""

QUIET_S = 0.1
"""Seconds without a change before what a merge at full size has to do is begun ahead, before all is decided anew for the page ..."""

PATIENCE_S = 6.0
"""... which waits for it no longer than this after the change."""

NICENESS = 15
"""Of the background work; 0 is usual, 19 the least pressing."""

READY_S = 120.0
"""Seconds that a change waits for the first settling."""

PAGE_S = 13.0
"""Seconds after which a page that says nothing counts as closed; pages ask every 10 s at least."""


class Stale(LampwalkError):
    """The page that asks has not seen the latest change."""


class _GaveUp(Exception):
    """Something was changed meanwhile: the background work starts again."""


class Session:
    """One run folder under review.

    Parameters
    ----------
    folder : path
        The run folder.

    Raises
    ------
    WorksheetError
        See `open_run`.
    """

    def __init__(self, folder: str | Path) -> None:
        self.lock = threading.RLock()
        self.news = threading.Condition(self.lock)
        self.serial = 0
        self.revision = 0
        self.job: dict[str, Any] = {"step": "", "done": 0, "of": 0, "failed": ""}
        self._pages: dict[str, float] = {}
        self._closing = False
        self._threads: list[threading.Thread] = []
        self._at_full_size = threading.Lock()
        self._merges, self._ahead, self._ahead_first = 0, (-1, 0), False
        self._load(open_run(folder))
        self.keeper = Keeper(self)
        self.desk = Desk(Path(os.path.realpath(folder)))

    def _load(self, run: OpenedRun) -> None:
        self.run = run
        self.sheet = run.sheet
        self.masks = dict(run.masks)
        self.sheet_bytes = (run.folder / runfolder.SHEET).read_bytes()
        self.history = History.load(run.folder, self.sheet_bytes)
        self.table: LightTable | None = None
        self.problem = ""
        self.settled = -1
        self.filled = -1
        self._relit = False
        self._changed_at = 0.0
        self.revision += 1

    def start(self) -> None:
        """Begin to settle, to save and to work ahead in the background."""
        for work in (self._settle_forever, self.keeper.save_forever, self._work_ahead):
            thread = threading.Thread(target=work, daemon=True)
            thread.start()
            self._threads.append(thread)

    def close(self) -> None:
        """Save what is not saved and stop."""
        with self.lock:
            self._closing = True
            self.news.notify_all()
        for thread in self._threads:
            thread.join(10)
        self.keeper.save()
        self.desk.clear()

    @property
    def closing(self) -> bool:
        """Whether the session is about to end."""
        return self._closing

    def tell(self) -> None:
        """Wake everyone who waits for news."""
        with self.lock:
            self.serial += 1
            self.news.notify_all()

    def gone(self, page: str) -> None:
        """Note that a page was closed."""
        with self.lock:
            self._pages.pop(page[:64], None)

    def wait(self, serial: int, seconds: float) -> None:
        """Return when there is more news than `serial`, at the latest after some seconds."""
        with self.lock:
            self.news.wait_for(lambda: self.serial != serial or self._closing, seconds)

    def seen(self, page: str) -> int:
        """Note that a page is open, and count the open pages."""
        now = time.monotonic()
        with self.lock:
            self._pages[page[:64]] = now
            self._pages = {
                p: at for p, at in sorted(self._pages.items(), key=lambda x: -x[1])[:50] if now - at < PAGE_S
            }
            return len(self._pages)

    def _settle_forever(self) -> None:
        _step_back()
        while not self._closing:
            with self.lock:
                self.news.wait_for(lambda: self._closing or (self.settled != self.revision and not self.merging), 5)
                due = self.settled != self.revision and not self.merging
                wait = self._still(PATIENCE_S if self._ahead_first and not self.ready else PAUSE_S)
            if due and not self._closing:
                if self._relit and self.table is not None:
                    self._fill_anew(self.table)
                elif wait > 0 and self.table is not None:
                    time.sleep(min(wait, 0.2))
                else:
                    self.settle_now()

    def _work_ahead(self) -> None:
        """Do while somebody looks what a merge at full size would have to do, so that it need hardly be waited for."""
        _step_back()
        with self.lock:
            self.news.wait_for(lambda: self._closing or self.table is not None)
        self._in_background(self._keep_frames)
        self._ahead_first = True
        while not self._closing:
            with self.lock:
                self.news.wait_for(lambda: self._closing or self._may_work_ahead)
                now = self.revision, self._merges
                wait = self._still(QUIET_S)
            if wait > 0 and not self._closing:
                time.sleep(wait)
            elif self._in_background(partial(self._merge_ahead, now[0])):
                self._ahead = now
                self.tell()

    @property
    def ready(self) -> bool:
        """Whether everything that can be done ahead of a merge is done."""
        return self._ahead == (self.revision, self._merges)

    @property
    def _may_work_ahead(self) -> bool:
        """Whether there is something to do, all that was changed is saved, and nothing is going on."""
        return not self.ready and self.keeper.saved and not self.merging

    def _keep_frames(self) -> None:
        """Decode and move the frames."""
        with self.lock:
            sheet, folder = self.sheet, self.run.folder
        frames = originals(folder, sheet)
        hot = hot_pixels_of(sheet, self.run.full)
        places = [place for f in frames if (place := sheet.frame(f.name).homography) is not None]
        if not self.desk.fits(frames, places):
            places = [np.eye(3)] * len(frames)
        for frame, place in zip(frames, places, strict=True):
            with self.lock:
                self.news.wait_for(lambda: self._closing or not self.merging)
            if self._closing or not self.desk.keep(frame, hot, place):
                return

    def _merge_ahead(self, revision: int) -> None:
        """Merge what has changed, and write the pictures; the run folder stays as it is."""

        def gives_way(step: str, done: int, of: int) -> None:
            # A merge that waits recalls what was decided, but what is being merged would be lost: so that is told as its own.
            self._goes_on(revision, beside_a_merge=step == "merging")
            if self.merging:
                self._progress(step, done, of)

        with self._at_full_size:
            merging.merge_ahead(self.run.folder / runfolder.SHEET, self.desk, progress=gives_way)

    def _in_background(self, work: Callable[[], None]) -> bool:
        """Do what nobody waits for; False where it was given up for something else."""
        try:
            work()
        except _GaveUp:
            return False
        except (LampwalkError, OSError) as error:
            log.info("not done ahead: %s", error)
        except Exception:  # the merge says it better, or does not need it
            log.exception("not done ahead")
        return True

    def _fill_anew(self, table: LightTable) -> None:
        """After a change of lamps: the fills behind all masks, which take longer than a slider may."""
        with self.lock:
            revision, self._relit = self.revision, False
        frames = table.anew()
        with self.lock:
            if self.revision == revision and self.table is table:
                table.adopt(frames)
                self.filled = revision
                self.tell()

    def settle_now(self) -> None:
        """Decide and merge everything at preview size; given up where something is changed or a merge is asked for meanwhile."""
        with self.lock:
            revision, sheet, masks, run = self.revision, self.sheet, dict(self.masks), self.run
        problem = ""
        settled = None
        try:
            settled = settle(run, sheet, masks, partial(self._goes_on, revision, beside_a_merge=False))
        except _GaveUp:
            return
        except LampwalkError as error:
            problem = str(error)
        except Exception as error:  # the page must hear of it, and the next change may be better
            log.exception("not settled")
            problem = f"the frames cannot be merged: {error or type(error).__name__}"
        with self.lock:
            if self.revision == revision:
                self.settled = revision
                self.problem = problem
                if settled is not None:
                    self.table = LightTable(settled)
                self.tell()

    def _goes_on(self, revision: int, *, beside_a_merge: bool) -> None:
        """Give background work up where something was changed meanwhile, or a merge asked for that it does not serve."""
        if self._closing or self.revision != revision or (self.merging and not beside_a_merge):
            raise _GaveUp

    def _still(self, pause: float) -> float:
        """Seconds that are left of a pause after the last change."""
        return self._changed_at + pause - time.monotonic()

    @property
    def merging(self) -> bool:
        """Whether a merge at full size is going on."""
        return bool(self.job["step"])

    def change(self, request: Mapping[str, Any], *, seen: int) -> dict[str, Any]:
        """Carry out one change.

        Parameters
        ----------
        request : mapping
            As the page sends it; see `changes.plan`.
        seen : int
            The revision that the page knows.

        Returns
        -------
        dict
            ``box`` of the result that changed (preview pixels; the whole picture where it may be anywhere).

        Raises
        ------
        Stale
            Something was changed that the page has not seen.
        LampwalkError
            The change is not possible; nothing was changed.
        """
        with self.lock:
            self._ready()
            if seen != self.revision:
                raise Stale("something was changed in another page", remedy="look at it, then do it again")
            what = request.get("do")
            if what in ("undo", "redo"):
                step = self.history.to_undo if what == "undo" else self.history.to_redo
                if step is None:
                    raise InputError(f"there is nothing to {what}")
                box = self._take(step.before if what == "undo" else step.after)
                self.history.step(-1 if what == "undo" else 1)
            else:
                plan = changes.plan(self, request)
                box = self._take(plan.after)
                self.history.add(plan.what, plan.before, plan.after, gesture=str(request.get("gesture", ""))[:200])
            self.revision += 1
            self._changed_at = time.monotonic()
            self.keeper.touch()
            self.tell()
            return {"box": box, "revision": self.revision}

    def _ready(self) -> None:
        if self.merging:
            raise InputError("the run is being merged at full size", remedy="wait until it is done")
        self.news.wait_for(lambda: self.table is not None or self._closing or bool(self.problem), READY_S)
        if self.table is None:
            raise InputError(
                self.problem or "the frames are still being prepared", remedy="" if self.problem else "wait"
            )

    def _take(self, state: State) -> Box:
        """Bring a part of the decisions into force; nothing is changed where that fails."""
        assert self.table is not None
        whole = (0, 0, *self.run.small)
        box: Box = (0, 0, 0, 0)
        frames: Parts = state.get("frames", {})
        for name, fields in frames.items():
            record = replace(self.sheet.frame(name), **fields)
            if {"gain_ev", "warmth", "on"} & set(fields):
                self.table.relamp(name, record.lamp)
                box, self._relit = whole, True
            self._record(record)
        for name, part in state.get("masks", {}).items():
            mask, own = patched(self.masks[name], part)
            here = moved(own, self.run.to_reference(self.sheet.frame(name)), self.run.small)
            self.table.remask(name, mask, here)
            self.masks[name] = mask
            self.keeper.mask_changed(name, own)
            box = here if box == (0, 0, 0, 0) else box
        if "finish" in state:
            finish.from_json(state["finish"])
            self.sheet = replace(self.sheet, finish=dict(state["finish"]))
            box = whole
        return box

    def _record(self, record: FrameRecord) -> None:
        self.sheet = replace(
            self.sheet, frames=tuple(record if r.file == record.file else r for r in self.sheet.frames)
        )

    def merge(self) -> None:
        """Merge at full size in the background, into the same run folder.

        Raises
        ------
        LampwalkError
            It goes on already, or frames are missing (named).
        """
        with self.lock:
            if self.merging:
                raise InputError("the run is being merged already", remedy="wait until it is done")
            gone = missing_frames(self.run.folder, self.sheet)
            if gone:
                raise WorksheetError(
                    f"merging at full size needs the frames; missing: {', '.join(gone)}",
                    file=self.run.folder / self.sheet.folder,
                    remedy='put them back, or correct "folder" in the worksheet',
                )
            if self.keeper.conflict:
                raise OutputError("the worksheet was changed outside this page", remedy="settle that first")
            self.job = {"step": "looking", "done": 0, "of": 1, "failed": ""}
            self.tell()
        threading.Thread(target=self._merge, daemon=True).start()

    def _merge(self) -> None:
        failed = ""
        try:
            self.keeper.save()
            sheet = self.run.folder / runfolder.SHEET
            with self._at_full_size:
                merging.merge_worksheet(sheet, self.run.folder, desk=self.desk, progress=self._progress)
            with self.lock:
                self._after_merge()
        except LampwalkError as error:
            failed = str(error)
        except Exception as error:  # a page that hears nothing would wait for ever
            failed = f"the merge broke off: {error or type(error).__name__}"
        with self.lock:
            self._merges += 1
            self.job = {"step": "", "done": 0, "of": 0, "failed": failed}
            self.tell()

    def _after_merge(self) -> None:
        """Take over the new run folder; what a merge from a worksheet does not keep is put back."""
        written = worksheet.load(self.run.folder / runfolder.SHEET)
        records = tuple(_with_regions(r, self.sheet.frame(r.file)) for r in written.frames)
        self.sheet = replace(written, frames=records)
        self.history.merged = self.history.here
        self.sheet_bytes = (self.run.folder / runfolder.SHEET).read_bytes()
        self.keeper.touch()

    def _progress(self, step: str, done: int, total: int) -> None:
        with self.lock:
            self.job = {"step": step, "done": done, "of": total, "failed": ""}
            self.tell()

    def reload(self) -> None:
        """Take over a worksheet that was changed outside."""
        run = open_run(self.run.folder)
        with self.lock:
            self._load(run)
            self.keeper.forget()
            self.tell()

    def overrule(self) -> None:
        """Keep what this page shows, over a worksheet that was changed outside."""
        with self.lock:
            self.sheet_bytes = (self.run.folder / runfolder.SHEET).read_bytes()
            self.keeper.conflict = False
            self.keeper.touch()
            self.tell()

    def mask_in_reference(self, name: str) -> NDArray[np.uint8]:
        """Mask of a frame as it lies on the result: (h, w) uint8, 255 = hidden."""
        from ..geometry import warp

        with self.lock:
            mask, matrix = self.masks[name], self.run.to_reference(self.sheet.frame(name))
        return warp(mask, matrix, linear=True)


def _step_back() -> None:
    """Let this thread, and those that it starts, yield to what a hand waits for."""
    if sys.platform == "linux":  # elsewhere threads have no niceness of their own
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICENESS)


def _with_regions(written: FrameRecord, before: FrameRecord) -> FrameRecord:
    """Keep what was known about a frame's hidden regions: a merge from a worksheet does not look for them."""
    if "hidden" in written.notes or "hidden" not in before.notes:
        return written
    return replace(written, notes={**written.notes, "hidden": before.notes["hidden"]})

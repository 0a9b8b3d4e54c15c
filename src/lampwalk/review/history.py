"""Every change of a review, kept in the run folder, so that each can be taken back, also tomorrow.

RUN/history/000001.json    one change: what it was, and the state before and after
RUN/history/now.json       which changes there are, how many are in force, for which worksheet
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .. import encode
from ..errors import WorksheetError
from .strokes import Box

FOLDER, NOW = "history", "now.json"

State = Mapping[str, Any]
"""Part of what a run has decided.

``{"masks": {file: patch}, "frames": {file: {field: value}}, "finish": {...}}``"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change.

    Attributes
    ----------
    serial : int
        Never given twice in one history.
    what : str
        For people: ``paint 03.jpg``.
    before, after : State
        The same parts of the decisions, before and after.
    """

    serial: int
    what: str
    before: State
    after: State


class History:
    """The changes of one run; those up to `position` are in force.

    Parameters
    ----------
    changes : list of Change
    position : int
    merged : int
        `here` at the time of the last merge at full size.
    """

    def __init__(self, changes: list[Change] | None = None, position: int = 0, merged: int = 0) -> None:
        self._changes = changes or []
        self.position = position
        self.merged = merged
        self._top = max((c.serial for c in self._changes), default=0)
        self._stored: set[int] = set()
        self._gesture = ""

    @property
    def here(self) -> int:
        """Serial of the last change in force; 0 where there is none."""
        return self._changes[self.position - 1].serial if self.position else 0

    def step(self, way: int) -> None:
        """Move by one change: -1 takes the last one back, 1 brings the next one back."""
        self.position += way
        self._gesture = ""

    @property
    def to_undo(self) -> Change | None:
        """The change that `undo` would take back."""
        return self._changes[self.position - 1] if self.position else None

    @property
    def to_redo(self) -> Change | None:
        """The change that `redo` would bring back."""
        return self._changes[self.position] if self.position < len(self._changes) else None

    def add(self, what: str, before: State, after: State, *, gesture: str = "") -> None:
        """Put down one change; what was taken back before is forgotten.

        Changes of one gesture (a slider that is dragged) are one: its first `before` and its last `after`.
        """
        latest = self.to_undo
        if gesture and gesture == self._gesture and latest is not None and latest.what == what:
            before = latest.before
            self.position -= 1
        self._gesture = gesture
        self._top += 1
        self._changes[self.position :] = [Change(serial=self._top, what=what, before=before, after=after)]
        self.position += 1

    def save(self, folder: Path, sheet: bytes) -> None:
        """Write what is not on the disk yet.

        Parameters
        ----------
        folder : Path
            The run folder.
        sheet : bytes
            The worksheet that the changes in force belong to.
        """
        home = folder / FOLDER
        home.mkdir(exist_ok=True)
        for c in self._changes:
            path = home / f"{c.serial:06d}.json"
            if c.serial not in self._stored or not path.exists():
                data = {"what": c.what, "before": c.before, "after": c.after}
                _write(path, data)
                self._stored.add(c.serial)
        serials = [c.serial for c in self._changes]
        now = {
            "changes": serials,
            "position": self.position,
            "merged": self.merged,
            "worksheet": digest(sheet),
        }
        _write(home / NOW, now)
        for path in home.glob("[0-9]*.json"):
            if path.stem.isdecimal() and int(path.stem) not in serials:
                path.unlink()

    @classmethod
    def load(cls, folder: Path, sheet: bytes) -> History:
        """Read the history of a run; empty where there is none, or where it belongs to another worksheet."""
        home = folder / FOLDER
        try:
            now = json.loads((home / NOW).read_text("utf-8"))
            if now["worksheet"] != digest(sheet):
                return cls()
            changes = [_read(home, int(serial)) for serial in now["changes"]]
            position, merged = int(now["position"]), int(now["merged"])
        except (OSError, ValueError, KeyError, TypeError):
            return cls()
        if not 0 <= position <= len(changes):
            return cls()
        history = cls(changes, position, merged)
        history._stored = {c.serial for c in changes}
        return history


def digest(sheet: bytes) -> str:
    """BLAKE2b-128 of a worksheet's bytes, hexadecimal."""
    return hashlib.blake2b(sheet, digest_size=16).hexdigest()


def patch(mask: NDArray[np.uint8], box: Box) -> dict[str, Any]:
    """Part of a mask as JSON: its box and a PNG."""
    inside = np.ascontiguousarray(mask[box[0] : box[2], box[1] : box[3]])
    return {"box": list(box), "png": base64.b64encode(encode.encode_png(inside)).decode("ascii")}


def patched(mask: NDArray[np.uint8], part: Mapping[str, Any]) -> tuple[NDArray[np.uint8], Box]:
    """Put a part back into a mask: a changed copy, and the box.

    Raises
    ------
    WorksheetError
        The part does not fit the mask.
    """
    r0, c0, r1, c1 = (int(v) for v in part["box"])
    pixels = cv2.imdecode(np.frombuffer(base64.b64decode(part["png"]), np.uint8), cv2.IMREAD_GRAYSCALE)
    out = mask.copy()
    if pixels is None or out[r0:r1, c0:c1].shape != pixels.shape:
        raise WorksheetError("history: a stroke does not fit its mask", remedy="go on without undoing it")
    out[r0:r1, c0:c1] = pixels
    return out, (r0, c0, r1, c1)


def _read(home: Path, serial: int) -> Change:
    data = json.loads((home / f"{serial:06d}.json").read_text("utf-8"))
    return Change(serial=serial, what=str(data["what"]), before=data["before"], after=data["after"])


def _write(path: Path, data: Mapping[str, Any]) -> None:
    with encode.whole(path) as temporary:
        temporary.write_text(json.dumps(data, ensure_ascii=False), "utf-8")

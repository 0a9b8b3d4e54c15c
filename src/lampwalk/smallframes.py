"""Frames at preview size, as a run keeps them: written as they are made, or handed on from the run that is repeated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import runfolder
from .desk import Desk
from .frames import Frame


class SmallFrames:
    """Keeps frames at preview size in a run folder, and smaller still for its contact sheet.

    Parameters
    ----------
    folder : Path, optional
        The run folder that is written; none is where not given.
    former : Path, optional
        The run folder that is repeated, as far as the frames that it has kept can be taken for those of this run.
    replaces : bool
        It is what `folder` will take the place of.
    desk : Desk, optional

    Attributes
    ----------
    thumbnails : dict of frame name to (h, w, 3) uint8
        Of the frames that were kept.
    """

    def __init__(
        self,
        folder: Path | None = None,
        former: Path | None = None,
        *,
        replaces: bool = False,
        desk: Desk | None = None,
    ) -> None:
        self._folder, self._former, self._replaces, self._desk = folder, former, replaces, desk or Desk()
        self.thumbnails: dict[str, NDArray[np.uint8]] = {}

    def keep(self, name: str, small: NDArray[Any]) -> None:
        """Keep a frame: (h, w, 3) uint8 or uint16, encoded."""
        if self._folder is not None:
            runfolder.write_small(self._folder, name, small)
        self.thumbnails[name] = runfolder.thumbnail(small)

    def known(self, name: str) -> NDArray[np.uint16] | None:
        """Read a frame that the former run has kept: (h, w, 3) uint16; None where it has not."""
        return None if self._former is None else runfolder.known_small(self._former, name)

    def hand_on(self, frame: Frame) -> bool:
        """Keep once more what the former run has kept of a frame; False where that is missing or damaged."""
        thumbnail = None if self._former is None else self._desk.thumbnail(self._former, frame)
        if self._former is None or thumbnail is None:
            return False
        if self._folder is not None:
            runfolder.hand_on_small(self._former, self._folder, frame.name, replaces=self._replaces)
        self.thumbnails[frame.name] = thumbnail
        return True

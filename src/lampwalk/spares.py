"""Files of a run that are written before they are asked for, and brought up to date instead of written anew where that is quicker."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Hashable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from . import runfolder
from .errors import OutputError
from .frames import state_of

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One file of a run.

    Attributes
    ----------
    name : str
    made_of : Hashable
        All that its content depends on.
    write : callable
        Writes it: gets the path, and what the file that lies there now was made of; None where there is none.
    """

    name: str
    made_of: Hashable
    write: Callable[[Path, Hashable], None]


class Spares:
    """Keeps files that were written ahead.

    Parameters
    ----------
    folder : Path or None
        Where they are kept: on the disk where they will be asked for; who asks for `renew` makes it. None to keep none.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder
        self._there: dict[str, tuple[Hashable, tuple[int, int]]] = {}
        self._given: dict[str, tuple[Hashable, tuple[int, int]]] = {}

    def renew(self, part: Part) -> None:
        """Have a file that is up to date; where that fails there is none."""
        if self._folder is None:
            return
        path, before = self._folder / part.name, self._before(part.name)
        if before == part.made_of:
            return
        self._there.pop(part.name, None)  # until all is written it is nothing
        try:
            if before is None:
                path.unlink(missing_ok=True)  # it may have another name yet
            part.write(path, before)
            runfolder.sync(path)
            self._there[part.name] = (part.made_of, state_of(path))
        except (OSError, OutputError) as error:
            _log.info("%s is not kept ready: %s", part.name, error)
            path.unlink(missing_ok=True)

    def give(self, part: Part, target: Path, former: Path) -> None:
        """Have a file in its place: the one that is kept, brought up to date, or else written there.

        Parameters
        ----------
        part : Part
        target : Path
        former : Path
            What it will take the place of. If that was given last, it is kept in turn: soon it has no other name any more.

        Raises
        ------
        OutputError
            It cannot be written.
        """
        self._place(part, target)
        before = self._given.get(part.name)
        self._given[part.name] = (part.made_of, state_of(target))
        if before is not None and self._folder is not None:
            with suppress(OSError):  # no links on this disk
                if state_of(former) == before[1]:
                    kept = self._folder / part.name
                    kept.unlink(missing_ok=True)
                    os.link(former, kept)
                    self._there[part.name] = before

    def _place(self, part: Part, target: Path) -> None:
        before = self._before(part.name)
        self._there.pop(part.name, None)  # it is given away, or no use
        if self._folder is not None and before is not None:
            path = self._folder / part.name
            try:
                if before != part.made_of:
                    part.write(path, before)
                path.replace(target)
                return
            except (OSError, OutputError) as error:
                _log.info("%s is written once more: %s", part.name, error)
                path.unlink(missing_ok=True)
        part.write(target, None)

    def clear(self) -> None:
        """Forget all of them; the files go with the folder."""
        self._there, self._given = {}, {}

    def _before(self, name: str) -> Hashable:
        """What the file that is kept was made of; None where there is none, it has another name yet, or somebody has written to it."""
        known = self._there.get(name)
        if known is None or self._folder is None:
            return None
        try:
            path = self._folder / name
            return known[0] if path.stat().st_nlink == 1 and state_of(path) == known[1] else None
        except OSError:
            return None

"""Which pictures of a folder have arrived, and are complete."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from threading import Event

from .errors import FrameError, SeriesError
from .files import SUFFIXES, read_facts
from .frames import OWN_RESULTS, natural_key

LOOK_S = 0.5
"""The folder is looked at so often at least: on network drives no events arrive."""
SETTLE_S = 0.15
"""A file whose size has not changed for so long is tried."""
PATIENCE_S = 10.0
"""A file that cannot be read is tried again for so long: it may still be arriving."""


def new_files(folder: Path, stop: Event) -> Iterator[Path]:
    """Give each picture of a folder once, when it is complete; end when `stop` is set.

    Events shorten the wait where they arrive (package watchfiles); else the folder is looked at every half second.
    """
    seen: set[str] = set()
    sizes: dict[str, tuple[int, float]] = {}
    wake = _wakes(folder, stop)
    gone: float | None = None
    while not stop.is_set():
        try:
            arrived, gone = _arrived(folder, seen, sizes), None
        except OSError as error:
            arrived, gone = [], gone or time.monotonic()
            if time.monotonic() - gone > PATIENCE_S:
                raise SeriesError(
                    f"the folder is gone: {error.strerror}", file=folder, remedy="connect it, and start again"
                ) from error
        for path in arrived:
            if stop.is_set():
                return
            seen.add(path.name)
            yield path
        if sizes or gone:
            stop.wait(SETTLE_S)  # something is arriving
        else:
            next(wake, None)


def complete(folder: Path) -> tuple[list[Path], list[str]]:
    """All pictures of a folder that are complete, and the names of those that are not."""
    here = _pictures(folder)
    whole = [path for path in here.values() if _is_whole(path)]
    return whole, sorted(set(here) - {path.name for path in whole})


def _pictures(folder: Path) -> dict[str, Path]:
    return {
        p.name: p
        for p in folder.iterdir()
        if p.suffix.lower() in SUFFIXES and not p.name.startswith(".") and p.name not in OWN_RESULTS
    }


def _arrived(folder: Path, seen: set[str], sizes: dict[str, tuple[int, float]]) -> list[Path]:
    """Files that no longer grow and can be read; forget what has gone away again (a temporary name)."""
    here = _pictures(folder)
    for name in set(sizes) - set(here):
        del sizes[name]
    done = []
    now = time.monotonic()
    for name in sorted(set(here) - seen, key=natural_key):
        try:
            size = here[name].stat().st_size
        except OSError:
            continue
        known, since = sizes.setdefault(name, (size, now))
        if known != size:
            sizes[name] = (size, now)
        elif now - since >= SETTLE_S and ((size and _is_whole(here[name])) or now - since > PATIENCE_S):
            del sizes[name]
            done.append(here[name])
    return done


def _is_whole(path: Path) -> bool:
    """Whether a file that no longer grows is complete: a JPEG that stopped half-way lacks its end (ITU-T T.81, EOI)."""
    try:
        read_facts(path)
        if path.suffix.lower() in (".jpg", ".jpeg"):
            with path.open("rb") as file:
                file.seek(max(0, path.stat().st_size - 65536))
                return b"\xff\xd9" in file.read()
        if path.suffix.lower() == ".png":
            with path.open("rb") as file:
                file.seek(-12, 2)
                return file.read()[4:8] == b"IEND"
    except (FrameError, OSError):
        return False
    return True


def _wakes(folder: Path, stop: Event) -> Iterator[object]:
    """Come back whenever something may have changed."""
    try:
        from watchfiles import watch
    except ImportError:
        while not stop.wait(LOOK_S):
            yield None
        return
    yield from watch(
        folder, stop_event=stop, rust_timeout=int(LOOK_S * 1000), yield_on_timeout=True, recursive=False, debounce=100,
        step=50, raise_interrupt=True,
    )  # fmt: skip


__all__ = ["complete", "new_files"]

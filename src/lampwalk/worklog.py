"""The log of a batch: one file, to which this process and all its workers append.

A line is written at once and at the end of the file, so that what a worker said stays when it dies. On another machine
the file must lie under the same path; where it cannot be written, the work goes on without.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

_log = logging.getLogger(__name__)
_package = logging.getLogger("lampwalk")

_lock = Lock()
_open: dict[str, logging.Handler] = {}
_users: dict[str, int] = {}


def log_file() -> str:
    """Path of the file that this process logs to; empty where there is none."""
    handlers = (*_package.handlers, *logging.getLogger().handlers)
    return next((h.baseFilename for h in handlers if isinstance(h, logging.FileHandler)), "")


@contextmanager
def appended(file: str) -> Iterator[None]:
    """Inside the block, append what lampwalk logs to a file; nothing changes where it goes there already.

    Parameters
    ----------
    file : str
        What `log_file` said where the work was handed out; empty for no log.
    """
    with _lock:
        if _users.get(file, 0) == 0 and file and file != log_file():
            _attach(file)
        _users[file] = _users.get(file, 0) + 1
    try:
        yield
    finally:
        with _lock:
            _users[file] -= 1
            if _users[file] == 0 and file in _open:
                handler = _open.pop(file)
                _package.removeHandler(handler)
                handler.close()


def _attach(file: str) -> None:
    try:
        handler = logging.FileHandler(file, encoding="utf-8")
    except OSError as error:
        _log.warning("%s cannot be written from %s: %s", file, socket.gethostname(), error)
        return
    where = f"{socket.gethostname()}:{os.getpid()}"
    handler.setFormatter(logging.Formatter(f"%(asctime)s {where} %(name)s %(message)s"))
    _open[file] = handler
    _package.addHandler(handler)
    _package.setLevel(logging.DEBUG)


__all__ = ["appended", "log_file"]

"""One series of a batch: what a worker is given, what it does, and what it tells.

A worker gets paths and choices, reads and writes files, and returns a few words: nothing else travels. So the
frames and the run folders must lie where every worker sees them under the same path.
"""

from __future__ import annotations

import json
import logging
import socket
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from hashlib import blake2b
from pathlib import Path
from typing import Any

from . import runfolder, worklog
from .decisions import Choices
from .errors import Finding, LampwalkError
from .files import SUFFIXES
from .frames import content_hash

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One series for a worker: plain and small, so that it can travel.

    Attributes
    ----------
    name, run : str
        Of the series; path of its run folder.
    files : tuple of str
        Paths; one folder stands for the pictures in it.
    choices : Choices
    former : str
        Fingerprint of the run that lies there, empty where there is none.
    overwrite : bool
    memory_bytes : int
        What its merge may take; 0 is as little as it can.
    log : str
        Path of the file that the worker logs to; empty for none.
    """

    name: str
    run: str
    files: tuple[str, ...]
    choices: Choices = field(default_factory=Choices)
    former: str = ""
    overwrite: bool = False
    memory_bytes: int = 0
    log: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one series.

    Attributes
    ----------
    name : str
    run : Path
    state : str
        ``"merged"``, ``"unchanged"`` or ``"failed"``.
    frames, lamps, left_out : int
        Frames used, lamps among them, frames left out.
    findings : tuple of Finding
    error : str
        Why it failed, and the remedy.
    seconds : float
    fingerprint : str
        Of content, settings and version.
    """

    name: str
    run: Path
    state: str
    frames: int = 0
    lamps: int = 0
    left_out: int = 0
    findings: tuple[Finding, ...] = ()
    error: str = ""
    seconds: float = 0.0
    fingerprint: str = ""

    @property
    def needs_a_look(self) -> bool:
        """Whether it failed, frames were left out, or something serious was found."""
        return self.state == "failed" or self.left_out > 0 or any(f.serious for f in self.findings)


def merge_job(job: Job) -> Outcome:
    """Merge one series: what a worker does. Never raises but for an interruption."""
    with worklog.appended(job.log):
        _log.info("series %s begins", job.name)
        outcome = _merged(job)
        _log.info("series %s: %s in %.1f s %s", job.name, outcome.state, outcome.seconds, outcome.error)
    return outcome


def _merged(job: Job) -> Outcome:
    start = time.perf_counter()
    run = Path(job.run)
    try:
        files = [Path(f) for f in job.files]
        source: Any = files[0] if len(files) == 1 else files
        print_now = fingerprint(files, job.choices)
        if job.former == print_now and (run / runfolder.SHEET).is_file():
            return Outcome(name=job.name, run=run, state="unchanged", fingerprint=print_now)
        from .merging import merge_folder

        allowed = job.memory_bytes or None
        done = merge_folder(source, run, choices=job.choices, memory_bytes=allowed, overwrite=job.overwrite)
    except LampwalkError as error:
        return failed(job, str(error), start)
    except MemoryError:
        return failed(job, "not enough memory (use fewer workers)", start)
    except Exception as error:  # whatever it is, the other series go on; the log tells more
        _log.exception("series %s failed", job.name)
        return failed(job, f"unexpected: {type(error).__name__}: {error}", start)
    used = [r for r in done.worksheet.frames if r.role != "left out"]
    return Outcome(
        name=job.name,
        run=run,
        state="merged",
        frames=len(used),
        lamps=sum(r.role == "lamp" for r in used),
        left_out=len(done.worksheet.frames) - len(used),
        findings=done.findings,
        seconds=round(time.perf_counter() - start, 2),
        fingerprint=print_now,
    )


def fingerprint(files: Sequence[Path], choices: Choices) -> str:
    """Fingerprint of everything that a run depends on: names and content of the files, choices, version.

    Raises
    ------
    LampwalkError
        A file is not there; on a cluster that names the machine.
    """
    from . import __version__

    digest = blake2b(digest_size=16)
    digest.update(json.dumps([__version__, asdict(choices)], sort_keys=True).encode())
    try:
        if len(files) == 1:
            files = sorted(p for p in files[0].iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
        for path in files:
            digest.update(path.name.encode("utf-8", "surrogateescape") + b"\0" + content_hash(path))
    except OSError as error:
        raise LampwalkError(
            f"{error.filename or 'a file'}: {error.strerror}, seen from {socket.gethostname()}",
            remedy="check the path; on a cluster, every worker must see the frames under the same path",
        ) from error
    return digest.hexdigest()


def failed(job: Job, why: str, start: float | None = None) -> Outcome:
    """Say that a series failed, and why; `start` is the reading of `time.perf_counter` when it began."""
    seconds = 0.0 if start is None else round(time.perf_counter() - start, 2)
    return Outcome(name=job.name, run=Path(job.run), state="failed", error=why, seconds=seconds)


__all__ = ["Job", "Outcome", "failed", "fingerprint", "merge_job"]

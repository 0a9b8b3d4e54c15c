"""Many series: each merged by itself, by any `concurrent.futures.Executor`; a failed one stops no other.

A worker gets paths and choices, reads and writes files, and returns a few words: nothing else travels. So the
frames and the run folders must lie where every worker sees them under the same path.
"""

from __future__ import annotations

import json
import logging
import multiprocessing
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from hashlib import blake2b
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from . import batchpages, parallel, runfolder
from .decisions import Choices
from .errors import Finding, InputError, LampwalkError, OutputError
from .files import SUFFIXES, read_facts
from .frames import content_hash
from .split import Found, is_plain

_log = logging.getLogger(__name__)

RECORD = "batch.json"
"""What was merged from what, in the folder of the runs."""

BASE_BYTES, BYTES_PER_PIXEL = 250e6, 30
"""Memory of one merge: measured peak of a worker, see benchmarks/batch.md."""

SHARE_OF_MEMORY = 0.6
"""Of the machine's memory that all workers together may take unless told otherwise."""


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
    """

    name: str
    run: str
    files: tuple[str, ...]
    choices: Choices = field(default_factory=Choices)
    former: str = ""
    overwrite: bool = False


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


Watcher = Callable[[Outcome, int, int], None]
"""Called with each outcome, how many are done, of how many."""


def merge_many(
    folders: Sequence[str | Path | Found],
    output: str | Path,
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    choices: Choices = Choices(),  # noqa: B008  (frozen)
    overwrite: bool = False,
    watcher: Watcher | None = None,
) -> tuple[Outcome, ...]:
    """Merge many series, each into a run folder of its own.

    Only what is new or changed (content of the frames, choices, version) or was interrupted is merged. Beside
    the run folders a summary.csv and an index.html are written.

    Parameters
    ----------
    folders : sequence of paths, or what `split.find_series` found
    output : path
        The folder of the run folders.
    executor : Executor, optional
        Threads, processes, a cluster; by default processes on this machine, as many as cores and memory
        allow.
    workers : int, optional
        Without an executor: at most so many processes.
    choices : Choices
    overwrite : bool
        Replace folders also if lampwalk did not write them.
    watcher : callable, optional

    Returns
    -------
    tuple of Outcome
        In the order of `folders`.

    Raises
    ------
    InputError
        Two series have one name.
    OutputError
        The folder of the runs cannot be written, or another process is writing it.
    """
    output = Path.absolute(Path(output))
    try:
        output.mkdir(parents=True, exist_ok=True)
        with runfolder.held(output / RECORD):
            record = _read_record(output / RECORD)
            jobs = [_job(item, output, choices, record, overwrite=overwrite) for item in folders]
            _refuse_same_names(jobs)
            by_name: dict[str, Outcome] = {}
            found = _on_executor(executor, jobs) if executor is not None else _on_this_machine(jobs, workers)
            for outcome in found:
                outcome = _remembered(outcome, record)
                by_name[outcome.name] = outcome
                if outcome.state == "merged":
                    record[outcome.name] = _to_data(outcome)
                    _write_record(output / RECORD, record)
                if watcher:
                    watcher(outcome, len(by_name), len(jobs))
            outcomes = tuple(by_name[job.name] for job in jobs)
            batchpages.write(output, outcomes)
    except OSError as error:
        raise OutputError(
            f"cannot be written: {error.strerror or error}", file=output, remedy="check rights and free space"
        ) from error
    return outcomes


def merge_job(job: Job) -> Outcome:
    """Merge one series: what a worker does. Never raises but for an interruption."""
    start = time.perf_counter()
    run = Path(job.run)
    try:
        files = [Path(f) for f in job.files]
        source: Any = files[0] if len(files) == 1 else files
        print_now = fingerprint(files, job.choices)
        if job.former == print_now and (run / runfolder.SHEET).is_file():
            return Outcome(name=job.name, run=run, state="unchanged", fingerprint=print_now)
        from .merging import merge_folder

        done = merge_folder(source, run, choices=job.choices, overwrite=job.overwrite)
    except LampwalkError as error:
        return _failed(job, str(error), start)
    except MemoryError:
        return _failed(job, "not enough memory (use fewer workers)", start)
    except Exception as error:  # whatever it is, the other series go on; the log tells more
        _log.exception("series %s failed", job.name)
        return _failed(job, f"unexpected: {type(error).__name__}: {error}", start)
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


def _failed(job: Job, why: str, start: float | None = None) -> Outcome:
    seconds = 0.0 if start is None else round(time.perf_counter() - start, 2)
    return Outcome(name=job.name, run=Path(job.run), state="failed", error=why, seconds=seconds)


# ---------------------------------------------------------------- where the work is done


def _on_executor(executor: Executor, jobs: Sequence[Job]) -> Iterator[Outcome]:
    """Give everything to the caller's executor, which alone decides what runs where and when."""
    ready: SimpleQueue[tuple[Job, Future[Outcome]]] = SimpleQueue()
    futures = []
    try:
        for job in jobs:
            try:
                future = executor.submit(merge_job, job)
            except RuntimeError as error:  # the executor has broken down meanwhile
                yield _failed(job, _lost(error))
                continue
            futures.append(future)
            future.add_done_callback(lambda f, job=job: ready.put((job, f)))  # type: ignore[misc]
        for _ in range(len(futures)):
            job, future = ready.get()
            yield _outcome(job, future)
    finally:
        for future in futures:
            future.cancel()


def _outcome(job: Job, future: Future[Outcome]) -> Outcome:
    try:
        return future.result()
    except (Exception, CancelledError) as error:  # a lost worker comes as whatever the executor makes of it
        return _failed(job, _lost(error))


def _lost(error: BaseException) -> str:
    return f"its worker was lost: {type(error).__name__} {error} (run again: what is done is kept; use fewer workers if memory was short)"


def _on_this_machine(jobs: Sequence[Job], most: int | None) -> Iterator[Outcome]:
    """Work in processes of our own; where one dies, what it had in hand is tried again, alone."""
    workers = workers_for(jobs, workers=most)
    shaken: list[Job] = []
    waiting = list(jobs)
    while waiting:
        with own_processes(workers) as pool:
            broken = yield from _in_window(pool, waiting, workers)
        shaken += broken
    for job in shaken:
        with own_processes(1) as pool:
            yield _outcome(job, pool.submit(merge_job, job))


def _in_window(pool: Executor, waiting: list[Job], workers: int) -> Any:
    """Hand out no more than is being worked on; return what was in hand when the pool broke."""
    ready: SimpleQueue[tuple[Job, Future[Outcome]]] = SimpleQueue()
    in_hand: list[Job] = []
    broken: list[Job] = []
    while (waiting and not broken) or in_hand:
        while waiting and not broken and len(in_hand) < workers:
            job = waiting.pop(0)
            in_hand.append(job)
            try:
                future = pool.submit(merge_job, job)
            except BrokenExecutor:
                in_hand.remove(job)
                broken.append(job)
                break
            future.add_done_callback(lambda f, job=job: ready.put((job, f)))  # type: ignore[misc]
        if not in_hand:
            break
        job, future = ready.get()
        in_hand.remove(job)
        if isinstance(future.exception(), BrokenExecutor):
            broken.append(job)
        else:
            yield _outcome(job, future)
    return broken


@contextmanager
def own_processes(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Give worker processes that end when this one does, however it ends."""
    context = multiprocessing.get_context("spawn")
    threads = max(1, (os.cpu_count() or 1) // workers)
    before = {child.pid for child in multiprocessing.active_children()}
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_attend, initargs=(threads,))
    try:
        yield pool
    except BaseException:
        for child in multiprocessing.active_children():
            if child.pid not in before:
                child.terminate()  # they tidy up: see _attend
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _attend(threads: int) -> None:
    """Set up a worker process: the parent alone hears Ctrl-C, and says so by SIGTERM."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    parallel.limited(threads).__enter__()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    """Do not outlive a parent that was killed."""
    parent.join()
    os._exit(1)


def _leave(*_: object) -> None:
    raise SystemExit(1)


def workers_for(jobs: Sequence[Job], *, workers: int | None = None, memory_bytes: float | None = None) -> int:
    """How many merges may go on at once: as many as there are cores and as memory holds of the largest.

    Parameters
    ----------
    jobs : sequence of Job
    workers : int, optional
        At most so many.
    memory_bytes : float, optional
        For all workers together; by default a share of the machine's memory.
    """
    budget = memory_bytes or SHARE_OF_MEMORY * _memory_bytes()
    largest = max((_pixels(job) for job in jobs), default=0)
    fits = int(budget // (BASE_BYTES + BYTES_PER_PIXEL * largest))
    return max(1, min(workers or os.cpu_count() or 1, fits, len(jobs) or 1))


def _pixels(job: Job) -> int:
    """Pixels of one frame of a series; 0 where that cannot be told, its merge will say why."""
    files = [Path(f) for f in job.files]
    try:
        if len(files) == 1:
            files = sorted(p for p in files[0].iterdir() if p.suffix.lower() in SUFFIXES)
        facts = read_facts(files[0])
    except (LampwalkError, OSError, IndexError):
        return 0
    return facts.height * facts.width


def _memory_bytes() -> float:
    try:
        return float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (ValueError, OSError, AttributeError):
        return 8e9  # unknown: a usual machine


# ---------------------------------------------------------------- what is remembered


def _job(item: str | Path | Found, output: Path, choices: Choices, record: dict[str, Any], *, overwrite: bool) -> Job:
    if isinstance(item, Found):
        name, files = item.name, tuple(str(p) for p in item.files)
    else:
        folder = Path.absolute(Path(item))
        name, files = folder.name, (str(folder),)
    if not is_plain(name):
        raise InputError(f"{name!r} cannot name a run folder", remedy="give a plain name without a path")
    former = record.get(name, {})
    print_before = former.get("fingerprint", "") if isinstance(former, dict) else ""
    return Job(
        name=name,
        run=str(output / name),
        files=files,
        choices=choices,
        former=str(print_before),
        overwrite=overwrite,
    )


def _refuse_same_names(jobs: Sequence[Job]) -> None:
    seen: dict[str, Job] = {}
    for job in jobs:
        other = seen.setdefault(job.name.casefold(), job)
        if other is not job:
            raise InputError(f"two series are called {job.name}", remedy=f"rename {job.files[0]} or {other.files[0]}")


def _read_record(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text("utf-8"))
        return dict(data["series"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}  # then everything is merged anew, which is safe


def _write_record(path: Path, record: dict[str, Any]) -> None:
    text = json.dumps({"batch": 1, "series": record}, indent=1, ensure_ascii=False)
    runfolder.write_whole(path, text + "\n")


def _to_data(outcome: Outcome) -> dict[str, Any]:
    return asdict(outcome) | {"run": outcome.run.name}


def _remembered(outcome: Outcome, record: dict[str, Any]) -> Outcome:
    """Say again what the run itself said, for a series that did not have to be merged again."""
    if outcome.state != "unchanged":
        return outcome
    told = record[outcome.name]
    try:
        return replace(
            outcome,
            frames=int(told["frames"]),
            lamps=int(told["lamps"]),
            left_out=int(told["left_out"]),
            findings=tuple(Finding(**f) for f in told["findings"]),
        )
    except (KeyError, TypeError, ValueError):
        return outcome


__all__ = ["Job", "Outcome", "fingerprint", "merge_job", "merge_many", "own_processes", "workers_for"]

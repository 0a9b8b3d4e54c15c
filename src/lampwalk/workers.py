"""Where the merges of a batch are done: on an executor of the caller's, or in processes of our own."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from . import memory, parallel
from .errors import LampwalkError
from .files import SUFFIXES, read_facts
from .frames import Frame, Series
from .jobs import Job, Outcome, failed

SHARE_OF_MEMORY = 0.6
"""Of the machine's memory that all workers together may take unless told otherwise."""

Work = Callable[[Job], Outcome]
"""What is done with each series: `jobs.merge_job`."""


def on_executor(executor: Executor, jobs: Sequence[Job], work: Work) -> Generator[Outcome]:
    """Give everything to the caller's executor, which alone decides what runs where and when.

    Parameters
    ----------
    executor : Executor
    jobs : sequence of Job
    work : callable
        Gives the outcome of a job; must be picklable where the executor's workers are processes.
    """
    ready: SimpleQueue[tuple[Job, Future[Outcome]]] = SimpleQueue()
    futures = []
    try:
        for job in jobs:
            try:
                future = executor.submit(work, job)
            except RuntimeError as error:  # the executor has broken down meanwhile
                yield failed(job, _lost(error))
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
        return failed(job, _lost(error))


def _lost(error: BaseException) -> str:
    return f"its worker was lost: {type(error).__name__} {error} (run again: what is done is kept; use fewer workers if memory was short)"


def on_this_machine(jobs: Sequence[Job], work: Work, at_once: int) -> Generator[Outcome]:
    """Work in processes of our own; where one dies, what it had in hand is tried again, alone."""
    shaken: list[Job] = []
    waiting, work = list(jobs), partial(_stoppable, work)
    while waiting:
        with own_processes(at_once) as pool:
            broken = yield from _in_window(pool, waiting, work, at_once)
        shaken += broken
    for job in shaken:
        with own_processes(1) as pool:
            yield _outcome(job, pool.submit(work, job))


def _in_window(pool: Executor, waiting: list[Job], work: Work, workers: int) -> Any:
    """Hand out no more than is being worked on; return what was in hand when the pool broke."""
    ready: SimpleQueue[tuple[Job, Future[Outcome]]] = SimpleQueue()
    in_hand: list[Job] = []
    broken: list[Job] = []
    while (waiting and not broken) or in_hand:
        while waiting and not broken and len(in_hand) < workers:
            job = waiting.pop(0)
            in_hand.append(job)
            try:
                future = pool.submit(work, job)
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


_settings = ExitStack()
"""What holds in a worker process as long as this is kept."""


def _attend(threads: int) -> None:
    """Set up a worker process: the parent alone hears Ctrl-C, and says so by SIGTERM."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    _settings.enter_context(parallel.limited(threads))
    memory.share_one_heap()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    """Do not outlive a parent that was killed."""
    parent.join()
    os._exit(1)


def _leave(*_: object) -> None:
    """End once: the pool says it again to all workers when the first of them is gone, while this one tidies up."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if not _busy:  # in a queue of the pool, which an error might leave locked for ever
        os._exit(1)
    raise SystemExit(1)


_busy = False
"""Whether this process, a worker, has a job in hand."""


def _stoppable(work: Work, job: Job) -> Outcome:
    """Do a job in a worker; told to leave, the process ends as soon as the work has tidied up, without a word to the pool."""
    global _busy
    try:
        _busy = True
        try:
            return work(job)
        finally:
            _busy = False
    except SystemExit:
        os._exit(1)


def shares(jobs: Sequence[Job], *, workers: int | None = None, memory_bytes: int | None = None) -> tuple[int, int]:
    """How many merges may go on at once, and what memory each may take.

    Parameters
    ----------
    jobs : sequence of Job
    workers : int, optional
        At most so many; by default as many as there are cores.
    memory_bytes : int, optional
        For all of them together; by default a share of the machine's memory.

    Returns
    -------
    (int, int)
        Merges at once, at least 1. Bytes for each: a merge that needs more refuses, and says how much.
    """
    budget = memory_bytes or int(SHARE_OF_MEMORY * _memory_bytes())
    largest = max((_needed_bytes(job) for job in jobs), default=0)
    fits = budget // max(largest, 1)
    at_once = max(1, min(workers or os.cpu_count() or 1, fits, len(jobs) or 1))
    return at_once, budget // at_once


def _needed_bytes(job: Job) -> int:
    """Memory that the merge of a series needs; 0 where that cannot be told, its merge will say why."""
    from .budget import needed_bytes

    files = [Path(f) for f in job.files]
    try:
        if len(files) == 1:
            files = sorted(p for p in files[0].iterdir() if p.suffix.lower() in SUFFIXES)
        facts = read_facts(files[0])
    except (LampwalkError, OSError, IndexError):
        return 0
    one = Frame(name=files[0].name, path=files[0], facts=facts, bits=facts.bits)
    return needed_bytes(Series(frames=(one,) * len(files)))


def _memory_bytes() -> int:
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError, AttributeError):
        return 8_000_000_000  # unknown: a usual machine


__all__ = ["on_executor", "on_this_machine", "own_processes", "shares"]

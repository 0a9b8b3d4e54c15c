"""The same work on many frames, on a few threads; results never depend on how many."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from threading import Lock
from typing import Any, Generic, Protocol, TypeVar

import cv2

T = TypeVar("T")
R = TypeVar("R")

_threads: ContextVar[int | None] = ContextVar("threads", default=None)


@contextmanager
def limited(threads: int) -> Iterator[None]:
    """Use this many threads inside the block; OpenCV's own threads are off, so that the cores are not asked twice.

    A block inside another never uses more threads than that one.
    """
    outer = _threads.get()
    inner, token = cv2.getNumThreads(), _threads.set(max(1, threads if outer is None else min(threads, outer)))
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(inner)
        _threads.reset(token)


def _allowed() -> int:
    """Threads that may be used here."""
    return _threads.get() or os.cpu_count() or 1


def each(function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Apply a function to all items: the results in the order of the items; the first error is raised."""
    items = list(items)
    threads = min(_allowed(), len(items))
    if threads < 2:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))


@contextmanager
def rounds(items: Iterable[T]) -> Iterator[Callable[[Callable[[T], object]], Sequence[Future[object]]]]:
    """Give a function that begins a round: the same items for one function after the other, on a few threads.

    An item waits for nothing but its own turn in the round before, so no thread waits for the last items of a round while the next
    one could begin. A round that is begun returns its items' jobs when the one before has ended; the last one has ended with the
    block. The first error of any item is raised, and what has not begun is dropped.
    """
    items = list(items)
    nothing: Future[object] = Future()
    nothing.set_result(None)
    last = [nothing] * len(items)
    with ThreadPoolExecutor(_allowed()) as pool:

        def begin(function: Callable[[T], object]) -> Sequence[Future[object]]:
            def after(before: Future[object], item: T) -> object:
                before.result()
                return function(item)

            nonlocal last
            before, last = last, [pool.submit(after, *job) for job in zip(last, items, strict=True)]
            for job in before:
                job.result()
            return last

        try:
            yield begin
            for job in last:
                job.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


class Start(Protocol):
    """Starts a job aside."""

    def __call__(self, job: Callable[[], R], /) -> Future[R]:
        """Start a job; what it gives is in the future."""
        ...


@contextmanager
def aside() -> Iterator[Start]:
    """Give a function that runs jobs one after the other on one more thread, beside what the block does.

    A job runs on that thread alone. It takes the time for which the other threads wait for each other; all jobs are done when
    the block ends but those that were cancelled, and the first error of a job is raised then.
    Where the block ends with an error of its own, jobs that have not begun are dropped.
    """
    jobs: list[Future[Any]] = []
    with ThreadPoolExecutor(1, thread_name_prefix="aside", initializer=_threads.set, initargs=(1,)) as pool:

        def start(job: Callable[[], R]) -> Future[R]:
            jobs.append(pool.submit(job))
            return jobs[-1]

        try:
            yield start
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        for job in jobs:
            if not job.cancelled():
                job.result()


def once(make: Callable[[], R]) -> Callable[[], R]:
    """Give a function that makes something when it is first asked for, on whatever thread, and then gives the same."""
    lock, made = Lock(), list[R]()

    def get() -> R:
        with lock:
            if not made:
                made.append(make())
            return made[0]

    return get


class Lent(Generic[T]):
    """Things of which each thread needs one at a time, and that are dear to make.

    Parameters
    ----------
    make : callable
        Makes one more, where none is free.
    """

    def __init__(self, make: Callable[[], T]) -> None:
        self._make, self._free = make, list[T]()

    @contextmanager
    def one(self) -> Iterator[T]:
        """Lend one."""
        thing = self._free.pop() if self._free else self._make()  # pop and append are one step each
        try:
            yield thing
        finally:
            self._free.append(thing)

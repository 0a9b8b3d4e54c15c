"""Many series: each merged by itself, by any `concurrent.futures.Executor`; a failed one stops no other."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from . import batchpages, runfolder, worklog
from .decisions import Choices
from .errors import Finding, InputError
from .jobs import Job, Outcome, merge_job
from .split import Found, Split, is_plain
from .workers import on_executor, on_this_machine, shares

RECORD = "batch.json"
"""What was merged from what, in the folder of the runs."""

Watcher = Callable[[Outcome, int, int], None]
"""Called with each outcome, how many are done, of how many."""


def merge_many(
    folders: Sequence[str | Path | Found] | Split,
    output: str | Path,
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    memory_bytes: int | None = None,
    choices: Choices = Choices(),  # noqa: B008  (frozen)
    overwrite: bool = False,
    watcher: Watcher | None = None,
) -> tuple[Outcome, ...]:
    """Merge many series, each into a run folder of its own.

    Only what is new or changed (content of the frames, choices, version) or was interrupted is merged. Beside
    the run folders a summary.csv and an index.html are written.

    Parameters
    ----------
    folders : sequence of paths, or of series found, or all that `split.find_series` found
    output : path
        The folder of the run folders.
    executor : Executor, optional
        Threads, processes, a cluster; by default processes on this machine, as many as cores and memory
        allow.
    workers : int, optional
        Without an executor: at most so many processes.
    memory_bytes : int, optional
        For all processes together, by default 60 % of the machine's; with an executor, for each merge, by default as
        little as it can.
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
    items, remarks = (folders.series, folders.findings) if isinstance(folders, Split) else (folders, ())
    with runfolder.refusals(output):
        output.mkdir(parents=True, exist_ok=True)
        with runfolder.held(output / RECORD), runfolder.tidied(output, holding=RECORD):
            record = _read_record(output / RECORD)
            jobs = [_job(item, output, choices, record, overwrite=overwrite) for item in items]
            _refuse_same_names(jobs)
            if executor is not None:
                jobs = [replace(job, memory_bytes=memory_bytes or 0) for job in jobs]
                coming = on_executor(executor, jobs, merge_job)
            else:
                at_once, each_bytes = shares(jobs, workers=workers, memory_bytes=memory_bytes)
                jobs = [replace(job, memory_bytes=each_bytes) for job in jobs]
                coming = on_this_machine(jobs, merge_job, at_once)
            by_name: dict[str, Outcome] = {}
            with closing(coming):  # when it is closed, our own workers have ended
                for told in coming:
                    outcome = _remembered(told, record)
                    by_name[outcome.name] = outcome
                    if outcome.state == "merged":
                        record[outcome.name] = _to_data(outcome)
                        _write_record(output / RECORD, record)
                    if watcher:
                        watcher(outcome, len(by_name), len(jobs))
            outcomes = tuple(by_name[job.name] for job in jobs)
            batchpages.write(output, outcomes, remarks)
    return outcomes


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
        log=worklog.log_file(),
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


__all__ = ["Job", "Outcome", "merge_job", "merge_many"]

"""Many series. Pictures are a small scene, scaled down further."""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import pytest

from lampwalk import batch, split, workers
from lampwalk.batch import merge_many
from lampwalk.budget import needed_bytes
from lampwalk.errors import InputError, OutputError
from lampwalk.frames import read_series

SHAPE = (120, 80)
QUICK = batch.Choices(hide=False, glow=False, fill=False, quiet=False)


@pytest.fixture(scope="module")
def tiny(small_scene) -> list[np.ndarray]:
    names = ("00.jpg", "03.jpg", "06.jpg")
    return [cv2.resize(cv2.imread(str(small_scene / "frames" / n)), SHAPE, interpolation=cv2.INTER_AREA) for n in names]


def put(folder: Path, frames) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for i, frame in enumerate(frames):
        cv2.imwrite(str(folder / f"{i:02d}.png"), frame)
    return folder


def kill_on_first_call(job):
    """Die as a worker does that runs out of memory; the second time, work."""
    mark = Path(job.run).parent / f"{job.name}.died"
    if job.name == "b" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return batch.merge_job(job)


def always_kill(job):
    if job.name == "b":
        os.kill(os.getpid(), signal.SIGKILL)
    return batch.merge_job(job)


def tidy_up_slowly(job):
    """Be done at once, or take a while to tidy up when told to end, as a merge does that has much to remove."""
    mark = Path(job.run).parent / f"{job.name}.begun"
    if job.name == "b":
        try:
            mark.touch()
            time.sleep(60)
        finally:
            time.sleep(1.5)
            mark.unlink()
    return batch.failed(job, "done")


def leave_a_lock(job):
    """End as a worker does that was stopped on its way into a run folder."""
    Path(job.run).with_name(f".{job.name}.lampwalk-lock").touch()
    Path(job.run).with_name(f".{job.name}.lampwalk-part").mkdir()
    return batch.failed(job, "stopped")


@pytest.fixture
def shoots(tmp_path, tiny):
    return [put(tmp_path / "shoots" / name, tiny) for name in ("a", "b")]


def test_threads_merge_all_and_a_failed_series_stops_no_other(shoots, tmp_path):
    broken = tmp_path / "shoots" / "0broken"
    broken.mkdir()
    (broken / "x.jpg").write_bytes(b"no picture")
    with ThreadPoolExecutor(2) as pool:
        outcomes = merge_many([broken, *shoots, tmp_path / "away"], tmp_path / "runs", executor=pool)
    assert [o.state for o in outcomes] == ["failed", "merged", "merged", "failed"]
    assert (tmp_path / "runs" / "a" / "picture.jpg").is_file()
    assert not (tmp_path / "runs" / "0broken").exists()
    with (tmp_path / "runs" / "summary.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [r["state"] for r in rows] == ["failed", "merged", "merged", "failed"]
    page = (tmp_path / "runs" / "index.html").read_text()
    assert page.index("0broken") < page.index(">a<")  # what failed stands first
    assert sorted(p.name for p in (tmp_path / "runs").iterdir()) == [
        "a",
        "b",
        "batch.json",
        "index.html",
        "summary.csv",
    ]


def test_running_again_does_only_what_changed_or_is_missing(shoots, tmp_path, tiny):
    with ThreadPoolExecutor(1) as pool:
        again = lambda: [o.state for o in merge_many(shoots, tmp_path / "runs", executor=pool, choices=QUICK)]  # noqa: E731
        assert again() == ["merged", "merged"]
        before = (tmp_path / "runs" / "a" / "worksheet.json").stat().st_mtime_ns
        assert again() == ["unchanged", "unchanged"]
        assert (tmp_path / "runs" / "a" / "worksheet.json").stat().st_mtime_ns == before
        put(shoots[1], [*tiny, cv2.convertScaleAbs(tiny[1], alpha=1.1)])
        os.utime(shoots[1] / "03.png", (0, 0))  # a clock set back must not hide it
        assert again() == ["unchanged", "merged"]
        (tmp_path / "runs" / "a" / "worksheet.json").unlink()
        (tmp_path / "runs" / "a" / "picture.jpg").rename(tmp_path / "kept.jpg")
        for rest in sorted((tmp_path / "runs" / "a").rglob("*"), reverse=True):
            rest.rmdir() if rest.is_dir() else rest.unlink()
        (tmp_path / "runs" / "a").rmdir()
        assert again() == ["merged", "unchanged"]
        choices = batch.Choices(hide=False, glow=False, fill=False)
        states = [o.state for o in merge_many(shoots, tmp_path / "runs", executor=pool, choices=choices)]
        assert states == ["merged", "merged"]
    told = json.loads((tmp_path / "runs" / "batch.json").read_text())
    assert set(told["series"]) == {"a", "b"}


def test_processes_of_our_own_survive_a_killed_worker(shoots, tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "merge_job", kill_on_first_call)
    outcomes = merge_many(shoots, tmp_path / "runs", workers=1, choices=QUICK)
    assert [o.state for o in outcomes] == ["merged", "merged"]
    assert (tmp_path / "runs" / "b.died").exists()


def test_a_worker_leaves_the_other_cores_to_the_other_workers():
    with workers.own_processes(2) as pool:
        assert pool.submit(cv2.getNumThreads).result() == 1


def test_a_worker_told_to_end_tidies_up_whole_though_the_pool_tells_it_again(shoots, tmp_path, monkeypatch):
    """A worker without work dies where it waits, which breaks the pool, which then ends the others by force."""
    monkeypatch.setattr(batch, "merge_job", tidy_up_slowly)
    mark = tmp_path / "runs" / "b.begun"

    def watch(*_):
        while not mark.exists():
            time.sleep(0.01)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        merge_many(shoots, tmp_path / "runs", workers=2, watcher=watch)
    assert not mark.exists()


class Leaving:
    """An outcome whose worker is told to leave while it is being sent."""

    def __reduce__(self):
        os.kill(os.getpid(), signal.SIGTERM)
        return Leaving, ()


def leave_while_sending(job):
    return Leaving()


def test_a_worker_that_is_told_to_leave_while_it_sends_its_result_ends_and_is_named(shoots, tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "merge_job", leave_while_sending)
    outcomes = merge_many(shoots, tmp_path / "runs", workers=2)
    assert [o.state for o in outcomes] == ["failed", "failed"]
    assert all("worker was lost" in o.error for o in outcomes)


@pytest.mark.parametrize("interrupted", [False, True])
def test_what_a_stopped_worker_leaves_is_tidied_away(shoots, tmp_path, monkeypatch, interrupted):
    monkeypatch.setattr(batch, "merge_job", leave_a_lock)

    def watch(*_):
        if interrupted:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt) if interrupted else nullcontext():
        merge_many(shoots, tmp_path / "runs", workers=2, watcher=watch)
    assert [p.name for p in (tmp_path / "runs").iterdir() if p.name.startswith(".")] == []


def test_a_callers_processes_that_die_are_named_not_raised(shoots, tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "merge_job", always_kill)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        outcomes = merge_many(shoots, tmp_path / "runs", executor=pool, choices=QUICK)
    assert outcomes[1].state == "failed"
    assert "worker was lost" in outcomes[1].error


def test_two_series_of_one_name_and_two_batches_at_once_are_refused(shoots, tmp_path):
    with pytest.raises(InputError, match="two series"):
        merge_many([shoots[0], tmp_path / "elsewhere" / "A"], tmp_path / "runs")
    with (
        batch.runfolder.held(tmp_path / "runs" / batch.RECORD),
        pytest.raises(OutputError, match="another lampwalk"),
    ):
        merge_many(shoots, tmp_path / "runs")


def test_names_are_text_in_page_and_table(tmp_path):
    evil = "=<script>alert(1)</script>".replace("/", "")
    found = split.Found(name=evil, files=(tmp_path / "x.png", tmp_path / "y.png"))
    with ThreadPoolExecutor(1) as pool:
        (outcome,) = merge_many([found], tmp_path / "runs", executor=pool)
    assert outcome.state == "failed"
    assert "<script>" not in (tmp_path / "runs" / "index.html").read_text()
    assert "\n'=" in (tmp_path / "runs" / "summary.csv").read_text().replace("\r", "")


@pytest.mark.parametrize("name", ["..", "a/b", "a\\b", ".hidden", "", "a\0"])
def test_a_name_cannot_lead_out_of_the_folder_of_runs(name, tmp_path):
    found = split.Found(name=name, files=(tmp_path / "x.png", tmp_path / "y.png"))
    with pytest.raises(InputError):
        merge_many([found], tmp_path / "runs")


def test_workers_stay_inside_the_memory_budget_and_hand_it_on(shoots):
    jobs = [batch.Job(name=p.name, run="r", files=(str(p),)) for p in shoots * 4]
    one = needed_bytes(read_series(shoots[0]))
    assert workers.shares(jobs, workers=8, memory_bytes=8 * one) == (8, one)
    assert workers.shares(jobs, workers=8, memory_bytes=int(3.1 * one)) == (3, int(3.1 * one) // 3)
    assert workers.shares(jobs, workers=8, memory_bytes=1) == (1, 1)


def test_memory_for_a_merge_is_bounded_whatever_the_number_of_frames(shoots):
    series = read_series(shoots[0])

    def needed_by(height: int, width: int) -> dict[int, int]:
        one = replace(series.frames[0], facts=replace(series.frames[0].facts, height=height, width=width, bits=8))
        return {n: needed_bytes(replace(series, frames=(one,) * n)) for n in (2, 4, 8, 40, 250)}

    small, needed = needed_by(800, 1200), needed_by(2832, 4248)
    assert small[2] < small[4] < small[40] == small[250]
    assert needed[2] < needed[8] < needed[40] == needed[250]
    # Measured at 12 megapixels (benchmarks/speed.md): a merge is never promised to need less than it takes.
    assert needed[8] > 671e6
    assert needed[40] > 696e6


def test_a_budget_too_small_for_a_merge_is_refused_with_what_it_needs(shoots, tmp_path):
    outcomes = merge_many(shoots, tmp_path / "runs", memory_bytes=10_000_000, choices=QUICK)
    assert [o.state for o in outcomes] == ["failed", "failed"]
    allowed = float(re.search(r"allow at least ([\d.]+) GB", outcomes[0].error)[1])
    assert allowed * 1e9 >= needed_bytes(read_series(shoots[0]))


def test_a_dask_cluster_of_two_processes_with_a_killed_worker_and_a_missing_file(shoots, tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed")
    import dask

    monkeypatch.setattr(batch, "merge_job", kill_on_first_call)
    monkeypatch.setenv(
        "PYTHONPATH",
        os.pathsep.join(
            [str(Path(__file__).parent), str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH", "")]
        ),
    )
    with (
        dask.config.set({"distributed.worker.daemon": True}),
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):
        executor = client.get_executor(pure=False)
        outcomes = merge_many(
            [*shoots, tmp_path / "seen-by-nobody"], tmp_path / "runs", executor=executor, choices=QUICK
        )
    assert [o.state for o in outcomes] == ["merged", "merged", "failed"]
    assert (tmp_path / "runs" / "b.died").exists()
    assert "every worker must see the frames" in outcomes[2].error

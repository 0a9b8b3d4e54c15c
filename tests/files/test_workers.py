"""Workers from outside: their log, what they do when they lack the files, and the command on a cluster."""

from __future__ import annotations

import json
import logging
import os
import re
import shutil
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import pytest

import lampwalk
from lampwalk import worklog

SOURCE = Path(lampwalk.__file__).parent.parent
ENV = os.environ | {"PYTHONPATH": str(SOURCE)}
QUICK = lampwalk.Choices(hide=False, glow=False, fill=False, quiet=False)


@pytest.fixture
def shoots(small_scene, tmp_path) -> Path:
    for series in ("a", "b", "c", "d"):
        (tmp_path / "shoots" / series).mkdir(parents=True)
        for name in ("00", "03", "06"):
            picture = cv2.imread(str(small_scene / "frames" / f"{name}.jpg"))
            small = cv2.resize(picture, (120, 80), interpolation=cv2.INTER_AREA)
            cv2.imwrite(str(tmp_path / "shoots" / series / f"{name}.png"), small)
    return tmp_path / "shoots"


@pytest.fixture
def package_log():
    """Whatever a test does to the package's logger is undone."""
    logger = logging.getLogger("lampwalk")
    before = (logger.level, list(logger.handlers))
    yield logger
    logger.setLevel(before[0])
    for handler in set(logger.handlers) - set(before[1]):
        logger.removeHandler(handler)
        handler.close()


def batch(*args: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "lampwalk", *map(str, args)]
    return subprocess.run(command, env=ENV, capture_output=True, text=True, timeout=300)


def test_workers_log_to_the_file_of_the_command(shoots, tmp_path):
    (shoots / "c" / "00.png").write_bytes(b"")
    (shoots / "c" / "03.png").write_bytes((shoots / "c" / "03.png").read_bytes()[:3000])
    done = batch(
        "--log", tmp_path / "log.txt", "batch", shoots, "--output", tmp_path / "runs", "--workers", 2, "--quiet"
    )
    assert done.returncode in (0, 1), done.stderr
    said = (tmp_path / "log.txt").read_text()
    workers = {}
    for name in ("a", "b", "c", "d"):
        begun = re.search(rf"\S+:(\d+) lampwalk\.jobs series {name} begins", said)
        assert begun, said
        workers[name] = begun[1]
        assert re.search(rf":{begun[1]} lampwalk\.jobs series {name}: (merged|failed)", said)
    assert len(set(workers.values())) == 2
    assert str(done.args) not in said


def test_one_log_for_all_threads_and_nothing_is_left_attached(shoots, tmp_path, package_log):
    """Jobs that run side by side in one process share the handler; the last one takes it off."""
    file = str(tmp_path / "log.txt")
    before = list(package_log.handlers)
    with worklog.appended(file), worklog.appended(file):
        package_log.info("inside")
    with worklog.appended(str(tmp_path / "no" / "folder" / "log.txt")):
        package_log.info("lost, and no reason to fail")
    assert package_log.handlers == before
    assert (tmp_path / "log.txt").read_text().count("inside") == 1


def test_a_process_that_logs_itself_is_not_written_twice(shoots, tmp_path, package_log):
    handler = logging.FileHandler(tmp_path / "log.txt")
    package_log.addHandler(handler)
    package_log.setLevel(logging.INFO)
    with ThreadPoolExecutor(2) as pool:
        lampwalk.merge_many([shoots / "a", shoots / "b"], tmp_path / "runs", executor=pool, choices=QUICK)
    handler.flush()
    assert (tmp_path / "log.txt").read_text().count("series a begins") == 1


@pytest.fixture
def cluster(tmp_path):
    """A scheduler of its own and workers that are asked for; `blind` ones have an empty disk mounted over a folder."""
    distributed = pytest.importorskip("distributed")
    started: list[subprocess.Popen[bytes]] = []
    told = tmp_path / "scheduler.json"
    run = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--scheduler-file", str(told), "--port", "0"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": ENV}
    started.append(subprocess.Popen([*run, "--host", "127.0.0.1", "--no-dashboard"], **quiet))
    end = time.monotonic() + 60
    while not told.exists() and time.monotonic() < end:
        time.sleep(0.1)
    address = json.loads(told.read_text())["address"]

    def worker(name: str, blind: Path | None = None) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny"]
        command += ["--name", name, "--no-dashboard", "--local-directory", str(tmp_path / name)]
        if blind is not None:
            command = ["unshare", "-m", "sh", "-c", f'mount -t tmpfs tmpfs {blind} && exec "$@"', "sh", *command]
        started.append(subprocess.Popen(command, **quiet))
        return started[-1]

    yield distributed, address, worker
    for process in reversed(started):
        process.kill()
        process.wait()


def can_mount() -> bool:
    try:
        return subprocess.run(["unshare", "-m", "true"], capture_output=True).returncode == 0
    except OSError:
        return False


@pytest.mark.skipif(not can_mount(), reason="needs a mount namespace")
def test_a_worker_without_the_files_fails_what_it_gets_and_names_itself(shoots, tmp_path, cluster):
    distributed, address, worker = cluster
    blind, _ = worker("blind", blind=shoots), worker("seeing")
    with distributed.Client(address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=90)
        folders = [shoots / name for name in ("a", "b", "c", "d")]
        executor = client.get_executor(pure=False)
        outcomes = lampwalk.merge_many(folders, tmp_path / "runs", executor=executor, choices=QUICK)
        states = [o.state for o in outcomes]
        assert set(states) == {"merged", "failed"}, [o.error for o in outcomes]
        for outcome in outcomes:
            if outcome.state == "failed":
                assert "every worker must see the frames under the same path" in outcome.error
                assert not outcome.run.exists()
        blind.terminate()
        blind.wait()
        again = lampwalk.merge_many(folders, tmp_path / "runs", executor=executor, choices=QUICK)
        assert [o.state for o in again] == ["unchanged" if s == "merged" else "merged" for s in states]


def test_the_command_works_on_a_cluster_and_its_workers_log(shoots, tmp_path, cluster):
    _, address, worker = cluster
    worker("one"), worker("two")
    shutil.rmtree(shoots / "d")
    log = tmp_path / "log.txt"
    done = batch("--log", log, "batch", shoots, "--output", tmp_path / "runs", "--dask", address, "--json")
    assert done.returncode in (0, 1), done.stderr
    assert json.loads(done.stdout)["merged"] == 3
    assert all(f"series {name}: merged" in log.read_text() for name in ("a", "b", "c"))


def test_a_scheduler_that_does_not_answer_is_an_error_in_words(shoots, tmp_path):
    pytest.importorskip("distributed")
    done = batch("batch", shoots, "--output", tmp_path / "runs", "--dask", "tcp://127.0.0.1:9")
    assert done.returncode == 2
    assert "no scheduler answers" in done.stderr
    assert "Traceback" not in done.stderr

"""Rights, full disks, clocks, vanishing input, second processes: a clear message, status 2, nothing half-written."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import cv2
import pytest

import lampwalk
from lampwalk import arrivals, batch, livefolder, runfolder
from lampwalk.errors import SeriesError

SOURCE = Path(lampwalk.__file__).parent.parent
NOBODY = 65534
ENV = os.environ | {"PYTHONPATH": str(SOURCE)}
AS_NOBODY = f"""
import os, sys
from lampwalk import arrivals, batch, cli, livefolder, split, watching
assert cli.main(["merge", sys.argv[1], "--output", sys.argv[2], "--quiet"]) in (0, 1)
os.setgroups([])
os.setgid({NOBODY})
os.setuid({NOBODY})
sys.exit(cli.main(sys.argv[3:]))
"""
AS_ROOT = pytest.mark.skipif(
    not sys.platform.startswith("linux") or os.geteuid() != 0, reason="needs the right to be somebody else, or to mount"
)


@pytest.fixture(scope="module")
def frames(small_scene, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("harm") / "frames"
    folder.mkdir()
    for name in ("00", "03", "06"):
        picture = cv2.imread(str(small_scene / "frames" / f"{name}.jpg"))
        cv2.imwrite(str(folder / f"{name}.png"), cv2.resize(picture, (120, 80), interpolation=cv2.INTER_AREA))
    return folder


@pytest.fixture
def open_path():
    """A temporary folder that others may pass through; pytest's own are closed, and closed again by each session."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


def run(*args: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-B", "-m", "lampwalk", *map(str, args)]
    return subprocess.run(command, env=ENV, capture_output=True, text=True, timeout=120)


def run_as_nobody(frames: Path, scratch: Path, *args: object) -> subprocess.CompletedProcess[str]:
    """Become nobody only after a merge has loaded all modules: the interpreter may lie where nobody may read."""
    command = [sys.executable, "-B", "-c", AS_NOBODY, frames, scratch / "warm", *args]
    return subprocess.run([str(c) for c in command], env=ENV, capture_output=True, text=True, timeout=120)


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    for word in words:
        assert word in done.stderr


@AS_ROOT
@pytest.mark.parametrize("command", ["merge", "batch", "watch"])
def test_a_folder_that_may_not_be_written(command, frames, open_path):
    shutil.copytree(frames, open_path / "frames")
    locked = open_path / "locked"
    locked.mkdir(mode=0o755)
    (open_path / "frames").chmod(0o755)
    done = run_as_nobody(frames, open_path, command, open_path / "frames", "--output", locked / "run")
    refused(done, "Permission denied", "choose a folder that you may write to")
    assert list(locked.iterdir()) == []


@AS_ROOT
@pytest.mark.parametrize("command", ["merge", "batch", "watch"])
def test_a_folder_behind_a_closed_one(command, frames, open_path):
    shutil.copytree(frames, open_path / "closed" / "frames")
    (open_path / "closed").chmod(0o700)
    done = run_as_nobody(frames, open_path, command, open_path / "closed" / "frames", "--output", open_path / "run")
    refused(done, "may not be read")


@AS_ROOT
def test_frames_that_may_not_be_read(frames, open_path):
    shutil.copytree(frames, open_path / "frames")
    (open_path / "frames").chmod(0o755)
    for path in (open_path / "frames").iterdir():
        path.chmod(0o600)
    home = open_path / "home"
    home.mkdir()
    os.chown(home, NOBODY, NOBODY)
    as_nobody = lambda *args: run_as_nobody(frames, open_path, *args)  # noqa: E731
    refused(as_nobody("merge", open_path / "frames", "--output", home / "run"), "frame")
    refused(as_nobody("batch", open_path / "frames", "--output", home / "runs"), "may not be read")
    assert not (home / "run").exists()


@AS_ROOT
@pytest.mark.parametrize(("command", "size"), [("merge", "100k"), ("batch", "100k"), ("watch", "40k")])
def test_a_full_disk(command, size, frames, tmp_path):
    """A small tmpfs, in a mount namespace of its own."""
    disk, kept = tmp_path / "disk", tmp_path / "kept"
    disk.mkdir()
    mount = f"mount -t tmpfs -o size={size} tmpfs {disk}"
    try:
        subprocess.run(["unshare", "-m", "sh", "-c", mount], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no tmpfs can be mounted here")
    script = f"{mount} && trap 'cp -a {disk} {kept}' EXIT; \"$@\"; exit $?"
    command_line = [sys.executable, "-B", "-m", "lampwalk", command, str(frames), "--output", str(disk / "run")]
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", script, "sh", *command_line],
        env=ENV, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    refused(done)
    assert any(words in done.stderr for words in ("the disk has room for", "No space left", "make room on the disk"))
    if command == "merge":
        assert list(kept.iterdir()) == []
    if command == "batch":
        assert list(kept.rglob("composite.tif")) == []


def test_a_card_that_is_pulled_while_watching(tmp_path, monkeypatch):
    monkeypatch.setattr(arrivals, "PATIENCE_S", 0.3)
    card = tmp_path / "card"
    card.mkdir()
    threading.Timer(0.5, card.rmdir).start()
    with pytest.raises(SeriesError, match="is gone"):
        list(arrivals.new_files(card, threading.Event()))


def test_a_second_process_is_refused_while_a_folder_is_watched(frames, tmp_path):
    run_folder = tmp_path / "run"
    with livefolder.live(run_folder, frames):
        refused(run("watch", frames, "--output", run_folder), "another lampwalk")
        refused(run("merge", frames, "--output", run_folder), "another lampwalk")
        (tmp_path / "link").symlink_to(tmp_path)
        refused(run("merge", frames, "--output", tmp_path / "link" / "run"), "another lampwalk")
    assert run("merge", frames, "--output", run_folder).returncode in (0, 1)


def test_a_second_batch_is_refused(frames, tmp_path):
    (tmp_path / "runs").mkdir()
    with runfolder.held(tmp_path / "runs" / batch.RECORD):
        refused(run("batch", frames, "--output", tmp_path / "runs"), "another lampwalk")


def test_a_batch_that_was_killed_leaves_nothing_after_the_next_start(frames, tmp_path):
    runs = tmp_path / "runs"
    for name in ("gone", "frames"):  # one series is there no more
        (runs / f".{name}{runfolder.PART}").mkdir(parents=True)
        (runs / f".{name}{runfolder.PART}" / "composite.tif").write_bytes(b"half")
        (runs / f".{name}{runfolder.LOCK}").touch()
    (runs / f".whole{runfolder.OLD}").mkdir()  # between two renames
    (runs / f".whole{runfolder.OLD}" / runfolder.SHEET).write_text("{}")
    (runs / f".{batch.RECORD}{runfolder.PART}").write_text('{"ba')
    (runs / ".mine").write_text("not lampwalk's")
    with runfolder.held(runs / "busy"):
        (runs / f".busy{runfolder.PART}").mkdir()
        assert run("batch", frames, "--output", runs).returncode in (0, 1)
        assert (runs / f".busy{runfolder.PART}").exists()
    assert {p.name for p in runs.iterdir()} == {
        ".mine", f".busy{runfolder.PART}", "frames", "whole", "batch.json", "index.html", "summary.csv"
    }  # fmt: skip


def test_a_link_among_the_leftovers_is_not_followed(tmp_path):
    (tmp_path / "away").mkdir()
    (tmp_path / "away" / "precious").touch()
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / f".x{runfolder.PART}").symlink_to(tmp_path / "away")
    with runfolder.held(tmp_path / "runs" / batch.RECORD):
        runfolder.tidy(tmp_path / "runs", holding=batch.RECORD)
    assert (tmp_path / "away" / "precious").exists()
    assert list((tmp_path / "runs").iterdir()) == []


def test_a_clock_that_is_set_back_hides_nothing(frames, tmp_path, monkeypatch):
    """Times of files and the clock decide nothing: neither what is new to a batch nor what has arrived."""
    now = [2e9]
    monkeypatch.setattr(time, "time", lambda: now[0])
    mine = tmp_path / "mine"
    shutil.copytree(frames, mine)
    choices = lampwalk.Choices(hide=False, glow=False, fill=False)
    states = lambda: [o.state for o in lampwalk.merge_many([mine], tmp_path / "runs", workers=1, choices=choices)]  # noqa: E731
    assert states() == ["merged"]
    now[0] = 1e9
    cv2.imwrite(str(mine / "06.png"), cv2.convertScaleAbs(cv2.imread(str(mine / "06.png")), alpha=0.9))
    os.utime(mine / "06.png", (1e9, 1e9))
    assert states() == ["merged"]
    assert states() == ["unchanged"]
    stop, got = threading.Event(), []
    for path in arrivals.new_files(mine, stop):
        got.append(path.name)
        now[0] -= 3600
        if len(got) == 3:
            stop.set()
    assert got == ["00.png", "03.png", "06.png"]


@pytest.mark.parametrize("command", ["merge", "batch"])
def test_ctrl_c_ends_with_130_and_leaves_nothing_half_written(command, frames, tmp_path):
    shoots = tmp_path / "shoots"
    for name in ("a", "b", "c"):
        shutil.copytree(frames, shoots / name)
    runs = tmp_path / "runs"
    runs.mkdir()
    source, output = (shoots, runs) if command == "batch" else (shoots / "a", runs / "a")
    child = subprocess.Popen(
        [sys.executable, "-m", "lampwalk", command, str(source), "--output", str(output)],
        env=ENV, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    end = time.monotonic() + 60
    while not list(runs.glob(f".*{runfolder.PART}")) and time.monotonic() < end and child.poll() is None:
        time.sleep(0.005)
    child.send_signal(signal.SIGINT)
    _, said = child.communicate(timeout=60)
    assert "Traceback" not in said
    assert (child.returncode, "interrupted" in said) in ((130, True), (0, False), (1, False))
    assert [p.name for p in runs.iterdir() if p.name.startswith(".")] == []
    for folder in (p for p in runs.iterdir() if p.is_dir()):
        assert (folder / runfolder.SHEET).is_file()

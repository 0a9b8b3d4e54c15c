"""Whatever happens during a merge: the former run or the new one, whole; the frames untouched. More: benchmarks/faults.py."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import cv2
import pytest

import lampwalk
from lampwalk import cli, merging

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def tiny_series(small_scene, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("frames")
    for name in ("00", "03", "06"):
        picture = cv2.imread(str(small_scene / "frames" / f"{name}.jpg"))
        cv2.imwrite(str(folder / f"{name}.png"), cv2.resize(picture, (120, 80), interpolation=cv2.INTER_AREA))
    return folder


def test_faults_at_file_operations_and_kills(tiny_series, tmp_path):
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        pytest.skip("needs Linux and a C compiler to make file operations fail")
    shim = tmp_path / "shim.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", shim, HERE / "fault_shim.c", "-ldl"], check=True)
    plan = tmp_path / "plan.json"
    plan.write_text(json.dumps({"frames": str(tiny_series), "home": str(tmp_path / "home"), "points": 4, "kills": 6}))
    source = Path(lampwalk.__file__).parent.parent
    env = os.environ | {"LD_PRELOAD": str(shim), "PYTHONPATH": str(source)}
    done = subprocess.run(
        [sys.executable, HERE / "faulty.py", plan], env=env, capture_output=True, text=True, check=True
    )
    results = json.loads(done.stdout)
    assert len(results) >= 30
    assert {r["end"] for r in results} == {"absent", "former", "new"}
    assert [r for r in results if r["wrong"]] == []


def test_a_frame_that_disappears_during_the_run_is_named_and_nothing_is_written(tiny_series, tmp_path):
    frames = tmp_path / "frames"
    shutil.copytree(tiny_series, frames)

    def progress(step, done, total):
        if step == "deciding":
            (frames / "03.png").unlink(missing_ok=True)

    with pytest.raises(lampwalk.LampwalkError, match=r"03\.png"):
        lampwalk.merge_folder(frames, tmp_path / "runs" / "run", progress=progress)
    assert list((tmp_path / "runs").iterdir()) == []


@pytest.mark.parametrize("name", ["00.png", "03.png"])
def test_a_frame_that_disappears_after_the_merge_is_named_and_nothing_is_written(
    tiny_series, tmp_path, monkeypatch, name
):
    """By then it need not be decoded again; its content is still asked for."""
    frames, gone, contents = tmp_path / "frames", threading.Event(), merging._contents
    shutil.copytree(tiny_series, frames)

    def progress(step, done, total):
        if step == "merging" and done == total:
            (frames / name).unlink(missing_ok=True)
            gone.set()

    monkeypatch.setattr(merging, "_contents", lambda *asked: contents(*asked) if gone.wait(60) else {})
    with pytest.raises(lampwalk.LampwalkError, match=name):
        lampwalk.merge_folder(frames, tmp_path / "runs" / "run", progress=progress)
    assert list((tmp_path / "runs").iterdir()) == []


def test_a_frame_that_disappears_after_all_of_it_was_read_is_not_needed(tiny_series, tmp_path, monkeypatch):
    frames, read, contents = tmp_path / "frames", threading.Event(), merging._contents
    shutil.copytree(tiny_series, frames)
    content = hashlib.sha256((frames / "03.png").read_bytes()).hexdigest()

    def reading(*asked):
        found = contents(*asked)
        read.set()
        return found

    def progress(step, done, total):
        if step == "merging" and done == total and read.wait(60):
            (frames / "03.png").unlink(missing_ok=True)

    monkeypatch.setattr(merging, "_contents", reading)
    run = lampwalk.merge_folder(frames, tmp_path / "run", progress=progress)
    assert not (frames / "03.png").exists()
    assert run.worksheet.frame("03.png").content == content


def test_a_folder_without_rights_gives_status_2(tiny_series, tmp_path, capsys):
    locked = tmp_path / "locked"
    locked.write_text("a file where a folder should be")
    assert cli.main(["merge", str(tiny_series), "--output", str(locked / "run")]) == 2
    assert "lampwalk:" in capsys.readouterr().err


def test_an_interrupted_replacement_keeps_hand_corrections(tiny_series, tmp_path):
    """Between the two renames of a system without exchange the run lies under its old name only."""
    import dataclasses

    from lampwalk import Choices, runfolder, worksheet

    run, quick = tmp_path / "run", Choices(hide=False, glow=False, fill=False, quiet=False)
    made = lampwalk.merge_folder(tiny_series, run, choices=quick)
    records = tuple(
        dataclasses.replace(r, by_hand=r.file == "03.png", gain_ev=-0.5 * (r.file == "06.png"))
        for r in made.worksheet.frames
    )
    runfolder.write_sheet(run, dataclasses.replace(made.worksheet, frames=records))
    run.rename(tmp_path / f".run{runfolder.OLD}")
    again = worksheet.load(lampwalk.merge_folder(tiny_series, run, choices=quick).folder / "worksheet.json")
    assert again.frame("03.png").by_hand
    assert again.frame("06.png").gain_ev == -0.5

"""The command line: exit status, what goes where, messages with a remedy."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import cv2
import numpy as np
import pytest

from lampwalk import __version__
from lampwalk.cli import main


def test_version_and_help(capsys):
    for option in ("--version", "--help"):
        with pytest.raises(SystemExit) as caught:
            main([option])
        assert caught.value.code == 0
    assert __version__ in capsys.readouterr().out


def test_merge_gives_json_on_standard_output_and_nothing_else(small_scene, tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    for name in ("00", "01", "06"):
        shutil.copy(small_scene / "frames" / f"{name}.jpg", folder)
    command = [sys.executable, "-m", "lampwalk", "merge", str(folder), "--output", str(tmp_path / "run"), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    data = json.loads(done.stdout)
    assert data["frames_used"] == 3
    assert data["lamps"] == 2
    assert "\r" not in done.stderr  # no bar in a pipe


def test_check_says_what_each_frame_is(small_scene, capsys):
    assert main(["check", str(small_scene / "frames"), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["reference"] == "00.jpg"
    assert [row["role"] for row in data["frames"]] == ["ambient"] + ["lamp"] * 9
    assert abs(data["frames"][6]["drift_ev"] + 0.225) < 0.03  # the scene's meta.json


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["merge", "nowhere", "--output", "run"], "not there"),
        (["merge", ".", "--output", "run"], "holds no pictures"),
        (["merge", "--output", "run"], "either a folder"),
        (["merge", "--worksheet", "none.json", "--output", "run"], "not there"),
        (["check", "nowhere"], "not there"),
    ],
)
def test_bad_input_is_status_2_with_a_remedy_and_nothing_written(arguments, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    message = capsys.readouterr().err
    assert said in message
    assert message.rstrip().endswith(")")  # the remedy
    assert not list(tmp_path.iterdir())


def test_memory_that_is_too_little_is_said_as_it_was_given(small_scene, tmp_path, capsys):
    assert main(["merge", str(small_scene / "frames"), "--output", str(tmp_path / "run"), "--memory", "0.01"]) == 2
    message = capsys.readouterr().err
    assert "0.01 GB of memory are too little" in message
    assert "allow at least 0." in message
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["merge", ".", "--output", "run", "--memory", "1M"], "as in --memory 1.5"),
        (["batch", ".", "--output", "run", "--memory", "-1"], "as in --memory 1.5"),
        (["merge", "."], "--output"),
        (["blend", "."], "blend"),
    ],
)
def test_a_call_that_cannot_be_understood_gets_one_line(arguments, said, capsys):
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert caught.value.code == 2
    message = capsys.readouterr().err
    assert said in message
    assert message.count("\n") == 1
    assert message.endswith("--help)\n")


def test_what_a_library_warns_of_stays_out_of_standard_error():
    program = (
        "import logging, lampwalk.cli as cli; cli.main(['check', 'nowhere']); logging.getLogger('x').warning('odd tag')"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert "nowhere" in done.stderr
    assert "odd tag" not in done.stderr


def test_a_frame_of_another_scene_is_left_out_and_said(small_scene, tmp_path, capsys):
    folder = tmp_path / "frames"
    folder.mkdir()
    for name in ("00", "01", "06", "07"):
        (folder / f"{name}.jpg").write_bytes((small_scene / "frames" / f"{name}.jpg").read_bytes())
    rng = np.random.default_rng(7)
    other = cv2.resize(rng.integers(0, 255, (40, 60, 3), np.uint8), (600, 400), interpolation=cv2.INTER_CUBIC)
    cv2.imwrite(str(folder / "99.jpg"), other)
    assert main(["merge", str(folder), "--output", str(tmp_path / "run")]) == 1
    assert "99.jpg" in capsys.readouterr().err
    data = json.loads((tmp_path / "run" / "worksheet.json").read_text("utf-8"))
    odd = next(frame for frame in data["frames"] if frame["file"] == "99.jpg")
    assert odd["role"] == "left out"
    assert odd["homography"] is None
    assert odd["why"]


@pytest.mark.parametrize(
    "option", [["--off", "77"], ["--stops", "01"], ["--stops", "01=x"], ["--crop", "wide"], ["--rule", "mean"]]
)
def test_options_that_cannot_be_meant(option, small_scene, tmp_path, capsys):
    assert main(["merge", str(small_scene / "frames"), "--output", str(tmp_path / "run"), *option]) == 2
    assert "(" in capsys.readouterr().err
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize("option", [["--off", "77"], ["--stops", "77=1"], ["--warm", "77=20"]])
def test_a_lamp_of_no_frame_is_answered_with_the_names_that_there_are(option, small_scene, tmp_path, capsys):
    assert main(["merge", str(small_scene / "frames"), "--output", str(tmp_path / "run"), *option]) == 2
    told = capsys.readouterr().err
    assert "no frame is called '77'" in told
    assert "01.jpg" in told

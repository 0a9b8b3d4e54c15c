"""Merging while shooting."""

from __future__ import annotations

import json
import shutil
import threading

import cv2
import numpy as np
import pytest

from lampwalk import arrivals, livefolder, watching, worksheet
from lampwalk.errors import FrameError, OutputError


@pytest.fixture(scope="module")
def frames(small_scene, tmp_path_factory):
    """Daylight, and the same with a lamp, made from the small scene."""
    folder = tmp_path_factory.mktemp("walk")
    day = cv2.imread(str(small_scene / "frames" / "00.jpg"))
    day = cv2.convertScaleAbs(day, alpha=0.8)
    y, x = np.mgrid[:400, :600]
    pool = np.exp(-((x - 110) ** 2 + (y - 310) ** 2) / (2 * 60.0**2))[..., None]
    lamp = np.clip(day * (1 + 2 * pool) + 40 * pool, 0, 255).astype(np.uint8)
    moved = cv2.warpAffine(lamp, np.float64([[1, 0, 6], [0, 1, 4]]), (600, 400), borderMode=cv2.BORDER_REFLECT)
    burnt = np.clip(day + 400 * pool, 0, 255).astype(np.uint8)
    dark = cv2.convertScaleAbs(lamp, alpha=0.85)
    made = {
        "day": day,
        "again": cv2.add(day, 0),
        "lamp": lamp,
        "moved": moved,
        "burnt": burnt,
        "dark": dark,
        "small": day[:200, :300],
    }
    for name, picture in made.items():
        twice = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        cv2.imwrite(str(folder / f"{name}.png"), twice)
    return folder


def walked(frames, *names):
    walk = watching.Walk()
    steps = [walk.add(frames / f"{name}.png") for name in names]
    return walk, [{f.code for f in step.findings} for step in steps]


def test_a_lamp_is_merged_and_where_none_has_been_is_told(frames):
    walk, told = walked(frames, "day", "lamp")
    assert told == [set(), set()]
    assert [r.role for r in walk.records] == ["ambient", "lamp"]
    assert "lower left" not in walk.not_reached()
    assert {"upper right", "right", "lower right"} <= set(walk.not_reached())


def test_the_merge_is_the_maximum_of_the_frames(frames):
    walk, _ = walked(frames, "day")
    first = walk.picture.copy()
    walk.add(frames / "lamp.png")
    assert (walk.picture >= first).all()
    assert walk.picture[620, 220].sum() > 1.5 * first[620, 220].sum()
    assert np.allclose(walk.picture[40, 1120], first[40, 1120], atol=0.01)


def test_what_matters_now_is_said(frames):
    _, told = walked(frames, "day", "again", "burnt", "small")
    assert told[1] == {"no-flash"}
    assert "clipped" in told[2]
    assert told[3] == {"not-aligned"}


def test_the_tripod_is_told_once_with_its_distance(frames):
    walk = watching.Walk()
    walk.add(frames / "day.png")
    told = [f for f in walk.add(frames / "moved.png").findings if f.code == "tripod-moved"]
    assert "moved by 14 px, from moved.png on" in told[0].text  # the root of 144 + 64 is 14.4
    assert [f for f in walk.add(frames / "moved.png").findings if f.code == "tripod-moved"] == []


def test_daylight_that_fades_is_told(frames):
    _, told = walked(frames, "day", "dark")
    assert "drift" in told[1]


def test_a_frame_that_cannot_be_read_is_an_error(tmp_path):
    (tmp_path / "x.jpg").write_bytes(b"\xff\xd8nothing")
    with pytest.raises(FrameError):
        watching.Walk().add(tmp_path / "x.jpg")


def test_the_folder_shows_the_walk_and_can_be_merged_from(frames, tmp_path):
    walk = watching.Walk()
    with livefolder.live(tmp_path / "run", frames) as live:
        for name in ("day", "lamp"):
            live.show(walk, walk.add(frames / f"{name}.png").findings)
            live.show(walk, walk.look_closer())
    assert cv2.imread(str(tmp_path / "run" / "picture.jpg")).shape == (800, 1200, 3)
    assert "No lamp yet" in (tmp_path / "run" / livefolder.PAGE).read_text()
    sheet = worksheet.load(tmp_path / "run" / "worksheet.json")
    assert [r.file for r in sheet.frames] == ["day.png", "lamp.png"]
    assert (tmp_path / "run" / sheet.folder / "lamp.png").is_file()


def test_a_finished_run_is_not_painted_over(tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "composite.tif").write_bytes(b"years of work")
    (tmp_path / "run" / "worksheet.json").write_text('{"lampwalk": "0"}')
    with pytest.raises(OutputError, match="finished run"), livefolder.live(tmp_path / "run", tmp_path):
        pass
    assert (tmp_path / "run" / "composite.tif").read_bytes() == b"years of work"


@pytest.mark.parametrize("events", [True, False])
def test_a_file_is_given_once_and_only_when_it_is_complete(frames, tmp_path, events, monkeypatch):
    if not events:
        monkeypatch.setitem(__import__("sys").modules, "watchfiles", None)
    else:
        pytest.importorskip("watchfiles")
    data = (frames / "day.png").read_bytes()
    half, got, stop = threading.Event(), [], threading.Event()
    shutil.copy(frames / "lamp.png", tmp_path / "0.png")

    def copying():
        with (tmp_path / "1.png").open("wb") as file:
            file.write(data[: len(data) // 2])
            file.flush()
            half.wait(20)
            assert [p.name for p in got] == ["0.png"]
            file.write(data[len(data) // 2 :])

    writer = threading.Thread(target=copying)
    writer.start()
    for path in arrivals.new_files(tmp_path, stop):
        got.append(path)
        if len(got) == 1:
            threading.Timer(0.6, half.set).start()
        else:
            assert cv2.imread(str(path)) is not None
            stop.set()
    writer.join()
    assert [p.name for p in got] == ["0.png", "1.png"]


def test_the_page_shows_names_as_text():
    assert "<script>" not in livefolder._page("<script>", ["<script>"])


def test_the_live_worksheet_is_json(tmp_path):
    with livefolder.live(tmp_path / "run", tmp_path):
        pass
    assert json.loads((tmp_path / "run" / "worksheet.json").read_text())["frames"] == []

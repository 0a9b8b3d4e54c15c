"""Frames at preview size: handed on from one run to the next without being read, and never written into another run's files."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

import lampwalk
from lampwalk import runfolder
from lampwalk.desk import Desk
from lampwalk.frames import Frame
from lampwalk.previews import small_shape
from lampwalk.smallframes import SmallFrames

SHAPE = (160, 240)


@pytest.fixture
def frame(tmp_path: Path) -> Frame:
    for name, grey in (("a", 90), ("b", 120)):
        cv2.imwrite(str(tmp_path / f"{name}.jpg"), np.full((*SHAPE, 3), grey, np.uint8))
    return lampwalk.read_series([tmp_path / "a.jpg", tmp_path / "b.jpg"]).frames[0]


@pytest.fixture
def small() -> np.ndarray:
    return np.random.default_rng(3).integers(0, 65535, (*small_shape(SHAPE), 3), np.uint16)


@pytest.fixture
def former(tmp_path, small) -> Path:
    run = tmp_path / "run"
    run.mkdir()
    SmallFrames(run).keep("a.jpg", small)
    return run


@pytest.mark.parametrize("replaces", [True, False])
def test_what_is_handed_on_is_the_same_and_a_former_run_is_never_written_to(frame, former, small, tmp_path, replaces):
    new = tmp_path / "new"
    new.mkdir()
    frames = SmallFrames(new, former, replaces=replaces)
    assert frames.hand_on(frame)
    assert np.array_equal(frames.thumbnails["a.jpg"], runfolder.thumbnail(small))
    for run in (former, new):
        assert np.array_equal(runfolder.read_small(run, "a.jpg"), small)
    if not replaces:  # two runs that both stay share nothing
        assert not runfolder.small_file(new, "a.jpg").samefile(runfolder.small_file(former, "a.jpg"))
    frames.keep("a.jpg", small // 2)
    assert np.array_equal(runfolder.read_small(new, "a.jpg"), small // 2)
    assert np.array_equal(runfolder.read_small(former, "a.jpg"), small)


def test_without_links_it_is_copied(frame, former, small, tmp_path, monkeypatch):
    def refuse(*_: object) -> None:
        raise PermissionError("no links on this disk")

    monkeypatch.setattr(runfolder.os, "link", refuse)
    (tmp_path / "new").mkdir()
    assert SmallFrames(tmp_path / "new", former, replaces=True).hand_on(frame)
    assert np.array_equal(runfolder.read_small(tmp_path / "new", "a.jpg"), small)


@pytest.mark.parametrize(
    "spoil", [Path.unlink, lambda path: path.write_bytes(b"II"), lambda path: path.write_bytes(b"")]
)
def test_what_is_missing_or_damaged_is_not_handed_on(frame, former, spoil):
    desk = Desk()
    assert SmallFrames(None, former, desk=desk).hand_on(frame)
    spoil(runfolder.small_file(former, "a.jpg"))
    assert not SmallFrames(None, former, desk=desk).hand_on(frame)
    assert not SmallFrames().hand_on(frame)


def test_what_is_of_another_size_is_not_handed_on(frame, former):
    SmallFrames(former).keep("a.jpg", np.zeros((10, 10, 3), np.uint16))
    assert not SmallFrames(None, former).hand_on(frame)


def test_what_has_not_changed_is_read_once(frame, former, monkeypatch):
    desk, read = Desk(), []
    real = runfolder.known_small
    monkeypatch.setattr(runfolder, "known_small", lambda *told: read.append(told) or real(*told))
    assert all(SmallFrames(None, former, desk=desk).hand_on(frame) for _ in range(3))
    assert len(read) == 1

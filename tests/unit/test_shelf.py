"""The shelf: what is decoded once need not be decoded again, and a lost copy costs nothing but time."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path
from threading import Event

import cv2
import numpy as np
import pytest
import tifffile

import lampwalk
from lampwalk import shelf as shelves
from lampwalk.frames import Frame
from lampwalk.shelf import Shelf
from lampwalk.unpacked import whole


@pytest.fixture
def frames(tmp_path: Path) -> list[Frame]:
    for i in range(4):
        picture = np.random.default_rng(i).integers(0, 255, (160, 240, 3), np.uint8)
        cv2.imwrite(str(tmp_path / f"{i}.png"), picture)
        cv2.imwrite(str(tmp_path / f"{i}.jpg"), cv2.GaussianBlur(picture, (0, 0), 3))
        (tmp_path / f"{i}.png").unlink()
    return list(lampwalk.read_series(tmp_path).frames)


@pytest.fixture
def decoded(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the frames that were decoded, in order."""
    names: list[str] = []
    pixels = Frame.pixels

    def counted(frame: Frame, room: shelves.Any = np.empty) -> np.ndarray:
        names.append(frame.name)
        return pixels(frame, room)

    monkeypatch.setattr(Frame, "pixels", counted)
    return names


def first_pass(shelf: Shelf, frames: list[Frame]) -> list[np.ndarray]:
    """Two frames in hand at a time, as on two threads."""
    seen, in_hand = [], []
    for left, frame in reversed(list(enumerate(reversed(frames)))):
        if len(in_hand) == 2:
            shelf.looked_at(*in_hand[0][:2], left=in_hand.pop(0)[2])
        in_hand.append((frame, shelf.decode(frame, len(frames)), left))
        seen.append(whole(in_hand[-1][1]).copy())
    for frame, pixels, left in in_hand:
        shelf.looked_at(frame, pixels, left=left)
    shelf.rest()
    return seen


def second_pass(shelf: Shelf, frames: list[Frame]) -> list[np.ndarray]:
    seen = []
    for frame in reversed(frames):
        pixels = shelf.pixels(frame)
        seen.append(whole(pixels).copy())
        if isinstance(pixels, np.ndarray):
            pixels[:] = 0  # what the second pass does with them is its own affair
        shelf.give_back(frame, pixels)
    return seen[::-1]


def test_the_last_frames_wait_in_their_memory(frames, decoded):
    shelf = Shelf()
    before = first_pass(shelf, frames)
    after = second_pass(shelf, frames)
    assert decoded == [f.name for f in frames] + [frames[1].name, frames[0].name]
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))


def test_frames_wait_only_as_long_as_their_memory_is_not_needed(frames, decoded):
    shelf = Shelf()
    before = first_pass(shelf, frames)
    assert all(np.array_equal(shelf.pixels(f), b) for f, b in zip(frames[:2], before[:2], strict=True))
    assert np.array_equal(shelf.pixels(frames[3]), before[3])
    assert decoded[4:] == [f.name for f in (frames[0], frames[1], frames[3])]


def test_what_was_changed_is_decoded_again(frames, decoded):
    shelf = Shelf()
    pixels = shelf.decode(frames[0], 4)
    before = pixels.copy()
    pixels[:] = 0
    shelf.give_back(frames[0], pixels)
    assert np.array_equal(shelf.pixels(frames[0]), before)
    assert len(decoded) == 2


def test_frames_within_the_memory_are_kept(frames, decoded):
    shelf = Shelf(memory_bytes=4 * 160 * 240 * 3)
    before = first_pass(shelf, frames)
    after = second_pass(shelf, frames)
    assert len(decoded) == 4
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))


def test_where_there_is_room_for_more_the_last_ones_wait(frames, decoded):
    shelf = Shelf(memory_bytes=160 * 240 * 3)
    before = first_pass(shelf, frames)
    assert shelf.given_away(frames[0]) is None
    given = [shelf.given_away(frame) for frame in frames[1:]]
    assert all(np.array_equal(a, b) for a, b in zip(given, before[1:], strict=True))
    assert all(shelf.given_away(frame) is None for frame in frames)
    assert np.array_equal(shelf.pixels(frames[0]), before[0])
    again = shelf.pixels(frames[0])
    assert not any(np.shares_memory(pixels, again) for pixels in given)
    assert len(decoded) == 6


def test_no_more_memory_is_made_than_there_is_room_for(frames, monkeypatch):
    made = []
    empty = np.empty
    monkeypatch.setattr(shelves.np, "empty", lambda *told: made.append(told) or empty(*told))
    shelf = Shelf(memory_bytes=160 * 240 * 3)
    first_pass(shelf, frames * 3)
    assert len(made) == 3


def test_scratch_files_are_read_and_gone_and_a_lost_one_is_decoded_again(frames, decoded, tmp_path, monkeypatch):
    monkeypatch.setattr(shelves, "WORTH", 1e9)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    shelf = Shelf(scratch)
    before = first_pass(shelf, frames)
    files = sorted(scratch.iterdir())
    assert len(files) == 3  # the last one waits in memory
    lost = next(f for f, pixels in zip(frames, before, strict=True) if pixels.tobytes() == files[0].read_bytes())
    files[0].write_bytes(b"short")
    after = second_pass(shelf, frames)
    assert decoded == [f.name for f in frames] + [lost.name]
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
    assert not list(scratch.iterdir())


def test_what_is_written_into_a_scratch_frame_reaches_no_file(frames, tmp_path, monkeypatch):
    """It is mapped: hot pixels are taken out of a copy of their pages."""
    monkeypatch.setattr(shelves, "WORTH", 1e9)
    shelf = Shelf(tmp_path)
    before = first_pass(shelf, frames)
    file = next(p for p in tmp_path.glob("*.raw") if p.read_bytes() == before[0].tobytes())
    os.link(file, tmp_path / "seen")
    pixels = shelf.ready(frames[0], np.array([[5, 5]]))
    changed = np.argwhere((pixels != before[0]).any(axis=2))
    assert len(changed)
    assert (np.abs(changed - 5) <= 1).all()
    assert (tmp_path / "seen").read_bytes() == before[0].tobytes()


def test_a_frame_decoded_while_the_first_is_tried_is_filed_too(frames, decoded, tmp_path, monkeypatch):
    monkeypatch.setattr(shelves, "WORTH", 1e9)
    shelf = Shelf(tmp_path)
    first_pass(shelf, frames)
    assert len(list(tmp_path.glob("*.raw"))) == 3
    for frame in frames:
        shelf.pixels(frame)
    assert len(decoded) == 4


def test_a_frame_looked_at_while_the_first_is_tried_is_filed_too(frames, decoded, tmp_path, monkeypatch):
    monkeypatch.setattr(shelves, "WORTH", 1e9)
    tried, go_on, write = Event(), Event(), shelves._write

    def slow(*args: object, **kind: object) -> bool:
        tried.set()
        return go_on.wait(60) and write(*args, **kind)

    monkeypatch.setattr(shelves, "_write", slow)
    shelf = Shelf(tmp_path)
    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(shelf.decode, frames[0], 4)
        assert tried.wait(60)
        looked_at = pool.submit(shelf.looked_at, frames[1], shelf.decode(frames[1], 4), left=2)
        wait([looked_at], timeout=0.2)  # it could end now
        go_on.set()
        shelf.looked_at(frames[0], first.result(), left=3)
    assert len(list(tmp_path.glob("*.raw"))) == 2


def test_files_that_are_not_packed_are_not_copied(tmp_path, monkeypatch):
    """A scratch file is no quicker than they are, however slow the first one was."""
    monkeypatch.setattr(shelves, "WORTH", 1e9)
    for i in range(4):
        picture = np.random.default_rng(i).integers(0, 65535, (160, 240, 3), np.uint16)
        tifffile.imwrite(tmp_path / f"{i}.tif", picture, photometric="rgb")
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    frames = list(lampwalk.read_series(tmp_path).frames)
    shelf = Shelf(scratch)
    before = first_pass(shelf, frames)
    assert not list(scratch.iterdir())
    assert all(np.array_equal(a, b) for a, b in zip(before, second_pass(shelf, frames), strict=True))


def test_a_disk_that_is_no_quicker_than_the_decoder_gets_no_files(frames, decoded, tmp_path, monkeypatch):
    monkeypatch.setattr(shelves, "WORTH", 0)
    monkeypatch.setattr(shelves, "TRIAL_BYTES", 0)
    shelf = Shelf(tmp_path)
    before = first_pass(shelf, frames)
    assert not list(tmp_path.glob("*.raw"))
    assert all(np.array_equal(a, b) for a, b in zip(before, second_pass(shelf, frames), strict=True))
    assert len(decoded) == 6

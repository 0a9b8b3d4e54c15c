"""What is kept between merges of one run: never another result, and never in the way."""

from __future__ import annotations

import zlib

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

from lampwalk import geometry, resampling, runfolder
from lampwalk.bench import Bench
from lampwalk.desk import Desk
from lampwalk.errors import FrameError, OutputError, WorksheetError
from lampwalk.frames import Frame, as_series
from lampwalk.hotpixels import remove
from lampwalk.resampling import Moved
from lampwalk.shelf import Shelf

NONE = np.zeros((0, 2), np.intp)


@pytest.fixture
def frames(tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    rng = np.random.default_rng(3)
    for i in range(3):
        iio.imwrite(folder / f"{i}.png", rng.integers(0, 255, (60, 90, 3), dtype=np.uint8))
    return as_series(folder).frames


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path / "run")


def files(tmp_path):
    return sorted(tmp_path.glob(".run.lampwalk-frames/*"))


def test_a_kept_frame_is_what_decoding_it_gives(desk, frames, tmp_path):
    assert desk.ready(frames[0], NONE) is None
    assert desk.keep(frames[0], NONE)
    kept = desk.ready(frames[0], NONE)
    assert kept.dtype == np.uint8
    assert np.array_equal(kept, frames[0].pixels())
    assert not kept.flags.writeable
    assert desk.ready(frames[1], NONE) is None
    assert desk.keep(frames[0], NONE)
    assert len(files(tmp_path)) == 1


def test_a_kept_frame_is_without_its_hot_pixels(desk, frames):
    hot = np.array([[20, 30]])
    desk.keep(frames[0], hot)
    assert np.array_equal(desk.ready(frames[0], hot), remove(frames[0].pixels(), hot))
    assert desk.ready(frames[0], NONE) is None  # other hot pixels, other pixels


def test_a_file_that_was_written_to_since_is_decoded_again(desk, frames):
    desk.keep(frames[0], NONE)
    iio.imwrite(frames[0].path, np.zeros((60, 90, 3), np.uint8))
    assert desk.ready(frames[0], NONE) is None


def test_no_more_is_kept_than_allowed(frames, tmp_path):
    desk = Desk(tmp_path / "run", limit_bytes=2 * 60 * 90 * 3)
    assert [desk.keep(frame, NONE) for frame in frames] == [True, True, False]
    assert sum(path.stat().st_size for path in files(tmp_path)) < 2 * 60 * 90 * 3 + 1000


def test_nothing_is_kept_on_a_full_disk(desk, frames, tmp_path, monkeypatch):
    usage = type("Usage", (), {"free": 60 * 90 * 3})
    monkeypatch.setattr("lampwalk.desk.shutil.disk_usage", lambda _: usage)
    assert not desk.keep(frames[0], NONE)
    assert files(tmp_path) == []


def test_there_must_be_a_folder_and_four_times_the_room(desk, tmp_path, monkeypatch):
    assert not Desk().has_room(1)
    assert desk.has_room(1)
    assert (tmp_path / ".run.lampwalk-frames").is_dir()
    monkeypatch.setattr("lampwalk.desk.shutil.disk_usage", lambda _: type("Usage", (), {"free": 399}))
    assert not desk.has_room(100)


@pytest.mark.parametrize("harm", ["delete", "cut", "empty"])
def test_what_is_kept_may_disappear_or_be_damaged_at_any_time(desk, frames, tmp_path, harm):
    desk.keep(frames[0], NONE)
    [path] = files(tmp_path)
    data = path.read_bytes()
    path.unlink()
    if harm != "delete":
        path.write_bytes(data[: 5000 if harm == "cut" else 0])
    assert desk.ready(frames[0], NONE) is None
    shelf = Shelf(desk=desk)
    assert np.array_equal(shelf.ready(frames[0], NONE), frames[0].pixels())


def test_nothing_is_left_behind(desk, frames, tmp_path):
    desk.keep(frames[0], NONE)
    assert len(files(tmp_path)) == 1
    Desk(tmp_path / "run")  # the next one tidies what a killed program has left
    assert files(tmp_path) == []
    desk.clear()
    assert not (tmp_path / ".run.lampwalk-frames").exists()


def test_without_a_folder_and_of_arrays_nothing_is_kept(frames, desk):
    assert not Desk().keep(frames[0], NONE)
    assert Desk().ready(frames[0], NONE) is None
    array = Frame(name="array 00", facts=frames[0].facts, array=frames[0].pixels())
    assert not desk.keep(array, NONE)


def test_a_mask_is_read_again_only_where_it_has_changed(desk, tmp_path, monkeypatch):
    read = []
    packed = runfolder.read_packed_mask
    monkeypatch.setattr(runfolder, "read_packed_mask", lambda path: read.append(path) or packed(path))
    path = tmp_path / "mask.png"
    mask = np.zeros((40, 50), np.uint8)
    for value, times in ((9, 1), (9, 1), (200, 2)):
        mask[3:9, 4:8] = value
        path.unlink(missing_ok=True)
        cv2.imwrite(str(path), mask)
        assert np.array_equal(desk.mask(path).whole(), mask)
        assert len(read) == times


def test_what_is_not_there_is_named(desk, tmp_path):
    with pytest.raises(WorksheetError, match=r"gone\.png"):
        desk.mask(tmp_path / "gone.png")
    with pytest.raises(FrameError, match=r"gone\.jpg"):
        desk.content(tmp_path / "gone.jpg")


def test_a_mask_file_of_another_kind_is_read_but_not_taken_over(tmp_path):
    path = tmp_path / "mask.png"
    mask = np.zeros((40, 50), np.uint8)
    mask[5:20, 5:20] = 255
    cv2.imwrite(str(path), cv2.merge([mask, mask, mask]))
    found = runfolder.read_packed_mask(path)
    assert np.array_equal(found.whole(), mask)
    assert found.png == b""
    cv2.imwrite(str(path), mask)
    plain = path.read_bytes()
    assert runfolder.read_packed_mask(path).png == plain
    note = b"tEXtAuthor\0somebody"
    chunk = len(note[4:]).to_bytes(4, "big") + note + zlib.crc32(note).to_bytes(4, "big")
    path.write_bytes(plain[:33] + chunk + plain[33:])
    assert np.array_equal(runfolder.read_packed_mask(path).whole(), mask)
    assert runfolder.read_packed_mask(path).png == b""


MOTION = np.array([[1.001, 0.002, -1.3], [-0.002, 1.0, 0.6], [0, 0, 1]])


@pytest.mark.parametrize("bits", [8, 16])
def test_a_frame_is_kept_moved(desk, tmp_path, bits):
    rng = np.random.default_rng(4)
    shape = (300, 700)
    picture = rng.integers(0, 2**bits - 1, (*shape, 3)).astype(f"uint{bits}")
    folder = tmp_path / "deep"
    folder.mkdir()
    for name, part in (("00.tif", picture), ("01.tif", picture // 2)):  # one alone is no series
        tifffile.imwrite(folder / name, part, photometric="rgb", compression="deflate")
    frame = as_series(folder).frames[0]
    assert desk.ready(frame, NONE, MOTION) is None
    assert desk.keep(frame, NONE, MOTION)
    kept = desk.ready(frame, NONE, MOTION)
    assert isinstance(kept, Moved)
    assert desk.ready(frame, NONE) is None
    assert files(tmp_path)[0].stat().st_size == 6 * 300 * 700 == desk.needed(frame, MOTION)
    bench, other = Bench(), Bench()
    assert resampling.levels_of(kept, MOTION) == resampling.levels_of(picture, MOTION)
    for rows in geometry.strips(shape[0]):
        grid = geometry.tiles(slice(0, shape[1]), shape[1])
        here, there = (resampling.warp_tiles(p, MOTION, rows, grid, b) for p, b in ((kept, bench), (picture, other)))
        for a, b in zip(here, there, strict=True):
            assert np.array_equal(a, b)


def test_what_is_moved_serves_one_motion_only(desk, frames):
    desk.keep(frames[0], NONE)
    assert isinstance(desk.ready(frames[0], NONE, MOTION), np.ndarray)  # as it was decoded
    desk.keep(frames[0], NONE, MOTION)
    assert isinstance(desk.ready(frames[0], NONE, MOTION), Moved)
    assert isinstance(desk.ready(frames[0], NONE, MOTION + 1e-9), np.ndarray)


@pytest.mark.parametrize("harm", ["delete", "cut"])
def test_a_moved_frame_may_be_damaged_at_any_time(desk, frames, tmp_path, harm):
    desk.keep(frames[0], NONE, MOTION)
    [path] = files(tmp_path)
    kept = desk.ready(frames[0], NONE, MOTION)
    if harm == "delete":
        path.unlink()
        assert kept.tile(slice(0, 60), slice(0, 90), Bench()).shape == (60, 90, 3)  # it is still held
    else:
        with path.open("r+b") as file:
            file.truncate(1000)
        with pytest.raises(OutputError, match="cannot be read"):
            kept.tile(slice(0, 60), slice(0, 90), Bench())
    assert desk.ready(frames[0], NONE, MOTION) is None


def test_frames_fit_or_not(frames, tmp_path):
    desk = Desk(tmp_path / "run", limit_bytes=3 * 60 * 90 * 3 + 1)
    eye = np.eye(3)
    assert desk.fits(frames, [eye, eye, eye])
    assert not desk.fits(frames, [eye, eye, MOTION])
    desk.keep(frames[0], NONE)
    assert not desk.fits(frames, [eye, eye, eye])

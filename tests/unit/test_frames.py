"""A series: which files are frames, in what order, and what is said about the others."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from lampwalk import profiles
from lampwalk.errors import InputError, MissingExtraError, SeriesError
from lampwalk.files import read_pixels
from lampwalk.frames import as_series, is_run_folder, natural_key, read_series

RNG = np.random.default_rng(3)


def picture(height: int = 24, width: int = 32) -> np.ndarray:
    return RNG.integers(0, 255, (height, width, 3), np.uint8)


def jpeg(path: Path, *, taken: str | None = None, subsec: str = "", size: tuple[int, int] = (24, 32), **more) -> Path:
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769).update({36867: taken, 37521: subsec} if subsec else {36867: taken})
    exif.update(more.pop("main", {}))
    Image.fromarray(picture(*size)).save(path, "JPEG", exif=exif, **more)
    return path


def codes(series) -> dict[str, str | None]:
    return {finding.code: finding.frame for finding in series.findings}


def test_frames_stand_in_order_of_capture_with_subseconds(tmp_path):
    jpeg(tmp_path / "c.jpg", taken="2024:10:12 18:00:00", subsec="10")
    jpeg(tmp_path / "b.jpg", taken="2024:10:12 18:00:00", subsec="90")
    jpeg(tmp_path / "a.jpg", taken="2024:10:12 18:00:01")
    assert [frame.name for frame in read_series(tmp_path).frames] == ["c.jpg", "b.jpg", "a.jpg"]


def test_where_one_time_is_missing_names_decide_and_9_comes_before_10(tmp_path):
    jpeg(tmp_path / "f10.jpg", taken="2024:10:12 18:00:00")
    jpeg(tmp_path / "f9.jpg")
    assert [frame.name for frame in read_series(tmp_path).frames] == ["f9.jpg", "f10.jpg"]
    assert natural_key("a2b10") < natural_key("A2b11")


@pytest.mark.parametrize("name", ["with space.jpg", "Übergrößé.JPG", "🚤 Boot.Jpeg", "x" * 240 + ".jpg", "a.b.c.jpg"])
def test_any_name_is_read(name, tmp_path):
    jpeg(tmp_path / name)
    jpeg(tmp_path / "0.jpg")
    series = read_series(tmp_path)
    assert name in [frame.name for frame in series.frames]
    assert all(frame.pixels().shape == (24, 32, 3) for frame in series.frames)


def test_links_are_followed_and_a_dead_link_is_named(tmp_path):
    store = tmp_path / "store"
    store.mkdir()
    frames = tmp_path / "frames"
    frames.mkdir()
    for name in ("1.jpg", "2.jpg"):
        (frames / name).symlink_to(jpeg(store / name))
    (frames / "3.jpg").symlink_to(store / "gone.jpg")
    (frames / "4.jpg").symlink_to(store)  # a link to a folder is no frame
    series = read_series(frames)
    assert [frame.name for frame in series.frames] == ["1.jpg", "2.jpg"]
    assert series.left_out == (("3.jpg", "the file is not there"),)


def test_a_read_only_folder_is_read(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    tmp_path.chmod(0o555)
    try:
        assert len(read_series(tmp_path)) == 2
    finally:
        tmp_path.chmod(0o755)


def test_a_damaged_file_is_left_out_by_name(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    (tmp_path / "3.jpg").write_text("no picture")
    (tmp_path / "4.png").write_bytes(b"")
    series = read_series(tmp_path)
    assert len(series) == 2
    assert [name for name, _ in series.left_out] == ["3.jpg", "4.png"]
    assert {f.frame for f in series.findings if f.code == "unreadable" and f.serious} == {"3.jpg", "4.png"}


def test_the_same_file_twice_counts_once(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    shutil.copy(tmp_path / "1.jpg", tmp_path / "3.jpg")
    series = read_series(tmp_path)
    assert len(series) == 2
    assert codes(series) == {"duplicate": "3.jpg"}


def test_frames_of_another_size_are_named(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    jpeg(tmp_path / "3.jpg", size=(32, 24))
    with pytest.raises(SeriesError, match=r"3\.jpg \(24x32\), the others are 32x24"):
        read_series(tmp_path)


def test_turned_by_exif_the_sizes_agree(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg", size=(32, 24), main={274: 6})
    series = read_series(tmp_path)
    assert series.shape == (24, 32)
    assert all(frame.pixels().shape == (24, 32, 3) for frame in series.frames)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda folder: None, "no pictures"),
        (lambda folder: jpeg(folder / "1.jpg"), "only one frame"),
        (lambda folder: (folder / "1.jpg").write_text("x"), "no frame can be read"),
        (lambda folder: folder.rmdir(), "not there"),
    ],
)
def test_a_folder_without_a_series_says_why(make, words, tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    make(folder)
    with pytest.raises(SeriesError, match=words):
        read_series(folder)


def test_a_file_is_no_folder(tmp_path):
    with pytest.raises(SeriesError, match="no folder"):
        read_series(jpeg(tmp_path / "1.jpg"))


def test_results_beside_the_frames_are_no_frames(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    jpeg(tmp_path / "picture.jpg", size=(10, 10))
    jpeg(tmp_path / "delivered.jpg", main={305: "lampwalk 0.1.0"}, size=(12, 12))
    run = tmp_path / "run"
    run.mkdir()
    jpeg(run / "inside.jpg")
    for folder in (tmp_path, run):
        (folder / "worksheet.json").write_text(json.dumps({"lampwalk": "0.1.0"}))
    series = read_series(tmp_path)
    assert [frame.name for frame in series.frames] == ["1.jpg", "2.jpg"]
    assert {f.frame for f in series.findings if f.code == "own-result"} == {"picture.jpg", "delivered.jpg"}
    assert not any(finding.serious for finding in series.findings)


def test_without_a_worksheet_picture_jpg_is_a_frame_like_any_other(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "picture.jpg")
    assert not is_run_folder(tmp_path)
    assert len(read_series(tmp_path)) == 2
    (tmp_path / "worksheet.json").write_text("{}")  # somebody else's
    assert len(read_series(tmp_path)) == 2


def test_a_picture_format_that_is_not_read_is_named(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    (tmp_path / "work.psd").write_bytes(b"8BPS")
    (tmp_path / "notes.txt").write_text("f/8")
    series = read_series(tmp_path)
    assert codes(series) == {"not-read": "work.psd"}
    assert series.left_out == (("work.psd", ".psd files are not read"),)


def test_eight_bits_among_sixteen_are_deepened(tmp_path):
    shallow = picture()
    tifffile.imwrite(tmp_path / "1.tif", shallow, photometric="rgb")
    for name in ("2.tif", "3.tif"):
        tifffile.imwrite(tmp_path / name, picture().astype(np.uint16) * 250, photometric="rgb")
    series = read_series(tmp_path)
    assert codes(series) == {"mixed-depth": "1.tif"}
    assert np.array_equal(series.frames[0].pixels(), shallow.astype(np.uint16) * 257)
    assert {frame.pixels().dtype for frame in series.frames} == {np.dtype(np.uint16)}


def test_arrays_of_two_depths_are_deepened_too():
    series = as_series([picture(), picture().astype(np.uint16)])
    assert [frame.pixels().dtype for frame in series.frames] == [np.uint16, np.uint16]


def test_grey_among_colour_is_remarked(tmp_path):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    Image.fromarray(picture()[..., 0]).save(tmp_path / "3.jpg")
    series = read_series(tmp_path)
    assert codes(series) == {"mixed-grey": "3.jpg"}
    assert series.frames[2].pixels().shape == (24, 32, 3)


def test_two_colour_profiles_are_remarked_but_two_srgb_profiles_are_one(tmp_path):
    adobe = profiles.make_icc("A", profiles.known("Adobe RGB (1998)").to_xyz, (563 / 256,))
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg", icc_profile=profiles.srgb_icc())
    assert codes(read_series(tmp_path)) == {}
    jpeg(tmp_path / "3.jpg", icc_profile=adobe)
    assert codes(read_series(tmp_path)) == {"mixed-profiles": "3.jpg"}


def test_a_profile_that_cannot_be_read_is_remarked(tmp_path):
    for name in ("1.jpg", "2.jpg"):
        jpeg(tmp_path / name, icc_profile=b"no profile at all" * 20)
    assert codes(read_series(tmp_path)) == {"profile": None}


def test_files_of_the_same_name_in_two_folders_are_refused(tmp_path):
    (tmp_path / "b").mkdir()
    paths = [jpeg(tmp_path / "1.jpg"), jpeg(tmp_path / "b" / "1.jpg")]
    with pytest.raises(SeriesError, match="two frames are called"):
        read_series(paths)


@pytest.mark.parametrize(("prefer", "kind"), [("raw", "raw"), ("jpeg", "jpeg")])
def test_a_shot_saved_as_raw_and_jpeg_counts_once(prefer, kind, tmp_path):
    pytest.importorskip("rawpy", reason="the extra for raw files is not installed")
    from files.samples import write_dng

    for name, light in (("1", 0.2), ("2", 0.4)):
        write_dng(tmp_path / f"{name}.dng", np.full((24, 32, 3), light), (0.5, 1.0, 0.6))
        jpeg(tmp_path / f"{name}.JPG")
    series = read_series(tmp_path, prefer=prefer)
    assert [frame.facts.kind for frame in series.frames] == [kind, kind]
    assert [f.code for f in series.findings] == ["pair", "pair"]
    assert not any(f.serious for f in series.findings)
    with pytest.raises(InputError):
        read_series(tmp_path, prefer="tiff")


def test_raw_frames_are_developed_alike(tmp_path):
    """The second frame's camera chose another white balance; the same mosaic must come out the same."""
    pytest.importorskip("rawpy", reason="the extra for raw files is not installed")
    from files.samples import write_dng

    light, chosen = np.full((32, 48, 3), 0.25), np.array([0.5, 1.0, 0.6])
    write_dng(tmp_path / "1.dng", light, (0.5, 1.0, 0.6))
    write_dng(tmp_path / "2.dng", light * chosen / np.array([0.4, 1.0, 0.8]), (0.4, 1.0, 0.8))
    write_dng(tmp_path / "3.dng", light / 2, (0.5, 1.0, 0.6))  # half the light stays half: no automatic brightness
    series = read_series(tmp_path)
    one, two, three = (profiles.known("sRGB").to_linear(f.pixels())[8:-8, 8:-8] for f in series.frames)
    assert np.abs(one - 0.25).max() < 0.002
    assert np.abs(three - 0.125).max() < 0.002
    assert np.abs(two - 0.25).max() < 0.002
    own = profiles.known("sRGB").to_linear(read_pixels(tmp_path / "2.dng"))[8:-8, 8:-8]
    assert np.abs(own - 0.25).max() > 0.05  # by its own white balance it would differ
    assert len({frame.development for frame in series.frames}) == 1


def test_raw_without_its_package_says_how_to_install_it(tmp_path, monkeypatch):
    from files.samples import write_dng

    monkeypatch.setitem(sys.modules, "rawpy", None)
    for name in ("1.dng", "2.dng"):
        write_dng(tmp_path / name, np.full((24, 32, 3), 0.2), (0.5, 1.0, 0.6))
    with pytest.raises(MissingExtraError, match=r'pip install "lampwalk\[raw\]"'):
        read_series(tmp_path)
    for name in ("1.jpg", "2.jpg"):
        jpeg(tmp_path / name)
    series = read_series(tmp_path)  # the JPEG of each pair serves
    assert [frame.name for frame in series.frames] == ["1.jpg", "2.jpg"]
    assert [f.code for f in series.findings] == ["pair", "pair"]


def test_no_pixels_are_decoded_before_they_are_asked_for(tmp_path, monkeypatch):
    jpeg(tmp_path / "1.jpg")
    jpeg(tmp_path / "2.jpg")
    from lampwalk import frames

    asked = []
    monkeypatch.setattr(frames, "read_pixels", lambda *a, **k: asked.append(a) or picture())
    series = read_series(tmp_path)
    assert asked == []
    series.frames[0].pixels()
    assert len(asked) == 1


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="rights do not bind the superuser")
def test_a_folder_that_may_not_be_read_says_so(tmp_path):
    tmp_path.chmod(0)
    try:
        with pytest.raises(SeriesError, match="may not be read"):
            read_series(tmp_path)
    finally:
        tmp_path.chmod(0o755)

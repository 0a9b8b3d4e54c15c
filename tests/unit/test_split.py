"""Finding series. Pictures are small scenes with capture times of their own."""

from __future__ import annotations

import json
import os
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from lampwalk import split
from lampwalk.errors import LampwalkError, WorksheetError
from lampwalk.files import read_facts, read_pixels

START = datetime(2026, 5, 2, 20, 30)


@pytest.fixture(scope="module")
def view(small_scene) -> np.ndarray:
    picture = cv2.imread(str(small_scene / "frames" / "00.jpg"))[..., ::-1]
    return cv2.resize(picture, (300, 200), interpolation=cv2.INTER_AREA)


@pytest.fixture(scope="module")
def other_view() -> np.ndarray:
    rng = np.random.default_rng(3)
    return cv2.GaussianBlur(cv2.resize(rng.integers(0, 255, (50, 75, 3), np.uint8), (300, 200)), (0, 0), 1.5)


def put(
    folder: Path, name: str, picture, minutes: float | None, exposure: float = 1 / 100, focal: float = 24.0
) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    if minutes is not None:
        photo = exif.get_ifd(0x8769)
        photo[36867] = (START + timedelta(minutes=minutes)).strftime("%Y:%m:%d %H:%M:%S")
        photo[33434], photo[37386] = exposure, focal
    Image.fromarray(np.ascontiguousarray(picture)).save(folder / name, exif=exif, quality=92)


def lit(picture, k: int):
    """The same view with a lamp somewhere."""
    h, w = picture.shape[:2]
    y, x = np.mgrid[:h, :w]
    pool = np.exp(-((x - w * (0.2 + 0.2 * k)) ** 2 + (y - h / 2) ** 2) / (2 * 40.0**2))
    return np.clip(picture * (1 + 1.5 * pool[..., None]), 0, 255).astype(np.uint8)


def found(folder: Path) -> dict[str, list[str]]:
    return {s.name: [p.name for p in s.files] for s in split.find_series(folder).series}


def test_each_folder_is_looked_at_by_itself_and_results_are_not(tmp_path, view):
    for name in ("bow", "stern/late", "bow/run/masks", ".hidden"):
        for i in range(2):
            put(tmp_path / name, f"{i}.jpg", lit(view, i), i)
    (tmp_path / "bow" / "run" / "worksheet.json").write_text('{"lampwalk": "0"}')
    assert found(tmp_path) == {"bow": ["0.jpg", "1.jpg"], "stern_late": ["0.jpg", "1.jpg"]}


def test_a_long_pause_ends_a_series_and_a_short_one_does_not(tmp_path, view):
    for i, minute in enumerate((0, 1, 6, 7, 60, 61)):
        put(tmp_path, f"{i}.jpg", lit(view, i % 4), minute)
    assert list(found(tmp_path).values()) == [["0.jpg", "1.jpg", "2.jpg", "3.jpg"], ["4.jpg", "5.jpg"]]


def test_a_pause_with_other_settings_ends_a_series(tmp_path, view):
    for i, minute in enumerate((0, 1, 2, 10, 11, 12)):
        put(tmp_path, f"{i}.jpg", lit(view, i % 4), minute, exposure=1 / 100 if i < 3 else 1 / 30)
    assert [len(v) for v in found(tmp_path).values()] == [3, 3]


def test_another_focal_length_or_orientation_ends_a_series(tmp_path, view):
    for i in range(6):
        picture = lit(view, i % 2)
        put(
            tmp_path,
            f"{i}.jpg",
            picture.transpose(1, 0, 2) if i > 3 else picture,
            i,
            focal=35 if i in (2, 3) else 24,
        )
    assert [len(v) for v in found(tmp_path).values()] == [2, 2, 2]


@pytest.mark.parametrize("clock", [True, False])
def test_another_framing_ends_a_series_without_any_pause(tmp_path, view, other_view, clock):
    for i in range(6):
        put(tmp_path, f"{i}.jpg", lit(view if i < 3 else other_view, i % 3), i / 2 if clock else None)
    result = split.find_series(tmp_path).series
    assert [[p.name for p in s.files] for s in result] == [
        ["0.jpg", "1.jpg", "2.jpg"],
        ["3.jpg", "4.jpg", "5.jpg"],
    ]
    assert result[1].why == "another framing"


def test_one_odd_frame_does_not_end_a_series(tmp_path, view):
    for i in range(5):
        put(tmp_path, f"{i}.jpg", np.zeros_like(view) if i == 2 else lit(view, i % 4), i)
    assert list(found(tmp_path).values()) == [[f"{i}.jpg" for i in range(5)]]


def test_a_single_frame_and_a_damaged_file_are_named(tmp_path, view, other_view):
    for i in range(3):
        put(tmp_path, f"{i}.jpg", lit(view, i) if i < 2 else other_view, i)
    (tmp_path / "x.jpg").write_bytes(b"nothing")
    codes = {f.code: f.frame for f in split.find_series(tmp_path).findings}
    assert codes == {"alone": "2.jpg", "unreadable": "x.jpg"}


def test_names_stay_when_series_are_added(tmp_path, view, other_view):
    for i in range(2):
        put(tmp_path / "card", f"{i}.jpg", lit(view, i), i)
    before = found(tmp_path)
    for i in range(2, 4):
        put(tmp_path / "card", f"{i}.jpg", lit(other_view, i), i)
    assert found(tmp_path) == before | {"card_2": ["2.jpg", "3.jpg"]}


def test_a_split_file_comes_back_as_it_was(tmp_path, view):
    for i in range(2):
        put(tmp_path / "bow", f"{i}.jpg", lit(view, i), i)
    one = split.find_series(tmp_path)
    (tmp_path / "split.json").write_text(split.to_json(one, tmp_path))
    again = split.read_split(tmp_path / "split.json", tmp_path)
    assert [(s.name, s.files) for s in again.series] == [(s.name, s.files) for s in one.series]


@pytest.mark.parametrize(
    "row",
    [
        {"name": "../x", "files": ["a", "b"]},
        {"name": "x", "files": ["../a", "b"]},
        {"name": "x", "files": ["/a", "b"]},
        3,
    ],
)
def test_a_split_file_that_leaves_its_folder_is_refused(tmp_path, row):
    (tmp_path / "split.json").write_text(json.dumps({"split": 1, "series": [row]}))
    with pytest.raises(WorksheetError):
        split.read_split(tmp_path / "split.json", tmp_path)


def test_a_folder_that_may_not_be_read_is_named(tmp_path, view, monkeypatch):
    for i in range(2):
        put(tmp_path / "open", f"{i}.jpg", lit(view, i), i)
    (tmp_path / "closed").mkdir()
    scan = os.scandir

    def scandir(path):
        if Path(path).name == "closed":
            raise PermissionError(13, "Permission denied", str(path))
        return scan(path)

    monkeypatch.setattr(os, "scandir", scandir)
    seen = split.find_series(tmp_path)
    assert [s.name for s in seen.series] == ["open"]
    assert [(f.code, f.frame) for f in seen.findings] == [("unreadable", "closed")]
    with pytest.raises(LampwalkError, match="cannot be read"):
        split.find_series(tmp_path / "closed")


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(LampwalkError, match="no folder"):
        split.find_series(tmp_path / "away")


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_jpeg_is_decoded_only_as_large_as_needed_and_upright(tmp_path, view, orientation):
    large = cv2.resize(view, (1200, 800), interpolation=cv2.INTER_CUBIC)
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(large).save(tmp_path / "x.jpg", exif=exif, quality=95)
    path = tmp_path / "x.jpg"
    facts = read_facts(path)
    reduced = split._reduced(split._Shot(files=(path,), path=path, facts=facts), 400)
    assert reduced.shape[:2] == (facts.height // 2, facts.width // 2)
    whole = cv2.resize(read_pixels(path, orientation), reduced.shape[1::-1], interpolation=cv2.INTER_AREA)
    assert np.abs(reduced.astype(int) - whole).mean() < 2


def test_a_damaged_jpeg_is_looked_at_by_nobody(tmp_path, view):
    Image.fromarray(cv2.resize(view, (1200, 800))).save(tmp_path / "x.jpg")
    facts = read_facts(tmp_path / "x.jpg")
    (tmp_path / "x.jpg").write_bytes(b"\xff\xd8\xff" + bytes(3000))
    assert split._look(split._Shot(files=(), path=tmp_path / "x.jpg", facts=facts), 400) is None


def test_the_split_does_not_depend_on_how_many_are_decoded_at_once(tmp_path, view, other_view, monkeypatch):
    pictures = [lit(view, 0), lit(view, 1), np.zeros_like(view), lit(view, 2), lit(other_view, 0), lit(other_view, 1)]
    for i, picture in enumerate(pictures):
        put(tmp_path, f"{i}.jpg", picture, i / 2)
    before = found(tmp_path)
    assert [len(v) for v in before.values()] == [4, 2]
    monkeypatch.setattr(split, "AT_ONCE", 1)
    assert found(tmp_path) == before


def test_what_does_not_agree_at_a_glance_is_looked_at_closely(tmp_path, view, monkeypatch):
    for i in range(3):
        put(tmp_path, f"{i}.jpg", lit(view, i), i / 2)
    asked = []
    same = split._same_framing

    def short_sighted(one, other, long_side):
        asked.append(long_side)
        return long_side == split.LOOK_PX and same(one, other, long_side)

    monkeypatch.setattr(split, "_same_framing", short_sighted)
    assert [len(v) for v in found(tmp_path).values()] == [3]
    assert set(asked) == {split.GLANCE_PX, split.LOOK_PX}

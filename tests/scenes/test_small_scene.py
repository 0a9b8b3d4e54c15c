"""The main job on a small series with known truth, with floors for the scores."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

import lampwalk
from lampwalk import worksheet
from lampwalk.shelf import Shelf
from scoring import score


@pytest.fixture(scope="module")
def scores(small_scene, small_run):
    sheet = small_run.worksheet
    homographies = {r.file[:2]: r.homography for r in sheet.frames if r.homography is not None}
    pixels = tifffile.imread(small_run.folder / "composite.tif")
    return score(small_scene, pixels, sheet.reference[:2], homographies)


@pytest.fixture(scope="module")
def plain(small_scene):
    """Score of the plain maximum of the frames as they are."""
    frames = [cv2.imread(str(p))[..., ::-1] for p in sorted((small_scene / "frames").glob("*.jpg"))]
    return score(small_scene, np.maximum.reduce(frames).astype(np.uint16) * 257, "00", {"00": np.eye(3)})


def test_every_frame_is_used_and_the_ambient_frame_is_the_reference(small_run):
    assert [r.role for r in small_run.worksheet.frames] == ["ambient"] + ["lamp"] * 9
    assert small_run.worksheet.reference == "00.jpg"


def test_frames_are_aligned(scores):
    assert scores.align_rms_px < 0.2


def test_equipment_is_gone_and_light_is_kept(scores, plain):
    assert plain.ghost_ppm > 50_000  # the scene is not trivial
    assert scores.ghost_ppm < plain.ghost_ppm / 5
    assert scores.hole_ppm < plain.hole_ppm
    assert scores.elsewhere_ppm < 5_000
    assert scores.de_mean < plain.de_mean / 2


def test_the_run_folder_holds_what_the_contract_says(small_scene, small_run):
    run = small_run.folder
    assert {p.name for p in run.iterdir()} == {
        "composite.tif", "picture.jpg", "masks", "coverage.png", "contact_sheet.jpg", "worksheet.json", "small",
    }  # fmt: skip
    composite = tifffile.imread(run / "composite.tif")
    assert composite.dtype == np.uint16
    assert composite.shape == (400, 600, 3)
    data = json.loads((run / "worksheet.json").read_text("utf-8"))
    assert data["format"] == 1
    assert data["reference"] == "00.jpg"
    for frame in data["frames"]:
        mask = cv2.imread(str(run / frame["mask"]), cv2.IMREAD_UNCHANGED)
        assert mask.shape == (400, 600)
        assert mask.dtype == np.uint8
    coverage = cv2.imread(str(run / "coverage.png"), cv2.IMREAD_UNCHANGED)
    assert set(np.unique(coverage)) <= {int(k) for k in data["coverage"]}
    assert len(set(np.unique(coverage))) > 5
    assert sorted(p.name for p in (small_scene / "frames").iterdir()) == [f"{i:02d}.jpg" for i in range(10)]
    assert not [p for p in run.parent.iterdir() if p.name.startswith(".")]


def test_the_worksheet_repeats_the_run_bit_for_bit(small_run, tmp_path):
    again = lampwalk.merge_worksheet(small_run.folder / "worksheet.json", tmp_path / "again")
    for name in ("composite.tif", "picture.jpg", "coverage.png", "masks/06.png"):
        assert (again.folder / name).read_bytes() == (small_run.folder / name).read_bytes(), name


def test_a_merge_loads_no_scipy(small_scene, tmp_path):
    """It costs 0.3 to 1.5 s at the start of every merge."""
    code = "import sys, lampwalk; lampwalk.merge_folder(sys.argv[1], sys.argv[2]); sys.exit('scipy' in sys.modules)"
    command = [sys.executable, "-c", code, small_scene / "frames", tmp_path / "run"]
    assert subprocess.run(command, check=False).returncode == 0


@pytest.mark.parametrize("bits", [8, 16])
def test_a_repeated_run_needs_each_frame_once_and_gives_the_same_without_its_small_frames(
    bits, small_scene, tmp_path, monkeypatch
):
    folder = tmp_path / "frames"
    folder.mkdir()
    for name in ("00", "01", "06"):
        pixels = iio.imread(small_scene / "frames" / f"{name}.jpg")
        big = cv2.resize(pixels, None, fx=2.6, fy=2.6, interpolation=cv2.INTER_CUBIC)  # larger than a preview
        if bits == 16:
            tifffile.imwrite(folder / f"{name}.tif", big.astype(np.uint16) * 251 + 99, photometric="rgb")
        else:
            iio.imwrite(folder / f"{name}.jpg", big, quality=95)
    run = lampwalk.merge_folder(folder, tmp_path / "run").folder
    first_pass = []
    decode = Shelf.decode
    monkeypatch.setattr(Shelf, "decode", lambda self, *a, **k: first_pass.append(a[0].name) or decode(self, *a, **k))
    again = lampwalk.merge_worksheet(run / "worksheet.json", tmp_path / "again").folder
    assert first_pass == []
    shutil.rmtree(run / "small")
    without = lampwalk.merge_worksheet(run / "worksheet.json", tmp_path / "without").folder
    assert len(first_pass) == 3
    for name in ("composite.tif", "coverage.png", "picture.jpg", "masks/01.png", "worksheet.json"):
        assert (again / name).read_bytes() == (without / name).read_bytes()
        if name != "worksheet.json":
            assert (again / name).read_bytes() == (run / name).read_bytes()


def test_an_edited_worksheet_changes_the_picture(small_run, tmp_path):
    """A lamp that is turned off gives no light."""
    path = small_run.folder / "worksheet.json"
    data = json.loads(path.read_text("utf-8"))
    data["frames"][7]["on"] = False
    edited = small_run.folder / "edited.json"
    edited.write_text(json.dumps(data), "utf-8")
    try:
        run = lampwalk.merge_worksheet(edited, tmp_path / "edited")
    finally:
        edited.unlink()
    before = tifffile.imread(small_run.folder / "composite.tif").astype(int)
    after = tifffile.imread(run.folder / "composite.tif").astype(int)
    assert (after - before).mean() < -100
    assert not worksheet.load(run.folder / "worksheet.json").frame("07.jpg").on


def test_threads_do_not_change_a_bit(small_scene):
    frames = [small_scene / "frames" / f"{name}.jpg" for name in ("00", "01", "06", "07")]
    one, three = lampwalk.merge(frames, threads=1), lampwalk.merge(frames, threads=3)
    assert np.array_equal(one.pixels, three.pixels)
    assert np.array_equal(one.coverage, three.coverage)


def test_a_frame_that_is_damaged_inside_is_left_out_and_said(small_scene, tmp_path):
    frames = tmp_path / "frames"
    frames.mkdir()
    for path in sorted((small_scene / "frames").glob("*.jpg"))[:5]:
        data = path.read_bytes()
        (frames / path.name).write_bytes(data[: len(data) * 6 // 10] if path.name == "02.jpg" else data)
    run = lampwalk.merge_folder(frames, tmp_path / "run")
    assert [r.file for r in run.worksheet.frames if r.role != "left out"] == ["00.jpg", "01.jpg", "03.jpg", "04.jpg"]
    assert "damaged" in run.worksheet.frame("02.jpg").why
    assert [f.frame for f in run.findings if f.code == "damaged"] == ["02.jpg"]
    assert run.needs_a_look
    again = lampwalk.merge_worksheet(run.folder / "worksheet.json", tmp_path / "again")
    assert (again.folder / "composite.tif").read_bytes() == (run.folder / "composite.tif").read_bytes()

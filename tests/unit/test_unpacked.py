"""Files that are not packed are read window by window: the same pixels as of the whole picture, and no others."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

import lampwalk
from lampwalk import FrameError, decode, geometry, hotpixels, merging, previews, profiles, resampling, sighting
from lampwalk.bench import Bench
from lampwalk.unpacked import Unpacked, whole

SHAPE = (1800, 2500, 3)


@pytest.fixture(scope="module", params=[np.uint8, np.uint16])
def picture(request: pytest.FixtureRequest) -> np.ndarray:
    """Texture of all sizes, large enough to be shrunk and to be seen in crops."""
    rng = np.random.default_rng(5)
    soft = sum(cv2.resize(rng.random((n, n, 3)), SHAPE[1::-1], interpolation=cv2.INTER_CUBIC) for n in (9, 80, 700))
    top = np.iinfo(request.param).max
    return np.clip(soft / 3 * top, 0, top).astype(request.param)


@pytest.fixture
def found(picture: np.ndarray, tmp_path: Path) -> Unpacked:
    tifffile.imwrite(tmp_path / "a.tif", picture, photometric="rgb", rowsperstrip=64)
    unpacked = decode.unpacked(tmp_path / "a.tif")
    assert unpacked is not None
    return unpacked


@pytest.mark.parametrize("rows", [slice(0, 1), slice(700, 956), slice(1790, 1800), slice(None)])
def test_windows_are_those_of_the_picture(found: Unpacked, picture: np.ndarray, rows: slice) -> None:
    assert (found.shape, found.dtype, found.ndim) == (picture.shape, picture.dtype, picture.ndim)
    assert np.array_equal(found[rows], picture[rows])
    assert np.array_equal(found[rows, 30:40], picture[rows, 30:40])
    assert np.array_equal(whole(found), picture)


def test_some_rows_give_windows_of_the_whole(found: Unpacked, picture: np.ndarray) -> None:
    near = found.near(slice(500, 800), Bench())
    assert (near.shape, near.pixels.dtype) == (picture.shape[:2], picture.dtype)
    assert np.array_equal(near.part(slice(610, 700), slice(5, 90)), picture[610:700, 5:90])


def test_what_the_first_pass_makes_of_it_is_the_same(found: Unpacked, picture: np.ndarray) -> None:
    assert np.array_equal(previews.shrink(found), previews.shrink(picture))
    a, b = sighting.observe(found), sighting.observe(picture)
    assert np.array_equal(a.small, b.small)
    assert len(b.crops)
    assert np.array_equal(a.crops, b.crops)


def test_hot_pixels_are_found_and_taken_out_likewise(picture: np.ndarray, tmp_path: Path) -> None:
    top, places = np.iinfo(picture.dtype).max, np.array([[0, 0], [255, 400], [256, 401], [900, 2499], [1799, 7]])
    in_memory, in_files = hotpixels.HotPixels(), hotpixels.HotPixels()
    for i, share in enumerate((0.2, 0.3, 0.4)):
        frame = (picture * share).astype(picture.dtype)
        frame[places[:, 0], places[:, 1]] = top
        tifffile.imwrite(tmp_path / f"{i}.tif", frame, photometric="rgb")
        in_memory.add(frame)
        unpacked = decode.unpacked(tmp_path / f"{i}.tif")
        assert unpacked is not None
        in_files.add(unpacked)
    points = in_memory.found()
    assert len(points) >= 2  # those at the rim have no surroundings
    assert np.array_equal(in_files.found(), points)
    before = (tmp_path / "2.tif").read_bytes()
    clean = hotpixels.remove(unpacked, places)
    assert np.array_equal(whole(clean), hotpixels.remove(frame.copy(), places))
    assert (tmp_path / "2.tif").read_bytes() == before


@pytest.mark.parametrize("turn", [0, 0.4, -2])
def test_tiles_of_it_are_the_same(found: Unpacked, picture: np.ndarray, turn: float) -> None:
    matrix = np.eye(3)
    if turn:
        matrix[:2] = cv2.getRotationMatrix2D((1200, 900), turn, 1.001) + [[0, 0, 3.3], [0, 0, -7.8]]
    for rows in (geometry.strips(SHAPE[0])[i] for i in (0, 3, -1)):
        grid = geometry.tiles(slice(0, SHAPE[1]), SHAPE[1])
        tiles = zip(*(resampling.warp_tiles(p, matrix, rows, grid, Bench()) for p in (found, picture)), strict=True)
        assert all(np.array_equal(a, b) for a, b in tiles)


def test_only_plain_files_are_read_so(picture: np.ndarray, tmp_path: Path) -> None:
    small, path = picture[:40, :60], tmp_path / "a.tif"
    alpha, planes = np.concatenate([small, small[..., :1]], axis=2), np.moveaxis(small, 2, 0).copy()
    others: list[tuple[np.ndarray, dict[str, object]]] = [
        (small, {"photometric": "rgb", "compression": "zlib"}),
        (small, {"photometric": "rgb", "predictor": True, "compression": "zlib"}),
        (small, {"photometric": "rgb", "tile": (16, 16)}),
        (small[..., 0], {"photometric": "minisblack"}),
        (small[..., 0], {"photometric": "miniswhite"}),
        (alpha, {"photometric": "rgb", "extrasamples": ["unassalpha"]}),
        (planes, {"photometric": "rgb", "planarconfig": "separate"}),
        (small.astype(np.float32), {"photometric": "rgb"}),
    ]
    for pixels, options in others:
        tifffile.imwrite(path, pixels, **options)
        assert decode.unpacked(path) is None, options
    tifffile.imwrite(path, small, photometric="rgb")
    assert decode.unpacked(path) is not None
    assert decode.unpacked(path, orientation=6) is None
    tifffile.imwrite(path, small, photometric="rgb", byteorder=">")
    assert (decode.unpacked(path) is None) == (picture.dtype == np.uint16)
    cv2.imwrite(str(tmp_path / "a.png"), small)
    assert decode.unpacked(tmp_path / "a.png") is None


def test_a_frame_that_its_steps_do_not_take_as_it_is_is_decoded(picture: np.ndarray, tmp_path: Path) -> None:
    adobe = profiles.make_icc("Some name", profiles.known("Adobe RGB (1998)").to_xyz, (563 / 256,))
    tifffile.imwrite(tmp_path / "0.tif", picture[:40, :60], photometric="rgb")
    tifffile.imwrite(tmp_path / "1.tif", picture[:40, :60] // 2, photometric="rgb", iccprofile=adobe)
    tifffile.imwrite(tmp_path / "2.tif", (picture[:40, :60] // 3).astype(np.uint16), photometric="rgb")
    plain, other, deep = lampwalk.read_series(tmp_path).frames
    assert (plain.unpacked() is None) == (picture.dtype == np.uint8)  # it is made deeper, as one of the others is
    assert other.unpacked() is None
    assert deep.unpacked() is not None


def test_a_file_that_has_become_too_short_or_has_gone_is_named(found: Unpacked) -> None:
    with found.path.open("r+b") as file:
        file.truncate(found.offset + 1000)
    with pytest.raises(FrameError, match=r"a\.tif.*cut short"):
        _ = found[0:5]
    found.path.unlink()
    with pytest.raises(FrameError, match=r"a\.tif.*not there"):
        _ = found[0:5]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same frames, packed and not."""
    plain, packed = (tmp_path_factory.mktemp(name) for name in ("plain", "packed"))
    rng = np.random.default_rng(8)
    ground = sum(cv2.resize(rng.random((n, n)), (720, 480), interpolation=cv2.INTER_CUBIC) for n in (8, 60, 200)) / 3
    y, x = np.mgrid[:480, :720]
    for i in range(4):
        lamp = np.exp(-(((x - 180 * i) / 150) ** 2) - ((y - 240) / 150) ** 2) if i else 0 * x
        light = np.clip(ground * (0.1 + lamp), 0, 1)[..., None] * (0.9, 1, 0.8)
        frame = cv2.warpAffine(light, np.float64([[1, 0, 0.4 * i], [0, 1, -0.3 * i]]), (720, 480), borderMode=2)
        frame = np.clip(frame ** (1 / 2.2) * 65535, 0, 65535).astype(np.uint16)
        tifffile.imwrite(plain / f"{i}.tif", frame, photometric="rgb")
        tifffile.imwrite(packed / f"{i}.tif", frame, photometric="rgb", compression="zlib")
    return plain, packed


def test_a_merge_gives_the_same_bits_packed_or_not(both: tuple[Path, Path]) -> None:
    plain, packed = (lampwalk.merge(folder) for folder in both)
    assert all(d.frame.unpacked() is not None for d in plain.decisions.frames)
    assert len(plain.decisions.frames) == 4
    assert np.array_equal(plain.pixels, packed.pixels)
    assert np.array_equal(plain.coverage, packed.coverage)


def test_a_frame_cut_short_between_the_passes_is_named_and_nothing_is_written(
    both: tuple[Path, Path], tmp_path: Path
) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    for file in both[0].iterdir():
        (frames / file.name).write_bytes(file.read_bytes())

    def cut(step: str, done: int, of: int) -> None:
        if step == "deciding":
            with (frames / "2.tif").open("r+b") as file:
                file.truncate(5000)

    with pytest.raises(FrameError, match=r"2\.tif"):
        merging.merge_folder(frames, tmp_path / "run", progress=cut)
    assert not (tmp_path / "run").exists()

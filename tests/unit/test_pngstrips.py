"""Maps in strips: as other decoders write and read them (OpenCV, Pillow), and damaged ones."""

from __future__ import annotations

import zlib

import cv2
import numpy as np
import pytest
from PIL import Image

from lampwalk import encode, pngstrips, runfolder
from lampwalk.errors import OutputError, WorksheetError

RNG = np.random.default_rng(8)


@pytest.fixture
def values():
    blots = cv2.GaussianBlur(RNG.normal(size=(600, 310)), (0, 0), 20)
    return np.where(blots > blots.mean(), 255, 0).astype(np.uint8)


@pytest.mark.parametrize("rows", [1, 256, 257, 600])
def test_all_strips_are_one_stream_with_the_right_check_sum(values, tmp_path, rows):
    encode.write_map(tmp_path / "a.png", values[:rows])
    data, stream, at = (tmp_path / "a.png").read_bytes(), b"", 8
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        stream += data[at + 8 : at + 8 + length] if data[at + 4 : at + 8] == b"IDAT" else b""
        at += 12 + length
    assert len(zlib.decompress(stream)) == rows * 311  # which refuses a wrong one


def test_a_mask_is_the_same_whoever_has_written_it(values, tmp_path):
    encode.write_map(tmp_path / "ours.png", values)
    cv2.imwrite(str(tmp_path / "one.png"), values)
    Image.fromarray(values).save(tmp_path / "other.png")
    for name in ("ours", "one", "other"):
        mask = runfolder.read_packed_mask(tmp_path / f"{name}.png")
        assert np.array_equal(mask.whole(), values), name
        assert mask.png == (tmp_path / f"{name}.png").read_bytes()


@pytest.mark.parametrize("at", [20, 60, 400, -20])
def test_a_damaged_mask_is_refused(values, tmp_path, at):
    path = tmp_path / "a.png"
    encode.write_map(path, values)
    data = bytearray(path.read_bytes())
    data[at] ^= 0x5A
    path.write_bytes(data)
    with pytest.raises(WorksheetError, match=r"a\.png"):
        runfolder.read_packed_mask(path)


def test_a_mask_that_was_cut_short_is_refused(values, tmp_path):
    path = tmp_path / "a.png"
    encode.write_map(path, values)
    path.write_bytes(path.read_bytes()[:500])
    with pytest.raises(WorksheetError):
        runfolder.read_packed_mask(path)


def test_strips_are_not_taken_from_a_damaged_file_or_that_of_another_program(values, tmp_path):
    path = tmp_path / "a.png"
    encode.write_map(path, values)
    damaged = bytearray(path.read_bytes())
    assert len(pngstrips.parted(bytes(damaged))) == 3
    damaged[60] ^= 0x5A
    cv2.imwrite(str(path), values)
    flushed = zlib.compress(values.tobytes(), 1)
    alike = pngstrips.chunk(b"IDAT", flushed[:500]) + pngstrips.chunk(b"IDAT", b"\x03\x00" + flushed[500:])
    for file in (bytes(damaged), path.read_bytes(), path.read_bytes()[:8] + alike):
        with pytest.raises(OutputError):
            pngstrips.parted(file)

"""Strips against the whole: ITU-T T.81 (1992), B.2.4.4 and E.1.4, as two other decoders read it (Pillow, simplejpeg)."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
import simplejpeg
from PIL import Image

from lampwalk import jpegstrips
from lampwalk.errors import OutputError


def picture(height: int, width: int) -> np.ndarray:
    noise = np.random.default_rng(3).integers(0, 256, (height, width, 3)).astype(np.uint8)
    return cv2.GaussianBlur(noise, (0, 0), 2)


def encoded(bgr: np.ndarray, quality: int = 95) -> memoryview:
    told = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    return memoryview(cv2.imencode(".jpg", bgr, told)[1].reshape(-1).data)


def in_strips(bgr: np.ndarray) -> bytes:
    rows = jpegstrips.strip_rows(bgr.shape[1])
    strips = (encoded(bgr[top : top + rows]) for top in range(0, len(bgr), rows))
    return b"".join(jpegstrips.joined(strips, bgr.shape[:2]))


# more than eight strips, broken blocks, one strip
@pytest.mark.parametrize("shape", [(1300, 37), (257, 640), (128, 9), (5, 5)])
def test_a_file_of_strips_shows_the_same_pixels_as_one_made_at_once(shape: tuple[int, int]) -> None:
    bgr = picture(*shape)
    once, data = encoded(bgr).tobytes(), in_strips(bgr)
    for decode in (
        lambda d: np.asarray(Image.open(io.BytesIO(d))),
        lambda d: simplejpeg.decode_jpeg(d),
        lambda d: cv2.imdecode(np.frombuffer(d, np.uint8), cv2.IMREAD_COLOR),
    ):
        assert np.array_equal(decode(data), decode(once))


def test_the_file_says_its_height_and_how_many_units_lie_between_markers() -> None:
    data = in_strips(picture(300, 100))
    at = data.index(b"\xff\xc0")
    assert int.from_bytes(data[at + 5 : at + 7], "big") == 300
    at = data.index(b"\xff\xdd")
    assert data[at + 2 : at + 6] == bytes([0, 4]) + (13 * 16).to_bytes(2, "big")  # 13 blocks across, 128 / 8 down
    assert [data.count(bytes([0xFF, 0xD0 + i])) for i in range(3)] == [1, 1, 0]


def test_a_strip_never_has_more_units_than_the_file_can_tell() -> None:
    for width in (1, 8208, 32_768, 65_535):
        rows = jpegstrips.strip_rows(width)
        assert rows >= 8
        assert rows % 8 == 0
        assert -(-width // 8) * rows // 8 <= 65_535


def test_strips_with_other_tables_are_refused() -> None:
    bgr = picture(256, 64)
    with pytest.raises(OutputError, match="tables"):
        list(jpegstrips.joined([encoded(bgr[:128]), encoded(bgr[128:], quality=60)], (256, 64)))

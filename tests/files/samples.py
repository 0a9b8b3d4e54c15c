"""Small files of every format that is tried, made by other libraries, with what must come of each.

Run as a program, it prints docs/formats.md:  python tests/files/samples.py > docs/formats.md
"""

from __future__ import annotations

import struct
import sys
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import imageio.v3 as imageio
import numpy as np
import tifffile
from PIL import Image

H, W = 40, 56
_noise = np.random.default_rng(8)
RGB16 = np.clip(
    np.linspace(3000, 60000, H * W).reshape(H, W, 1) + np.array([0, 2000, -2000]) + _noise.normal(0, 300, (H, W, 3)),
    0,
    65535,
).astype(np.uint16)
RGB8 = (RGB16 >> 8).astype(np.uint8)
GREY8, GREY16 = RGB8[..., 1].copy(), RGB16[..., 1].copy()
SMOOTH8 = cv2.GaussianBlur(RGB8, (0, 0), 4)


@dataclass(frozen=True)
class Sample:
    """A file and what must come of it.

    `make` writes the file at the path given; `wanted` is the picture that reading gives (within `tolerance`
    levels), or None where the file must be refused with `words` in the message. `rim` pixels at the edge are
    not compared.
    """

    name: str
    ending: str
    make: Callable[[Path], object]
    wanted: np.ndarray | None
    tolerance: int = 0
    words: str = ""
    rim: int = 0


def _tiff(data: np.ndarray, **options: object) -> Callable[[Path], object]:
    options.setdefault("photometric", "rgb" if data.ndim == 3 else "minisblack")
    return lambda path: tifffile.imwrite(path, data, metadata=None, **options)


def _pillow(data: np.ndarray, mode: str | None = None, **options: object) -> Callable[[Path], object]:
    def make(path: Path) -> None:
        image = Image.fromarray(data)
        (image.convert(mode) if mode else image).save(path, **options)

    return make


def _bytes(data: bytes) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(data)


def _cut(make: Callable[[Path], object], share: float) -> Callable[[Path], object]:
    def made(path: Path) -> None:
        make(path)
        whole = path.read_bytes()
        path.write_bytes(whole[: int(len(whole) * share)])

    return made


def _flipped(make: Callable[[Path], object], start: float) -> Callable[[Path], object]:
    """Overwrite 64 bytes of the file from `start` of its length on."""

    def made(path: Path) -> None:
        make(path)
        data = bytearray(path.read_bytes())
        at = int(len(data) * start)
        data[at : at + 64] = bytes(b ^ 0x5A for b in data[at : at + 64])
        path.write_bytes(data)

    return made


def _as(ending: str, make: Callable[[Path], object]) -> Callable[[Path], object]:
    """Make a file by its right ending and give it the sample's."""

    def made(path: Path) -> None:
        right = path.with_name("right" + ending)
        make(right)
        right.replace(path)

    return made


def _grey(data: np.ndarray) -> np.ndarray:
    return np.repeat(data[..., None], 3, axis=2)


def png_header_only(width: int, height: int) -> bytes:
    """A PNG file that claims a size and holds no data."""
    body = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = b"IDAT" + zlib.compress(b"")
    chunks = [struct.pack(">I", len(c) - 4) + c + struct.pack(">I", zlib.crc32(c)) for c in (body, data)]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def tiff_header_only(width: int, height: int) -> bytes:
    """A TIFF file that claims a size and holds no data."""
    fields = [
        (256, width),
        (257, height),
        (258, 8),
        (259, 1),
        (262, 2),
        (273, 8),
        (277, 3),
        (278, height),
        (279, 1),
    ]
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in fields)
    return b"II*\0" + struct.pack("<IH", 8, len(fields)) + entries + b"\0" * 4


def write_dng(path: Path, linear: np.ndarray, neutral: tuple[float, float, float], *, gain: float = 1.0) -> None:
    """Write a DNG of a Bayer mosaic (RGGB) that shows `linear` sRGB light, by a camera that sees sRGB's
    primaries.

    Tags as in DNG 1.4; the colour matrix is sRGB's, IEC 61966-2-1, from XYZ.
    """
    black, white = 512, 15871
    camera = linear * np.array(neutral) * gain
    mosaic = np.empty(linear.shape[:2])
    for row, col, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, col::2] = camera[row::2, col::2, channel]
    stored = np.rint(black + np.clip(mosaic, 0, 1) * (white - black)).astype(np.uint16)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    matrix = np.diag(neutral) @ np.linalg.inv(to_xyz)

    def fractions(values: object) -> list[int]:
        return [n for value in np.ravel(values) for n in (round(float(value) * 10000), 10000)]

    tags = [
        (50706, 1, 4, bytes([1, 4, 0, 0]), True), (50708, 2, 0, "Test Bayer", True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True), (50714, 3, 1, black, True), (50717, 3, 1, white, True),
        (50721, 10, 9, fractions(matrix), True), (50728, 5, 3, fractions(neutral), True),
        (50778, 3, 1, 21, True),
        (271, 2, 0, "Test", True), (272, 2, 0, "Bayer", True), (274, 3, 1, 1, True),
    ]  # fmt: skip
    tifffile.imwrite(path, stored, photometric=32803, metadata=None, software=False, extratags=tags)


def _two_pages(path: Path) -> None:
    with tifffile.TiffWriter(path) as tiff:
        tiff.write(RGB8, photometric="rgb", metadata=None)
        tiff.write(RGB8[::-1], photometric="rgb", metadata=None)


def _thumbnail_first(path: Path) -> None:
    with tifffile.TiffWriter(path) as tiff:
        tiff.write(RGB8[::4, ::4], photometric="rgb", metadata=None, subfiletype=1)
        tiff.write(RGB8, photometric="rgb", metadata=None)


_ALPHA = np.full((H, W, 1), 255, np.uint8)
_ALPHA[:5] = 0
_BEHIND = RGB8.copy()
_BEHIND[:5] = 0
_SLOPE = (np.linspace(0.05, 0.7, W) * np.ones((H, W)))[..., None] * np.array([1.0, 0.8, 0.5])


def _dng(path: Path) -> None:
    write_dng(path, _SLOPE, (0.5, 1.0, 0.6))


def _slope_encoded() -> np.ndarray:
    v = np.where(_SLOPE <= 0.0031308, 12.92 * _SLOPE, 1.055 * _SLOPE ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    return np.rint(v * 65535).astype(np.uint16)


_JPEG = _pillow(SMOOTH8, quality=98, subsampling=0)
_PNG16 = lambda path: cv2.imwrite(str(path), RGB16[..., ::-1])  # noqa: E731
_DEFLATE = _tiff(RGB16, compression="zlib", predictor=True, rowsperstrip=8)

READ = [
    Sample("JPEG, 4:4:4", ".jpg", _JPEG, SMOOTH8, 4),
    Sample("JPEG, 4:2:0", ".jpg", _pillow(SMOOTH8, quality=98, subsampling=2), SMOOTH8, 6),
    Sample(
        "JPEG, progressive",
        ".JPG",
        _as(".jpg", _pillow(SMOOTH8, quality=98, subsampling=0, progressive=True)),
        SMOOTH8,
        4,
    ),
    Sample("JPEG, grey", ".jpeg", _pillow(SMOOTH8[..., 1], quality=98), _grey(SMOOTH8[..., 1]), 3),
    Sample("JPEG by imageio", ".jpg", lambda p: imageio.imwrite(p, SMOOTH8, quality=98), SMOOTH8, 6),
    Sample("PNG, 8 bits", ".png", _pillow(RGB8), RGB8),
    Sample("PNG, 16 bits", ".png", _PNG16, RGB16),
    Sample("PNG, grey, 8 bits", ".png", _pillow(GREY8), _grey(GREY8)),
    Sample("PNG, grey, 16 bits", ".png", _pillow(GREY16), _grey(GREY16)),
    Sample("PNG with transparency", ".png", _pillow(np.dstack([RGB8, _ALPHA])), _BEHIND),
    Sample("PNG with a colour table", ".png", _pillow(GREY8, "P"), _grey(GREY8)),
    Sample("TIFF, 8 bits, plain", ".tif", _tiff(RGB8), RGB8),
    Sample("TIFF, 16 bits, plain", ".tiff", _tiff(RGB16), RGB16),
    Sample("TIFF, big-endian", ".tif", _tiff(RGB16, byteorder=">"), RGB16),
    Sample("BigTIFF", ".tif", _tiff(RGB16, bigtiff=True), RGB16),
    Sample("TIFF, planar", ".tif", _tiff(np.moveaxis(RGB16, -1, 0), planarconfig="separate"), RGB16),
    Sample("TIFF, tiled", ".tif", _tiff(RGB16, tile=(16, 16)), RGB16),
    Sample("TIFF, deflate and predictor", ".tif", _DEFLATE, RGB16),
    Sample(
        "TIFF, deflate, tiled, planar",
        ".tif",
        _tiff(np.moveaxis(RGB16, -1, 0), planarconfig="separate", compression="zlib", tile=(16, 16)),
        RGB16,
    ),
    Sample("TIFF, LZW", ".tif", _tiff(RGB16, compression="lzw", predictor=True), RGB16),
    Sample("TIFF, LZW by Pillow", ".tif", _pillow(RGB8, compression="tiff_lzw"), RGB8),
    Sample("TIFF, PackBits", ".tif", _tiff(RGB8, compression="packbits"), RGB8),
    Sample("TIFF, zstd", ".tif", _tiff(RGB16, compression="zstd"), RGB16),
    Sample(
        "TIFF, JPEG inside",
        ".tif",
        _tiff(SMOOTH8, compression="jpeg", compressionargs={"level": 98}),
        SMOOTH8,
        6,
    ),
    Sample("TIFF, grey, 16 bits", ".tif", _tiff(GREY16), _grey(GREY16)),
    Sample("TIFF, white is zero", ".tif", _tiff(255 - GREY8, photometric="miniswhite"), _grey(GREY8)),
    Sample("TIFF, 32-bit float 0-1", ".tif", _tiff((RGB16 / 65535).astype(np.float32)), RGB16),
    Sample(
        "TIFF, free-standing transparency",
        ".tif",
        _tiff(np.dstack([RGB8, _ALPHA]), extrasamples=["unassalpha"]),
        _BEHIND,
    ),
    Sample(
        "TIFF, multiplied-in transparency",
        ".tif",
        _tiff(np.dstack([_BEHIND, _ALPHA]), extrasamples=["assocalpha"]),
        _BEHIND,
    ),
    Sample("TIFF, two pages", ".tif", _two_pages, RGB8),
    Sample("TIFF, thumbnail first", ".tif", _thumbnail_first, RGB8),
    Sample("TIFF by OpenCV", ".tif", lambda p: cv2.imwrite(str(p), RGB16[..., ::-1]), RGB16),
    Sample("TIFF by imageio", ".tif", lambda p: imageio.imwrite(p, RGB16, photometric="rgb"), RGB16),
    Sample("DNG, Bayer mosaic", ".dng", _dng, _slope_encoded(), 100, rim=4),
    Sample("AVIF", ".avif", _pillow(SMOOTH8, quality=95, subsampling="4:4:4"), SMOOTH8, 8),
    Sample("JPEG named .png", ".png", _as(".jpg", _JPEG), SMOOTH8, 4),
    Sample("PNG named .tif", ".tif", _as(".png", _pillow(RGB8)), RGB8),
    Sample("TIFF named .jpg", ".jpg", _as(".tif", _tiff(RGB16)), RGB16),
]

REFUSED = [
    Sample("JPEG, CMYK", ".jpg", _pillow(RGB8, "CMYK"), None, words="CMYK"),
    Sample("TIFF, CMYK", ".tif", _tiff(np.dstack([RGB8, _ALPHA]), photometric="separated"), None, words="CMYK"),
    Sample("TIFF with a colour table", ".tif", _pillow(GREY8, "P"), None, words="colour table"),
    Sample("TIFF, 32-bit integers", ".tif", _tiff(RGB16.astype(np.uint32)), None, words="uint32"),
    Sample("TIFF, black and white", ".tif", _pillow(GREY8, "1"), None, words="type"),
    Sample("TIFF, float beyond 1", ".tif", _tiff(RGB16.astype(np.float32)), None, words="not 0-1"),
    Sample(
        "TIFF, float with NaN",
        ".tif",
        _tiff(np.full((H, W, 3), np.nan, np.float32)),
        None,
        words="no numbers",
    ),
    Sample("HEIC", ".heic", _bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(64)), None, words="HEIF"),
    Sample("empty file", ".jpg", _bytes(b""), None, words="empty"),
    Sample("text named .jpg", ".jpg", _bytes(b"not a picture"), None, words="no picture"),
    Sample("JPEG, cut short", ".jpg", _cut(_JPEG, 0.6), None, words="damaged or cut short"),
    Sample("JPEG without its last bytes", ".jpg", _cut(_JPEG, 0.998), None, words="damaged or cut short"),
    Sample("JPEG, header only", ".jpg", _cut(_JPEG, 0.02), None, words="damaged or cut short"),
    Sample("PNG, cut short", ".png", _cut(_PNG16, 0.6), None, words="damaged or cut short"),
    Sample("PNG, bytes changed", ".png", _flipped(_PNG16, 0.5), None, words="damaged or cut short"),
    Sample("TIFF, plain, cut short", ".tif", _cut(_tiff(RGB16), 0.6), None, words="damaged or cut short"),
    Sample("TIFF, deflate, cut short", ".tif", _cut(_DEFLATE, 0.6), None, words="damaged or cut short"),
    Sample("TIFF, deflate, bytes changed", ".tif", _flipped(_DEFLATE, 0.5), None, words="damaged or cut short"),
    Sample(
        "TIFF, LZW, cut short",
        ".tif",
        _cut(_tiff(RGB16, compression="lzw"), 0.6),
        None,
        words="damaged or cut short",
    ),
    Sample("TIFF, header changed", ".tif", _flipped(_tiff(RGB16), 0.0), None, words="no picture"),
    Sample("DNG, cut short", ".dng", _cut(_dng, 0.5), None, words="damaged or cut short"),
    Sample("raw file of no kind", ".nef", _bytes(b"II*\0" + bytes(200)), None, words="cannot be read"),
    Sample(
        "PNG, 65 535 x 65 535, no data",
        ".png",
        _bytes(png_header_only(65535, 65535)),
        None,
        words="megapixels",
    ),
    Sample(
        "TIFF, 65 535 x 65 535, no data",
        ".tif",
        _bytes(tiff_header_only(65535, 65535)),
        None,
        words="megapixels",
    ),
    Sample("PNG, 1 x 1", ".png", _pillow(RGB8[:1, :1]), None, words="1x1"),
]


def outcome(sample: Sample, folder: Path) -> tuple[str, str]:
    """Try a sample: what came, and the words of the error."""
    from lampwalk.errors import LampwalkError
    from lampwalk.files import read_facts, read_pixels

    path = folder / f"sample{sample.ending}"
    sample.make(path)
    try:
        facts = read_facts(path)
        pixels = read_pixels(path, facts.orientation)
    except LampwalkError as error:
        return "refused", f"{error.message} ({error.remedy})"
    if sample.wanted is None or pixels.dtype != sample.wanted.dtype or pixels.shape != sample.wanted.shape:
        return "wrong", f"{pixels.shape} {pixels.dtype}"
    inside = np.s_[sample.rim : H - sample.rim, sample.rim : W - sample.rim]
    worst = int(np.abs(pixels[inside].astype(int) - sample.wanted[inside].astype(int)).max())
    depth = "8 bits" if pixels.dtype == np.uint8 else "16 bits"
    said = "; ".join(finding.text for finding in facts.findings)
    if worst > sample.tolerance:
        return "wrong", f"off by {worst} levels"
    exact = "exact" if worst == 0 else f"within {sample.tolerance} levels"
    return "read", f"{depth}, {exact}" + (f"; remark: {said}" if said else "")


def table() -> str:
    """Make docs/formats.md."""
    lines = [
        "# File formats tried", "",
        "Made by `python tests/files/samples.py > docs/formats.md`: small files written by other libraries",
        "(Pillow, tifffile, OpenCV, imageio), read by lampwalk with the extras `fast` and `raw` installed.",
        "",
        "| file | result | detail |", "|---|---|---|",
    ]  # fmt: skip
    for sample in READ + REFUSED:
        with tempfile.TemporaryDirectory() as folder:
            result, detail = outcome(sample, Path(folder))
        lines.append(f"| {sample.name} | {result} | {detail.replace('|', '/')} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(table())

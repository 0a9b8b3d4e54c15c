"""Small files that claim, or unpack to, far more than they are."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

ZEROS = 800_000_000
"""Bytes that a packed chunk unpacks to."""


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


@cache
def _packed_zeros(size: int = ZEROS) -> bytes:
    packer, block = zlib.compressobj(9), bytes(10_000_000)
    return b"".join(packer.compress(block) for _ in range(size // len(block))) + packer.flush()


def _png(*extra: bytes, size: tuple[int, int] = (64, 64), idat: bytes | None = None) -> bytes:
    head = struct.pack(">IIBBBBB", *size, 8, 2, 0, 0, 0)
    rows = zlib.compress(bytes((3 * size[0] + 1) * size[1])) if idat is None else idat
    body = b"".join([_chunk(b"IHDR", head), *extra, _chunk(b"IDAT", rows), _chunk(b"IEND", b"")])
    return b"\x89PNG\r\n\x1a\n" + body


def png_profile() -> bytes:
    return _png(_chunk(b"iCCP", b"x\0\0" + _packed_zeros()))


def png_text() -> bytes:
    return _png(_chunk(b"zTXt", b"x\0\0" + _packed_zeros()))


def png_international_text() -> bytes:
    return _png(_chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + _packed_zeros()))


def png_many_texts() -> bytes:
    return _png(*[_chunk(b"zTXt", b"x\0\0" + _packed_zeros(60_000_000))] * 40)


def png_data_beyond_the_picture() -> bytes:
    return _png(idat=_packed_zeros())


def png_giant() -> bytes:
    return _png(size=(2**31 - 1, 2**31 - 1), idat=b"")


def jpeg_giant() -> bytes:
    """The frame header (ITU-T T.81, B.2.2) claims 65 500 x 65 500."""
    data = bytearray(_jpeg())
    where = data.index(b"\xff\xc0") + 5
    data[where : where + 4] = struct.pack(">HH", 65500, 65500)
    return bytes(data)


def jpeg_many_scans() -> bytes:
    """A progressive picture whose last scan is repeated 20 000 times: each makes the decoder go over all blocks."""
    file = io.BytesIO()
    Image.fromarray(np.full((6000, 8000), 90, np.uint8)).save(file, "JPEG", progressive=True, quality=50)
    data = file.getvalue()
    last = data.rindex(b"\xff\xda")
    return data[:-2] + data[last:-2] * 20_000 + b"\xff\xd9"


def _jpeg(exif: bytes = b"") -> bytes:
    file = io.BytesIO()
    Image.fromarray(np.full((64, 64, 3), 90, np.uint8)).save(file, "JPEG", exif=exif)
    return file.getvalue()


def _fields(*fields: tuple[int, int, int, int], following: int = 0) -> bytes:
    """A directory (TIFF 6.0 section 2): tag, type, count, value or offset."""
    entries = b"".join(struct.pack("<HHII", *f) for f in sorted(fields))
    return struct.pack("<H", len(fields)) + entries + struct.pack("<I", following)


def jpeg_exif_in_a_circle() -> bytes:
    """Exif, GPS and interoperability directories that all are the main one, which follows itself."""
    circle = _fields((34665, 4, 1, 8), (34853, 4, 1, 8), (40965, 4, 1, 8), (330, 4, 1, 8), following=8)
    return _jpeg(b"Exif\0\0II*\0\x08\0\0\0" + circle)


def jpeg_exif_that_overlaps() -> bytes:
    """4 000 fields, each of which is the whole block."""
    size = 2 + 12 * 4000 + 4
    fields = _fields(*((40000 + n, 7, size, 8) for n in range(4000)))
    return _jpeg(b"Exif\0\0II*\0\x08\0\0\0" + fields)


_PICTURE = ((256, 4, 1, 64), (257, 4, 1, 64), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1), (277, 3, 1, 1))


def tiff_that_overlaps() -> bytes:
    """4 000 fields, each of which is the whole file of 20 MB."""
    size = 20_000_000
    layout = (*_PICTURE, (273, 4, 1, 60_000), (278, 4, 1, 64), (279, 4, 1, 4096))
    head = b"II*\0\x08\0\0\0" + _fields(*layout, *((50_000 + n, 7, size - 100, 8) for n in range(4000)))
    return head.ljust(size, b"\0")


def tiff_in_a_circle() -> bytes:
    layout = (*_PICTURE, (273, 4, 1, 200), (278, 4, 1, 64), (279, 4, 1, 4096), (330, 4, 1, 8), (34665, 4, 1, 8))
    return (b"II*\0\x08\0\0\0" + _fields(*layout, following=8)).ljust(200, b"\0") + bytes(range(256)) * 16


def tiff_of_a_million_pages() -> bytes:
    """Each directory is a thumbnail's (no page of its own), and names the next."""
    step = 2 + 12 * 2 + 4
    pages = (_fields((254, 4, 1, 1), (256, 4, 1, 64), following=8 + step * (n + 1)) for n in range(1_000_000))
    return b"II*\0\x08\0\0\0" + b"".join(pages) + _fields((254, 4, 1, 1))


def tiff_giant_tiles() -> bytes:
    layout = (*_PICTURE, (322, 4, 1, 2**31 - 16), (323, 4, 1, 2**31 - 16), (324, 4, 1, 300), (325, 4, 1, 16))
    return (b"II*\0\x08\0\0\0" + _fields(*layout)).ljust(400, b"\0")


def tiff_many_samples() -> bytes:
    layout = [f for f in _PICTURE if f[0] != 277]
    return (b"II*\0\x08\0\0\0" + _fields(*layout, (277, 3, 1, 65535), (273, 4, 1, 300), (279, 4, 1, 16))).ljust(
        400, b"\0"
    )


def tiff_deflate() -> bytes:
    """A strip that unpacks to far more than its rows."""
    layout = [f for f in _PICTURE if f[0] != 259]
    packed = _packed_zeros()
    head = b"II*\0\x08\0\0\0" + _fields(
        *layout, (259, 3, 1, 8), (273, 4, 1, 200), (278, 4, 1, 64), (279, 4, 1, len(packed))
    )
    return head.ljust(200, b"\0") + packed


def avif_giant() -> bytes:
    """The property of the picture's size (ISO/IEC 23008-12, ispe) claims 60 000 x 60 000."""
    file = io.BytesIO()
    Image.fromarray(np.full((64, 64, 3), 90, np.uint8)).save(file, "AVIF")
    data = bytearray(file.getvalue())
    where = data.index(b"ispe") + 8
    data[where : where + 8] = struct.pack(">II", 60_000, 60_000)
    return bytes(data)


PICTURES: dict[str, tuple[str, Callable[[], bytes]]] = {
    f.__name__: (ending, f)
    for ending, f in (
        (".png", png_profile), (".png", png_text), (".png", png_international_text), (".png", png_many_texts),
        (".png", png_data_beyond_the_picture), (".png", png_giant), (".jpg", jpeg_giant), (".jpg", jpeg_many_scans),
        (".jpg", jpeg_exif_in_a_circle), (".jpg", jpeg_exif_that_overlaps), (".tif", tiff_that_overlaps),
        (".tif", tiff_in_a_circle), (".tif", tiff_of_a_million_pages), (".tif", tiff_giant_tiles),
        (".tif", tiff_many_samples), (".tif", tiff_deflate), (".avif", avif_giant),
    )
}  # fmt: skip


def write(folder: Path, name: str) -> Path:
    """Make one of them."""
    ending, make = PICTURES[name]
    path = folder / f"{name}{ending}"
    path.write_bytes(make())
    return path

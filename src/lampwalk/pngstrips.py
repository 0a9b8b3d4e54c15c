"""One PNG file of grey 8-bit strips that were deflated each by itself: on several threads, and without a copy of the picture.

Each strip is deflated to a full flush, so that what it holds depends on nothing above it, and has an IDAT chunk of its own.

References
----------
PNG (W3C, second edition): 5.2 and 5.3 (signature and chunks), 10.1 (one zlib stream in all IDAT chunks), 11.2.2 (IHDR).
RFC 1950 (zlib): 2.2. RFC 1951 (deflate): 3.2.3.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from .geometry import STRIP_ROWS

_SIGNATURE, _CHUNK = b"\x89PNG\r\n\x1a\n", 12
_ZLIB_HEAD, _LAST_BLOCK = b"\x78\x01", b"\x03\x00"
"""Deflate with a window of 32 kB, at its quickest; an empty last block."""


def packed(strip: NDArray[np.uint8]) -> bytes:
    """Deflate some rows, (n, W) uint8: without a filter and by runs, for maps of few values."""
    deflate = zlib.compressobj(1, zlib.DEFLATED, -15, strategy=zlib.Z_RLE)
    return deflate.compress(_raw(strip).data) + deflate.flush(zlib.Z_FULL_FLUSH)


def joined(strips: Sequence[bytes], values: NDArray[np.uint8]) -> Iterator[bytes]:
    """Join what `packed` has made of every `STRIP_ROWS` rows of a map, (H, W) uint8, to one file; gives it in parts."""
    height, width = values.shape
    check = 1
    for top in range(0, height, STRIP_ROWS):
        check = zlib.adler32(_raw(values[top : top + STRIP_ROWS]).data, check)
    yield _SIGNATURE
    yield _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    for i, strip in enumerate(strips):
        yield _chunk(b"IDAT", strip if i else _ZLIB_HEAD + strip)
    yield _chunk(b"IDAT", _LAST_BLOCK + struct.pack(">I", check))
    yield _chunk(b"IEND", b"")


def parted(file: bytes) -> list[bytes]:
    """Take a file of `joined` apart: its strips.

    Raises
    ------
    ValueError
        It is no such file, or damaged.
    """
    found, at = [], len(_SIGNATURE)
    while at < len(file):
        length = int.from_bytes(file[at : at + 4], "big")
        body, check = file[at + 4 : at + 8 + length], file[at + 8 + length : at + _CHUNK + length]
        if zlib.crc32(body) != int.from_bytes(check, "big"):
            raise ValueError("a chunk is damaged")
        if body.startswith(b"IDAT"):
            found.append(body[4:])
        at += _CHUNK + length
    if len(found) < 2 or not found[0].startswith(_ZLIB_HEAD) or not found[-1].startswith(_LAST_BLOCK):
        raise ValueError("not of strips")
    return [found[0].removeprefix(_ZLIB_HEAD), *found[1:-1]]


def unpacked(strip: bytes, rows: int, width: int) -> NDArray[np.uint8]:
    """Inflate a strip: (rows, width) uint8, not to be written to.

    Raises
    ------
    ValueError
        It holds something else.
    """
    inflate = zlib.decompressobj(-15)
    try:
        raw = inflate.decompress(strip, rows * (width + 1) + 1)
    except zlib.error as error:
        raise ValueError("a strip is damaged") from error
    found = np.frombuffer(raw, np.uint8).reshape(rows, width + 1)
    if found[:, 0].any():
        raise ValueError("rows with a filter")
    return found[:, 1:]


def _raw(strip: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Rows with the number of their filter, none, before them."""
    rows = np.zeros((strip.shape[0], strip.shape[1] + 1), np.uint8)
    rows[:, 1:] = strip
    return rows


def _chunk(name: bytes, data: bytes) -> bytes:
    body = name + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

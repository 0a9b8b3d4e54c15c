"""One PNG file of grey 8-bit strips that were deflated each by itself: on several threads, and without a copy of the picture.

Each strip is deflated to a full flush, so that what it holds depends on nothing above it, and has an IDAT chunk of its own.

References
----------
PNG (W3C, second edition): 5.2 and 5.3 (signature and chunks), 10.1 (one zlib stream in all IDAT chunks), 11.2.2 (IHDR).
RFC 1950 (zlib): 2.2, 8.2. RFC 1951 (deflate): 3.2.3.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from . import geometry
from .errors import OutputError

_SIGNATURE, _CHUNK = b"\x89PNG\r\n\x1a\n", 12
_PRIME = 65_521
"""Of Adler-32."""

_ZLIB_HEAD, _FLUSHED, _LAST_BLOCK = b"\x78\x01", b"\x00\x00\xff\xff", b"\x03\x00"
"""Deflate with a window of 32 kB, at its quickest; how a strip ends; an empty last block."""


def packed(strip: NDArray[np.uint8], known: bytes | None = None) -> tuple[bytes, int]:
    """Deflate some rows, (n, W) uint8: without a filter and by runs, for maps of few values.

    Parameters
    ----------
    strip : (n, W) uint8
    known : bytes, optional
        What they were deflated to before.

    Returns
    -------
    bytes
    int
        Their check sum (RFC 1950, 8.2).
    """
    rows = np.zeros((strip.shape[0], strip.shape[1] + 1), np.uint8)  # before each one the number of its filter, none
    rows[:, 1:] = strip
    check = zlib.adler32(rows.data)
    if known is not None:
        return known, check
    deflate = zlib.compressobj(1, zlib.DEFLATED, -15, strategy=zlib.Z_RLE)
    return deflate.compress(rows.data) + deflate.flush(zlib.Z_FULL_FLUSH), check


def joined(strips: Sequence[tuple[bytes, int]], shape: tuple[int, int]) -> Iterator[bytes]:
    """Join what `packed` has made of every strip of the fixed grid of a map of height and width `shape` to one file, in parts."""
    height, width = shape
    yield _SIGNATURE
    yield chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    total = 1
    for i, (rows, (strip, check)) in enumerate(zip(geometry.strips(height), strips, strict=True)):
        total = _followed(total, check, (rows.stop - rows.start) * (width + 1))
        yield chunk(b"IDAT", strip if i else _ZLIB_HEAD + strip)
    yield chunk(b"IDAT", _LAST_BLOCK + struct.pack(">I", total))
    yield chunk(b"IEND", b"")


def _followed(check: int, after: int, length: int) -> int:
    """Check sum of some bytes with others behind them, of which it is known, too, and how many these are.

    Of a low half a = 1 + the sum of the bytes and a high half, the sum of all a on the way, both modulo 65 521.
    """
    low, high = check & 0xFFFF, check >> 16
    more_low, more_high = after & 0xFFFF, after >> 16
    return (high + more_high + length * (low - 1)) % _PRIME << 16 | (low + more_low - 1) % _PRIME


def parted(file: bytes) -> list[bytes]:
    """Take a file of `joined` apart: its strips.

    Raises
    ------
    OutputError
        It is no such file, or damaged.
    """
    found, at = [], len(_SIGNATURE)
    while at < len(file):
        length = int.from_bytes(file[at : at + 4], "big")
        body, check = file[at + 4 : at + 8 + length], file[at + 8 + length : at + _CHUNK + length]
        if zlib.crc32(body) != int.from_bytes(check, "big"):
            raise OutputError("a map that was kept is damaged", remedy="merge again")
        if body.startswith(b"IDAT"):
            found.append(body[4:])
        at += _CHUNK + length
    ours = len(found) > 1 and all(strip.endswith(_FLUSHED) for strip in found[:-1])
    if not ours or not found[0].startswith(_ZLIB_HEAD) or not found[-1].startswith(_LAST_BLOCK):
        raise OutputError("a map that was kept is of another program", remedy="merge again")
    return [found[0].removeprefix(_ZLIB_HEAD), *found[1:-1]]


def chunk(name: bytes, data: bytes) -> bytes:
    """Make a chunk of a PNG file (5.3)."""
    body = name + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

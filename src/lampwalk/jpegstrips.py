"""One JPEG file of strips that were encoded each by itself: on several threads, and without a copy of the picture.

What a strip's scan holds depends on nothing above it, so it is what an encoder writes between two restart markers.

References
----------
ITU-T T.81 (1992): B.1.1.3 (markers), B.2.2 (frame header), B.2.4.4 (restart interval), E.1.4 (restart markers count from 0
to 7).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Iterator, Mapping

from .errors import OutputError

STRIP_ROWS = 128
"""Rows of a strip, at most."""

BLOCK = 8
"""Pixels of a side of the smallest unit, without subsampling."""

_MOST_UNITS = 65_535
"""Units between two restart markers: their count has 16 bits."""

_SOI, _EOI, _DRI, _RST0 = b"\xff\xd8", b"\xff\xd9", b"\xff\xdd", 0xD0
_SOF0, _SOS, _TABLES = 0xC0, 0xDA, (0xC4, 0xDB)
"""Markers: start of the frame and of the scan, and tables for its codes and steps."""


def strip_rows(width: int) -> int:
    """Rows of the strips of a picture of some width."""
    return BLOCK * min(STRIP_ROWS // BLOCK, _MOST_UNITS // -(-width // BLOCK))


def joined(strips: Iterable[memoryview], shape: tuple[int, int]) -> Iterator[bytes | memoryview]:
    """Join baseline JPEG files, of `strip_rows` each but the last one, to one file.

    Parameters
    ----------
    strips : iterable of memoryview
        Of one encoder and one quality, without subsampling. The first one has what the file is to carry besides.
    shape : (int, int)
        Height and width of the whole.

    Yields
    ------
    bytes
        Parts of the file.

    Raises
    ------
    OutputError
        The encoder gave strips other tables, so they make no one file.
    """
    height, width = shape
    units = -(-width // BLOCK) * strip_rows(width) // BLOCK
    tables: list[bytes] = []
    for i, strip in enumerate(strips):
        head, scan = _split(strip)
        own = [bytes(segment) for segment in head if segment[1] in _TABLES]
        if i == 0:
            tables = own
            yield _SOI
            yield from (_of_height(segment, height) for segment in head[:-1])
            yield _DRI + struct.pack(">HH", 4, units)
            yield head[-1]
        else:
            _check(own, tables)
            yield _restart(i)
        yield scan
    yield _EOI


def renewed(file: bytes, strips: Mapping[int, memoryview]) -> Iterator[bytes | memoryview]:
    """Give a file of `joined` other strips in some places.

    Parameters
    ----------
    file : bytes
    strips : mapping of number to memoryview
        Baseline JPEG files, as `joined` gets them; what the first one is to carry besides stays as it is.

    Yields
    ------
    bytes
        Parts of the file.
    """
    head, scan = _split(memoryview(file))
    tables = [bytes(segment) for segment in head if segment[1] in _TABLES]
    marks = [mark.start() for mark in re.finditer(rb"\xff[\xd0-\xd7]", scan)]
    scans = [scan[first:last] for first, last in zip([0, *(m + 2 for m in marks)], [*marks, len(scan)], strict=True)]
    for i, strip in strips.items():
        own, scans[i] = _split(strip)
        _check([bytes(segment) for segment in own if segment[1] in _TABLES], tables)
    yield file[: len(file) - len(_EOI) - len(scan)]
    for i, scan in enumerate(scans):
        if i:
            yield _restart(i)
        yield scan
    yield _EOI


def _restart(i: int) -> bytes:
    """Marker before a strip, which is not the first one."""
    return bytes([0xFF, _RST0 + (i - 1) % 8])


def _check(own: list[bytes], tables: list[bytes]) -> None:
    if own != tables:
        raise OutputError("the encoder gives strips tables of their own", remedy="write it as TIFF")


def _split(strip: memoryview) -> tuple[list[memoryview], memoryview]:
    """Segments of a file up to the start of its scan, and what the scan holds."""
    head: list[memoryview] = []
    at = len(_SOI)
    while not head or head[-1][1] != _SOS:
        (length,) = struct.unpack(">H", strip[at + 2 : at + 4])
        head.append(strip[at : at + 2 + length])
        at += 2 + length
    return head, strip[at : -len(_EOI)]


def _of_height(segment: memoryview, height: int) -> bytes | memoryview:
    """The segment, with another height where it is the frame's."""
    return bytes(segment[:5]) + struct.pack(">H", height) + bytes(segment[7:]) if segment[1] == _SOF0 else segment

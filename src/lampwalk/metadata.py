"""What a picture says of itself: EXIF, colour profile and XMP, carried from the reference to the results.

EXIF is a small TIFF file: directories of fields. Fields are kept as the bytes they came as, so nothing that
lampwalk does not know is lost or rounded on the way.

References
----------
TIFF Revision 6.0 (1992), section 2. EXIF 2.32 (CIPA DC-008-2019), 4.6. XMP Specification Part 1 (2012).
BigTIFF: the published design of the TIFF mailing list, as libtiff writes it.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from mmap import mmap

import numpy as np

from . import profiles

Buffer = bytes | memoryview | mmap

_SIZES = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
    17: 8,
    18: 8,
    129: 1,
}
"""Bytes per value of each field type (TIFF 6.0 section 2; 16-18 BigTIFF; 129 is EXIF 3.0's UTF-8)."""

_WORDS = _SIZES | {5: 4, 10: 4}
"""Bytes that change places between byte orders: a rational is two words of 4."""

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 1, 2, 3, 4, 5, 7

_EXIF_POINTER, _GPS_POINTER = 34665, 34853
_ORIENTATION, _SOFTWARE, _COLOUR_SPACE, _WIDTH, _HEIGHT = 274, 305, 40961, 40962, 40963
_EXIF_VERSION, _FLASHPIX_VERSION, _COMPONENTS, _YCBCR_POSITIONING = 36864, 40960, 37121, 531

_UNCALIBRATED = 0xFFFF
"""ColorSpace of everything but sRGB (EXIF 2.32, 4.6.5)."""

_DESCRIPTIVE = frozenset(
    {270, 271, 272, 282, 283, 296, 306, 315, 316, 33432, 18246, 18249, 40091, 40092, 40093, 40094, 40095}
)
"""Fields of the main directory that tell about the picture: title, maker, model, resolution, date, artist,
computer, copyright, rating, and the Windows titles. The others tell how the file at hand is laid out."""

_NOT_CARRIED = frozenset({37500, 40965})
"""Maker note (its inner offsets break when it is moved, and it holds small pictures of the unmerged frame)
and the interoperability directory."""

_MOST_FIELDS = 4096
"""Fields in one directory that are believed; real ones hold some dozens. Protects against damaged headers."""

_MOST_BYTES = 2**26
"""Bytes of all fields of one directory together; fields beyond are left out. In a damaged or malicious file thousands of
fields may each claim to be the whole file."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a directory.

    Attributes
    ----------
    kind : int
        TIFF field type.
    data : bytes
        The values, little-endian.
    """

    kind: int
    data: bytes

    @property
    def count(self) -> int:
        """Number of values."""
        return len(self.data) // _SIZES[self.kind]


Directory = dict[int, Field]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exif:
    """The directories of an EXIF block that describe the picture; the thumbnail's is not kept.

    Attributes
    ----------
    main, photo, location : dict of tag -> Field
        IFD0 (descriptive fields only), Exif IFD, GPS IFD.
    """

    main: Directory = field(default_factory=dict)
    photo: Directory = field(default_factory=dict)
    location: Directory = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Metadata:
    """What a result carries; each None where there is nothing to say.

    Attributes
    ----------
    exif : bytes or None
        EXIF block, beginning with its TIFF header.
    icc : bytes or None
    xmp : bytes or None
    """

    exif: bytes | None = None
    icc: bytes | None = None
    xmp: bytes | None = None


def for_jpeg(exif: bytes) -> bytes:
    """Add the fields that EXIF asks of JPEG files only: order and place of the colour components."""
    told = parse(exif)
    main = told.main | {_YCBCR_POSITIONING: short(1)}
    photo = told.photo | {_COMPONENTS: Field(UNDEFINED, b"\1\2\3\0")}
    return serialise(replace(told, main=main, photo=photo))


def for_tiff(exif: bytes) -> Exif:
    """Drop the fields that EXIF allows in compressed files only: TIFF says its size itself."""
    told = parse(exif)
    photo = {tag: value for tag, value in told.photo.items() if tag not in (_WIDTH, _HEIGHT, _COMPONENTS)}
    return replace(told, photo=photo)


def for_output(
    source: Metadata, shape: tuple[int, int], *, keep_location: bool = False, srgb_icc: bytes | None = None
) -> Metadata:
    """Make the metadata of a result from the reference's.

    Parameters
    ----------
    source : Metadata
        As the reference's file holds it (`files.Facts.metadata`).
    shape : (int, int)
        Height and width of the result in pixels.
    keep_location : bool
        Keep the GPS fields.
    srgb_icc : bytes, optional
        The sRGB profile, where the result was converted to it; else the reference's profile is kept.

    Returns
    -------
    Metadata
        Orientation 1, the result's size, lampwalk as software; exposure, dates, camera, lens, author and
        copyright as they were; no thumbnail, no maker note, no location unless asked.
    """
    exif = parse(source.exif) if source.exif else Exif()
    main = {tag: value for tag, value in exif.main.items() if tag in _DESCRIPTIVE}
    main |= {_ORIENTATION: short(1), _SOFTWARE: text(software())}
    for tag, value in _RESOLUTION.items():
        main.setdefault(tag, value)
    photo = {tag: value for tag, value in exif.photo.items() if tag not in _NOT_CARRIED}
    photo |= {_WIDTH: long(shape[1]), _HEIGHT: long(shape[0])}
    photo.setdefault(_EXIF_VERSION, Field(UNDEFINED, b"0232"))
    photo.setdefault(_FLASHPIX_VERSION, Field(UNDEFINED, b"0100"))
    icc = source.icc if srgb_icc is None else srgb_icc
    photo[_COLOUR_SPACE] = short(1 if profiles.recognise(icc).name == "sRGB" else _UNCALIBRATED)
    location = exif.location if keep_location else {}
    return Metadata(
        exif=serialise(replace(exif, main=main, photo=photo, location=location)),
        icc=icc,
        xmp=_clean_xmp(source.xmp, keep_location=keep_location) if source.xmp else None,
    )


def software() -> str:
    """Name and version of this program, as written into results."""
    from . import __version__  # the package imports this module first

    return f"lampwalk {__version__}"


def parse(block: Buffer) -> Exif:
    r"""Read an EXIF block, or the first page of a TIFF file given as a buffer.

    Parameters
    ----------
    block : bytes-like
        Beginning with the TIFF header, or with ``Exif\0\0`` before it.

    Returns
    -------
    Exif
        Empty where the block is damaged: metadata is never worth losing a frame.
    """
    view = memoryview(block)[6:] if block[:6] == b"Exif\0\0" else block
    try:
        order, big, first = header(view)
        main = read_directory(view, first, order=order, big=big)
    except (struct.error, ValueError):
        return Exif()

    def below(pointer: int) -> Directory:
        try:
            where = int.from_bytes(main[pointer].data, "little")
            return read_directory(view, where, order=order, big=big)
        except (KeyError, struct.error, ValueError):
            return {}

    photo, location = below(_EXIF_POINTER), below(_GPS_POINTER)
    return Exif(main={t: f for t, f in main.items() if t in _DESCRIPTIVE | {_ORIENTATION, _SOFTWARE}},
                photo=photo, location=location)  # fmt: skip


def header(view: Buffer) -> tuple[str, bool, int]:
    """Byte order (``"<"`` or ``">"``), whether BigTIFF, and the offset of the first directory."""
    order = {b"II": "<", b"MM": ">"}.get(bytes(view[:2]))
    if order is None:
        raise ValueError("no TIFF header")
    magic = struct.unpack_from(order + "H", view, 2)[0]
    if magic == 43:
        return order, True, struct.unpack_from(order + "Q", view, 8)[0]
    if magic not in (42, 0x55):  # 0x55 is one maker's raw format
        raise ValueError("no TIFF header")
    return order, False, struct.unpack_from(order + "I", view, 4)[0]


def read_directory(view: Buffer, offset: int, *, order: str, big: bool) -> Directory:
    """Read one directory; fields that point outside the buffer or have an unknown type are left out."""
    if offset >= len(view):
        raise ValueError("directory beyond the end")
    count = struct.unpack_from(order + ("Q" if big else "H"), view, offset)[0]
    if count > _MOST_FIELDS:
        raise ValueError("damaged directory")
    start, step, inline = (offset + 8, 20, 8) if big else (offset + 2, 12, 4)
    directory: Directory = {}
    room = _MOST_BYTES
    for entry in range(start, start + count * step, step):
        tag, kind, values = struct.unpack_from(order + ("HHQ" if big else "HHI"), view, entry)
        if kind not in _SIZES:
            continue
        length = values * _SIZES[kind]
        if length > room:
            continue
        room -= length
        where = entry + step - inline
        if length > inline:
            where = struct.unpack_from(order + ("Q" if big else "I"), view, where)[0]
        data = bytes(view[where : where + length])
        if len(data) == length:
            directory[tag] = Field(kind, data if order == "<" else _swapped(data, kind))
    return directory


def serialise(exif: Exif) -> bytes:
    r"""Write an EXIF block: little-endian, TIFF header first, without ``Exif\0\0``."""
    return b"II*\0" + struct.pack("<I", 8) + directories(exif, offset=8, big=False)


def directories(exif: Exif, *, offset: int, big: bool) -> bytes:
    """Write the main directory and those below it as they stand at byte `offset` of a file, little-endian."""
    pointers = [(_EXIF_POINTER, exif.photo), (_GPS_POINTER, exif.location)]
    pointers = [(tag, directory) for tag, directory in pointers if directory]
    main = exif.main | {tag: long(0) for tag, _ in pointers}
    after = offset + len(_pack(main, offset, big=big))
    below = b""
    for tag, directory in pointers:
        main[tag] = Field(16, struct.pack("<Q", after + len(below))) if big else long(after + len(below))
        below += _pack(directory, after + len(below), big=big)
    return _pack(main, offset, big=big) + below


def _pack(directory: Mapping[int, Field], offset: int, *, big: bool) -> bytes:
    """One directory and its values, as they stand at byte `offset`; always a multiple of 8 bytes long."""
    inline, pointer = (8, "<Q") if big else (4, "<I")
    count = struct.pack("<Q" if big else "<H", len(directory))
    beyond = offset + len(count) + len(directory) * (20 if big else 12) + inline
    entries, values = b"", b""
    for tag in sorted(directory):  # TIFF 6.0: ascending order of tags
        data = directory[tag].data
        entries += struct.pack("<HHQ" if big else "<HHI", tag, directory[tag].kind, directory[tag].count)
        if len(data) <= inline:
            entries += data.ljust(inline, b"\0")
        else:
            values += b"\0" * (-(beyond + len(values)) % 2)  # TIFF 6.0: values begin on a word boundary
            entries += struct.pack(pointer, beyond + len(values))
            values += data
    packed = count + entries + b"\0" * inline + values
    return packed + b"\0" * (-len(packed) % 8)


def short(*values: int) -> Field:
    """Field of 16-bit numbers."""
    return Field(SHORT, struct.pack(f"<{len(values)}H", *values))


def long(*values: int) -> Field:
    """Field of 32-bit numbers."""
    return Field(LONG, struct.pack(f"<{len(values)}I", *values))


def text(value: str) -> Field:
    """Field of 7-bit text, closed by a zero byte."""
    return Field(ASCII, value.encode("ascii", "replace") + b"\0")


_PER_INCH = Field(RATIONAL, struct.pack("<II", 72, 1))
_RESOLUTION = {282: _PER_INCH, 283: _PER_INCH, 296: short(2)}
"""What EXIF 2.32, 4.6.4, asks to write where the resolution is unknown: 72 per inch."""


def _swapped(data: bytes, kind: int) -> bytes:
    word = _WORDS[kind]
    return data if word == 1 else np.frombuffer(data, f"V{word}").view(f">u{word}").astype(f"<u{word}").tobytes()


_LOCATION = re.compile(
    rb"""\s[\w-]+:GPS\w+\s*=\s*("[^"]*"|'[^']*')|<([\w-]+:GPS\w+)(\s[^>]*)?(/>|>.*?</\2\s*>)""", re.DOTALL
)
_ORIENTATION_XMP = re.compile(rb"""(\btiff:Orientation\s*(?:=\s*["']|>\s*))[1-8]""")


def _clean_xmp(xmp: bytes, *, keep_location: bool) -> bytes:
    """Drop the GPS properties and reset the orientation; all else stays byte for byte."""
    if not keep_location:
        xmp = _LOCATION.sub(b"", xmp)
    return _ORIENTATION_XMP.sub(rb"\g<1>1", xmp)


_NUMBERS = {
    1: "B",
    3: "H",
    4: "I",
    6: "b",
    7: "B",
    8: "h",
    9: "i",
    11: "f",
    12: "d",
    13: "I",
    16: "Q",
    17: "q",
    18: "Q",
}


def number(directory: Directory, tag: int) -> float | None:
    """First value of a field as a number; None where it is absent, text, or a division by zero."""
    value = directory.get(tag)
    try:
        if value is None or value.kind == ASCII:
            return None
        if value.kind in (5, 10):
            above, below = struct.unpack_from("<II" if value.kind == 5 else "<ii", value.data)
            return float(above / below)
        return float(struct.unpack_from("<" + _NUMBERS[value.kind], value.data)[0])
    except (struct.error, KeyError, ZeroDivisionError):
        return None


def string(directory: Directory, tag: int) -> str:
    """Text of a field up to its first zero byte; empty where it is absent."""
    value = directory.get(tag)
    return "" if value is None else value.data.split(b"\0")[0].decode("utf-8", "replace").strip()


def rational(value: float) -> Field:
    """Field of one fraction: 0.008 becomes 1/125."""
    return Field(RATIONAL, struct.pack("<II", *Fraction(value).limit_denominator(20_000).as_integer_ratio()))

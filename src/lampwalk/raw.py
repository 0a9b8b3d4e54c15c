"""Raw files: developed alike for a whole series, so that the frames stay comparable.

Needs the extra `raw` (rawpy, which brings LibRaw). One development at a time: LibRaw uses all cores itself.

References
----------
LibRaw's documentation of its processing parameters. DNG 1.6 for the tags that tell a DNG from a TIFF.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from mmap import ACCESS_READ, mmap
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colour, metadata
from .errors import FrameError, MissingExtraError

SUFFIXES = frozenset({
    ".dng", ".cr2", ".cr3", ".crw", ".nef", ".nrw", ".arw", ".sr2", ".srf", ".raf",
    ".orf", ".rw2", ".pef", ".srw", ".3fr", ".fff", ".iiq", ".mos", ".mrw", ".erf",
    ".kdc", ".dcr", ".mef", ".rwl", ".x3f", ".gpr",
})  # fmt: skip
"""Endings of raw files in use."""

_HEADS = (b"FUJIFILMCCD-RAW", b"IIU\0", b"IIRO", b"IIRS", b"MMOR", b"FOVb", b"\0MRM", b"II\x1a\0\0\0HEAPCCDR")
"""First bytes of the raw formats that are not TIFF files."""

_TIFF_HEADS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_DNG_VERSION = 50706
_FLIPS = {0: 1, 3: 3, 5: 8, 6: 6}
"""LibRaw's flip -> EXIF orientation."""

_one_at_a_time = Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Development:
    """Settings that must be the same for all frames of a series.

    Attributes
    ----------
    white_balance : tuple of 4 float
        Multipliers of red, green, blue, second green.
    white_level : int
        Sensor value above black that counts as full. Black itself stays each file's own: it is what the
        camera measured, and the same for frames of one camera and ISO.
    """

    white_balance: tuple[float, float, float, float]
    white_level: int


def is_raw(path: Path, head: bytes) -> bool:
    """Tell a raw file by its first bytes; the ending decides only among files that are made like TIFF."""
    if head.startswith(_HEADS) or (head[4:8] == b"ftyp" and head[8:12] == b"crx "):
        return True
    if not head.startswith(_TIFF_HEADS):
        return False
    if path.suffix.lower() in SUFFIXES or head[8:10] == b"CR":
        return True
    with path.open("rb") as file, mmap(file.fileno(), 0, access=ACCESS_READ) as whole:
        try:
            order, big, first = metadata.header(whole)
            return _DNG_VERSION in metadata.read_directory(whole, first, order=order, big=big)
        except (ValueError, struct.error):
            return False


def development_of(path: Path) -> Development:
    """Take a series' settings from one of its raw files: the camera's white balance and white level."""
    with _opened(path) as file:
        balance = [float(v) for v in file.camera_whitebalance]
        if balance[1] <= 0 or min(balance[0], balance[2]) <= 0:
            balance = [float(v) for v in file.daylight_whitebalance]
        green = balance[1]
        second = balance[3] if balance[3] > 0 else green
        return Development(
            white_balance=(balance[0] / green, 1.0, balance[2] / green, second / green),
            # LibRaw compares user_sat after black is taken off (seen on a DNG of known values).
            white_level=int(file.white_level) - min(int(v) for v in file.black_level_per_channel),
        )


def develop(path: Path, development: Development | None = None) -> NDArray[np.uint16]:
    """Develop a raw file to sRGB, as it lies on the sensor (not turned).

    Parameters
    ----------
    path : Path
    development : Development, optional
        The series' settings; the file's own if not given.

    Returns
    -------
    (H, W, 3) uint16, encoded sRGB, RGB
        Linear development (no tone curve, no automatic brightness, highlights clipped), then the sRGB curve.

    Raises
    ------
    MissingExtraError
        rawpy is not installed.
    """
    settings = development or development_of(path)
    rawpy = _rawpy(path)
    with _one_at_a_time, _opened(path) as file:
        linear = file.postprocess(
            output_bps=16,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,  # the default scales each frame by its own maximum
            user_wb=list(settings.white_balance),
            user_sat=settings.white_level,
            highlight_mode=rawpy.HighlightMode.Clip,
            output_color=rawpy.ColorSpace.sRGB,
            user_flip=0,
        )
    curve = colour.to_encoded(np.arange(65536, dtype=np.float32) / np.float32(65535))
    for row in linear:  # in place: a second picture of 16 bits would double the memory
        row[...] = curve[row]
    return np.repeat(linear, 3, axis=2) if linear.shape[2] == 1 else np.asarray(linear)


def read_header(path: Path) -> tuple[tuple[int, int], int, bytes | None]:
    """Height and width as stored, EXIF orientation, and EXIF where the file is not made like TIFF."""
    with _opened(path) as file:
        sizes = file.sizes
        shape, orientation = (int(sizes.height), int(sizes.width)), _FLIPS.get(int(sizes.flip), 1)
        with path.open("rb") as stream:
            if stream.read(4) in _TIFF_HEADS:
                return shape, orientation, None
        return shape, orientation, _exif_of_libraw(file)


def _exif_of_libraw(file: Any) -> bytes | None:
    """Build EXIF from what LibRaw found in a file that keeps it in its own way."""
    other = getattr(file, "other", None)
    if other is None:
        return None
    photo: metadata.Directory = {}
    for tag, name in (
        (33434, "shutter_speed"),
        (33437, "aperture"),
        (34855, "iso_speed"),
        (37386, "focal_length"),
    ):
        value = float(getattr(other, name, 0) or 0)
        if value > 0:
            photo[tag] = metadata.short(round(value)) if tag == 34855 else metadata.rational(value)
    if other.timestamp and other.timestamp.year > 1980:
        photo[36867] = metadata.text(other.timestamp.strftime("%Y:%m:%d %H:%M:%S"))
    return metadata.serialise(metadata.Exif(photo=photo)) if photo else None


def _rawpy(path: Path) -> Any:
    try:
        import rawpy
    except ImportError:
        raise MissingExtraError(
            "is a raw file, and reading raw files needs one more package",
            file=path,
            remedy='pip install "lampwalk[raw]"',
        ) from None
    return rawpy


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a raw file; what LibRaw says against it, now or later, becomes a `FrameError`."""
    rawpy = _rawpy(path)
    try:
        with rawpy.imread(str(path)) as file:
            yield file
    except rawpy.LibRawError as error:
        why = error.args[0].decode() if error.args and isinstance(error.args[0], bytes) else str(error)
        cut = isinstance(error, rawpy.LibRawIOError)
        what = "is damaged or cut short" if cut else "cannot be read as a raw file"
        raise FrameError(f"{what}: {why}", file=path, remedy="copy it again, or export it as TIFF") from error

"""Writing pictures: TIFF, JPEG and PNG, with the metadata they are given.

Every writer writes under a temporary name beside the target and moves it into place: a file is whole or
absent.

References
----------
TIFF Revision 6.0 (1992): sections 8 (baseline), 14 (differencing predictor). Adobe Photoshop TIFF Technical
Notes (2002) for Deflate (compression 8). EXIF 2.32 (CIPA DC-008-2019), 4.6.3, for the Exif IFD. XMP
Specification Part 3. PNG (W3C, second edition), 5.3.
"""

from __future__ import annotations

import logging
import mmap
import os
import secrets
import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from . import geometry, jpegstrips, metadata, parallel, pngstrips
from .errors import InputError, OutputError
from .geometry import Windowed

_log = logging.getLogger(__name__)

T = TypeVar("T")
R = TypeVar("R")

STRIP_ROWS = 64
"""Rows of one TIFF strip: about 3 MB at 45 megapixels, so threads have work and readers can take a part."""

DEFLATE_STRATEGY = zlib.Z_RLE
"""Differences of photographs repeat in runs or not at all. Measured on 16-bit photographic strips, ms per
megapixel and size: level 1 133 and 0.856; run lengths 52 and 0.847; Huffman only 50 and 0.847, but large on
black areas."""

CLASSIC_TIFF_BYTES = 2**32 - 2**26
"""Pixel bytes from which on BigTIFF is written: classic TIFF has 32-bit offsets; 64 MiB are left for the
rest."""

JPEG_QUALITY = 95
JPEG_METADATA_BYTES = 65_000
"""A JPEG segment holds 65 533 bytes (ITU-T T.81, B.1.1.4), less its own heading."""

_JPEG_XMP_NAME = b"http://ns.adobe.com/xap/1.0/\0"
_PNG_HEAD = 8 + 25
"""Bytes of signature and IHDR, which must come first (PNG, W3C, 5.6)."""

_EXIF, _XMP, _ICC = cv2.IMAGE_METADATA_EXIF, cv2.IMAGE_METADATA_XMP, cv2.IMAGE_METADATA_ICCP


def write_tiff(
    path: Path,
    pixels: NDArray[np.uint16],
    *,
    icc: bytes | None = None,
    exif: bytes | None = None,
    xmp: bytes | None = None,
    compression: str = "deflate",
) -> None:
    """Write a TIFF file in strips; never holds a second copy of the picture.

    Parameters
    ----------
    path : Path
    pixels : (H, W, 3) uint16 or uint8, encoded, RGB; or (H, W)
    icc, exif, xmp : bytes, optional
        As `metadata.for_output` makes them.
    compression : {"deflate", "none"}
        Deflate with the horizontal predictor, strips compressed in as many threads as there are cores.

    Raises
    ------
    OutputError
        Disk full, no rights.
    """
    _check(pixels)
    if compression not in {"deflate", "none"}:
        raise InputError(f"unknown TIFF compression {compression!r}", remedy="give 'deflate' or 'none'")
    deflate = compression == "deflate"
    big = pixels.nbytes > CLASSIC_TIFF_BYTES
    with whole(path) as temporary:
        tifffile.imwrite(
            temporary,
            _in_turn(_deflated, _plain_strips(pixels)) if deflate else _plain_strips(pixels),
            shape=pixels.shape,
            dtype=pixels.dtype,
            byteorder="<",
            bigtiff=big,
            photometric="rgb" if pixels.ndim == 3 else "minisblack",
            rowsperstrip=STRIP_ROWS,
            compression="zlib" if deflate else None,
            predictor=deflate,
            iccprofile=icc,
            extratags=[(700, metadata.BYTE, len(xmp), xmp, True)] if xmp else (),
            software=False,
            metadata=None,
        )
        _add_exif(temporary, exif, big=big)


def write_windows(path: Path, pixels: NDArray[np.uint16], windows: Iterable[tuple[slice, slice]]) -> None:
    """Write parts of a picture over those of a file, which then is what `write_tiff` would make of the picture.

    Parameters
    ----------
    path : Path
        Of a picture of the same shape, as `write_tiff` has written it without compression; changed in place.
    pixels : (H, W, 3) uint16
    windows : iterable of (rows, columns)
        Where the file holds something else.
    """
    with tifffile.TiffFile(path) as file:
        start = file.pages.first.dataoffsets[0]  # its strips lie one behind the other
    pixel = pixels.itemsize * pixels.shape[2]
    with path.open("r+b", buffering=0) as raw:
        for rows, cols in windows:
            for y in range(rows.start, rows.stop):
                raw.seek(start + (y * pixels.shape[1] + cols.start) * pixel)
                raw.write(pixels[y, cols].reshape(-1).view(np.uint8).data)


def write_jpeg(
    path: Path,
    pixels: NDArray[Any],
    *,
    icc: bytes | None = None,
    exif: bytes | None = None,
    xmp: bytes | None = None,
    quality: int = JPEG_QUALITY,
) -> None:
    """Write a baseline JPEG file with full colour resolution (4:4:4), in strips between restart markers.

    Parameters
    ----------
    path : Path
    pixels : (H, W, 3) uint8 or uint16, encoded, RGB
        16 bits are rounded to the nearest of 8, without dither.
    icc, exif, xmp : bytes, optional
        As `metadata.for_output` makes them. XMP too long for one segment is left out.
    quality : int
        1-100.

    Raises
    ------
    OutputError
        Disk full, no rights, a side of more than 65 535 px.
    """
    _check(pixels)
    if max(pixels.shape[:2]) > 65_535:
        raise OutputError("JPEG allows 65 535 px a side", file=path, remedy="write TIFF or PNG, or scale it down")
    if xmp is not None and len(xmp) > JPEG_METADATA_BYTES:
        _log.warning("%s: XMP of %d bytes is too long for JPEG and left out", path, len(xmp))
        xmp = None
    # OpenCV 5.0 writes XMP as it is given; the segment's name belongs before it (XMP Part 3, 1.1.3).
    named = {
        _EXIF: metadata.for_jpeg(exif) if exif else None,
        _ICC: icc,
        _XMP: _JPEG_XMP_NAME + xmp if xmp else None,
    }

    shape = (pixels.shape[0], pixels.shape[1])

    def strip(rows: slice) -> memoryview:
        return _jpeg_strip(pixels[rows], quality, {} if rows.start else named)

    _store(path, jpegstrips.joined(_in_turn(strip, _jpeg_rows(shape)), shape))


def write_jpeg_rows(path: Path, pixels: NDArray[Any], changed: Sequence[slice], *, quality: int = JPEG_QUALITY) -> None:
    """Write some rows of a picture into a file, which then is what `write_jpeg` would make of the picture.

    Parameters
    ----------
    path : Path
        Of a picture of the same shape, as `write_jpeg` has written it in the same quality.
    pixels : (H, W, 3) uint8 or uint16
    changed : sequence of slice
        Rows in which the file may hold something else.
    quality : int
    """
    strips = list(enumerate(_jpeg_rows((pixels.shape[0], pixels.shape[1]))))
    other = [(i, rows) for i, rows in strips if _meets(rows, changed)]
    made = _in_turn(lambda rows: _jpeg_strip(pixels[rows], quality, {}), [rows for _, rows in other])
    _store(path, jpegstrips.renewed(path.read_bytes(), {i: strip for (i, _), strip in zip(other, made, strict=True)}))


def _jpeg_rows(shape: tuple[int, int]) -> list[slice]:
    rows = jpegstrips.strip_rows(shape[1])
    return [slice(top, min(top + rows, shape[0])) for top in range(0, shape[0], rows)]


def _jpeg_strip(pixels: NDArray[Any], quality: int, carried: Mapping[int, bytes | None]) -> memoryview:
    options = [
        cv2.IMWRITE_JPEG_QUALITY, quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]  # fmt: skip
    return _encoded(".jpg", _bgr(pixels, np.uint8), options, carried)


def _meets(rows: slice, others: Sequence[slice]) -> bool:
    return any(rows.start < other.stop and other.start < rows.stop for other in others)


def write_png(
    path: Path,
    pixels: NDArray[Any],
    *,
    icc: bytes | None = None,
    exif: bytes | None = None,
    xmp: bytes | None = None,
) -> None:
    """Write a PNG file of the same depth: a picture, or a mask of one channel.

    Parameters
    ----------
    path : Path
    pixels : (H, W, 3), (H, W, 4) or (H, W), uint8 or uint16, encoded, RGB(A)
    icc, exif, xmp : bytes, optional
        As `metadata.for_output` makes them.
    """
    _check(pixels)
    encoded = _encoded(".png", _bgr(pixels, pixels.dtype), [], {_EXIF: exif, _ICC: icc})
    _store(path, (encoded[:_PNG_HEAD], _png_xmp(xmp) if xmp else b"", encoded[_PNG_HEAD:]))


def write_map(path: Path, values: NDArray[np.uint8] | Windowed, changed: Sequence[slice] | None = None) -> None:
    """Write a mask or another map of few values, (H, W) uint8, as PNG.

    Without a filter, which such maps do not need: in three quarters of the time.

    Parameters
    ----------
    path : Path
    values : (H, W) uint8, or what gives windows of it
    changed : sequence of slice, optional
        Rows in which the file that lies there, which this has written, may hold something else; all where not given.

    Raises
    ------
    OutputError
        The file that lies there is damaged, or of another program.
    """
    height, width = values.shape
    if isinstance(values, np.ndarray):
        _check(values)
    other = [slice(0, height)] if changed is None else changed
    known = [] if changed is None else pngstrips.parted(path.read_bytes())

    def strip(numbered: tuple[int, slice]) -> tuple[bytes, int]:
        i, rows = numbered
        return pngstrips.packed(
            geometry.part_of(values, rows, slice(0, width)), None if _meets(rows, other) else known[i]
        )

    strips = parallel.each(strip, enumerate(geometry.strips(height)))
    _store(path, pngstrips.joined(strips, (height, width)))


def encode_png(pixels: NDArray[Any], *, icc: bytes | None = None) -> bytes:
    """Make the bytes of a PNG file: (H, W), (H, W, 3) or (H, W, 4), uint8 or uint16, RGB(A)."""
    _check(pixels)
    return _encoded(".png", _bgr(pixels, pixels.dtype), [], {_ICC: icc}).tobytes()


def to_eight_bits(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Round uint16 to the nearest of 8 bits (65535 is 255); uint8 stays as it is."""
    if pixels.dtype == np.uint8:
        return pixels
    eight = cv2.convertScaleAbs(np.ascontiguousarray(pixels), alpha=1 / 257)
    return np.asarray(eight, np.uint8).reshape(pixels.shape)


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Give a temporary name beside `path`, moved to `path` when the block ends well, else removed.

    Raises
    ------
    OutputError
        What the operating system said, with the file's name.
    """
    # Short and plain: a long name of the target may leave no room for a longer one beside it.
    temporary = path.with_name(f".{secrets.token_hex(6)}.part")
    try:
        yield temporary
        temporary.replace(path)
    except OSError as error:
        what = error.strerror or str(error)
        raise OutputError(f"cannot be written: {what}", file=path, remedy="check free space and rights") from error
    finally:
        temporary.unlink(missing_ok=True)


def _check(pixels: NDArray[Any]) -> None:
    fits = pixels.ndim == 2 or (pixels.ndim == 3 and pixels.shape[2] in (3, 4))
    if not fits or 0 in pixels.shape or pixels.dtype not in (np.uint8, np.uint16):
        raise InputError(
            f"cannot write pixels of shape {pixels.shape} and type {pixels.dtype}",
            remedy="give (H, W), (H, W, 3) or (H, W, 4), uint8 or uint16",
        )


def _bgr(pixels: NDArray[Any], dtype: Any) -> NDArray[Any]:
    """OpenCV's order of channels, in strips, so that nothing else of full size is made."""
    if pixels.ndim == 2:
        return np.ascontiguousarray(pixels if pixels.dtype == dtype else to_eight_bits(pixels))
    turn = cv2.COLOR_RGB2BGR if pixels.shape[2] == 3 else cv2.COLOR_RGBA2BGRA
    turned = np.empty(pixels.shape, dtype)
    for top in range(0, len(pixels), STRIP_ROWS):
        strip = pixels[top : top + STRIP_ROWS]
        strip = strip if strip.dtype == dtype else to_eight_bits(strip)
        turned[top : top + STRIP_ROWS] = cv2.cvtColor(np.ascontiguousarray(strip), turn)
    return turned


def _encoded(ending: str, bgr: NDArray[Any], options: list[int], carried: Mapping[int, bytes | None]) -> memoryview:
    """Encode by OpenCV, with the metadata given by OpenCV's kinds."""
    given = [(kind, np.frombuffer(data, np.uint8)) for kind, data in carried.items() if data]
    try:
        if given:
            kinds, blocks = [kind for kind, _ in given], [data for _, data in given]
            done, encoded = cv2.imencodeWithMetadata(ending, bgr, kinds, blocks, options)
        else:
            done, encoded = cv2.imencode(ending, bgr, options)
    except cv2.error as error:
        raise OutputError(f"the picture cannot be encoded as {ending[1:]}", remedy="write it as TIFF") from error
    if not done:
        raise OutputError(f"the picture cannot be encoded as {ending[1:]}", remedy="write it as TIFF")
    return memoryview(encoded.reshape(-1).data)


def _store(path: Path, parts: Iterable[bytes | memoryview]) -> None:
    with whole(path) as temporary, temporary.open("wb") as file:
        file.writelines(parts)


def _png_xmp(xmp: bytes) -> bytes:
    """Make the iTXt chunk of XMP (XMP Part 3, 1.1.5); OpenCV 5.0 writes tEXt, which is not looked for."""
    return pngstrips.chunk(b"iTXt", b"XML:com.adobe.xmp" + b"\0" * 5 + xmp)


def _plain_strips(pixels: NDArray[Any]) -> Iterator[NDArray[Any]]:
    for top in range(0, len(pixels), STRIP_ROWS):
        yield np.ascontiguousarray(pixels[top : top + STRIP_ROWS])


def _in_turn(pack: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
    """Packed items in order; a few ahead, so that memory holds a few and all cores work."""
    threads = _cores()
    waiting: deque[Future[R]] = deque()
    with ThreadPoolExecutor(threads, thread_name_prefix="pack") as pool:
        for item in items:
            waiting.append(pool.submit(pack, item))
            if len(waiting) > 2 * threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _deflated(strip: NDArray[Any]) -> bytes:
    differences = strip.copy()
    differences[:, 1:] -= strip[:, :-1]  # TIFF 6.0 section 14; wraps around, as it should
    deflate = zlib.compressobj(1, zlib.DEFLATED, strategy=DEFLATE_STRATEGY)
    return deflate.compress(differences.data) + deflate.flush()


def _cores() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on macOS and Windows
        return os.cpu_count() or 1


def _add_exif(path: Path, exif: bytes | None, *, big: bool) -> None:
    """Append a copy of the main directory with the EXIF fields in it, and let the header point there.

    tifffile (2026.3) refuses the tag of the Exif IFD (34665), so it cannot write one. A file written by it
    has one directory, at the offset that the header gives; the strips stay where they are.
    """
    if not exif:
        return
    added = metadata.for_tiff(exif)
    with path.open("r+b") as file:
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as written:
            layout = metadata.read_directory(written, metadata.header(written)[2], order="<", big=big)
        end = file.seek(0, os.SEEK_END)
        end += file.write(b"\0" * (-end % 8))
        file.write(metadata.directories(replace(added, main=layout | added.main), offset=end, big=big))
        file.seek(8 if big else 4)
        file.write(struct.pack("<Q" if big else "<I", end))

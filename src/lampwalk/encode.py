"""Writing pictures: TIFF, JPEG and PNG, with the metadata they are given.

Every writer writes under a temporary name beside the target and moves it into place, so a file is whole or absent.

References
----------
TIFF Revision 6.0 (1992): sections 8 (baseline), 14 (differencing predictor). Adobe Photoshop TIFF Technical Notes
(2002) for Deflate (compression 8). EXIF 2.32 (CIPA DC-008-2019), 4.6.3 for the Exif IFD. XMP Specification Part 3.
"""

from __future__ import annotations

import logging
import mmap
import os
import secrets
import struct
import zlib
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from . import metadata
from .errors import InputError, OutputError

_log = logging.getLogger(__name__)

STRIP_ROWS = 64
"""Rows of one TIFF strip: about 3 MB at 45 megapixels, so threads have work and readers can take a part."""

DEFLATE_LEVEL = 1
"""Higher levels cost half as long again for the same size on photographs (measured: level 6, 1.5 x the time)."""

CLASSIC_TIFF_BYTES = 2**32 - 2**26
"""Pixel bytes from which on BigTIFF is written: classic TIFF counts offsets in 32 bits; 64 MiB are left for the rest."""

JPEG_QUALITY = 95
JPEG_METADATA_BYTES = 65_000
"""A JPEG segment holds 65 533 bytes (ITU-T T.81, B.1.1.4), less its own heading."""

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
            _deflated_strips(pixels) if deflate else _plain_strips(pixels),
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


def write_jpeg(
    path: Path,
    pixels: NDArray[Any],
    *,
    icc: bytes | None = None,
    exif: bytes | None = None,
    xmp: bytes | None = None,
    quality: int = JPEG_QUALITY,
) -> None:
    """Write a baseline JPEG file with full colour resolution (4:4:4).

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
    options = [
        cv2.IMWRITE_JPEG_QUALITY, quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]  # fmt: skip
    _write_encoded(path, ".jpg", _bgr(pixels, np.uint8), options, icc=icc, exif=exif, xmp=xmp)


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
    # OpenCV's default (run lengths of row differences) is both the fastest for masks and as small as level 1.
    _write_encoded(path, ".png", _bgr(pixels, pixels.dtype), [], icc=icc, exif=exif, xmp=xmp)


def encode_png(pixels: NDArray[Any]) -> bytes:
    """Make the bytes of a PNG file without metadata: (H, W), (H, W, 3) or (H, W, 4), uint8 or uint16, RGB(A)."""
    _check(pixels)
    done, encoded = cv2.imencode(".png", _bgr(pixels, pixels.dtype))
    if not done:
        raise OutputError("the picture cannot be encoded as PNG")
    return encoded.tobytes()


def to_eight_bits(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Round uint16 to the nearest of 8 bits (65535 is 255); uint8 stays as it is."""
    if pixels.dtype == np.uint8:
        return pixels
    eight = cv2.convertScaleAbs(np.ascontiguousarray(pixels), alpha=1 / 257)
    return np.asarray(eight, np.uint8).reshape(pixels.shape)


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Give a temporary name beside `path`, moved to `path` when the block ends well, removed when it does not.

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


def _write_encoded(
    path: Path, ending: str, bgr: NDArray[Any], options: list[int], **carried: bytes | None
) -> None:
    """Encode by OpenCV with the metadata given as `exif`, `xmp` and `icc`, and write."""
    kinds = {"exif": _EXIF, "xmp": _XMP, "icc": _ICC}
    given = [(kinds[name], np.frombuffer(data, np.uint8)) for name, data in carried.items() if data]
    if given:
        done, encoded = cv2.imencodeWithMetadata(ending, bgr, [k for k, _ in given], [d for _, d in given], options)
    else:
        done, encoded = cv2.imencode(ending, bgr, options)
    if not done:
        raise OutputError("the picture cannot be encoded", file=path, remedy="write it as TIFF")
    with whole(path) as temporary:
        encoded.tofile(temporary)


def _plain_strips(pixels: NDArray[Any]) -> Iterator[NDArray[Any]]:
    for top in range(0, len(pixels), STRIP_ROWS):
        yield np.ascontiguousarray(pixels[top : top + STRIP_ROWS])


def _deflated_strips(pixels: NDArray[Any]) -> Iterator[bytes]:
    """Compressed strips in order; a few ahead, so that memory holds a few strips and all cores work."""
    threads = _cores()
    waiting: deque[Future[bytes]] = deque()
    with ThreadPoolExecutor(threads, thread_name_prefix="deflate") as pool:
        for strip in _plain_strips(pixels):
            waiting.append(pool.submit(_deflated, strip))
            if len(waiting) > 2 * threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _deflated(strip: NDArray[Any]) -> bytes:
    differences = strip.copy()
    differences[:, 1:] -= strip[:, :-1]  # TIFF 6.0 section 14; wraps around, as it should
    return zlib.compress(differences.data, DEFLATE_LEVEL)


def _cores() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on macOS and Windows
        return os.cpu_count() or 1


def _add_exif(path: Path, exif: bytes | None, *, big: bool) -> None:
    """Append a copy of the main directory with the EXIF fields in it, and let the header point there.

    tifffile (2026.3) refuses the tag of the Exif IFD (34665), so it cannot write one. A file written by it has one
    directory, at the offset that the header gives; the strips stay where they are.
    """
    if not exif:
        return
    added = metadata.parse(exif)
    with path.open("r+b") as file:
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as written:
            layout = metadata.read_directory(written, metadata.header(written)[2], order="<", big=big)
        end = file.seek(0, os.SEEK_END)
        end += file.write(b"\0" * (-end % 8))
        file.write(metadata.directories(replace(added, main=layout | added.main), offset=end, big=big))
        file.seek(8 if big else 4)
        file.write(struct.pack("<Q" if big else "<I", end))

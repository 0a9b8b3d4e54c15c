"""The pixels of picture files.

What a file is, is decided by its first bytes, not by its name.

References
----------
TIFF Revision 6.0 (1992). PNG (W3C, second edition), 11.2. ISO/IEC 14496-12 for the brands of HEIF files. EXIF
2.32 (CIPA DC-008-2019), 4.6.4, for the orientation.
"""

from __future__ import annotations

import struct
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from . import raw
from .errors import FrameError, about
from .unpacked import Unpacked

MOST_PIXELS = 500_000_000
"""A file that claims more is refused before memory is taken. The largest single-shot sensors on sale have 150
megapixels, pixel-shift pictures 400 (from memory)."""

_READ_BYTES = 2**24
"""Bytes of a TIFF file that are read ahead; tifffile's own 256 MiB would double the memory of a picture."""

_MOST_PACKED = {1: 1, 5: 3000, 8: 1100, 32946: 1100, 32773: 64}
"""TIFF compression -> how many bytes one byte can stand for at most: none, LZW (codes of 12 bits), deflate
(RFC 1951: 258 bytes by 2 bits), PackBits. A file that claims more is damaged."""

MOST_SCANS = 100
"""Scans of one JPEG file; a progressive one has about ten (from memory). Each scan makes the decoder go over the whole
picture, so a small file of thousands would keep it busy for hours."""

LEAST_SIDE = 8
"""Pixels; below, there is nothing to align."""

TURNS = {
    1: (None, False), 2: (None, True), 3: (cv2.ROTATE_180, False), 4: (cv2.ROTATE_180, True),
    5: (cv2.ROTATE_90_COUNTERCLOCKWISE, True), 6: (cv2.ROTATE_90_CLOCKWISE, False),
    7: (cv2.ROTATE_90_CLOCKWISE, True), 8: (cv2.ROTATE_90_COUNTERCLOCKWISE, False),
}  # fmt: skip
"""EXIF orientation -> how to turn, and whether to mirror left-right first."""

_pillow = Lock()


Room = Callable[[tuple[int, ...], Any], NDArray[Any]]
"""Gives an array of a shape and dtype to decode into."""


def read_pixels(
    path: Path, orientation: int = 1, *, development: raw.Development | None = None, room: Room = np.empty
) -> NDArray[Any]:
    """Decode a picture file, upright.

    Parameters
    ----------
    path : Path
    orientation : int
        EXIF orientation of the stored pixels, 1-8 (`Facts.orientation`).
    development : raw.Development, optional
        How to develop a raw file; its own white balance if not given.
    room : callable, optional
        Gives the memory for JPEG and TIFF: fresh memory costs a quarter of the decoder's time.

    Returns
    -------
    (H, W, 3) uint8 or uint16, encoded, RGB

    Raises
    ------
    FrameError
        The file is damaged, cut short, or of a kind that cannot be merged.
    """
    with about(path):
        kind = kind_of(path)
        if kind == "tiff":
            pixels = _decode_tiff(path, room)
        elif kind == "raw":
            pixels = raw.develop(path, development)
        elif kind == "jpeg":
            pixels = _decode_jpeg(path, room)
        elif kind == "png":
            pixels = _decode_png(path)
        else:
            with opened(path, kind) as image:
                pixels = np.asarray(image.convert("RGB"))
        return _upright(_three_channels(pixels, path), orientation)


def unpacked(path: Path, orientation: int = 1) -> Unpacked | None:
    """Say where the pixels of a file lie that is not packed in any way: what `read_pixels` would give. None for all others.

    Parameters
    ----------
    path : Path
    orientation : int
        EXIF orientation of the stored pixels, 1-8.

    Raises
    ------
    FrameError
        The file is damaged, cut short, or of a kind that cannot be merged.
    """
    with about(path):
        if orientation != 1 or kind_of(path) != "tiff":
            return None
        with _tiff_page(path) as page:
            dtype, native = page.dtype, page.parent.byteorder == {"little": "<", "big": ">"}[sys.byteorder]
            plain = page.is_memmappable and int(page.photometric) == 2 and int(page.planarconfig) == 1
            if not (plain and len(page.shape) == 3 and page.shape[2] == 3):
                return None
            if dtype not in (np.uint8, np.uint16) or not (native or dtype == np.uint8):
                return None
            return Unpacked(path=path, offset=int(page.dataoffsets[0]), shape=page.shape, dtype=np.dtype(dtype))


def kind_of(path: Path) -> str:
    """Tell what a file is from its first bytes: ``jpeg``, ``png``, ``tiff``, ``raw``, ``avif`` or ``heic``.

    Raises
    ------
    FrameError
        None of these.
    """
    with path.open("rb") as file:
        head = file.read(64)
    if not head:
        raise FrameError("is empty", file=path, remedy="copy it again from the card")
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if raw.is_raw(path, head):
        return "raw"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if head[4:8] == b"ftyp":
        brands = head[8 : int.from_bytes(head[:4], "big")]
        if b"avif" in brands or b"avis" in brands:
            return "avif"
        if any(brand in brands for brand in (b"heic", b"heix", b"heim", b"heis", b"mif1")):
            return "heic"
    raise FrameError("is no picture that lampwalk reads", file=path, remedy="export it as TIFF, PNG or JPEG")


@contextmanager
def opened(path: Path, kind: str) -> Iterator[Image.Image]:
    """Open a file by Pillow, lazily, with our limit of pixels; Pillow's own warns from 90 megapixels."""
    if kind == "heic":
        _with_heif(path)
    with _pillow:
        usual, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
        try:
            image = Image.open(path)
        except UnidentifiedImageError as error:
            raise _damaged(path) from error
        finally:
            Image.MAX_IMAGE_PIXELS = usual
    with image:
        yield image


def _with_heif(path: Path) -> None:
    try:
        import pillow_heif  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        raise FrameError(
            "is a HEIF file, and no decoder for it is installed",
            file=path,
            remedy="pip install pillow-heif, or let the camera or phone save JPEG",
        ) from None
    pillow_heif.register_heif_opener()


def _decode_jpeg(path: Path, room: Room) -> NDArray[Any]:
    """By simplejpeg where it is there: faster, the same pixels, and it sees damage that OpenCV lets pass."""
    data = path.read_bytes()
    check_scans(path, data)
    try:
        import simplejpeg
    except ImportError:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
        if pixels is None:
            raise _damaged(path) from None
        return np.asarray(pixels)
    height, width, space, _ = simplejpeg.decode_jpeg_header(data)
    check_size(path, width, height)
    if space in ("CMYK", "YCCK"):
        raise FrameError(f"is {space}, made for print", file=path, remedy="export it again as RGB")
    try:
        return np.asarray(simplejpeg.decode_jpeg(data, colorspace="RGB", buffer=room((height, width, 3), np.uint8)))
    except ValueError as error:
        raise _damaged(path, str(error)) from error


def _decode_png(path: Path) -> NDArray[Any]:
    """By OpenCV: to RGB, or to RGBA where there may be transparency."""
    width, height, bits, colour_type = png_header(path)
    check_size(path, width, height)
    _check_packing(path, width * height * bits, _MOST_PACKED[8])
    data = np.fromfile(path, np.uint8)  # not cv2.imread: it takes no umlauts on some systems
    _check_chunks(path, memoryview(data.data))
    transparent = colour_type in (4, 6) or b"tRNS" in data[:4096].tobytes()
    flags = cv2.IMREAD_UNCHANGED if transparent else cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR_RGB
    pixels = cv2.imdecode(data, flags | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise _damaged(path)
    if transparent and pixels.ndim == 3:
        pixels = _over_black(cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGBA) if pixels.shape[2] == 4 else pixels[..., ::-1])
    return np.asarray(pixels)


@contextmanager
def _tiff_page(path: Path) -> Iterator[Any]:
    """Open a TIFF file at the page that is its picture, if it is one that can be merged."""
    with tifffile.TiffFile(path) as tiff:
        page, _ = first_page(tiff)
        check_size(path, page.imagewidth, page.imagelength)
        check_tiff(path, page)
        yield page


def _decode_tiff(path: Path, room: Room) -> NDArray[Any]:
    with _tiff_page(path) as page:
        pixels = room(page.shape, page.dtype)
        try:
            page.asarray(out=pixels, maxworkers=1, buffersize=_READ_BYTES)
        except (ValueError, KeyError, ImportError, RuntimeError, OSError, zlib.error) as error:
            # tifffile says so in several ways when a packing needs a package that is not there.
            if not isinstance(error, ImportError) and "imagecodecs" not in str(error):
                raise _damaged(path, str(error)) from error
            pixels = _decode_tiff_by_opencv(path)
            planes_first = False
        else:
            planes_first = pixels.ndim == 3 and int(page.planarconfig) == 2
        unassociated = bool(page.extrasamples) and int(page.extrasamples[0]) == 2
        inverted = int(page.photometric) == 0
    if planes_first:
        pixels = np.moveaxis(pixels, 0, -1)
    if pixels.ndim == 3 and pixels.shape[2] == 2:  # grey and alpha
        pixels = np.stack([pixels[..., 0]] * 3 + [pixels[..., 1]], axis=2)
    pixels = _from_float(pixels, path) if pixels.dtype.kind == "f" else pixels
    if inverted:
        pixels = ~pixels
    if pixels.ndim == 3 and pixels.shape[2] >= 4:
        pixels = _over_black(pixels[..., :4]) if unassociated else pixels[..., :3]
    return pixels


def _decode_tiff_by_opencv(path: Path) -> NDArray[Any]:
    """For the packings that tifffile cannot read alone (LZW and the like)."""
    pixels = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise FrameError(
            "is packed in a way that needs another package", file=path, remedy='pip install "lampwalk[fast]"'
        )
    turn = {3: cv2.COLOR_BGR2RGB, 4: cv2.COLOR_BGRA2RGBA}
    return np.asarray(cv2.cvtColor(pixels, turn[pixels.shape[2]]) if pixels.ndim == 3 else pixels)


def first_page(tiff: tifffile.TiffFile) -> tuple[Any, int]:
    """Find the first page that is no thumbnail, and how many more there are."""
    pages = [page for page in tiff.pages[:64] if not page.aspage().is_reduced]
    if not pages:
        raise ValueError("no picture in it")
    return pages[0].aspage(), len(pages) - 1


def check_tiff(path: Path, page: Any) -> None:
    """Refuse a TIFF page that holds no light in red, green and blue, or in grey."""
    photometric = getattr(page.photometric, "name", str(page.photometric))
    if photometric not in ("MINISWHITE", "MINISBLACK", "RGB", "YCBCR"):
        words = {"SEPARATED": "CMYK, made for print", "PALETTE": "a picture with a colour table"}
        raise FrameError(
            f"is {words.get(photometric, photometric)}",
            file=path,
            remedy="export it again as RGB, 8 or 16 bits",
        )
    bits = page.imagewidth * page.imagelength * page.samplesperpixel * page.bitspersample
    _check_packing(path, bits, _MOST_PACKED.get(int(page.compression), 10**9))
    fits = page.dtype is not None and (page.dtype in (np.uint8, np.uint16) or page.dtype.kind == "f")
    if not fits or len(page.shape) not in (2, 3) or page.bitspersample not in (8, 16, 32, 64):
        raise FrameError(
            f"has pixels of type {page.dtype}, {page.bitspersample} bits, {page.shape}",
            file=path,
            remedy="export it as RGB with 8 or 16 bits",
        )


def _from_float(pixels: NDArray[Any], path: Path) -> NDArray[np.uint16]:
    """Floats are values 0-1, encoded as the file's profile says, like the arrays that the package takes."""
    out = np.empty(pixels.shape, np.uint16)
    for row, values in enumerate(pixels):
        low, high = float(values.min()), float(values.max())
        if not (np.isfinite(low) and np.isfinite(high)):
            raise FrameError("holds values that are no numbers", file=path, remedy="export it as 16 bits")
        if high > 1.001:
            raise FrameError(f"holds values up to {high:.4g}, not 0-1", file=path, remedy="export it as 16 bits")
        out[row] = np.rint(np.clip(values, 0, 1) * 65535)
    return out


def _over_black(rgba: NDArray[Any]) -> NDArray[Any]:
    """Lay a picture with free-standing alpha over black: what is transparent sends no light."""
    colour, alpha = rgba[..., :3], rgba[..., 3:]
    top = np.iinfo(rgba.dtype).max
    if alpha.min() == top:
        return colour
    return np.asarray((colour.astype(np.uint32) * alpha + top // 2) // top, rgba.dtype)


def _three_channels(pixels: NDArray[Any], path: Path) -> NDArray[Any]:
    if pixels.dtype not in (np.uint8, np.uint16):
        raise FrameError(f"has pixels of type {pixels.dtype}", file=path, remedy="export it as 8 or 16 bits")
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    if pixels.ndim == 2:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB))
    return np.ascontiguousarray(pixels)


def _upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    turn, mirrored = TURNS[orientation]
    if mirrored:
        pixels = np.asarray(cv2.flip(pixels, 1))
    return pixels if turn is None else np.asarray(cv2.rotate(pixels, turn))


def check_size(path: Path, width: int, height: int) -> None:
    """Refuse a picture that claims to be too large or too small, before memory is taken."""
    if width * height > MOST_PIXELS:
        raise FrameError(
            f"claims to be {width}x{height} px, more than {MOST_PIXELS // 1_000_000} megapixels",
            file=path,
            remedy="the file is damaged, or must be scaled down first",
        )
    if min(width, height) < LEAST_SIDE:
        raise FrameError(f"is only {width}x{height} px", file=path, remedy="take it out of the folder")


def check_scans(path: Path, data: bytes) -> None:
    """Refuse a JPEG file of absurdly many scans (ITU-T T.81, B.1.1.3: SOS is FF DA, which packed data never holds)."""
    pairs = (np.frombuffer(data, "<u2", (len(data) - first) // 2, first) for first in (0, 1))
    if sum(np.count_nonzero(pair == 0xDAFF) for pair in pairs) > MOST_SCANS:
        raise _damaged(path, f"it has more than {MOST_SCANS} scans")


def _check_chunks(path: Path, data: memoryview) -> None:
    """Refuse a PNG file with a chunk beyond its end: OpenCV takes memory for whatever length it reads."""
    where = 8
    while where < len(data):
        if where + 12 > len(data):
            raise _damaged(path)
        where += 12 + int(struct.unpack_from(">I", data, where)[0])
        if where > len(data):
            raise _damaged(path)
        if bytes(data[where - 8 : where - 4]) == b"IEND":
            return


def _check_packing(path: Path, bits: int, most: int) -> None:
    """Refuse a file that cannot hold what it claims: decoding it would take memory and time for nothing."""
    if bits // 8 > most * path.stat().st_size:
        raise _damaged(path, "it holds less than its header says")


def _damaged(path: Path, why: str = "") -> FrameError:
    more = f": {why}" if why else ""
    return FrameError(f"is damaged or cut short{more}", file=path, remedy="copy it again from the card")


def png_header(path: Path) -> tuple[int, int, int, int]:
    """Width, height, depth in bits and colour type of a PNG file (W3C, 11.2.2)."""
    with path.open("rb") as file:
        head = file.read(26)
    if len(head) < 26:
        raise _damaged(path)
    width, height, bits, colour_type = struct.unpack_from(">IIBB", head, 16)
    return width, height, bits, colour_type

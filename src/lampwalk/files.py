"""Pictures in files: what they say of themselves.

Pixels are read by `decode`, raw files by `raw`; writing is in `encode`, EXIF in `metadata`.

References
----------
EXIF 2.32 (CIPA DC-008-2019), 4.6, for the tags. PNG (W3C, second edition), 11.2.2. TIFF Revision 6.0 (1992).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from . import metadata, raw
from .decode import TURNS, check_size, check_tiff, first_page, kind_of, opened, png_header, read_pixels, unpacked
from .errors import Finding, FrameError, about

SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".avif", ".heic", ".heif", ".hif"}) | raw.SUFFIXES
"""Endings of the files that are read as frames."""

_ENDINGS = {
    "jpeg": {".jpg", ".jpeg"}, "png": {".png"}, "tiff": {".tif", ".tiff"}, "avif": {".avif"},
    "heic": {".heic", ".heif", ".hif"}, "raw": raw.SUFFIXES | {".tif"},
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What a file says of itself without decoding its pixels; None where it says nothing.

    Attributes
    ----------
    height, width : int
        Pixels, upright (after the EXIF orientation).
    captured_at : datetime or None
        DateTimeOriginal with sub-seconds, on the camera's clock.
    utc_offset : str
        Time zone of the camera's clock as the file says, ``"+02:00"``; empty where it does not.
    exposure_s, f_number, iso, focal_mm : float or None
    flash_fired : bool or None
    camera, lens : str
    orientation : int
        EXIF orientation of the stored pixels, 1-8.
    bits : int
        8 or 16: depth of what `read_pixels` gives.
    grey : bool
        One channel in the file.
    kind : str
        ``"jpeg"``, ``"png"``, ``"tiff"``, ``"avif"``, ``"heic"``, ``"raw"``; empty for an array.
    icc, exif, xmp : bytes or None
        The embedded colour profile, EXIF block and XMP as stored.
    findings : tuple of Finding
        What is odd about the file.
    """

    height: int
    width: int
    captured_at: datetime | None = None
    utc_offset: str = ""
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    flash_fired: bool | None = None
    camera: str = ""
    lens: str = ""
    orientation: int = 1
    bits: int = 8
    grey: bool = False
    kind: str = ""
    icc: bytes | None = None
    exif: bytes | None = None
    xmp: bytes | None = None
    findings: tuple[Finding, ...] = ()


def read_facts(path: Path) -> Facts:
    """Read size and metadata of a picture file without its pixels.

    Parameters
    ----------
    path : Path

    Raises
    ------
    FrameError
        The file is missing, no picture, of a kind that cannot be merged (CMYK, palette), or too large.
    MissingExtraError
        A raw or HEIF file, and the package that reads it is not installed.
    """
    with about(path):
        kind = kind_of(path)
        if kind == "tiff":
            return _facts_of_tiff(path)
        if kind == "raw":
            return _facts_of_raw(path)
        return _facts_of_others(path, kind)


def _facts_of_others(path: Path, kind: str) -> Facts:
    with opened(path, kind) as image:
        width, height = image.size
        check_size(path, width, height)
        if image.mode in ("CMYK", "YCCK", "LAB"):
            raise FrameError(f"is {image.mode}, made for print", file=path, remedy="export it again as RGB")
        info = image.info
        exif = info.get("exif") or None
        xmp = info.get("xmp") or info.get("XML:com.adobe.xmp") or None
        return _facts(
            path,
            (height, width),
            kind=kind,
            bits=16 if kind == "png" and png_header(path)[2] == 16 else 8,
            grey=image.mode in ("L", "1", "LA", "I;16", "I"),
            alpha="A" in image.mode or "transparency" in info,
            icc=info.get("icc_profile") or None,
            exif=exif,
            xmp=xmp.encode() if isinstance(xmp, str) else xmp,
        )


def _facts_of_tiff(path: Path) -> Facts:
    with tifffile.TiffFile(path) as tiff:
        page, others = first_page(tiff)
        height, width = page.imagelength, page.imagewidth
        check_size(path, width, height)
        check_tiff(path, page)
        icc, xmp = page.tags.valueof(34675), page.tags.valueof(700)
        alpha, grey = bool(page.extrasamples), int(page.photometric) in (0, 1)
        bits = 8 if page.dtype == np.uint8 else 16
    more = []
    if others:
        more.append(
            Finding(
                code="more-pages",
                frame=path.name,
                text=f"has {others} more pages, only the first is used",
                remedy="save each picture as a file of its own",
            )
        )
    return _facts(
        path,
        (height, width),
        kind="tiff",
        bits=bits,
        grey=grey,
        alpha=alpha,
        icc=icc if isinstance(icc, bytes) else None,
        exif=_exif_within(path),
        xmp=bytes(xmp) if isinstance(xmp, bytes | tuple) else None,
        more=more,
    )


def _facts_of_raw(path: Path) -> Facts:
    (height, width), orientation, exif = raw.read_header(path)
    check_size(path, width, height)
    if exif is None:
        exif = _exif_within(path)
    return _facts(
        path,
        (height, width),
        kind="raw",
        bits=16,
        grey=False,
        alpha=False,
        icc=None,  # developed to sRGB
        exif=exif,
        xmp=None,
        orientation=orientation,
    )


def _facts(
    path: Path,
    shape: tuple[int, int],
    *,
    kind: str,
    alpha: bool,
    exif: bytes | None,
    orientation: int | None = None,
    more: Sequence[Finding] = (),
    **rest: Any,
) -> Facts:
    """Put together what all kinds of files have in common."""
    told = metadata.parse(exif) if exif else metadata.Exif()
    photo = told.photo
    if orientation is None:
        orientation = int(metadata.number(told.main, 274) or 1)
    orientation = orientation if orientation in TURNS else 1
    height, width = shape if orientation < 5 else shape[::-1]
    flash = metadata.number(photo, 37385)
    return Facts(
        height=height,
        width=width,
        captured_at=_moment(metadata.string(photo, 36867), metadata.string(photo, 37521)),
        utc_offset=metadata.string(photo, 36881),
        exposure_s=_positive(metadata.number(photo, 33434)),
        f_number=_positive(metadata.number(photo, 33437)),
        iso=_positive(metadata.number(photo, 34855)) or _positive(metadata.number(photo, 34867)),
        focal_mm=_positive(metadata.number(photo, 37386)),
        flash_fired=None if flash is None else bool(int(flash) & 1),
        camera=metadata.string(told.main, 272),
        lens=metadata.string(photo, 42036),
        orientation=orientation,
        kind=kind,
        exif=exif,
        findings=(*_oddities(path, kind, alpha=alpha), *more),
        **rest,
    )


def _oddities(path: Path, kind: str, *, alpha: bool) -> Iterator[Finding]:
    if path.suffix.lower() not in _ENDINGS[kind]:
        yield Finding(
            code="misnamed",
            frame=path.name,
            text=f"is a {kind} file by its content and is read as that",
            remedy="correct the ending of its name",
            serious=False,
        )
    if alpha:
        yield Finding(
            code="transparency",
            frame=path.name,
            text="has a transparency channel: what is transparent counts as black",
            remedy="export it without transparency",
            serious=False,
        )


def _exif_within(path: Path) -> bytes | None:
    """EXIF of a file whose own first directory holds it (TIFF, and the raw formats made from it)."""
    with path.open("rb") as file, mmap(file.fileno(), 0, access=ACCESS_READ) as whole:
        told = metadata.parse(whole)
    return metadata.serialise(told) if told.main or told.photo else None


def _positive(value: float | None) -> float | None:
    return value if value is not None and 0 < value < float("inf") else None


def _moment(text: str, subseconds: str) -> datetime | None:
    try:
        moment = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    digits = (subseconds + "000000")[:6]
    return moment.replace(microsecond=int(digits)) if subseconds.isdigit() else moment


__all__ = ["SUFFIXES", "Facts", "read_facts", "read_pixels", "unpacked"]


def exposure_ev(facts: Facts) -> float | None:
    """Exposure value at ISO 100, log2(N^2/t) - log2(S/100), from EXIF; None where a setting is unknown."""
    if not (facts.exposure_s and facts.f_number and facts.iso):
        return None
    return float(np.log2(facts.f_number**2 / facts.exposure_s) - np.log2(facts.iso / 100))

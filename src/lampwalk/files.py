"""Pictures in files: what they say of themselves, their pixels, and writing them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import ExifTags, Image

from .errors import FrameError, about

SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff"})
"""Endings of the files that are read as frames."""

_TURNS = {1: (0, False), 2: (0, True), 3: (2, False), 4: (2, True), 5: (1, True), 6: (3, False), 7: (3, True), 8: (1, False)}
"""EXIF orientation -> quarter turns anticlockwise, and whether to mirror left-right first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What a file says of itself without decoding its pixels; None where it says nothing.

    Attributes
    ----------
    height, width : int
        Pixels, upright (after the EXIF orientation).
    captured_at : datetime or None
        DateTimeOriginal with sub-seconds.
    exposure_s, f_number, iso, focal_mm : float or None
    flash_fired : bool or None
    camera, lens : str
    orientation : int
        EXIF orientation of the stored pixels, 1-8.
    icc : bytes or None
        The embedded colour profile.
    exif : bytes or None
        The EXIF block as stored.
    """

    height: int
    width: int
    captured_at: datetime | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    flash_fired: bool | None = None
    camera: str = ""
    lens: str = ""
    orientation: int = 1
    icc: bytes | None = None
    exif: bytes | None = None


def read_facts(path: Path) -> Facts:
    """Read size and EXIF of a picture file without its pixels.

    Raises
    ------
    FrameError
        The file is missing, or no picture.
    """
    with about(path), Image.open(path) as image:
        exif = image.getexif()
        sub = exif.get_ifd(ExifTags.IFD.Exif)
        orientation = int(exif.get(ExifTags.Base.Orientation, 1) or 1)
        if orientation not in _TURNS:
            orientation = 1
        width, height = image.size
        if _TURNS[orientation][0] % 2:
            width, height = height, width
        flash = sub.get(ExifTags.Base.Flash)
        iso = sub.get(ExifTags.Base.ISOSpeedRatings)
        return Facts(
            height=height,
            width=width,
            captured_at=_moment(sub.get(ExifTags.Base.DateTimeOriginal), sub.get(ExifTags.Base.SubsecTimeOriginal)),
            exposure_s=_number(sub.get(ExifTags.Base.ExposureTime)),
            f_number=_number(sub.get(ExifTags.Base.FNumber)),
            iso=_number(iso[0] if isinstance(iso, tuple) else iso),
            focal_mm=_number(sub.get(ExifTags.Base.FocalLength)),
            flash_fired=None if flash is None else bool(int(flash) & 1),
            camera=str(exif.get(ExifTags.Base.Model, "")).strip(" \0"),
            lens=str(sub.get(ExifTags.Base.LensModel, "")).strip(" \0"),
            orientation=orientation,
            icc=image.info.get("icc_profile"),
            exif=image.info.get("exif"),
        )


def read_pixels(path: Path, orientation: int = 1) -> NDArray[Any]:
    """Decode a picture file, upright.

    Returns
    -------
    (H, W, 3) uint8 or uint16, encoded, RGB
    """
    with about(path):
        if path.suffix.lower() in {".tif", ".tiff"}:
            raw = tifffile.imread(path)
        else:
            raw = cv2.imread(str(path), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
            if raw is None:
                raise FrameError("is damaged or cut short", file=path, remedy="copy it again from the card")
            if raw.ndim == 3:
                raw = raw[..., [2, 1, 0]]
        return _upright(_three_channels(raw, path), orientation)


def _three_channels(raw: NDArray[Any], path: Path) -> NDArray[Any]:
    if raw.dtype not in (np.uint8, np.uint16):
        raise FrameError(f"has pixels of type {raw.dtype}", file=path, remedy="export it as 8 or 16 bits")
    if raw.ndim == 2:
        return np.repeat(raw[..., None], 3, axis=2)
    return np.ascontiguousarray(raw[..., :3])


def _upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    turns, mirrored = _TURNS[orientation]
    if mirrored:
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(np.rot90(pixels, turns))


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _moment(text: object, subseconds: object) -> datetime | None:
    try:
        moment = datetime.strptime(str(text).strip(" \0"), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    digits = str(subseconds or "").strip(" \0")
    return moment.replace(microsecond=int((digits + "000000")[:6])) if digits.isdigit() else moment

"""Handing the picture on: layers for a retoucher, a copy for the client, a clip that shows how it grew.

References
----------
OpenRaster 0.0.5, file layout and layer stack (freedesktop.org Create project). W3C Compositing and Blending
Level 1: section 5.1 (source over), 10.1.5 (lighten), 5 for blending with alpha.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from . import encode, profiles
from .errors import InputError
from .metadata import Metadata, for_output

THUMBNAIL_SIDE = 256
"""OpenRaster: the thumbnail fits into 256 x 256 px."""

CLIP_SIDE = 1080
"""Pixels of the longer side of a clip; common practice for posts, no source."""

CLIP_STEP_S, CLIP_HOLD_S = 0.6, 2.5
"""Seconds that each picture, and the last one, stay. Chosen by eye."""

_CLIP_QUALITY = 85
_ZIP_DATE = (2000, 1, 1, 0, 0, 0)
"""Fixed, so that the same input gives the same bytes."""

_STRIP_ROWS = 256


def layer(pixels: NDArray[Any], mask: NDArray[np.uint8] | None = None) -> NDArray[Any]:
    """Make a layer of an aligned frame: what its mask hides is transparent.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 or uint16, encoded, RGB
    mask : (H, W) uint8, 255 = hidden, in the geometry of `pixels`; optional

    Returns
    -------
    (H, W, 4) of the same type, RGBA, alpha not multiplied in
    """
    top = int(np.iinfo(pixels.dtype).max)
    made = np.empty((*pixels.shape[:2], 4), pixels.dtype)
    made[..., :3] = pixels
    made[..., 3] = top
    if mask is not None:
        made[..., 3] -= mask.astype(pixels.dtype) * pixels.dtype.type(top // 255)
    return made


def write_openraster(
    path: Path, layers: Iterable[tuple[str, NDArray[Any]]], merged: NDArray[Any], *, icc: bytes | None = None
) -> None:
    """Write a layered file: every frame a layer that lightens those below it.

    Parameters
    ----------
    path : Path
        Ending in ``.ora``.
    layers : iterable of (name, (H, W, 4) uint8 or uint16, encoded, RGBA)
        Bottom to top, as `layer` makes them; taken one at a time, so memory holds one.
    merged : (H, W, 3) uint8 or uint16, encoded, RGB
        The picture as it should look, for programs that do not render layers.
    icc : bytes, optional
        Colour profile of all of them; sRGB if not given.

    Raises
    ------
    InputError
        No layer, or one of another size than `merged`.
    OutputError
        Disk full, no rights.
    """
    height, width = merged.shape[:2]
    stack: list[ElementTree.Element] = []
    with encode.whole(path) as temporary, zipfile.ZipFile(temporary, "w", zipfile.ZIP_STORED) as archive:
        _add(archive, "mimetype", b"image/openraster")  # first and stored, so that it stands at byte 38
        for index, (name, pixels) in enumerate(layers):
            if pixels.shape != (height, width, 4):
                raise InputError(f"layer {name} has shape {pixels.shape}", remedy=f"give {(height, width, 4)}")
            source = f"data/layer{index:03d}.png"
            _add(archive, source, encode.encode_png(pixels, icc=icc))
            how = "svg:src-over" if index == 0 else "svg:lighten"
            about = {
                "name": name,
                "src": source,
                "x": "0",
                "y": "0",
                "opacity": "1.0",
                "visibility": "visible",
            }
            stack.append(ElementTree.Element("layer", about | {"composite-op": how}))
        if not stack:
            raise InputError("no layers to write", remedy="give at least one frame")
        _add(archive, "stack.xml", _stack_xml(stack, width, height))
        _add(archive, "mergedimage.png", encode.encode_png(merged, icc=icc))
        thumbnail = encode.to_eight_bits(shrunk(merged, THUMBNAIL_SIDE, icc=icc))
        _add(archive, "Thumbnails/thumbnail.png", encode.encode_png(thumbnail, icc=icc))


def write_delivery(
    path: Path,
    pixels: NDArray[Any],
    *,
    carried: Metadata | None = None,
    long_side: int | None = None,
    quality: int = encode.JPEG_QUALITY,
) -> None:
    """Write the copy for the client: sRGB, 8 bits, of a chosen size.

    Parameters
    ----------
    path : Path
        Ending in ``.jpg``, ``.jpeg`` or ``.png``.
    pixels : (H, W, 3) uint8 or uint16, encoded as `carried.icc` says, RGB
    carried : Metadata, optional
        The reference's (`frames.Frame.metadata`); its profile is what `pixels` are encoded in.
    long_side : int, optional
        Pixels of the longer side; never enlarged.
    quality : int
        1-100, for JPEG.

    Raises
    ------
    InputError
        Another ending, or a side below 1.
    OutputError
        Disk full, no rights.
    """
    ending = path.suffix.lower()
    if ending not in {".jpg", ".jpeg", ".png"}:
        raise InputError(f"cannot deliver {ending or 'a file without ending'}", remedy="name it .jpg or .png")
    if long_side is not None and long_side < 1:
        raise InputError(f"long side of {long_side} px", remedy="give at least 1")
    source = carried or Metadata()
    small = pixels if long_side is None else shrunk(pixels, long_side, icc=source.icc)
    eight = encode.to_eight_bits(profiles.to_srgb(small, source.icc))
    about = for_output(source, (eight.shape[0], eight.shape[1]), srgb_icc=profiles.srgb_icc())
    if ending == ".png":
        encode.write_png(path, eight, icc=about.icc, exif=about.exif, xmp=about.xmp)
    else:
        encode.write_jpeg(path, eight, icc=about.icc, exif=about.exif, xmp=about.xmp, quality=quality)


def write_clip(path: Path, pictures: Iterable[NDArray[Any]], *, long_side: int = CLIP_SIDE) -> None:
    """Write a clip of the picture growing lamp by lamp; the last picture stays longer.

    Parameters
    ----------
    path : Path
        Ending in ``.webp`` or ``.gif``.
    pictures : iterable of (H, W, 3) uint8 or uint16, encoded sRGB, RGB
        In order; taken one at a time and kept small.
    long_side : int
        Pixels of the longer side; never enlarged.

    Raises
    ------
    InputError
        Another ending, or no pictures.
    OutputError
        Disk full, no rights.
    """
    kinds = {".webp": "WEBP", ".gif": "GIF"}
    if path.suffix.lower() not in kinds:
        raise InputError(f"cannot write a clip as {path.suffix or 'this'}", remedy="name it .webp or .gif")
    steps = [Image.fromarray(encode.to_eight_bits(shrunk(picture, long_side))) for picture in pictures]
    if not steps:
        raise InputError("no pictures for the clip", remedy="give at least one")
    durations = [round(CLIP_STEP_S * 1000)] * (len(steps) - 1) + [round(CLIP_HOLD_S * 1000)]
    if path.suffix.lower() == ".gif":
        steps = [step.quantize(256, dither=Image.Dither.FLOYDSTEINBERG) for step in steps]
    with encode.whole(path) as temporary:
        steps[0].save(
            temporary, kinds[path.suffix.lower()], save_all=True, append_images=steps[1:], duration=durations,
            loop=0, quality=_CLIP_QUALITY,
        )  # fmt: skip


def shrunk(pixels: NDArray[Any], long_side: int, *, icc: bytes | None = None) -> NDArray[Any]:
    """Scale a picture down by averaging light, so that small bright lamps keep their brightness.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 or uint16, encoded as `icc` says
    long_side : int
        Pixels of the longer side; a smaller picture stays as it is.

    Returns
    -------
    (h, w, 3) uint16, or `pixels` where nothing is to be done
    """
    if max(pixels.shape[:2]) <= long_side:
        return pixels
    profile = profiles.recognise(icc)
    # Light in 16 bits, not float: half the memory, and still 20 steps for the darkest of 8 bits.
    light = np.empty(pixels.shape, np.uint16)
    for top in range(0, len(pixels), _STRIP_ROWS):
        strip = profile.to_linear(pixels[top : top + _STRIP_ROWS])
        light[top : top + _STRIP_ROWS] = np.rint(strip * np.float32(65535))
    small = _resized(light, long_side).astype(np.float32) / np.float32(65535)
    return profile.to_encoded(small)


def _resized(pixels: NDArray[Any], long_side: int) -> NDArray[Any]:
    scale = long_side / max(pixels.shape[:2])
    height, width = (max(1, round(side * scale)) for side in pixels.shape[:2])
    return np.asarray(cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA))


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    archive.writestr(zipfile.ZipInfo(name, _ZIP_DATE), data, zipfile.ZIP_STORED)


def _stack_xml(layers: list[ElementTree.Element], width: int, height: int) -> bytes:
    """Describe the layers; OpenRaster lists the topmost first."""
    image = ElementTree.Element("image", {"version": "0.0.5", "w": str(width), "h": str(height)})
    ElementTree.SubElement(image, "stack").extend(reversed(layers))
    return bytes(ElementTree.tostring(image, encoding="UTF-8", xml_declaration=True))

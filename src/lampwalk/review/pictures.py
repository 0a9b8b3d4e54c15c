"""What the page shows, as JPEG and PNG files."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from .. import encode, files, finish, geometry, previews, profiles
from ..errors import InputError, LampwalkError, OutputError
from ..worksheet import Worksheet
from .opened import original
from .session import Session
from .strokes import Box

QUALITY = 92
"""JPEG quality of what is shown; 4:4:4, so that edges of colour stay where they are."""

THUMB_PX = 320
"""Long side of the frames in the strip: twice their size on the page, for fine screens."""

WINDOW_PX = 3000
"""Longest side of a window at full size: more than a screen has."""

KEPT = 2
"""Full-size pictures that are kept decoded (72 MB each at 24 MP)."""


class Pictures:
    """Makes pictures of a session.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._icc = _profile(session.run.folder / "composite.tif")
        self._kept: OrderedDict[str, NDArray[np.uint8]] = OrderedDict()

    def result(self, box: Box | None = None) -> bytes:
        """Show the result with its finish, uncropped: JPEG, or PNG of a box."""
        session = self._session
        with session.lock:
            table, sheet = session.table, session.sheet
            pixels = None if table is None else table.pixels.copy()
        shown = finished(self._merged_before() if pixels is None else self.in_profile(pixels), sheet)
        if box is None:
            return self.jpeg(shown)
        return self.png(np.ascontiguousarray(shown[box[0] : box[2], box[1] : box[3]]))

    def frame(self, name: str) -> bytes:
        """One frame as it was shot, in the reference's geometry: JPEG."""
        return self.jpeg(self.in_profile(self.warped(name)))

    def thumb(self, name: str) -> bytes:
        """One frame, small: JPEG."""
        pixels = self.in_profile(self.warped(name))
        scale = THUMB_PX / max(pixels.shape)
        size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
        return self.jpeg(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))

    def light(self, name: str) -> bytes:
        """Show what one lamp adds: JPEG."""
        return self.jpeg(self.in_profile(self._on_table(lambda table: table.light_of(name))))

    def unhidden(self) -> bytes:
        """Show the plain maximum, nothing hidden: JPEG."""
        return self.jpeg(self.in_profile(self._on_table(lambda table: table.unhidden())))

    def mask(self, name: str) -> bytes:
        """Mask of one frame in the reference's geometry: 8-bit PNG, 255 = hidden."""
        return encode.encode_png(self._session.mask_in_reference(name))

    def coverage(self) -> bytes:
        """Which frame gives each pixel: 8-bit PNG of numbers, 0 nobody, 255 fill."""
        return encode.encode_png(self._on_table(lambda table: table.coverage.copy()))

    def window(self, name: str, box: Box) -> bytes:
        """Cut a window out of a frame, or out of the merged result (empty name), at full size: JPEG.

        Raises
        ------
        InputError
            The window is too large, or lies outside.
        LampwalkError
            The picture cannot be read.
        """
        h, w = self._session.run.full
        r0, c0, r1, c1 = max(0, box[0]), max(0, box[1]), min(h, box[2]), min(w, box[3])
        if not (0 < r1 - r0 <= WINDOW_PX and 0 < c1 - c0 <= WINDOW_PX):
            raise InputError("the window is outside the picture or too large", remedy="zoom in")
        return self.jpeg(self._full_result((r0, c0, r1, c1)) if not name else self._full_frame(name, (r0, c0, r1, c1)))

    def jpeg(self, pixels: NDArray[Any]) -> bytes:
        """Encode for the page, with the profile of the result."""
        options = [
            cv2.IMWRITE_JPEG_QUALITY,
            QUALITY,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
        ]
        return self._encoded(".jpg", pixels, options)

    def png(self, pixels: NDArray[Any]) -> bytes:
        """Encode without loss, with the profile of the result."""
        return self._encoded(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])

    def _encoded(self, ending: str, pixels: NDArray[Any], options: list[int]) -> bytes:
        bgr = cv2.cvtColor(encode.to_eight_bits(np.ascontiguousarray(pixels)), cv2.COLOR_RGB2BGR)
        if self._icc is None:
            done, data = cv2.imencode(ending, bgr, options)
        else:
            icc = [np.frombuffer(self._icc, np.uint8)]
            done, data = cv2.imencodeWithMetadata(ending, bgr, [cv2.IMAGE_METADATA_ICCP], icc, options)
        if not done:
            raise OutputError("the picture cannot be encoded", remedy="open the page again")
        return bytes(data.tobytes())

    def _on_table(self, make: Any) -> NDArray[Any]:
        session = self._session
        with session.lock:
            session.news.wait_for(lambda: session.table is not None or session.closing or bool(session.problem), 60)
            if session.table is None:
                raise InputError(session.problem or "the frames are still being prepared", remedy="wait a little")
            return np.asarray(make(session.table))

    def _merged_before(self) -> NDArray[np.uint16]:
        """Shrink the result of the last full merge, to show it while the frames are still being prepared."""
        path = self._session.run.folder / "composite.tif"
        try:
            small = previews.shrink(np.asarray(tifffile.memmap(path, mode="r")))
            if small.dtype == np.uint16 and small.shape == (*self._session.run.small, 3):
                return np.asarray(small, np.uint16)
        except (OSError, ValueError):
            pass
        return self.in_profile(self._on_table(lambda table: table.pixels.copy()))

    def in_profile(self, pixels: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Encode what was computed in the working curve like the result: (h, w, 3) uint16."""
        return profiles.recognise(self._icc).from_working(pixels)

    def warped(self, name: str) -> NDArray[np.uint16]:
        """One frame as it was shot, in the reference's geometry: (h, w, 3) uint16, in the working curve."""
        run = self._session.run
        frame = next(f for f in run.series.frames if f.name == name)
        return np.asarray(geometry.warp(frame.pixels(), run.to_reference(run.sheet.frame(name))), np.uint16)

    def _full_result(self, box: Box) -> NDArray[np.uint8]:
        session = self._session
        with session.lock:
            path, sheet, full = session.run.folder / "picture.jpg", session.sheet, session.run.full
            key = f"result {session.history.merged}"
        picture = self._keep(key, lambda: files.read_pixels(path))
        spec = finish.from_json(sheet.finish)
        rows, cols = (slice(0, full[0]), slice(0, full[1])) if spec.crop is None else finish.crop_box(spec.crop, full)
        if picture.shape[:2] != (rows.stop - rows.start, cols.stop - cols.start):
            raise InputError("the picture is not of the latest merge", remedy="merge at full size")
        out = np.zeros((box[2] - box[0], box[3] - box[1], 3), np.uint8)
        r0, c0 = max(box[0], rows.start), max(box[1], cols.start)
        r1, c1 = min(box[2], rows.stop), min(box[3], cols.stop)
        if r0 < r1 and c0 < c1:
            inside = picture[r0 - rows.start : r1 - rows.start, c0 - cols.start : c1 - cols.start]
            out[r0 - box[0] : r1 - box[0], c0 - box[1] : c1 - box[1]] = inside
        return out

    def _full_frame(self, name: str, box: Box) -> NDArray[np.uint8]:
        run = self._session.run
        record = run.sheet.frame(name)

        def decode() -> NDArray[np.uint8]:
            return encode.to_eight_bits(original(run.folder, run.sheet, name).pixels())

        pixels = self._keep(name, decode)
        assert record.homography is not None
        shift = np.array([[1, 0, -box[1]], [0, 1, -box[0]], [0, 0, 1.0]])
        size = (box[3] - box[1], box[2] - box[0])
        return np.asarray(cv2.warpPerspective(pixels, shift @ record.homography, size, flags=cv2.INTER_CUBIC), np.uint8)

    def _keep(self, key: str, make: Any) -> NDArray[np.uint8]:
        found = self._kept.pop(key, None)
        if found is None:
            found = np.asarray(make(), np.uint8)
        self._kept[key] = found
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)
        return found


def finished(pixels: NDArray[np.uint16], sheet: Worksheet) -> NDArray[np.uint16]:
    """Finish the result at its whole size: what the crop cuts off is shown without burn.

    Parameters
    ----------
    pixels : (h, w, 3) uint16, encoded
    sheet : Worksheet
    """
    spec = finish.from_json(sheet.finish)
    if spec.crop is None:
        return finish.apply(pixels, spec)
    rows, cols = finish.crop_box(spec.crop, (pixels.shape[0], pixels.shape[1]))
    around = np.array(finish.apply(pixels, replace(spec, burn=None, crop=None)))
    around[rows, cols] = finish.apply(pixels, spec)
    return around


def _profile(path: Path) -> bytes | None:
    """Colour profile of the result; None where it is plain sRGB or cannot be read."""
    try:
        return files.read_facts(path).icc
    except (LampwalkError, OSError):
        return None

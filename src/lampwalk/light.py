"""Small fields of light, brought to full size strip by strip, and what they do to a strip."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour

MARGIN = 4
"""Preview pixels kept round a field's box, so that enlarging does not meet its border."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """A smooth quantity over the picture, known at preview size in some of its rows.

    Attributes
    ----------
    values : (n, w) or (n, w, 3) uint8 or float16
        The rows that matter, over the whole width of the preview; half precision is a thousandth of a stop.
    top : int
        First of these rows.
    cols : (int, int)
        First and end column that matter.
    neutral : float
        The value elsewhere, which changes nothing.
    small, full : (int, int)
        Height and width of the preview and of the full-size picture.
    """

    values: NDArray[Any]
    top: int
    cols: tuple[int, int]
    neutral: float
    small: tuple[int, int]
    full: tuple[int, int]

    def window(self, rows: slice) -> tuple[slice, slice] | None:
        """Full-size rows and columns, within some rows, that matter; None if there are none."""
        sy, sx = self.full[0] / self.small[0], self.full[1] / self.small[1]
        top = max(rows.start, int(self.top * sy))
        bottom = min(rows.stop, int(np.ceil((self.top + len(self.values)) * sy)))
        if top >= bottom:
            return None
        return slice(top, bottom), slice(int(self.cols[0] * sx), min(self.full[1], int(np.ceil(self.cols[1] * sx))))

    def render(self, rows: slice, cols: slice) -> NDArray[Any]:
        """Values at full size in any window: bilinear, pixel centres at integers."""
        if self.small == self.full:
            return self._rows(np.arange(rows.start, rows.stop))[:, cols]
        # Down first, while the rows are short; then across by the exact ratio of the widths, which is the quick way.
        s = self.full[0] / self.small[0]
        first = int(np.floor((rows.start + 0.5) / s - 0.5))
        last = int(np.ceil((rows.stop - 0.5) / s - 0.5))
        source = self._rows(np.clip(np.arange(first, last + 1), 0, self.small[0] - 1))
        back = np.array([[1, 0, 0], [0, 1 / s, (rows.start + 0.5) / s - 0.5 - first]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (self.small[1], rows.stop - rows.start)
        tall = cv2.warpAffine(source, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(cv2.resize(tall, (self.full[1], size[1]), interpolation=cv2.INTER_LINEAR)[:, cols])

    def _rows(self, indices: NDArray[np.intp]) -> NDArray[Any]:
        """Some rows of the preview; neutral outside those that are kept."""
        inside = (indices >= self.top) & (indices < self.top + len(self.values))
        if inside.all():
            return np.asarray(self.values[indices - self.top], self._dtype)
        out = np.full((len(indices), *self.values.shape[1:]), self.neutral, self._dtype)
        out[inside] = self.values[indices[inside] - self.top]
        return out

    @property
    def _dtype(self) -> type[np.generic]:
        return np.uint8 if self.values.dtype == np.uint8 else np.float32


def halved(picture: NDArray[Any]) -> NDArray[Any]:
    """Average a picture down to half its size: what is decided about light is smooth, and a quarter of the work.

    Parameters
    ----------
    picture : (h, w) or (h, w, C) uint8 or float32

    Returns
    -------
    (ceil(h / 2), ceil(w / 2)[, C]), same dtype
    """
    h, w = picture.shape[:2]
    return np.asarray(cv2.resize(picture, (-(-w // 2), -(-h // 2)), interpolation=cv2.INTER_AREA))


def strongest(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Brightest channel of each pixel: (h, w, 3) to (h, w); several times as fast as a maximum over an axis."""
    red, green, blue = cv2.split(picture)
    return np.asarray(cv2.max(cv2.max(red, green), blue), np.float32)


def darkest(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Darkest channel of each pixel: (h, w, 3) to (h, w)."""
    red, green, blue = cv2.split(picture)
    return np.asarray(cv2.min(cv2.min(red, green), blue), np.float32)


def crop_field(values: NDArray[Any] | None, full: tuple[int, int], *, neutral: float = 0) -> Field | None:
    """Keep of a preview-size field only the rows where it differs from `neutral`.

    Parameters
    ----------
    values : (h, w) or (h, w, 3) uint8 or float32, or None
    full : (int, int)
        Height and width of the full-size picture.
    neutral : float
        The value that changes nothing.

    Returns
    -------
    Field or None
        None where it changes nothing anywhere.
    """
    if values is None:
        return None
    active = values != neutral
    if active.ndim == 3:
        active = active.any(axis=2)
    if not active.any():
        return None
    small = (values.shape[0], values.shape[1])
    rows, cols = np.flatnonzero(active.any(axis=1)), np.flatnonzero(active.any(axis=0))
    top, bottom = max(0, int(rows[0]) - MARGIN), min(small[0], int(rows[-1]) + 1 + MARGIN)
    left, right = max(0, int(cols[0]) - MARGIN), min(small[1], int(cols[-1]) + 1 + MARGIN)
    kept = values[top:bottom].astype(np.float16 if values.dtype == np.float32 else values.dtype)
    return Field(values=kept, top=top, cols=(left, right), neutral=neutral, small=small, full=full)


def relight(
    encoded: NDArray[np.uint16], gain: NDArray[np.float32] | None, glow: NDArray[np.float32] | None
) -> NDArray[np.uint16]:
    """Scale and lower encoded values in linear light: ``encode(decode(v) * gain - glow)``.

    Parameters
    ----------
    encoded : (H, W, 3) uint16
    gain : (H, W, 3) or (3,) float32, or None
    glow : (H, W, 3) float32, linear light, or None

    Returns
    -------
    (H, W, 3) uint16
    """
    linear = colour.to_linear(encoded)
    if gain is not None:
        linear *= gain
    if glow is not None:
        linear -= glow
    return encode(linear)


def encode(linear: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Linear light to encoded values by table: like `colour.to_encoded` within two levels, many times as fast.

    Parameters
    ----------
    linear : (H, W, 3) float32; values outside 0-1 are clipped

    Returns
    -------
    (H, W, 3) uint16
    """
    _, root = cv2.threshold(linear, 0, 0, cv2.THRESH_TOZERO)
    root = cv2.sqrt(root, dst=root)
    index = cv2.addWeighted(root, 65535, root, 0, 0, dtype=cv2.CV_16U)  # rounds and saturates in one pass
    return np.asarray(cv2.LUT(index, _encode_table()), np.uint16).reshape(linear.shape)


@cache
def _encode_table() -> NDArray[np.uint16]:
    # Indexed by the square root of linear light: as fine in the shadows as the encoding itself.
    root = np.arange(65536, dtype=np.float64) / 65535
    table = colour.to_encoded((root * root).astype(np.float32))
    table.setflags(write=False)
    return table

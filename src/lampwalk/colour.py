"""Transfer curves: encoded values in files, linear light in sums.

References
----------
IEC 61966-2-1:1999 (sRGB). ITU-R BT.709 for the luminance weights.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import DTypeLike, NDArray

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Weights of linear R, G, B (ITU-R BT.709)."""


def to_linear(encoded: NDArray[Any]) -> NDArray[np.float32]:
    """Turn encoded sRGB values into linear light.

    Parameters
    ----------
    encoded : (...) uint8, uint16 or float32 in 0-1

    Returns
    -------
    (...) float32, linear light, 0-1
    """
    if encoded.dtype in (np.uint8, np.uint16):
        table = decode_table(levels_of(encoded.dtype))
        if encoded.ndim == 3 and encoded.size:
            return np.asarray(cv2.LUT(encoded, table))  # a third of the time of table[encoded]
        return np.asarray(table[encoded])
    v = np.clip(encoded, 0, 1).astype(np.float32)
    return _srgb_to_linear(v).astype(np.float32)


def to_encoded(linear: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Turn linear light into encoded sRGB.

    Parameters
    ----------
    linear : (...) float32, linear light, 0-1; values outside are clipped

    Returns
    -------
    (...) uint16, encoded, 0-65535
    """
    v = np.clip(linear, 0, 1)
    encoded = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, 1 / 2.4) - 0.055)
    return np.asarray(np.rint(encoded * 65535), np.uint16)


class Levels(NamedTuple):
    """How encoded values are held as integers.

    Attributes
    ----------
    zero, full : int
        Level of black, and how many levels white lies above it.
    """

    zero: int
    full: int

    def values(self) -> NDArray[np.float64]:
        """Encoded value, 0-1, of each of the 65 536 levels of 16 bits, or the 256 of 8 bits."""
        count = 256 if self == EIGHT else 65536
        return np.asarray(np.clip((np.arange(count) - self.zero) / self.full, 0, 1))


EIGHT, SIXTEEN = Levels(0, 255), Levels(0, 65535)
"""Levels of files."""


def levels_of(dtype: DTypeLike) -> Levels:
    """Levels of uint8 or uint16 as files hold them."""
    return EIGHT if dtype == np.uint8 else SIXTEEN


def sixteen_bits(encoded: NDArray[Any]) -> NDArray[np.uint16]:
    """Encoded values, (...) uint8 or uint16, at 16 bits: 255 becomes 65535; 16 bits are given back as they are."""
    return encoded if encoded.dtype == np.uint16 else np.multiply(encoded, np.uint16(257), dtype=np.uint16)


def luminance(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Relative luminance of linear RGB: (h, w, 3) or (n, 3) float32 to (h, w) or (n,) float32."""
    if linear.ndim == 3 and linear.size:
        return np.asarray(cv2.transform(linear, LUMINANCE[None]), np.float32)
    return linear @ LUMINANCE


def _srgb_to_linear(v: NDArray[Any]) -> NDArray[Any]:
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


@cache
def decode_table(levels: Levels) -> NDArray[np.float32]:
    """Linear light of every level: (65536,) float32, of `EIGHT` (256,)."""
    table = _srgb_to_linear(levels.values()).astype(np.float32)
    table.setflags(write=False)
    return table

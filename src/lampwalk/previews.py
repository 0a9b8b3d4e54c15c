"""Small versions of the frames: all decisions are made on these."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, geometry
from .geometry import Matrix

LONG_SIDE = 1200
"""Pixels of the longer side of a preview; pictures below that are taken as they are. Chosen so that a light stand's pole
in a full-length view is still 2 px wide and all decisions for one frame cost less than decoding it at 24 MP."""

CLIPPED = 0.98
"""Encoded value from which on a channel counts as clipped (a JPEG's ringing stays above it)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Preview:
    """One frame, small.

    Attributes
    ----------
    name : str
    linear : (h, w, 3) float32
        Linear light, 0-1.
    clipped : (h, w) bool
        Some channel is at its top: the light there is at least this.
    valid : (h, w) bool
        The frame covers this pixel (all True before alignment).
    full_shape : (int, int)
        Height and width of the frame itself.
    """

    name: str
    linear: NDArray[np.float32]
    clipped: NDArray[np.bool_]
    valid: NDArray[np.bool_]
    full_shape: tuple[int, int]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the preview."""
        return self.linear.shape[0], self.linear.shape[1]


def small_shape(full: tuple[int, int], long_side: int = LONG_SIDE) -> tuple[int, int]:
    """Height and width of the preview of a picture of height and width `full`."""
    scale = min(1.0, long_side / max(full))
    return max(1, round(full[0] * scale)), max(1, round(full[1] * scale))


def make_preview(name: str, pixels: NDArray[Any]) -> Preview:
    """Shrink a decoded frame.

    Parameters
    ----------
    name : str
    pixels : (H, W, 3) uint8 or uint16, encoded
    """
    h, w = small_shape(pixels.shape[:2])
    small = pixels if (h, w) == pixels.shape[:2] else cv2.resize(pixels, (w, h), interpolation=cv2.INTER_AREA)
    top = 255 if pixels.dtype == np.uint8 else 65535
    return Preview(
        name=name,
        linear=colour.to_linear(small),
        clipped=small.max(axis=2) >= CLIPPED * top,
        valid=np.ones((h, w), bool),
        full_shape=(pixels.shape[0], pixels.shape[1]),
    )


def align_preview(preview: Preview, frame_to_reference: Matrix) -> Preview:
    """Bring a preview into the reference's geometry.

    Parameters
    ----------
    preview : Preview
    frame_to_reference : (3, 3) float64, full-size pixels
    """
    matrix = geometry.to_small(frame_to_reference, preview.full_shape, preview.shape)
    if geometry.is_identity(frame_to_reference):
        return preview
    warped = np.clip(geometry.warp(preview.linear, matrix), 0, 1)
    clipped = geometry.warp(preview.clipped.astype(np.uint8) * 255, matrix, linear=True) > 64
    return Preview(
        name=preview.name,
        linear=warped,
        clipped=clipped,
        valid=geometry.covered(preview.shape, matrix),
        full_shape=preview.full_shape,
    )

"""Small versions of the frames: all decisions are made on these."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeGuard

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, geometry, light
from .drawer import IN_MEMORY, Drawer, Waiting, shape_of
from .geometry import Matrix
from .unpacked import Pixels, whole

LONG_SIDE = 1200
"""Pixels of the longer side of a preview; pictures below that are taken as they are. Chosen so that a light stand's pole
in a full-length view is still 2 px wide and all decisions for one frame cost less than decoding it at 24 MP."""

BLOCK_ROWS = 16
"""Rows of squares that are averaged at a time: some megabytes of a picture in a file."""

CLIPPED = 0.98
"""Encoded value from which on a channel counts as clipped (a JPEG's ringing stays above it)."""


class _Light(Waiting):
    """Linear light, (h, w, 3) float32 in 0-1, that waits in half the memory.

    It is kept as 16-bit square roots: at a thousandth of full light a step is a thousandth of that, less than the noise of
    any preview.
    """

    def packed(self, values: NDArray[np.float32]) -> NDArray[np.uint16]:
        return light.rooted(values)

    def unpacked(self, values: NDArray[np.uint16], thing: object) -> NDArray[np.float32]:
        linear = light.squared(values)
        linear.setflags(write=False)  # it is a copy: what is written into it would be lost
        return linear


class _Bits(Waiting):
    """Flags, (h, w) bool, that wait as bits."""

    def packed(self, values: NDArray[np.bool_]) -> NDArray[np.uint8]:
        return np.packbits(values, axis=1)

    def unpacked(self, values: NDArray[np.uint8], thing: Preview) -> NDArray[np.bool_]:  # type: ignore[override]
        flags = np.unpackbits(values, axis=1, count=thing.shape[1]).view(np.bool_)
        flags.setflags(write=False)
        return flags


@dataclass(frozen=True, kw_only=True, eq=False)
class Preview:
    """One frame, small.

    Attributes
    ----------
    name : str
    drawer : Drawer
        Where all of it waits, and what is made of it; by default in memory.
    linear : (h, w, 3) float32
        Linear light, 0-1; a new array each time, not to be written to.
    clipped : (h, w) bool
        Some channel is at its top: the light there is at least this.
    valid : (h, w) bool
        The frame covers this pixel (all True before alignment).
    full_shape : (int, int)
        Height and width of the frame itself.
    """

    name: str
    drawer: Drawer = IN_MEMORY
    linear: _Light = _Light()
    clipped: _Bits = _Bits()
    valid: _Bits = _Bits()
    full_shape: tuple[int, int]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the preview."""
        h, w, _ = shape_of(self, "linear")
        return h, w


def is_small(small: NDArray[Any] | None, full: tuple[int, int]) -> TypeGuard[NDArray[np.uint16]]:
    """Whether this can be a frame of height and width `full` at preview size, (h, w, 3) uint16."""
    return small is not None and small.dtype == np.uint16 and small.shape == (*small_shape(full), 3)


def small_shape(full: tuple[int, int], long_side: int = LONG_SIDE) -> tuple[int, int]:
    """Height and width of the preview of a picture of height and width `full`."""
    scale = min(1.0, long_side / max(full))
    return max(1, round(full[0] * scale)), max(1, round(full[1] * scale))


def shrink(pixels: Pixels) -> NDArray[Any]:
    """Average a picture down to preview size.

    Parameters
    ----------
    pixels : (H, W) or (H, W, C) uint8 or uint16, or a picture in a file

    Returns
    -------
    (h, w) or (h, w, C), same dtype
        The picture itself where it is small enough.

    Notes
    -----
    A whole factor is averaged first and the rest resampled: a third of the time of one step by a broken factor (66
    against 228 ms at 45 MP, 8 bits).
    """
    full = (pixels.shape[0], pixels.shape[1])
    h, w = small_shape(full)
    factor = grid(full)
    if (h, w) == full:
        return whole(pixels)
    if factor < 2:
        return np.asarray(cv2.resize(whole(pixels), (w, h), interpolation=cv2.INTER_AREA))
    return _resampled(_averaged(pixels, factor), full, (h, w), factor)


def shrink_part(part: NDArray[np.uint8], at: tuple[slice, slice], full: tuple[int, int]) -> NDArray[np.uint8]:
    """Average a picture down to preview size that is zero outside of one part: like `shrink` of the whole, bit for bit.

    Parameters
    ----------
    part : (n, m) uint8
    at : (slice, slice)
        Its rows and columns; they start and end on the grid of `grid`.
    full : (int, int)
        Height and width of the picture.
    """
    h, w = small_shape(full)
    factor = grid(full)
    if factor < 2:
        whole = np.zeros(full, np.uint8)
        whole[at] = part
        return shrink(whole)
    mid = np.zeros((full[0] // factor, full[1] // factor), np.uint8)
    averaged = _averaged(part, factor)
    top, left = at[0].start // factor, at[1].start // factor
    mid[top : top + averaged.shape[0], left : left + averaged.shape[1]] = averaged
    return np.asarray(_resampled(mid, full, (h, w), factor), np.uint8)


def grid(full: tuple[int, int]) -> int:
    """Pixels of a side of the squares that are averaged first when a picture of this height and width is shrunk."""
    h, w = small_shape(full)
    return int(min(full[0] / h, full[1] / w))


def _averaged(pixels: Pixels, factor: int) -> NDArray[Any]:
    h, w = pixels.shape[0] // factor, pixels.shape[1] // factor
    out = np.empty((h, w, *pixels.shape[2:]), pixels.dtype)
    for top in range(0, h, BLOCK_ROWS):
        part = out[top : top + BLOCK_ROWS]
        rows = slice(top * factor, (top + len(part)) * factor)
        cv2.resize(pixels[rows, : w * factor], (w, len(part)), dst=part, interpolation=cv2.INTER_AREA)
    return out


def _resampled(averaged: NDArray[Any], full: tuple[int, int], small: tuple[int, int], factor: int) -> NDArray[Any]:
    small_to_mid = np.linalg.inv(geometry.scaling(full, (full[0] / factor, full[1] / factor))) @ geometry.scaling(
        full, small
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(averaged, small_to_mid[:2], small[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    )


def make_preview(name: str, pixels: NDArray[Any]) -> Preview:
    """Shrink a decoded frame.

    Parameters
    ----------
    name : str
    pixels : (H, W, 3) uint8 or uint16, encoded
    """
    return of_small(name, shrink(pixels), (pixels.shape[0], pixels.shape[1]))


def of_small(name: str, small: NDArray[Any], full_shape: tuple[int, int], drawer: Drawer = IN_MEMORY) -> Preview:
    """Take a picture that has preview size.

    Parameters
    ----------
    name : str
    small : (h, w, 3) uint8 or uint16, encoded
    full_shape : (int, int)
        Height and width of the frame itself.
    drawer : Drawer, optional
        Where its light waits; by default in memory.
    """
    h, w = small.shape[:2]
    top = 255 if small.dtype == np.uint8 else 65535
    brightest = np.maximum(np.maximum(small[..., 0], small[..., 1]), small[..., 2])
    return Preview(
        name=name,
        drawer=drawer,
        linear=colour.to_linear(small),
        clipped=brightest >= CLIPPED * top,
        valid=np.ones((h, w), bool),
        full_shape=full_shape,
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
    warped = geometry.warp(preview.linear, matrix)
    clipped = geometry.warp(preview.clipped.astype(np.uint8) * 255, matrix, linear=True) > 64
    return replace(preview, linear=warped, clipped=clipped, valid=geometry.covered(preview.shape, matrix))


def relit(preview: Preview, gain: NDArray[np.float32] | None) -> Preview:
    """Scale the light of a preview.

    Parameters
    ----------
    preview : Preview
    gain : (h, w, 3) float32, or None for no change
    """
    return preview if gain is None else replace(preview, linear=preview.linear * gain)

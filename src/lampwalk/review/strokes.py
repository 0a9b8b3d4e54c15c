"""Paint on masks: strokes, areas, and what they change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry import Matrix

MOST_POINTS = 20_000
"""Points of one stroke; a hand draws some 100 a second."""

MORE_PX = 4
"""Preview pixels by which `hide more` widens a mask at a time."""

FRACTION_BITS = 4
"""Strokes are drawn to a sixteenth of a pixel."""

Box = tuple[int, int, int, int]
"""First row, first column, row and column behind the last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One stroke of a brush, in preview pixels of the reference's geometry.

    Attributes
    ----------
    points : tuple of (x, y)
        The way of the brush; one point is a dab, two are a straight line.
    radius_px : float
    soft : float
        Share of the radius over which the edge fades, 0-1.
    hide : bool
        Paint the mask; False erases it.
    """

    points: tuple[tuple[float, float], ...]
    radius_px: float
    soft: float
    hide: bool


def paint(mask: NDArray[np.uint8], stroke: Stroke, frame_to_reference: Matrix) -> tuple[NDArray[np.uint8], Box]:
    """Paint one stroke.

    Parameters
    ----------
    mask : (h, w) uint8
        Preview size, the frame's own geometry, 255 = hidden.
    stroke : Stroke
    frame_to_reference : (3, 3) float64
        For preview pixels.

    Returns
    -------
    mask : (h, w) uint8
        A changed copy.
    box : Box
        What may have changed, in the frame's own geometry; empty where the stroke missed the frame.

    Raises
    ------
    InputError
        No points, too many, or numbers that cannot be used.
    """
    _check(stroke)
    xy = cv2.perspectiveTransform(np.array([stroke.points], np.float64), np.linalg.inv(frame_to_reference))[0]
    h, w = mask.shape
    reach = int(np.ceil(stroke.radius_px)) + 2
    x0, y0 = np.floor(xy.min(axis=0)).astype(int) - reach
    x1, y1 = np.ceil(xy.max(axis=0)).astype(int) + reach + 1
    box = (max(0, int(y0)), max(0, int(x0)), min(h, int(y1)), min(w, int(x1)))
    if box[0] >= box[2] or box[1] >= box[3]:
        return mask, (0, 0, 0, 0)
    amount = _drawn(xy - (box[1], box[0]), (box[2] - box[0], box[3] - box[1]), stroke)
    out = mask.copy()
    inside = out[box[0] : box[2], box[1] : box[3]]
    if stroke.hide:
        np.maximum(inside, amount, out=inside)
    else:
        np.minimum(inside, 255 - amount, out=inside)
    return out, box


def _check(stroke: Stroke) -> None:
    if not 1 <= len(stroke.points) <= MOST_POINTS:
        raise InputError("a stroke without points, or with too many", remedy="draw it again")
    numbers = np.array(stroke.points, np.float64)
    if numbers.shape != (len(stroke.points), 2) or not np.isfinite(numbers).all() or np.abs(numbers).max() > 1e5:
        raise InputError("a stroke with points that are none", remedy="draw it again")
    if not 0.5 <= stroke.radius_px <= 400 or not 0 <= stroke.soft <= 1:
        raise InputError(f"a brush of {stroke.radius_px} px", remedy="use 0.5 to 400 px, edge 0 to 1")


def _drawn(xy: NDArray[np.float64], shape: tuple[int, int], stroke: Stroke) -> NDArray[np.uint8]:
    """How much the brush covers, 0-255: a thick line, its edge faded by its distance to the outline."""
    # A distance map serves every softness, and joins of a line do not show as beads.
    line = np.full(shape, 255, np.uint8)
    points = np.rint(xy * (1 << FRACTION_BITS)).astype(np.int32)
    if len(points) == 1:
        points = np.repeat(points, 2, axis=0)
    cv2.polylines(line, [points], False, 0, 1, cv2.LINE_8, FRACTION_BITS)
    distance = cv2.distanceTransform(line, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    edge = max(1.0, stroke.soft * stroke.radius_px)
    amount = (stroke.radius_px + 0.5 - distance) / edge
    return np.asarray(np.rint(np.clip(amount, 0, 1) * 255), np.uint8)


def show(mask: NDArray[np.uint8], box: Box) -> NDArray[np.uint8]:
    """Do not hide what lies in a box (own geometry): a changed copy."""
    out = mask.copy()
    out[box[0] : box[2], box[1] : box[3]] = 0
    return out


def hide_more(mask: NDArray[np.uint8], box: Box) -> tuple[NDArray[np.uint8], Box]:
    """Widen what is hidden in a box (own geometry) by `MORE_PX`: a changed copy, and what it reaches."""
    h, w = mask.shape
    wide = (
        max(0, box[0] - MORE_PX),
        max(0, box[1] - MORE_PX),
        min(h, box[2] + MORE_PX),
        min(w, box[3] + MORE_PX),
    )
    only = np.zeros_like(mask)
    only[box[0] : box[2], box[1] : box[3]] = mask[box[0] : box[2], box[1] : box[3]]
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * MORE_PX + 1, 2 * MORE_PX + 1))
    rows, cols = slice(wide[0], wide[2]), slice(wide[1], wide[3])
    out = mask.copy()
    out[rows, cols] = np.maximum(out[rows, cols], cv2.dilate(only[rows, cols], disc))
    return out, wide


def moved(box: Box | Sequence[int], matrix: NDArray[Any], shape: tuple[int, int], *, margin: int = 2) -> Box:
    """Find the box round a box after a homography, inside a picture of height and width `shape`."""
    r0, c0, r1, c1 = box
    corners = np.array([[[c0, r0], [c1, r0], [c0, r1], [c1, r1]]], np.float64)
    xy = cv2.perspectiveTransform(corners, matrix)[0]
    lo, hi = np.floor(xy.min(axis=0)).astype(int) - margin, np.ceil(xy.max(axis=0)).astype(int) + margin
    h, w = shape
    top, left = int(np.clip(lo[1], 0, h)), int(np.clip(lo[0], 0, w))
    return top, left, int(np.clip(hi[1], top, h)), int(np.clip(hi[0], left, w))

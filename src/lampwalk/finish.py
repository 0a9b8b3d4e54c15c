"""Finish: brighten one region, darken the edges, cut to a ratio; all off until the worksheet asks for it.

    {"lift": [{"region": {"ellipse": [0.5, 0.55, 0.3, 0.2]}, "white": 0.9, "gamma": 1.1, "soft": 0.08}],
     "burn": {"opacity": 0.7, "inset": 0.12, "soft": 0.25},
     "crop": {"ratio": [16, 9], "focus": [0.5, 0.55], "inside": [0, 0, 1, 1]}}

Places are shares of the picture's width and height, so that a finish made on a small version fits the full
one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, light
from .colour import luminance
from .errors import InputError
from .finishspec import Burn, Crop, Finish, Lift, Region, from_json, to_json
from .geometry import STRIP_ROWS
from .previews import Preview

REGION_LONG_SIDE = 1024
"""Pixels of the longer side at which soft regions are drawn; they are smooth, so enlarging them shows
nothing."""

BURN_STOPS = 2.0
"""Stops by which `burn` darkens at opacity 1 (common practice is a layer of about that depth, no source)."""

SUBJECT_STEP = 4
"""Preview pixels to one pixel on which the lit subject is looked for."""

__all__ = [
    "Burn",
    "Crop",
    "Finish",
    "Lift",
    "Region",
    "apply",
    "crop_box",
    "from_json",
    "lit_subject",
    "to_json",
]


def apply(
    pixels: NDArray[np.uint16], spec: Finish, masks: Mapping[str, NDArray[np.uint8]] | None = None
) -> NDArray[np.uint16]:
    """Finish a picture in one pass of strips.

    Parameters
    ----------
    pixels : (H, W, 3) uint16, encoded
    spec : Finish
    masks : mapping of name to (h, w) uint8, optional
        Pixels of the mask files that the regions name, any size.

    Returns
    -------
    (H', W', 3) uint16, encoded
        `pixels` itself where the spec asks for nothing.

    Raises
    ------
    InputError
        A region lies outside, a mask is missing, the cut does not fit.

    Notes
    -----
    Curves are evaluated in float32 for each pixel and rounded to 16 bits, so a smooth ramp stays smooth:
    no table of 8 bits, no step between strips.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint16:
        raise InputError(f"pixels of shape {pixels.shape}, {pixels.dtype}", remedy="give (H, W, 3) uint16")
    if spec == Finish():
        return pixels
    shape = pixels.shape[:2]
    rows, cols = (slice(0, shape[0]), slice(0, shape[1])) if spec.crop is None else crop_box(spec.crop, shape)
    if not spec.lift and spec.burn is None:
        return np.ascontiguousarray(pixels[rows, cols])
    regions = [_soft_region(lift, shape, masks or {}) for lift in spec.lift]
    frame = None if spec.burn is None else _frame_region(spec.burn, (rows.stop - rows.start, cols.stop - cols.start))
    out = np.empty((rows.stop - rows.start, cols.stop - cols.start, 3), np.uint16)
    for top in range(rows.start, rows.stop, STRIP_ROWS):
        strip = slice(top, min(top + STRIP_ROWS, rows.stop))
        own = slice(strip.start - rows.start, strip.stop - rows.start)
        values = pixels[strip, cols]
        for lift, region in zip(spec.lift, regions, strict=True):
            values = _lifted(values, lift, _enlarged(region, shape, strip, cols))
        if frame is not None and spec.burn is not None:
            values = _burnt(values, spec.burn, _enlarged(frame, out.shape[:2], own, slice(0, out.shape[1])))
        out[own] = values
    return out


def crop_box(crop: Crop, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Rows and columns of a cut in a picture of height and width `shape`.

    Raises
    ------
    InputError
        The usable part is too small for the ratio.
    """
    h, w = shape
    x0, y0 = math.ceil(crop.inside[0] * w - 1e-6), math.ceil(crop.inside[1] * h - 1e-6)
    x1, y1 = math.floor(crop.inside[2] * w + 1e-6), math.floor(crop.inside[3] * h + 1e-6)
    ratio = crop.ratio[0] / crop.ratio[1]
    width = min(x1 - x0, (y1 - y0) * ratio) * crop.scale
    cut_w, cut_h = round(width), round(width / ratio)
    cut_w, cut_h = min(cut_w, x1 - x0), min(cut_h, y1 - y0)
    if cut_w < 1 or cut_h < 1:
        raise InputError("crop: nothing is left", remedy="give another ratio, a larger scale or a larger inside")
    left = round(min(max(crop.focus[0] * w - cut_w / 2, x0), x1 - cut_w))
    top = round(min(max(crop.focus[1] * h - cut_h / 2, y0), y1 - cut_h))
    return slice(top, top + cut_h), slice(left, left + cut_w)


def covered_by_all(previews: Sequence[Preview]) -> tuple[float, float, float, float]:
    """Shrink a box until every frame covers all of it: where a crop may lie.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry.

    Returns
    -------
    x0, y0, x1, y1 : float
        As shares of width and height.
    """
    covered = reduce(np.logical_and, (p.valid for p in previews))
    h, w = covered.shape
    y0, x0, y1, x1 = 0, 0, h, w
    while y1 - y0 > 2 and x1 - x0 > 2:
        box = covered[y0:y1, x0:x1]
        gaps = {"top": ~box[0], "bottom": ~box[-1], "left": ~box[:, 0], "right": ~box[:, -1]}
        worst = max(gaps, key=lambda side: gaps[side].mean())
        if not gaps[worst].any():
            break
        y0, y1 = y0 + (worst == "top"), y1 - (worst == "bottom")
        x0, x1 = x0 + (worst == "left"), x1 - (worst == "right")
    return x0 / w, y0 / h, x1 / w, y1 / h


def lit_subject(
    previews: Sequence[Preview],
    plate: NDArray[np.float32],
    ambient: Sequence[bool],
    hidden: Sequence[NDArray[np.uint8]] | None = None,
) -> Region:
    """Take as default region an ellipse round what the lamps lit most.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry, daylight levelled.
    plate : (h, w, 3) float32, linear light
    ambient : sequence of bool
    hidden : sequence of (h, w) uint8, optional
        Masks in the same geometry: what they hide counts as lit by daylight alone.

    Returns
    -------
    Region
        Centre and half axes from the light's mean and spread (1.5 standard deviations), inside the picture.

    Raises
    ------
    InputError
        There is no lamp frame.
    """
    lamps = [i for i, flag in enumerate(ambient) if not flag]
    if not lamps:
        raise InputError("no frame has a lamp in it", remedy="give a region of your own")
    # Small: the subject is a large soft place.
    h, w = (max(1, round(side / SUBJECT_STEP)) for side in plate.shape[:2])

    def small(picture: NDArray[np.float32]) -> NDArray[np.float32]:
        return luminance(np.asarray(cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA), np.float32))

    def seen(i: int) -> NDArray[np.float32]:
        own = previews[i].linear
        return own if hidden is None else np.asarray(cv2.copyTo(plate, hidden[i], own.copy()), np.float32)

    below, light_of = small(plate), [small(seen(i)) for i in lamps]
    # The median over the lamps, relative to daylight: a head, clipped in one frame only, does not pull it.
    stops = np.median([np.log2((own + 0.002) / (below + 0.002)) for own in light_of], axis=0)
    weight = np.clip(cv2.GaussianBlur(stops.astype(np.float32), (0, 0), max(h, w) / 100), 0, None) ** 2
    total = float(weight.sum())
    if total <= 0:
        return Region(ellipse=(0.5, 0.5, 0.35, 0.35, 0.0))
    ys, xs = (np.arange(h) + 0.5) / h, (np.arange(w) + 0.5) / w
    across, down = weight.sum(axis=0) / total, weight.sum(axis=1) / total
    cx, cy = float(across @ xs), float(down @ ys)
    rx, ry = 1.5 * math.sqrt(float(across @ (xs - cx) ** 2)), 1.5 * math.sqrt(float(down @ (ys - cy) ** 2))
    return Region(ellipse=(round(cx, 3), round(cy, 3), round(max(rx, 0.05), 3), round(max(ry, 0.05), 3), 0.0))


def _lifted(encoded: NDArray[np.uint16], lift: Lift, weight: NDArray[np.float32]) -> NDArray[np.uint16]:
    weight = (weight * np.float32(lift.opacity))[..., None]
    if not weight.any():
        return encoded
    values = encoded.astype(np.float32) / np.float32(65535)
    curve = np.clip((values - np.float32(lift.black)) / np.float32(lift.white - lift.black), 0, 1)
    if lift.gamma != 1:
        curve = cv2.pow(curve, 1 / lift.gamma)
    values += weight * (curve - values)
    return np.asarray(np.rint(np.clip(values, 0, 1) * 65535), np.uint16)


def _burnt(encoded: NDArray[np.uint16], burn: Burn, weight: NDArray[np.float32]) -> NDArray[np.uint16]:
    if not weight.any():
        return encoded
    factor = np.exp2(-BURN_STOPS * burn.opacity * weight)[..., None]
    darkened = light.encode(colour.to_linear(encoded) * factor)
    return np.where(factor < 1, darkened, encoded)


def _soft_region(lift: Lift, shape: tuple[int, int], masks: Mapping[str, NDArray[np.uint8]]) -> NDArray[np.float32]:
    """Weight of a region, 0-1, drawn small: (h, w) float32."""
    scale = min(1.0, REGION_LONG_SIDE / max(shape))
    h, w = max(1, round(shape[0] * scale)), max(1, round(shape[1] * scale))
    region = lift.region
    if region.mask is not None:
        if region.mask not in masks:
            raise InputError(
                f"lift: the mask {region.mask!r} was not given", remedy="put the file beside the worksheet"
            )
        drawn = cv2.resize(masks[region.mask], (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    else:
        drawn = np.zeros((h, w), np.uint8)
        cv2.fillPoly(drawn, [np.rint(_outline(region, h, w) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        drawn = drawn.astype(np.float32) / 255
    if not drawn.any():
        raise InputError(
            "lift: the region lies outside the picture",
            remedy="places are shares of width and height, 0 to 1",
        )
    sigma = lift.soft * max(h, w) / 2
    soft = cv2.GaussianBlur(drawn, (0, 0), sigma) if sigma >= 0.3 else drawn
    return np.asarray(soft, np.float32)


def _outline(region: Region, h: int, w: int) -> NDArray[np.float64]:
    """Corners of a region in pixels of a picture (h, w), pixel centres at integers: (n, 2)."""
    if region.polygon is not None:
        return np.array(region.polygon) * (w, h) - 0.5
    assert region.ellipse is not None
    cx, cy, rx, ry, degrees = region.ellipse
    turn = np.deg2rad(degrees)
    around = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    x, y = rx * w * np.cos(around), ry * h * np.sin(around)
    return (
        np.stack([cx * w + x * np.cos(turn) - y * np.sin(turn), cy * h + x * np.sin(turn) + y * np.cos(turn)], 1) - 0.5
    )


def _frame_region(burn: Burn, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Weight of the frame, 1 at the border, 0 inside, smooth: (h, w) float32."""
    scale = min(1.0, REGION_LONG_SIDE / max(shape))
    h, w = max(1, round(shape[0] * scale)), max(1, round(shape[1] * scale))
    short = min(h, w)
    # Distance inwards from a frame with rounded corners (half the soft width as radius).
    x = np.minimum(np.arange(w) + 0.5, w - np.arange(w) - 0.5)[None, :] / short
    y = np.minimum(np.arange(h) + 0.5, h - np.arange(h) - 0.5)[:, None] / short
    reach = burn.inset + burn.soft
    depth = np.hypot(np.maximum(reach - x, 0), np.maximum(reach - y, 0))  # 0 inside, `reach` at an edge
    t = np.clip((depth - 0) / max(burn.soft, 1e-6), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def _enlarged(small: NDArray[np.float32], full: tuple[int, int], rows: slice, cols: slice) -> NDArray[np.float32]:
    """Enlarge a window of a small weight to full size, bilinear: (rows, cols) float32."""
    if small.shape == full:
        return np.asarray(small[rows, cols], np.float32)
    ky, kx = small.shape[0] / full[0], small.shape[1] / full[1]
    back = np.array([[kx, 0, (cols.start + 0.5) * kx - 0.5], [0, ky, (rows.start + 0.5) * ky - 0.5]])
    size = (cols.stop - cols.start, rows.stop - rows.start)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(small, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), np.float32)

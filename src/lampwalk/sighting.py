"""What alignment needs to know of one decoded frame, whatever its size and whatever its light.

A sighting is made of one frame alone, so frames can be decoded once, observed in parallel and dropped. It
holds a small grey picture with its features, and crops round a grid of sites at working size (see
`WORK_PX`). All frames of one size have the same sites.

The light-insensitive representation is the gradient with its direction doubled, over its own local strength:
gain and offset of the light fall out, and so does the *polarity* of an edge, which turns over where a lamp
crosses a relief.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import Matrix, scaling

Grey = NDArray[np.uint8]
Field = NDArray[np.float32]

SMALL_PX = 1000
"""Long side of the small picture, px. Measured: features on more pixels cost more and match no better."""
WHOLE_PX = 1600
"""Up to this long side the picture is kept whole instead of in crops (at most 2.6 MB), px."""
WORK_PX = 4600
"""Above this long side the crops are reduced by a whole number: finer pixels hold noise and interpolation,
px."""
PATCH_PX = 64
"""Side of a patch at working size, px; even, because odd sides bias a correlation by half a pixel."""
MARGIN_PX = 14
"""Rim of a crop for the expected motion of an unmoved tripod and for the filters, px at working size."""
SITES = 384
"""Patches over the picture; with crops of 92 px this is 3.2 MB."""
FEATURE_PX = 640
"""Long side of the picture in which features are sought (the detector doubles it), px."""
FEATURES = 1000
"""Features of one frame, the strongest first."""
MIN_SIDE_PX = 48
"""A shorter side holds no patch, px."""
LOG_OFFSET = 0.02
"""Keeps the noise of the black from becoming texture, share of full scale."""
NOISE_FLOOR = 0.004
"""Gradient of the logarithm, 1/px, below which a place counts as flat: about a level of an 8-bit mid-grey."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """One frame as alignment sees it.

    Attributes
    ----------
    shape : (height, width) of the frame, px
    step : int
        Full-size pixels per working pixel.
    small : (h, w) uint8
        Grey picture; at working size where ``crops`` is None.
    points : (N, 2) float32
        Features, xy in the small picture.
    descriptors : (N, 128) uint8
    crops : (K, side, side) uint8 or None
        Grey crops at working size, in the order of `sites`.
    corners : (K, 2) int
        xy of the crops' first pixels at working size.
    problem : str
        Why this frame cannot be aligned; empty where it can.
    """

    shape: tuple[int, int]
    step: int = 1
    small: Grey = field(repr=False)
    points: Field = field(repr=False)
    descriptors: NDArray[np.uint8] = field(repr=False)
    crops: Grey | None = field(default=None, repr=False)
    corners: NDArray[np.int64] | None = field(default=None, repr=False)
    problem: str = ""

    @property
    def work_shape(self) -> tuple[int, int]:
        """Height and width at working size, px."""
        return self.shape[0] // self.step, self.shape[1] // self.step


def observe(pixels: NDArray[Any]) -> Sighting:
    """Everything that alignment needs from one decoded frame.

    Parameters
    ----------
    pixels : (H, W, 3) or (H, W) uint8 or uint16, encoded

    Returns
    -------
    Sighting
        At most about 4 MB. A frame that is too small, black or without any detail has a ``problem``.
    """
    grey = _grey(pixels)
    shape = grey.shape[0], grey.shape[1]
    step = max(1, -(-max(shape) // WORK_PX))
    none = np.zeros((0, 2), np.float32), np.zeros((0, 128), np.uint8)
    if min(shape) < MIN_SIDE_PX:
        problem = "the picture is too small to be aligned"
        return Sighting(shape=shape, step=step, small=grey, points=none[0], descriptors=none[1], problem=problem)
    small = grey if max(shape) <= WHOLE_PX else _reduced(grey, SMALL_PX)
    problem = _problem(small)
    if problem:
        return Sighting(shape=shape, step=step, small=small, points=none[0], descriptors=none[1], problem=problem)
    points, descriptors = _features(small)
    bare = Sighting(shape=shape, step=step, small=small, points=points, descriptors=descriptors)
    return bare if small is grey else with_crops(bare, grey, np.eye(3))


def with_crops(sighting: Sighting, pixels: NDArray[Any], frame_to_reference: Matrix) -> Sighting:
    """Cut the crops of a sighting anew, where a homography (working size) sends the sites."""
    grey = _grey(pixels)
    work, side = sighting.work_shape, PATCH_PX + 2 * MARGIN_PX
    centres = sites(work) + (PATCH_PX - 1) / 2
    seen = cv2.perspectiveTransform(centres[:, None], np.linalg.inv(frame_to_reference))[:, 0]
    corners = np.rint(seen - (side - 1) / 2).astype(np.int64)
    corners = np.clip(corners, 0, np.array(work[::-1]) - side)
    n = side * sighting.step
    crops = np.empty((len(corners), side, side), np.uint8)
    for crop, (x, y) in zip(crops, corners * sighting.step, strict=True):
        cut = grey[y : y + n, x : x + n]
        crop[...] = cut if sighting.step == 1 else cv2.resize(cut, (side, side), interpolation=cv2.INTER_AREA)
    return Sighting(
        shape=sighting.shape, step=sighting.step, small=sighting.small, points=sighting.points,
        descriptors=sighting.descriptors, crops=crops, corners=corners,
    )  # fmt: skip


def sites(shape: tuple[int, int]) -> NDArray[np.int64]:
    """Corners (x, y) of the patches of a picture: (K, 2), row by row, the same for all frames of one size."""
    h, w = shape
    side = patch_side(shape)
    rim = min(MARGIN_PX, (min(shape) - side) // 2)
    step = max(np.sqrt(h * w / SITES), side / 2)
    counts = [max(2, int((n - side - 2 * rim) // step) + 1) for n in (w, h)]
    xs, ys = (
        np.rint(np.linspace(rim, n - side - rim, k)).astype(np.int64) for n, k in zip((w, h), counts, strict=True)
    )
    return np.stack([np.tile(xs, len(ys)), np.repeat(ys, len(xs))], axis=-1)


def patch_side(shape: tuple[int, int]) -> int:
    """Side of a patch, px: smaller in very small pictures."""
    return PATCH_PX if min(shape) >= 4 * PATCH_PX else max(16, min(shape) // 8 * 2)


def light_insensitive(grey: Grey) -> Field:
    """Gradient with doubled direction over its local strength: (h, w, 2) float32, about -3 to 3."""
    log = cv2.GaussianBlur(_LOG[grey], (0, 0), 1.0)
    gx = cv2.Sobel(log, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(log, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    length = cv2.magnitude(gx, gy) + np.float32(1e-6)
    scale = 1 / (length * (_local_mean(length) + np.float32(NOISE_FLOOR)))
    doubled = np.dstack([(gx * gx - gy * gy) * scale, 2 * gx * gy * scale])
    return np.asarray(cv2.GaussianBlur(doubled, (0, 0), 1.0), np.float32)


def crop_fields(sighting: Sighting) -> Field:
    """`light_insensitive` of every crop: (K, side, side, 2) float32."""
    assert sighting.crops is not None
    count, side = sighting.crops.shape[:2]
    tall = light_insensitive(sighting.crops.reshape(count * side, side))
    fields = tall.reshape(count, side, side, 2)
    fields[:, :3] = fields[:, -3:] = 0  # where two crops meet there is an edge that is none
    return fields


def small_to_work(sighting: Sighting) -> Matrix:
    """Matrix from pixels of the small picture to pixels at working size."""
    return scaling(sighting.work_shape, (sighting.small.shape[0], sighting.small.shape[1]))


def _local_mean(strength: Field) -> Field:
    """Mean over about 30 px: two box filters, which cost the same for any width."""
    once = cv2.blur(strength, (15, 15))
    return np.asarray(cv2.blur(once, (15, 15)), np.float32)


def _grey(pixels: NDArray[Any]) -> Grey:
    """(H, W) uint8, encoded."""
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    return pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)


def _reduced(grey: Grey, longest: int) -> Grey:
    h, w = grey.shape
    scale = longest / max(h, w)
    size = max(1, round(w * scale)), max(1, round(h * scale))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)


def _problem(small: Grey) -> str:
    low, high = np.percentile(small, (0.5, 99.5))
    if high <= 3:
        return "the frame is black"
    if low >= 252:
        return "the frame is blown out"
    if high - low < 3:
        return "the frame shows no detail"
    return ""


def _features(small: Grey) -> tuple[Field, NDArray[np.uint8]]:
    """SIFT of the log-normalised picture; descriptors are whole numbers 0-255 and kept as such."""
    tiny = small if max(small.shape) <= FEATURE_PX else _reduced(small, FEATURE_PX)
    log = _LOG[tiny]
    detail = log - cv2.blur(cv2.blur(log, (31, 31)), (31, 31))
    spread = np.sqrt(cv2.blur(cv2.blur(detail * detail, (31, 31)), (31, 31)) + np.float32(1e-3))
    picture = np.clip(128 + 42 * detail / spread, 0, 255).astype(np.uint8)
    found, descriptors = cv2.SIFT.create(nfeatures=FEATURES).detectAndCompute(picture, None)
    if descriptors is None or not found:
        return np.zeros((0, 2), np.float32), np.zeros((0, 128), np.uint8)
    lift = scaling((small.shape[0], small.shape[1]), (tiny.shape[0], tiny.shape[1]))
    points = (np.array([k.pt for k in found]) * lift[[0, 1], [0, 1]] + lift[:2, 2]).astype(np.float32)
    order = np.lexsort((points[:, 1], points[:, 0]))  # one order, whatever the detector's
    return points[order], descriptors[order].astype(np.uint8)


_LOG = np.log(np.arange(256, dtype=np.float32) / 255 + np.float32(LOG_OFFSET))

"""What alignment needs to know of one decoded frame, whatever its size and whatever its light.

A sighting is made of one frame alone, so frames can be decoded once, observed in parallel and dropped. It
holds a small grey picture, and crops round a grid of sites at working size (see `WORK_PX`). All frames of one
size have the same sites.

The light-insensitive representation is the gradient over its own local strength: gain and offset of the light fall out.
With its direction doubled, the *polarity* of an edge falls out too, which turns over where a lamp crosses a relief.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .drawer import IN_MEMORY, Drawer, Waiting
from .geometry import STRIP_ROWS, Matrix, scaling
from .unpacked import Pixels, whole

Grey = NDArray[np.uint8]
Field = NDArray[np.float32]

_NO_CROPS = np.empty((0, 0, 0), np.uint8)

SMALL_PX = 1000
"""Most pixels on the long side of the small picture. It is reduced by a whole number, which costs a seventh of any other
factor."""
WHOLE_PX = 1600
"""Up to this long side the picture is kept whole instead of in crops (at most 2.6 MB), px."""
WORK_PX = 4600
"""Above this long side the crops are reduced by a whole number: finer pixels hold noise and interpolation,
px."""
PATCH_PX = 64
"""Side of a patch at working size, px; a multiple of four, as every second pixel is compared, and odd numbers of these
bias a correlation by half a pixel."""
MARGIN_PX = 32
"""Rim of a crop: a frame that moved by less than this need not be decoded again, px at working size."""
EDGE_PX = 14
"""Patches keep this far from the edge of the picture, where filters and the usual motion reach beyond it, px."""
SITES = 240
"""Patches over the picture; with crops of 128 px this is 3.9 MB."""
MIN_SIDE_PX = 48
"""A shorter side holds no patch, px."""
LOG_OFFSET = 0.02
"""Keeps the noise of the black from becoming texture, share of full scale."""
LOG = np.log(np.arange(256, dtype=np.float32) / 255 + np.float32(LOG_OFFSET))
"""Of a grey level."""
NOISE_FLOOR = 0.004
"""Gradient of the logarithm, 1/px, below which a place counts as flat: about a level of an 8-bit mid-grey."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Sighting:
    """One frame as alignment sees it.

    Attributes
    ----------
    shape : (height, width) of the frame, px
    step : int
        Full-size pixels per working pixel.
    small_step : int
        Full-size pixels per pixel of the small picture.
    drawer : Drawer
        Where its pictures wait; by default in memory.
    small : (h, w) uint8
        Grey picture; at working size where there are no crops. Not to be written to.
    crops : (K, side, side) uint8
        Grey crops at working size, in the order of `sites`. Not to be written to.
    corners : (K, 2) int or None
        xy of the crops' first pixels at working size; None where there are no crops.
    problem : str
        Why this frame cannot be aligned; empty where it can.
    """

    shape: tuple[int, int]
    step: int = 1
    small_step: int = 1
    drawer: Drawer = field(default=IN_MEMORY, repr=False)
    small: Waiting = Waiting()
    crops: Waiting = Waiting()
    corners: NDArray[np.int64] | None = field(default=None, repr=False)
    problem: str = ""

    @property
    def work_shape(self) -> tuple[int, int]:
        """Height and width at working size, px."""
        return self.shape[0] // self.step, self.shape[1] // self.step


def observe(pixels: Pixels) -> Sighting:
    """Everything that alignment needs from one decoded frame.

    Parameters
    ----------
    pixels : (H, W, 3) or (H, W) uint8 or uint16, encoded, or a picture in a file

    Returns
    -------
    Sighting
        At most about 5 MB. A frame that is too small, black or without any detail has a ``problem``.
    """
    shape = pixels.shape[0], pixels.shape[1]
    step = max(1, -(-max(shape) // WORK_PX))
    if min(shape) < MIN_SIDE_PX:
        problem = "the picture is too small to be aligned"
        return Sighting(
            shape=shape, step=step, small=_eight_bits(_grey(whole(pixels))), crops=_NO_CROPS, problem=problem
        )
    if max(shape) <= WHOLE_PX or min(shape) // step < 2 * (PATCH_PX + 2 * MARGIN_PX):
        step = small_step = 1
    else:
        small_step = -(-max(shape) // SMALL_PX)
    small = _eight_bits(_reduced_grey(pixels, small_step))
    bare = Sighting(
        shape=shape, step=step, small_step=small_step, small=small, crops=_NO_CROPS, problem=_problem(small)
    )
    return bare if small_step == 1 or bare.problem else with_crops(bare, pixels, np.eye(3))


def with_crops(sighting: Sighting, pixels: Pixels, frame_to_reference: Matrix) -> Sighting:
    """Cut the crops of a sighting anew, where a homography (working size) sends the sites."""
    work, side = sighting.work_shape, PATCH_PX + 2 * MARGIN_PX
    corners = seen_corners(sites(work), frame_to_reference, PATCH_PX, side)
    corners = np.clip(corners, 0, np.array(work[::-1]) - side)
    n = side * sighting.step
    crops = np.empty((len(corners), side, side), np.uint8)
    for y, row in groupby(zip(corners * sighting.step, crops, strict=True), lambda found: int(found[0][1])):
        band = pixels[y : y + n]  # read once for all crops beside each other
        for (x, _), crop in row:
            crop[...] = _eight_bits(reduced(_grey(band[:, x : x + n]), sighting.step))
    return replace(sighting, crops=crops, corners=corners)


def seen_corners(at: NDArray[np.int64], frame_to_reference: Matrix, patch: int, side: int) -> NDArray[np.int64]:
    """First pixels of windows of a frame, round where it sees patches that begin at ``at`` in the reference."""
    centres = at + (patch - 1) / 2
    seen = cv2.perspectiveTransform(centres[:, None], np.linalg.inv(frame_to_reference))[:, 0]
    return np.asarray(np.rint(seen - (side - 1) / 2), np.int64)


def windows(sighting: Sighting, frame_to_reference: Matrix, side: int) -> tuple[NDArray[np.int64], list[Grey]]:
    """Windows of a sighting's crops round where a homography (working size) sends the sites.

    Returns
    -------
    (K, 2) int
        xy of their first pixels at working size.
    list of K (side, side) uint8
    """
    assert sighting.corners is not None
    crops = sighting.crops
    within = seen_corners(sites(sighting.work_shape), frame_to_reference, PATCH_PX, side) - sighting.corners
    within = np.clip(within, 0, crops.shape[1] - side)
    cut = [crop[y : y + side, x : x + side] for crop, (x, y) in zip(crops, within, strict=True)]
    return sighting.corners + within, cut


def sites(shape: tuple[int, int]) -> NDArray[np.int64]:
    """Corners (x, y) of the patches of a picture: (K, 2) even numbers, row by row, the same for all frames of one size."""
    h, w = shape
    side = patch_side(shape)
    rim = min(EDGE_PX, (min(shape) - side) // 2)
    step = max(np.sqrt(h * w / SITES), side / 2)
    counts = [max(2, int((n - side - 2 * rim) // step) + 1) for n in (w, h)]
    xs, ys = (
        2 * np.rint(np.linspace(rim, n - side - rim, k) / 2).astype(np.int64)
        for n, k in zip((w, h), counts, strict=True)
    )
    return np.stack([np.tile(xs, len(ys)), np.repeat(ys, len(xs))], axis=-1)


def patch_side(shape: tuple[int, int]) -> int:
    """Side of a patch, px: smaller in very small pictures."""
    return PATCH_PX if min(shape) >= 4 * PATCH_PX else max(16, min(shape) // 16 * 4)


@dataclass(frozen=True, slots=True, eq=False)
class Gradient:
    """Gradient of the logarithm of a picture, of which light alone changes little but its strength and its sign.

    Attributes
    ----------
    across, along : (h, w) float32, 1/px
    length : (h, w) float32
    typical : (h, w) float32
        Mean length over about 30 px.
    """

    across: Field
    along: Field
    length: Field
    typical: Field

    @classmethod
    def of(cls, grey: Grey) -> Gradient:
        """Gradient of a grey picture, (h, w) uint8."""
        log = cv2.GaussianBlur(cv2.LUT(grey, LOG), (7, 7), 1.0)
        across = np.asarray(cv2.Sobel(log, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8), np.float32)
        along = np.asarray(cv2.Sobel(log, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8), np.float32)
        length = np.sqrt(across * across + along * along) + np.float32(1e-6)  # cv2.magnitude depends on addresses
        # two box filters, which cost the same for any width
        typical = cv2.blur(cv2.blur(length, (15, 15)), (15, 15)) + np.float32(NOISE_FLOOR)
        return cls(across, along, length, typical)

    def doubled(self) -> Field:
        """Direction doubled, strength over the typical one: (h, w, 2), about -3 to 3; the same when an edge turns over."""
        scale = np.float32(1) / (self.length * self.typical)
        gx, gy = self.across, self.along
        return _smooth((gx - gy) * (gx + gy) * scale, gx * gy * (scale * np.float32(2)))

    def signed(self) -> Field:
        """Over its typical strength: (h, w, 2), about -3 to 3; finer than `doubled`, where no edge turned over."""
        scale = np.float32(1) / self.typical
        return _smooth(self.across * scale, self.along * scale)


def _smooth(*channels: Field) -> Field:
    return np.asarray(cv2.merge([cv2.GaussianBlur(c, (7, 7), 1.0) for c in channels]), np.float32)


def enlarging(factor: float) -> Matrix:
    """Matrix from pixels of a picture that `reduced` made to pixels of the one it was made from."""
    return scaling((factor, factor), (1, 1))


def reduced(grey: NDArray[Any], step: int) -> NDArray[Any]:
    """Mean of every ``step`` x ``step`` pixels; what is left over at the right and below is dropped."""
    h, w = grey.shape[0] // step, grey.shape[1] // step
    if step == 1:
        return grey
    return np.asarray(cv2.resize(grey[: h * step, : w * step], (w, h), interpolation=cv2.INTER_AREA))


def _reduced_grey(pixels: Pixels, step: int) -> NDArray[Any]:
    """Luminance of a whole frame, `reduced`, in strips, so that it is never held at full size."""
    rows = max(1, STRIP_ROWS // step) * step
    tops = range(0, pixels.shape[0] // step * step, rows)
    return np.concatenate([reduced(_grey(pixels[top : top + rows]), step) for top in tops])


def _grey(pixels: NDArray[Any]) -> NDArray[Any]:
    """(H, W) uint8 or uint16, encoded."""
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    return pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))


def _eight_bits(grey: NDArray[Any]) -> Grey:
    return np.asarray(grey >> 8 if grey.dtype == np.uint16 else grey).astype(np.uint8, copy=False)


def _problem(small: Grey) -> str:
    share = np.cumsum(np.bincount(small.ravel(), minlength=256)) / small.size
    low, high = np.searchsorted(share, (0.005, 0.995))
    if high <= 3:
        return "the frame is black"
    if low >= 252:
        return "the frame is blown out"
    if high - low < 3:
        return "the frame shows no detail"
    return ""

"""Small tiles of a frame's linear light, all over the picture, fetched where a homography sends them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from . import motion
from .colour import EIGHT, decode_table
from .geometry import Matrix
from .patches import interpolation_of
from .sighting import PATCH_PX, Field, Grey, Sighting, patch_side, sites, windows

Floats = NDArray[np.float64]

TILE_PX = 10
"""Side of a tile, px at working size. Within one the direction of the light must not change, as that looks like a change of
scale. From 20 to 10 px errors fell by a seventh."""
RIM_PX = 1
"""Rim of a tile, for its gradient."""
ACROSS = 3
"""Tiles of one patch, each way: together a sixth of the picture."""
WINDOW_PX = 14
"""Rim of a window round a patch where only crops are kept: for the filters, and for what the matrix may change, px."""
FINE_PX = 0.7
"""Standard deviation of the smoothing of the light: noise of neighbouring pixels, and what interpolation does to it."""
COARSE_PX = 5
"""Side of the box that is passed over twice for the local mean that is taken away, px. Nothing is divided by it: light adds up,
ratios do not, and errors were a fifth larger with them."""
RECUT_PX = 2.0
"""Windows are cut anew where a corner moved by more, px."""


class Light:
    """Linear light of one frame less its local mean.

    Parameters
    ----------
    sighting : Sighting
    frame_to_reference : (3, 3) float64
        At working size; right to about 4 px.
    """

    def __init__(self, sighting: Sighting, frame_to_reference: Matrix) -> None:
        self.shape, self.step = sighting.work_shape, sighting.step
        self.matrix, self.whole = frame_to_reference, sighting.corners is None
        self.corners = corners_of(self.shape)
        if sighting.corners is None:
            self.field = _detail(sighting.small)
            self.first = np.zeros((len(self.corners), 2))
            self.low, self.high = self.first, self.first + np.array(self.shape[::-1]) - 1
            return
        n = PATCH_PX + 2 * WINDOW_PX
        firsts, cut = windows(sighting, frame_to_reference, n)
        self.field = np.concatenate([_detail(window) for window in cut])
        corners = np.repeat(firsts, ACROSS**2, axis=0).astype(np.float64)
        top = np.repeat(np.arange(len(cut)) * n, ACROSS**2)
        self.first = corners - np.stack([np.zeros(len(top)), top], axis=-1)  # of the frame's pixel to that of the field
        self.low, self.high = corners, corners + n - 1

    def serves(self, frame_to_reference: Matrix) -> bool:
        """Whether its windows lie where a homography sends the tiles."""
        return self.whole or motion.apart_px(self.matrix, frame_to_reference, self.shape) < RECUT_PX

    def at(self, frame_to_reference: Matrix) -> Field:
        """Tiles with their rim, (K, n, n), in the reference's geometry; 0 where the frame does not reach."""
        n = TILE_PX + 2 * RIM_PX
        back = np.linalg.inv(frame_to_reference)
        middle = self.corners + (TILE_PX - 1) / 2
        seen = middle @ back[:, :2].T + back[:, 2]
        centre = seen[:, :2] / seen[:, 2:]
        # straight within a tile
        slope = (back[None, :2, :2] - centre[:, :, None] * back[None, 2:, :2]) / seen[:, 2:, None]
        offset = np.arange(n) - (n - 1) / 2
        reach = np.abs(slope).sum(axis=2) * (n / 2 + 2)
        inside = ((centre - reach >= self.low) & (centre + reach <= self.high)).all(axis=1)
        x, y = (
            (centre[:, k] - self.first[:, k])[:, None, None]
            + slope[:, k, 0, None, None] * offset
            + slope[:, k, 1, None, None] * offset[:, None]
            for k in (0, 1)
        )
        flat = (len(self.corners), n * n)
        places = x.astype(np.float32).reshape(flat), y.astype(np.float32).reshape(flat)
        tiles = cv2.remap(self.field, *places, interpolation_of(self.step == 1)).reshape(-1, n, n)
        return np.asarray(tiles * inside[:, None, None].astype(np.float32))


def corners_of(shape: tuple[int, int]) -> NDArray[np.int64]:
    """First pixels (x, y) of the tiles of a picture: (K, 2), those of one patch one after the other."""
    side = patch_side(shape)
    places = np.rint((np.arange(ACROSS) + 0.5) * side / ACROSS - TILE_PX / 2).astype(np.int64)
    within = np.stack([np.tile(places, ACROSS), np.repeat(places, ACROSS)], axis=-1)
    return np.asarray((sites(shape)[:, None] + within).reshape(-1, 2))


def _detail(grey: Grey) -> Field:
    light = cv2.LUT(grey, decode_table(EIGHT))
    box = COARSE_PX, COARSE_PX
    return np.asarray(cv2.GaussianBlur(light - cv2.blur(cv2.blur(light, box), box), (5, 5), FINE_PX), np.float32)

"""How likely each pixel of each frame shows lighting equipment (stand, head, boom, cable, assistant)."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from . import cues
from .previews import Preview


def probability(previews: Sequence[Preview], ambient: Sequence[bool]) -> list[NDArray[np.float32]]:
    """Probability of equipment per pixel.

    Parameters
    ----------
    previews : N of Preview, (h, w), in one geometry and levelled
    ambient : N of bool
        Frames that hold no flash light.

    Returns
    -------
    list of N (h, w) float32, 0-1
        Zero where a frame does not reach, and everywhere for a single frame.
    """
    if len(previews) < 2:
        return [np.zeros(p.shape, np.float32) for p in previews]
    result = []
    for preview, (coarse, _) in zip(previews, cues.measure(previews, ambient), strict=True):
        odd = np.maximum(coarse[15], coarse[22]) - 0.7 * np.maximum(coarse[19], coarse[26])
        clipped_here = np.clip(coarse[11] - coarse[12], 0, 1)
        p = np.clip(1 / (1 + np.exp(-(odd - 1.0) * 5)) + clipped_here * (coarse[3] > 0), 0, 1)
        h, w = preview.shape
        result.append(np.where(preview.valid, cv2.resize(p.astype(np.float32), (w, h)), 0).astype(np.float32))
    return result

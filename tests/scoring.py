"""Score a merged picture against the picture that would exist if the equipment were transparent.

The ideal is rendered: per-pixel maximum of noise-free frames in which stand and head light the scene but are not seen.
Distances are CIE L* and CIEDE2000 (Sharma, Wu, Dalal 2005), by scikit-image.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import tifffile
from skimage.color import deltaE_ciede2000, rgb2lab

BORDER_PX, NEAR_PX = 24, 64
GHOST_L, SMOOTH_L = 4, 12


@dataclass(frozen=True)
class Score:
    ghost_ppm: float
    hole_ppm: float
    elsewhere_ppm: float
    de_mean: float
    align_rms_px: float


def score(scene: Path, pixels: np.ndarray, reference: str, homographies: dict[str, np.ndarray]) -> Score:
    """Compare (H, W, 3) uint16 encoded pixels, in the geometry of frame `reference`, with the scene's ideal."""
    truth = scene / "truth"
    ideal = tifffile.imread(truth / "ideal.tif") / np.float32(65535)
    h, w = ideal.shape[:2]
    true_h = {k: np.array(v, float) for k, v in json.loads((truth / "homographies.json").read_text()).items()}
    composite = cv2.warpPerspective(pixels, true_h[reference], (w, h), flags=cv2.INTER_CUBIC) / np.float32(65535)
    reach = np.zeros((h, w), np.uint8)
    for path in sorted(truth.glob("equipment_*.png")):
        seen = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        reach |= cv2.warpPerspective(seen, true_h[path.stem[-2:]], (w, h), flags=cv2.INTER_NEAREST)
    near = cv2.distanceTransform((reach < 128).astype(np.uint8), cv2.DIST_L2, 5) <= NEAR_PX
    inside = np.zeros((h, w), bool)
    inside[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True

    lab_i, lab_c = rgb2lab(ideal), rgb2lab(composite)
    diff = cv2.medianBlur((lab_c[..., 0] - lab_i[..., 0]).astype(np.float32), 5)
    detail = diff - cv2.GaussianBlur(np.clip(diff, -SMOOTH_L, SMOOTH_L), (0, 0), 40)
    n = inside.sum()
    ppm = {
        "ghost_ppm": ((detail > GHOST_L) | (diff > SMOOTH_L)) & near & inside,
        "hole_ppm": ((detail < -GHOST_L) | (diff < -SMOOTH_L)) & near & inside,
        "elsewhere_ppm": (np.abs(detail) > GHOST_L) & ~near & inside,
    }
    grid = np.stack(np.meshgrid(np.linspace(0, w - 1, 5), np.linspace(0, h - 1, 5)), -1).reshape(-1, 1, 2)
    squares = []
    for name, matrix in homographies.items():
        got = cv2.perspectiveTransform(cv2.perspectiveTransform(grid, matrix), true_h[reference])
        squares.append(((got - cv2.perspectiveTransform(grid, true_h[name])) ** 2).sum(-1).mean())
    return Score(
        **{k: float(1e6 * v.sum() / n) for k, v in ppm.items()},
        de_mean=float(deltaE_ciede2000(lab_i, lab_c)[inside].mean()),
        align_rms_px=float(np.sqrt(np.mean(squares))),
    )

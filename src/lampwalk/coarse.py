"""Where a frame lies roughly: its coarse picture against that of the reference.

Patches of the coarse picture find their place by correlation, from where the frame would lie if it had not moved. Only
where too few of them agree on one motion are features looked for (they cost five times as much).
"""

from __future__ import annotations

from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from . import motion
from .geometry import Matrix, normalised
from .patches import Template, View, Whole
from .sighting import LOG, Field, Grey, Sighting, reduced

COARSE_PX = 512
"""Most pixels on the long side of the coarse picture."""
SHORT_PX = 32
"""Least pixels on its short side: two small patches."""
FEATURES = 1000
"""Features of one frame, the strongest first."""
RATIO = 0.8
"""Best over second-best distance of a feature match (Lowe 2004, from memory)."""
MAGSAC_PX = 1.2
"""Residual of a feature match that still counts, px of the coarse picture."""
MIN_MATCHES = 12
CONFIDENT = 0.45
"""Correlation at which a patch is sure of its place."""
TOGETHER_PX = 1.5
"""A patch that finds its place within this of where the common motion has it agrees, px of the coarse picture."""
PLAIN, PLAIN_SHARE = 20, 0.7
"""Agreeing patches, and their share of the sure ones, from which the first guess is right and no other is tried."""
BETTER = 1.1
"""So many times the agreeing patches make another guess the better one."""
LEAST = 6
"""Patches that say where a frame lies."""


class Coarse:
    """The coarse picture of a frame."""

    def __init__(self, sighting: Sighting) -> None:
        small = sighting.small
        self.step = max(1, min(-(-max(small.shape) // COARSE_PX), min(small.shape) // SHORT_PX))
        self.picture: Grey = reduced(small, self.step)
        self.full_step = self.step * sighting.small_step
        self.view = Whole(self.picture, full_size=self.full_step == 1)

    @cached_property
    def features(self) -> tuple[Field, Field]:
        """Points (N, 2), xy, and descriptors (N, 128): SIFT of the log-normalised picture."""
        log = cv2.LUT(self.picture, LOG)
        detail = log - cv2.blur(cv2.blur(log, (25, 25)), (25, 25))
        spread = np.sqrt(cv2.blur(cv2.blur(detail * detail, (25, 25)), (25, 25)) + np.float32(1e-3))
        picture = np.clip(128 + 42 * detail / spread, 0, 255).astype(np.uint8)
        found, descriptors = cv2.SIFT.create(nfeatures=FEATURES).detectAndCompute(picture, None)
        if descriptors is None or not found:
            return np.zeros((0, 2), np.float32), np.zeros((0, 128), np.float32)
        points = np.array([k.pt for k in found], np.float32)
        order = np.lexsort((points[:, 1], points[:, 0]))  # one order, whatever the detector's
        return points[order], descriptors[order]


def place(template: Template, reference: Coarse, frame: Coarse) -> Matrix:
    """Find the likeliest motion: none but for what the patches see, or what the features say; coarse pixels."""
    best, most, plain = _gathered(template, frame.view, np.eye(3))
    if plain:
        return best
    for candidate in _from_features(reference, frame):
        matrix, agreeing, _ = _gathered(template, frame.view, candidate)
        if agreeing > BETTER * most:
            best, most = matrix, agreeing
    return best


def _gathered(template: Template, view: View, matrix: Matrix) -> tuple[Matrix, int, bool]:
    """Motion on which most patches agree, how many do, and whether that says enough."""
    displacements, peak = template.peaks(view.at(matrix))
    sure = peak > CONFIDENT
    better, agreeing = common_motion(template, displacements, sure, matrix, view.shape)
    return better, agreeing, agreeing >= PLAIN and agreeing >= PLAIN_SHARE * int(sure.sum())


def common_motion(
    template: Template, displacements: motion.Floats, sure: NDArray[np.bool_], matrix: Matrix, shape: tuple[int, int]
) -> tuple[Matrix, int]:
    """Turn with zoom that most of the sure patches share, and how many; the matrix given where they are too few.

    Parameters
    ----------
    template : Template
    displacements : (K, 2) px, xy
        Of the patches as the matrix brings them.
    sure : (K,) bool
    matrix : (3, 3) float64
    shape : (height, width) of the view, px
    """
    if int(sure.sum()) < LEAST:
        return matrix, 0
    data = motion.displaced(template.centres, displacements, matrix, shape, usable=sure)
    fit = motion.fit(data, 4, motion.USUAL_BEND)
    unit = max(shape) / 2
    agreeing = int((sure & (np.hypot(*fit.residuals.T) * unit < TOGETHER_PX)).sum())
    to_unit = motion.unit_matrix(shape)
    change = motion.matrix_of(fit.parameters, motion.USUAL_BEND)
    return normalised(np.linalg.inv(to_unit) @ change @ to_unit), agreeing


def _from_features(reference: Coarse, frame: Coarse) -> list[Matrix]:
    """Motions that features suggest: a shift, and a homography if there is a likely one."""
    (theirs, their_words), (ours, our_words) = reference.features, frame.features
    if min(len(theirs), len(ours)) < MIN_MATCHES:
        return []
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(our_words, their_words, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < RATIO * p[1].distance]
    if len(good) < MIN_MATCHES:
        return []
    src, dst = ours[[m.queryIdx for m in good]], theirs[[m.trainIdx for m in good]]
    shift = np.eye(3)
    shift[:2, 2] = np.median(dst - src, axis=0)
    matrix, inside = cv2.findHomography(src, dst, cv2.USAC_MAGSAC, MAGSAC_PX, maxIters=2000, confidence=0.999)
    if matrix is None or not np.isfinite(matrix).all() or int(inside.sum()) < MIN_MATCHES:
        return [shift]
    by_features = np.array(matrix, dtype=np.float64)
    sane = abs(by_features[2, 2]) > 0.1 and not motion.impossible(normalised(by_features), frame.view.shape)
    return [shift, normalised(by_features)] if sane else [shift]

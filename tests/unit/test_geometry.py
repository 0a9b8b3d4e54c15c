from __future__ import annotations

import cv2
import numpy as np

from lampwalk import geometry

TILT = np.array([[1.0002, 0.003, -4.3], [-0.003, 0.9999, 6.2], [1e-6, -2e-6, 1.0]])


def test_lifting_a_homography_matches_moving_full_size_points():
    """A homography found on a preview says the same about the picture, to the half pixel."""
    full, small = (800, 1200), (200, 300)
    s = geometry.scaling(full, small)
    point = np.array([[[100.0, 50.0]]])
    assert np.allclose(cv2.perspectiveTransform(point, s), [[[401.5, 201.5]]])
    moved = cv2.perspectiveTransform(cv2.perspectiveTransform(point, geometry.to_small(TILT, full, small)), s)
    assert np.allclose(moved, cv2.perspectiveTransform(cv2.perspectiveTransform(point, s), TILT))

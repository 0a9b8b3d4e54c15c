from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import geometry, previews


@pytest.mark.parametrize("shape", [(801, 1202), (1500, 2250), (1999, 3001), (2731, 4096)])
def test_a_preview_lies_where_geometry_says(shape):
    """A blob's centre in the preview, brought to full size, is the blob's centre, at any ratio of sizes."""
    centre = np.array([shape[1] * 0.37, shape[0] * 0.61])
    x, y = np.meshgrid(np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32))
    sigma = max(shape) / 40
    blob = np.exp(-((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / (2 * sigma**2))
    small = previews.shrink((blob * 60000).astype(np.uint16)).astype(np.float64)
    assert max(small.shape) == previews.LONG_SIDE
    m = cv2.moments(small)
    found = np.array([[[m["m10"] / m["m00"], m["m01"] / m["m00"]]]])
    lifted = cv2.perspectiveTransform(found, geometry.scaling(shape, small.shape))[0, 0]
    assert np.abs(lifted - centre).max() < 0.05


def test_small_pictures_are_taken_as_they_are():
    picture = np.zeros((30, 40, 3), np.uint8)
    assert previews.shrink(picture) is picture


def test_clipped_and_linear():
    picture = np.zeros((4, 4, 3), np.uint8)
    picture[0, 0] = (255, 10, 10)
    preview = previews.make_preview("a", picture)
    assert preview.clipped.sum() == 1
    assert preview.linear[0, 0, 0] == 1
    assert preview.linear[0, 0, 1] == pytest.approx(10 / 255 / 12.92, rel=5e-4)  # IEC 61966-2-1, straight part

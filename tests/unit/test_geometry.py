from __future__ import annotations

import cv2
import numpy as np
import pytest

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


def test_identity_passes_the_very_same_pixels():
    picture = np.random.default_rng(1).integers(0, 65535, (300, 40, 3), np.uint16)
    assert geometry.warp_strip(picture, np.eye(3), slice(0, 256)).base is picture


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_moved_frame_is_nowhere_brighter_than_the_four_pixels_round_each_place(dtype):
    """A cubic overshoots beside edges (here by a tenth and more); a maximum would collect that."""
    rng = np.random.default_rng(4)
    picture = (rng.random((200, 300, 3)) * np.iinfo(dtype).max / 2).astype(dtype)
    strip = geometry.warp_strip(picture, TILT, slice(20, 180))
    back = np.linalg.inv(TILT)
    rows, cols = np.mgrid[20:180, 0:300]
    x, y = cv2.perspectiveTransform(np.dstack([cols, rows]).astype(float).reshape(1, -1, 2), back)[0].T
    inside = (
        (x > 2) & (x < 296) & (y > 2) & (y < 196) & (np.abs(x - np.rint(x)) > 0.04) & (np.abs(y - np.rint(y)) > 0.04)
    )
    x0, y0 = np.floor(x[inside]).astype(int), np.floor(y[inside]).astype(int)
    brightest = np.max([picture[y0 + j, x0 + i] for i in (0, 1) for j in (0, 1)], axis=0)
    got = strip.reshape(-1, 3)[inside]
    assert (got <= brightest).all()
    bare = cv2.warpPerspective(picture, TILT, (300, 200), flags=cv2.INTER_CUBIC)[20:180].reshape(-1, 3)[inside]
    assert (bare > brightest).mean() > 0.01


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_strips_agree_with_the_whole_within_the_known_rounding(dtype):
    """OpenCV's cubic differs between strips and whole by float32 coordinates only."""
    rng = np.random.default_rng(2)
    top = np.iinfo(dtype).max
    picture = cv2.GaussianBlur(rng.random((600, 500, 3)), (0, 0), 3)
    picture = (picture / picture.max() * top).astype(dtype)
    whole = cv2.warpPerspective(picture, TILT, (500, 600), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    for start in range(0, 600, geometry.STRIP_ROWS):
        rows = slice(start, min(start + geometry.STRIP_ROWS, 600))
        strip = geometry.warp_strip(picture, TILT, rows)
        inside = strip.any(axis=2)
        assert inside.mean() > 0.9
        assert np.abs(strip.astype(float) - whole[rows])[inside].max() <= top / 200


def test_outside_of_the_frame_is_black_and_inside_is_not():
    """Exactly the pixels whose source lies inside the frame have light."""
    picture = np.full((300, 400, 3), 200, np.uint8)
    got = np.vstack([geometry.warp_strip(picture, TILT, slice(t, min(t + 256, 300))) for t in (0, 256)])
    x, y = np.meshgrid(np.arange(400.0), np.arange(300.0))
    source = cv2.perspectiveTransform(np.stack([x, y], -1).reshape(-1, 1, 2), np.linalg.inv(TILT)).reshape(300, 400, 2)
    inside = (source >= 0).all(-1) & (source[..., 0] <= 399) & (source[..., 1] <= 299)
    assert 0 < (~inside).sum() < 20000
    assert np.array_equal(got[..., 0] > 0, inside)
    assert (got[inside] == 200).all()  # no overshoot at the border that a maximum would collect

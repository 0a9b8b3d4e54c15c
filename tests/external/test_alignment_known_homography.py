"""Pictures and homographies that were not made here.

- H1to3p, the homography of the graffiti pair 1 -> 3 (Mikolajczyk's set), as in OpenCV, samples/data/H1to3p.xml.
- Pictures that ship with scikit-image; `stereo_motorcycle` is a rectified stereo pair of the Middlebury 2014 set.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from lampwalk import geometry, motion
from lampwalk.alignment import solve
from lampwalk.sighting import observe

H1TO3 = np.array(
    [
        [0.76285898, -0.29922929, 225.67123],
        [0.33443473, 1.0143901, -76.999973],
        [3.4663091e-4, -1.4364524e-5, 1.0],
    ]
)


def lit(picture: np.ndarray, left: bool) -> np.ndarray:
    """(H, W, 3) uint8 under a lamp at the left or right, with a hard shadow and ambient light."""
    h, w = picture.shape[:2]
    y, x = np.mgrid[:h, :w].astype(np.float32)
    lamp = -0.1 * w if left else 1.1 * w
    light = 0.12 + 1.2 / (1 + ((x - lamp) / (0.4 * w)) ** 2 + ((y - 0.3 * h) / h) ** 2)
    shadow = x + 0.5 * y > 0.5 * w if left else x - 0.4 * y < 0.4 * w
    light = np.where(shadow, light, 0.12 + 0.1 * (light - 0.12))
    linear = (picture[..., :3].astype(np.float32) / 255) ** 2.2 * light[..., None]
    linear += np.random.default_rng(int(left)).normal(0, 0.002, linear.shape)
    return np.rint(np.clip(linear, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)


def turned(size: tuple[int, int]) -> np.ndarray:
    """Homography K R K^-1 of a camera that turned by a fifth of a degree (textbook projective geometry)."""
    w, h = size
    lens = np.array([[0.8 * w, 0, (w - 1) / 2], [0, 0.8 * w, (h - 1) / 2], [0, 0, 1]])
    matrix = lens @ cv2.Rodrigues(np.array([0.0025, 0.0035, -0.0014]))[0] @ np.linalg.inv(lens)
    return matrix / matrix[2, 2]


def grid(size: tuple[int, int]) -> np.ndarray:
    return np.stack(np.meshgrid(*(np.linspace(0, n - 1, 5) for n in size)), -1).reshape(-1, 1, 2)


def rms(found: np.ndarray, true: np.ndarray, size: tuple[int, int]) -> float:
    apart = cv2.perspectiveTransform(grid(size), found) - cv2.perspectiveTransform(grid(size), true)
    return float(np.sqrt((apart**2).sum(-1).mean()))


def test_moved_maps_points_as_the_published_homography():
    got = geometry.moved(np.array([[0.0, 0.0], [400.0, 320.0]]), H1TO3)
    np.testing.assert_allclose(got, [[225.67123, -76.999973], [383.6332, 336.2963]], atol=1e-3)


def test_the_bend_of_a_known_lens_is_found():
    """Turns K R K^-1 at 28 mm and 36 mm width, so (18 / 28)^2 = 0.413; points with noise of 0.1 px at 1200 px."""
    rng = np.random.default_rng(5)
    focal = 28 / 18
    lens = np.diag([focal, focal, 1.0])
    frames = []
    for turn in ((0.004, 0.002, 0.001), (-0.02, 0.01, 0.002), (0.001, -0.012, -0.001)):
        matrix = lens @ cv2.Rodrigues(np.array(turn))[0] @ np.linalg.inv(lens)
        points = rng.uniform(-1, 1, (200, 2)) * (1, 0.67)
        frames.append(
            motion.Displacements(
                seen=points,
                found=geometry.moved(points, matrix / matrix[2, 2]) + rng.normal(0, 0.1 / 600, (200, 2)),
                information=np.tile(np.eye(2) * (600 / 0.1) ** 2, (200, 1, 1)),
                usable=np.ones(200, bool),
            )
        )
    assert motion.common_bend(frames) == pytest.approx((18 / 28) ** 2, abs=0.01)


def test_the_cubic_of_the_merge_displaces_a_ramp():
    """Keys 1981: of the cubic convolutions only a = -1/2 keeps a ramp; with a = -3/4, which OpenCV takes, it is displaced."""

    def weight(x: float, a: float = -0.75) -> float:
        x = abs(x)
        if x < 1:
            return (a + 2) * x**3 - (a + 3) * x**2 + 1
        return a * x**3 - 5 * a * x**2 + 8 * a * x - 4 * a

    by_hand = sum(k * weight(0.25 - k) for k in (-1, 0, 1, 2))
    ramp = np.tile(np.arange(64, dtype=np.float32), (16, 1))
    shift = np.array([[1, 0, -0.25], [0, 1, 0], [0, 0, 1.0]])
    read = cv2.warpPerspective(ramp, shift, (64, 16), flags=cv2.INTER_CUBIC)[8, 30] - 30
    assert by_hand == pytest.approx(0.296875)
    assert read == pytest.approx(by_hand, abs=1e-4)


def test_the_fit_finds_the_published_homography_from_its_own_points_among_outliers():
    """800x640 picture; a quarter of the points are thrown elsewhere. Scaled to the size of tripod motion by its root."""
    values, vectors = np.linalg.eig(H1TO3)
    small = np.real(vectors @ np.diag(values.astype(complex) ** 0.05) @ np.linalg.inv(vectors))
    small /= small[2, 2]
    to_unit = np.array([[1 / 400, 0, -399.5 / 400], [0, 1 / 400, -319.5 / 400], [0, 0, 1]])
    true = to_unit @ small @ np.linalg.inv(to_unit)
    rng = np.random.default_rng(3)
    points = rng.uniform(-1, 1, (300, 2)) * (1, 0.8)
    found = geometry.moved(points, true / true[2, 2])
    found[:75] += rng.uniform(-0.05, 0.05, (75, 2))
    data = motion.Displacements(
        seen=points,
        found=found,
        information=np.tile(np.eye(2) * (400 / 0.05) ** 2, (300, 1, 1)),
        usable=np.ones(300, bool),
    )
    fit = motion.fit(data, 8, 0.25)
    got = np.linalg.inv(to_unit) @ motion.matrix_of(fit.parameters, 0.25) @ to_unit
    assert rms(got, small, (800, 640)) < 0.05


@pytest.mark.parametrize(
    ("name", "most"),
    [("astronaut", 0.05), ("coffee", 0.05), ("brick", 0.05), ("rocket", 0.1)],  # the last is nearly all sky and smoke
)
def test_shipped_pictures_under_two_lamps(name, most):
    picture = getattr(skimage.data, name)()
    picture = np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture
    h, w = picture.shape[:2]
    true = turned((w, h))
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    moved = cv2.warpPerspective(picture, true, (w, h), flags=flags, borderMode=cv2.BORDER_REFLECT)
    found = solve([observe(lit(picture, True)), observe(lit(moved, False))], reference=0)[1]
    assert found.verdict != "refused"
    assert rms(found.frame_to_reference, true, (w, h)) < most


def test_a_stereo_pair_is_not_aligned():
    """Disparities of the pair differ by tens of pixels over the picture: no homography mends that."""
    left, right, _ = skimage.data.stereo_motorcycle()
    assert solve([observe(left), observe(right)], reference=0)[1].verdict == "refused"

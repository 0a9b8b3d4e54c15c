from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import geometry, light, resampling
from lampwalk.bench import Bench

TILT = np.array([[1.0002, 0.003, -4.3], [-0.003, 0.9999, 6.2], [1e-6, -2e-6, 1.0]])


def moved_strip(picture, motion, rows):
    """All tiles of one strip, 65535 = full."""
    grid = geometry.tiles(slice(0, picture.shape[1]), picture.shape[1])
    strip = np.hstack([tile.copy() for tile in resampling.warp_tiles(picture, motion, rows, grid, Bench())])
    return light.relight(strip, levels=resampling.levels_of(picture, motion))


def test_identity_passes_the_very_same_pixels():
    picture = np.random.default_rng(1).integers(0, 65535, (300, 40, 3), np.uint16)
    (tile,) = resampling.warp_tiles(picture, np.eye(3), slice(0, 256), [slice(0, 40)], Bench())
    assert tile.base is picture


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_moved_frame_is_nowhere_brighter_than_the_four_pixels_round_each_place(dtype):
    """A cubic overshoots beside edges (here by a tenth and more); a maximum would collect that."""
    rng = np.random.default_rng(4)
    picture = (rng.random((200, 300, 3)) * np.iinfo(dtype).max / 2).astype(dtype)
    strip = moved_strip(picture, TILT, slice(20, 180))
    back = np.linalg.inv(TILT)
    rows, cols = np.mgrid[20:180, 0:300]
    x, y = cv2.perspectiveTransform(np.dstack([cols, rows]).astype(float).reshape(1, -1, 2), back)[0].T
    inside = (
        (x > 2) & (x < 296) & (y > 2) & (y < 196) & (np.abs(x - np.rint(x)) > 0.04) & (np.abs(y - np.rint(y)) > 0.04)
    )
    x0, y0 = np.floor(x[inside]).astype(int), np.floor(y[inside]).astype(int)
    brightest = np.max([picture[y0 + j, x0 + i] for i in (0, 1) for j in (0, 1)], axis=0)
    got = strip.reshape(-1, 3)[inside]
    assert (got <= brightest.astype(int) * (65535 // np.iinfo(dtype).max)).all()
    bare = cv2.warpPerspective(picture, TILT, (300, 200), flags=cv2.INTER_CUBIC)[20:180].reshape(-1, 3)[inside]
    assert (bare > brightest).mean() > 0.01


def weights(f, strength):
    """Weights of the four nearest pixels at a fraction f of a pixel: a bilinear interpolation of the sharpened picture."""
    k = strength * f * (1 - f)
    return [-(1 - f) * k, (1 - f) * (1 + 2 * k) - f * k, f * (1 + 2 * k) - (1 - f) * k, -f * k]


def pixel_by_pixel(picture, back, rows, cols, strength):
    """Separable interpolation at every pixel of a window, in float64, kept below the brightest of the four next pixels."""
    y, x = np.mgrid[rows, cols].astype(float)
    x, y = cv2.perspectiveTransform(np.stack([x, y], -1).reshape(-1, 1, 2), back)[:, 0].T
    left, top = np.floor(x).astype(int), np.floor(y).astype(int)
    total, brightest = np.zeros((len(x), 3)), np.zeros((len(x), 3))
    for i, a in zip(range(-1, 3), weights(x - left, strength), strict=True):
        for j, b in zip(range(-1, 3), weights(y - top, strength), strict=True):
            near = picture[np.clip(top + j, 0, picture.shape[0] - 1), np.clip(left + i, 0, picture.shape[1] - 1)]
            total += (a * b)[:, None] * near
            if i in (0, 1) and j in (0, 1):
                brightest = np.maximum(brightest, near)
    return np.clip(total, 0, brightest).reshape(rows.stop - rows.start, -1, 3)


def test_the_weights_at_half_strength_are_those_of_keys():
    """Keys (1981), equation 15: s^3 (a + 2) - s^2 (a + 3) + 1 within a pixel, a (s^3 - 5 s^2 + 8 s - 4) beyond; a = -1/2."""
    f, a = np.linspace(0, 1, 11), -0.5

    def near(s):
        return (a + 2) * s**3 - (a + 3) * s**2 + 1

    def far(s):
        return a * (s**3 - 5 * s**2 + 8 * s - 4)

    assert np.allclose(weights(f, 0.5), [far(1 + f), near(f), near(1 - f), far(2 - f)])


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize(("turn", "share"), [(0.0, 0.02), (0.0005, 0.1), (0.003, 0.2)])
def test_a_strip_is_interpolated_as_sharply_as_pixel_by_pixel(dtype, turn, share):
    """Sharpening in blocks and a bilinear warp do what weights of each place would do."""
    rng = np.random.default_rng(2)
    picture = cv2.GaussianBlur(rng.random((700, 1100, 3)), (0, 0), 1.0)
    picture = ((picture - 0.3) / 0.4 * 0.8 * np.iinfo(dtype).max).clip(0, np.iinfo(dtype).max).astype(dtype)
    motion = np.array([[1, -turn, 1.35], [turn, 1, -2.2], [0, 0, 1.0]])
    rows, cols = slice(256, 512), slice(0, 1100)
    full = 257 if dtype == np.uint8 else 1
    want = pixel_by_pixel(picture.astype(float), np.linalg.inv(motion), rows, cols, resampling.STRENGTH) * full
    soft = pixel_by_pixel(picture.astype(float), np.linalg.inv(motion), rows, cols, 0) * full
    got = moved_strip(picture, motion, rows)
    assert got.dtype == np.uint16
    rms, of = (np.sqrt(((part - want)[:, 8:-8] ** 2).mean()) for part in (got, soft))
    assert rms < share * of


@pytest.mark.parametrize(("dtype", "levels"), [(np.uint8, 0.02), (np.uint16, 0.002)])
def test_the_hardest_contrasts_do_not_run_over(dtype, levels):
    """Black and white pixels side by side, moved by half a pixel each way: the largest overshoot that there is; 8-bit levels, rms."""
    picture = np.random.default_rng(7).integers(0, 2, (256, 600, 1)).astype(dtype).repeat(3, 2) * np.iinfo(dtype).max
    motion = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    rows, cols = slice(0, 256), slice(0, 600)
    want = pixel_by_pixel(picture.astype(float), np.linalg.inv(motion), rows, cols, resampling.STRENGTH)
    want *= 65535 / np.iinfo(dtype).max
    off = (moved_strip(picture, motion, rows) - want)[8:-8, 8:-8] / 257
    assert np.sqrt((off**2).mean()) < levels
    assert np.abs(off).max() < 0.1


def test_a_ramp_is_not_displaced():
    """OpenCV's cubic (a = -3/4) displaces it by up to 0.048 px."""
    picture = np.tile(np.arange(0, 60000, 100, dtype=np.uint16)[None, :, None], (64, 1, 3))
    moved = moved_strip(picture, np.array([[1, 0, 0.25], [0, 1, 0], [0, 0, 1.0]]), slice(0, 64))
    assert np.abs(moved[8:-8, 8:-8].astype(float) - (picture[8:-8, 8:-8] - 25.0)).max() <= 0.5


def test_a_part_of_a_mask_has_the_bits_of_the_whole():
    mask = np.random.default_rng(8).integers(0, 255, (300, 1300), np.uint8)
    whole = resampling.warp_mask_strip(mask, TILT, slice(0, 256), slice(0, 1300))
    for cols in (slice(700, 720), slice(511, 1025)):
        assert np.array_equal(resampling.warp_mask_strip(mask, TILT, slice(0, 256), cols), whole[:, cols])


def test_a_mask_moves_like_the_picture():
    mask = np.zeros((300, 700), np.uint8)
    mask[100:140, 520:560] = 255
    strip = resampling.warp_mask_strip(mask, TILT, slice(0, 256), slice(0, 700))
    y, x = (c.mean() for c in np.nonzero(strip > 127))
    want = cv2.perspectiveTransform(np.array([[[539.5, 119.5]]]), TILT)[0, 0]
    assert np.abs(np.array([x, y]) - want).max() < 0.3
    assert resampling.warp_mask_strip(mask, np.eye(3), slice(0, 256), slice(500, 600)).sum() == 40 * 40 * 255


def test_outside_of_the_frame_is_black_and_inside_is_not():
    """Exactly the pixels whose source lies inside the frame have light."""
    picture = np.full((300, 400, 3), 200, np.uint8)
    got = np.vstack([moved_strip(picture, TILT, slice(t, min(t + 256, 300))) for t in (0, 256)])
    x, y = np.meshgrid(np.arange(400.0), np.arange(300.0))
    source = cv2.perspectiveTransform(np.stack([x, y], -1).reshape(-1, 1, 2), np.linalg.inv(TILT)).reshape(300, 400, 2)
    inside = (source >= 0).all(-1) & (source[..., 0] <= 399) & (source[..., 1] <= 299)
    assert 0 < (~inside).sum() < 20000
    assert np.array_equal(got[..., 0] > 0, inside)
    assert (got[inside] == 200 * 257).all()  # no overshoot at the border that a maximum would collect

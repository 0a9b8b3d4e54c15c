"""Glow: stray light that is put into a made scene with a known kernel must be found and nothing else."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import glow, glowfit
from lampwalk.previews import Preview

H, W = 240, 360
HEADS = ((90, 100), (80, 250), (120, 180))


def preview(name, linear, clipped=None):
    clipped = linear.max(axis=2) >= 1 if clipped is None else clipped
    return Preview(
        name=name,
        linear=np.clip(linear, 0, 1).astype(np.float32),
        clipped=clipped,
        valid=np.ones((H, W), bool),
        full_shape=(H, W),
    )


def scattered(row, column, radius=12):
    """Glow (h, w) that falls with the 2.5th power far out (lenses: about 2 to 3, from memory)."""
    y, x = np.indices((H, W))
    r = np.hypot(y - row, x - column)
    return 0.45 / (1 + (np.maximum(r - radius, 0) / 12) ** 2.5), r <= radius


def scene(*, ambient=True, lamp=0.0, glow_scale=(1.0, 1.0, 1.0), seed=4):
    """Three lamp frames with a head each before a dim textured background; what was added; the masks."""
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.random((H, W)).astype(np.float32), (0, 0), 2)
    albedo = np.clip(0.3 + 1.5 * (texture - texture.mean()), 0.05, 1)[..., None] * np.ones(3, np.float32)
    plate = 0.05 * albedo
    frames, added, hidden = [], [], []
    for (row, column), scale in zip(HEADS, glow_scale, strict=True):
        stray, head = scattered(row, column)
        light = plate + lamp * albedo * np.linspace(1, 0, H, dtype=np.float32)[::-1, None, None]
        noisy = light + scale * stray[..., None] + rng.normal(0, 1e-3, (H, W, 3))
        noisy[head] = 1
        frames.append(preview(f"{row}", noisy))
        added.append(np.where(head, 0, scale * stray)[..., None].repeat(3, axis=2))
        hidden.append(cv2.dilate(head.astype(np.uint8) * 255, np.ones((5, 5), np.uint8)))
    if ambient:
        frames.append(preview("plate", plate + rng.normal(0, 1e-3, (H, W, 3))))
        hidden.append(np.zeros((H, W), np.uint8))
    flags = [False] * 3 + [True] * ambient
    return frames, hidden, flags, added


@pytest.mark.parametrize("ambient", [True, False])
def test_known_glow_is_found_within_a_tenth(ambient):
    frames, hidden, flags, added = scene(ambient=ambient)
    fields = glow.estimate(frames, hidden, flags)
    for field, truth, mask in zip(fields[:3], added, hidden, strict=False):
        near = (mask == 0) & (truth[..., 0] > 0.05)
        left = np.abs(field - truth)[near]
        assert np.median(left / truth[near]) < 0.1
        assert left.sum() < 0.1 * truth[near].sum()


def test_each_head_has_its_own_strength():
    frames, hidden, flags, added = scene(glow_scale=(1.0, 0.5, 0.8))
    fields = glow.estimate(frames, hidden, flags)
    for field, truth, mask in zip(fields[:3], added, hidden, strict=False):
        near = (mask == 0) & (truth[..., 0] > 0.05)
        assert field[near].sum() == pytest.approx(truth[near].sum(), rel=0.1)


def test_lamp_light_on_the_scene_is_left():
    """Light on the ground that grows away from the heads is no glow; at most a tenth of it may go."""
    lit, hidden, flags, _ = scene(lamp=0.4, glow_scale=(0.0, 0.0, 0.0))
    fields = glow.estimate(lit, hidden, flags)
    for frame, field, mask in zip(lit[:3], fields[:3], hidden, strict=False):
        far = (mask == 0) & (np.indices((H, W))[0] > 180)
        assert field[far].sum() < 0.1 * frame.linear[far].sum()


def test_what_is_left_stays_above_the_plate():
    frames, hidden, flags, _ = scene()
    plate = cv2.GaussianBlur(frames[3].linear, (0, 0), 3)
    for frame, field, mask in zip(frames[:3], glow.estimate(frames, hidden, flags)[:3], hidden, strict=False):
        away = cv2.dilate(mask, np.ones((31, 31), np.uint8)) == 0
        left = cv2.GaussianBlur(frame.linear - field, (0, 0), 3)
        assert (left - plate)[away].min() > -0.006


def test_no_mask_means_no_glow():
    frames, hidden, flags, _ = scene()
    assert glow.estimate(frames, [np.zeros_like(m) for m in hidden], flags) == (None,) * 4


def test_a_dark_head_means_no_glow():
    frames, hidden, flags, _ = scene()
    dull = [preview(f.name, 0.5 * f.linear) for f in frames]
    assert glow.estimate(dull, hidden, flags) == (None,) * 4


def test_lit_ground_that_runs_out_of_the_mask_is_no_head():
    frames, hidden, flags, _ = scene()
    pool = frames[0].linear.copy()
    pool[100:220, 20:340] = 1
    frames[0] = preview("pool", pool)
    assert glow.estimate(frames, hidden, flags)[0] is None


def test_the_head_is_taken_whole_where_the_mask_misses_a_piece():
    frames, hidden, flags, _ = scene()
    row, column = HEADS[0]
    hidden[0] = hidden[0].copy()
    hidden[0][:, column + 4 :] = 0
    field = glow.estimate(frames, hidden, flags)[0]
    assert field[row - 6 : row + 7, column + 4 : column + 10].min() == 1


@pytest.mark.parametrize("count", [1, 2])
def test_few_frames_do(count):
    frames, hidden, _, added = scene()
    fields = glow.estimate(frames[:count], hidden[:count], [False] * count)
    assert len(fields) == count
    for field, truth in zip(fields, added, strict=False):
        assert field.shape == (H, W, 3)
        assert field.dtype == np.float32
        assert np.isfinite(field).all()
        assert truth.shape == field.shape


def test_same_input_same_bytes():
    frames, hidden, flags, _ = scene()
    first, second = (glow.estimate(frames, hidden, flags) for _ in range(2))
    assert all(np.array_equal(a, b) for a, b in zip(first[:3], second[:3], strict=True))


def test_odd_sizes_and_a_head_cut_by_the_edge():
    frames, hidden, flags, _ = scene()
    cut = [
        Preview(
            name=f.name,
            linear=f.linear[81:, :357],
            clipped=f.clipped[81:, :357],
            valid=f.valid[81:, :357],
            full_shape=(H - 81, 357),
        )
        for f in frames
    ]
    fields = glow.estimate(cut, [m[81:, :357] for m in hidden], flags)
    assert all(f.shape == (H - 81, 357, 3) and np.isfinite(f).all() for f in fields[:3])


def test_not_negative_least_squares_agree_with_scipy():
    """Reference: scipy.optimize.nnls (Lawson and Hanson's own algorithm)."""
    from scipy.optimize import nnls

    rng = np.random.default_rng(8)
    for k in (1, 2, 7, 12):
        for _ in range(40):
            a, b = rng.normal(0.3, 1, (30, k)), rng.normal(0, 1, 30)
            found = glowfit._not_negative(a.T @ a, a.T @ b)
            assert (found >= 0).all()
            np.testing.assert_allclose(found, nnls(a, b)[0], atol=1e-7)


def test_not_negative_least_squares_of_nothing_are_zero():
    assert np.array_equal(glowfit._not_negative(np.eye(3), np.array([-1.0, 0.0, -2.0])), np.zeros(3))


def test_a_weak_large_head_does_not_hold_back_the_strong_ones():
    """A softbox glows a tenth as much for its area as a bare reflector; each keeps its own strength."""
    frames, hidden, flags, added = scene(glow_scale=(1.0, 1.0, 0.1))
    y, x = np.indices((H, W))
    box = (np.abs(y - HEADS[2][0]) < 45) & (np.abs(x - HEADS[2][1]) < 45)
    light = frames[2].linear.copy()
    light[box] = 1
    frames[2] = preview("box", light)
    hidden[2] = cv2.dilate(box.astype(np.uint8) * 255, np.ones((5, 5), np.uint8))
    fields = glow.estimate(frames, hidden, flags)
    for field, truth, mask in zip(fields[:2], added, hidden, strict=False):
        near = (mask == 0) & (truth[..., 0] > 0.05)
        assert field[near].sum() == pytest.approx(truth[near].sum(), rel=0.15)


def test_weak_glow_before_a_bright_uneven_sky_is_found():
    """Daylight that is off by some hundredths, up and down, must not drive the strength to zero."""
    frames, hidden, flags, added = scene(glow_scale=(0.1, 0.1, 0.1))
    rng = np.random.default_rng(3)
    bright = []
    for f in frames:
        off = cv2.resize(rng.normal(0, 0.006, (60, 90)).astype(np.float32), (W, H))[..., None]
        bright.append(preview(f.name, np.where(f.clipped[..., None], 1, f.linear + 0.15 + off), f.clipped))
    fields = glow.estimate(bright, hidden, flags)
    for field, truth, mask in zip(fields[:3], added, hidden, strict=False):
        away = cv2.dilate(mask, np.ones((9, 9), np.uint8)) == 0  # the head itself is taken whole
        near = away & (truth[..., 0] > 0.01)
        assert field[near].sum() == pytest.approx(truth[near].sum(), rel=0.35)


def test_burnt_out_ground_half_hidden_is_no_head():
    frames, hidden, flags, _ = scene()
    y, x = np.indices((H, W))
    ragged = ((x // 6 + y // 6) % 2 == 0) | ((y % 12 < 2) | (x % 12 < 2))
    pool = ((y > 190) & (y < 230) & (x > 60) & (x < 160)) & ragged
    pool |= ((np.abs(y - 210) < 2) & (x > 60) & (x < 330)) | ((np.abs(x - 300) < 2) & (y > 150))
    light = np.where(pool[..., None], 1, frames[0].linear)
    frames[0] = preview("pool", light)
    hidden[0] = hidden[0].copy()
    hidden[0][180:, 60:130] = 255
    field = glow.estimate(frames, hidden, flags)[0]
    assert field[pool].mean() < 0.5


ODD = {
    "all clipped": (lambda y, x: np.ones((64, 64), bool), 255),
    "a corner": (lambda y, x: (y < 6) & (x < 6), None),
    "one line": (lambda y, x: y == 31, None),
    "a speck": (lambda y, x: (np.abs(y - 20) < 2) & (np.abs(x - 20) < 2), None),
    "nearly all": (lambda y, x: y > 1, 255),
    "two corners": (lambda y, x: ((y < 5) & (x < 5)) | ((y > 58) & (x > 58)), None),
}


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("size", [(64, 64), (63, 41)])
@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("black", [False, True])
def test_odd_heads_do_no_harm(name, size, count, black):
    shape, full = ODD[name]
    y, x = np.indices((64, 64))
    head = shape(y, x)
    mask = np.full((64, 64), 255, np.uint8) if full else cv2.dilate(head.astype(np.uint8) * 255, np.ones((3, 3)))
    rng = np.random.default_rng(1)
    h, w = size
    frames = []
    for _ in range(count):
        light = np.zeros((64, 64, 3)) if black else rng.uniform(0, 0.2, (64, 64, 3))
        light[head] = 1
        frames.append(
            Preview(
                name="x",
                linear=light.astype(np.float32)[:h, :w],
                clipped=head[:h, :w],
                valid=np.ones((h, w), bool),
                full_shape=(h, w),
            )
        )
    fields = glow.estimate(frames, [mask[:h, :w]] * count, [False] * count)
    assert len(fields) == count
    for field in fields:
        assert field is None or (field.shape == (h, w, 3) and np.isfinite(field).all())

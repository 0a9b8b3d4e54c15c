"""Fill: a light field that is smooth across a mask must come back with the surface's own texture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import fill
from lampwalk.previews import Preview

H, W = 200, 300


def preview(linear):
    return Preview(
        name="x",
        linear=np.clip(linear, 0, 1).astype(np.float32),
        clipped=linear.max(axis=2) >= 1,
        valid=np.ones((H, W), bool),
        full_shape=(H, W),
    )


def texture(seed=2):
    rng = np.random.default_rng(seed)
    t = cv2.GaussianBlur(rng.random((H, W)).astype(np.float32), (0, 0), 1.5)
    t = np.clip(0.4 + 2 * (t - t.mean()), 0.05, 0.9)
    return t[..., None] * np.array([1.0, 0.9, 0.7], np.float32)


def lamp(column, strength=0.35):
    x = np.indices((H, W))[1]
    return (strength * np.exp(-(((x - column) / 110) ** 2)))[..., None].astype(np.float32)


def pole(width=14):
    mask = np.zeros((H, W), np.uint8)
    mask[20:180, 150 - width // 2 : 150 + width // 2] = 255
    return mask


def merged(frames, hidden, fields):
    """Merge by the formula of the execution."""
    best = np.max([np.where((m > 127)[..., None], 0, f.linear) for f, m in zip(frames, hidden, strict=True)], axis=0)
    ratio = np.ones_like(best)
    for mask, field in zip(hidden, fields, strict=True):
        if field is not None:
            ratio = np.where((mask > 127)[..., None], np.maximum(ratio, field), ratio)
    return np.minimum(best * ratio, 1)


def scene(seed=2, noise=0.0):
    """A lamp behind a pole, another lamp far off, an ambient frame; and the merge if the pole were clear."""
    rng = np.random.default_rng(seed)
    albedo = texture(seed)
    lights = [0.03 + lamp(150), 0.03 + lamp(-150), np.full((H, W, 1), 0.03, np.float32)]
    clear = [albedo * light for light in lights]
    frames = [preview(c + rng.normal(0, noise, c.shape)) for c in clear] if noise else [preview(c) for c in clear]
    empty = np.zeros((H, W), np.uint8)
    return frames, [pole(), empty, empty], [False, False, True], np.max(clear, axis=0)


def test_light_behind_a_pole_comes_back_with_its_texture():
    frames, hidden, flags, truth = scene()
    fields = fill.estimate(frames, hidden, flags)
    out = merged(frames, hidden, fields)
    inside = hidden[0] > 127
    unfilled = merged(frames, hidden, (None,) * 3)
    assert np.abs(out - truth)[inside].mean() < 0.05 * truth[inside].mean()
    assert np.abs(unfilled - truth)[inside].mean() > 0.5 * truth[inside].mean()
    assert np.corrcoef(out[inside].ravel(), truth[inside].ravel())[0, 1] > 0.99


def test_noise_costs_little_light():
    frames, hidden, flags, truth = scene(noise=0.002)
    out = merged(frames, hidden, fill.estimate(frames, hidden, flags))
    inside = hidden[0] > 127
    assert out[inside].mean() == pytest.approx(truth[inside].mean(), rel=0.05)


def test_no_light_on_the_rim_no_fill():
    """A pole in front of a sky that no lamp reaches: the result is the other frames' own pixels."""
    frames, hidden, flags, _ = scene()
    unlit = [frames[2], frames[2], frames[2]]
    fields = fill.estimate(unlit, hidden, flags)
    out = merged(unlit, hidden, fields)
    assert np.abs(out - frames[2].linear).max() < 1e-4
    assert [fill.share(m, f) for m, f in zip(hidden, fields, strict=True)] == [0, 0, 0]


def test_light_does_not_run_over_an_outline():
    """A dark near thing beside lit ground, both behind one mask: the dark thing stays dark."""
    albedo = np.where(np.indices((H, W))[1][..., None] < 150, 0.02, 0.6) * np.ones(3)
    lit = np.where(np.indices((H, W))[1][..., None] < 150, 0.05, 0.5)
    frames = [preview(albedo * lit), preview(albedo * 0.05), preview(albedo * 0.05)]
    mask = np.zeros((H, W), np.uint8)
    mask[60:140, 120:180] = 255
    hidden = [mask, np.zeros_like(mask), np.zeros_like(mask)]
    out = merged(frames, hidden, fill.estimate(frames, hidden, [False, False, True]))
    dark, bright = out[70:130, 125:146], out[70:130, 154:175]
    assert dark.mean() < 2 * 0.02 * 0.05
    assert bright.mean() == pytest.approx(0.3, rel=0.15)


@pytest.mark.parametrize("crossing", [False, True])
def test_what_a_mask_keeps_from_a_sum_comes_back(crossing):
    """Lamps add up; behind a pole of one frame, and where two frames' poles cross, the sum is what it would have been."""
    albedo, day = texture(), 0.03
    lamps = [albedo * lamp(150, 0.25), albedo * lamp(60, 0.2), albedo * lamp(260, 0.15)]
    plate = (albedo * day).astype(np.float32)
    frames = [preview(plate), *(preview(plate + light) for light in lamps)]
    beam = np.zeros((H, W), np.uint8)
    if crossing:
        beam[90:104, 60:240] = 255
    empty = np.zeros_like(beam)
    hidden = [empty, pole(), beam, empty]
    fields = fill.estimate(frames, hidden, [True, False, False, False], plate)
    truth = plate + sum(lamps)
    seen = truth - sum(light * (m > 127)[..., None] for light, m in zip(lamps, hidden[1:], strict=True))
    out = seen + sum(
        (f - 1) * seen * (m > 127)[..., None] for f, m in zip(fields, hidden, strict=True) if f is not None
    )
    inside = (hidden[1] > 127) | (beam > 127)
    assert np.abs(np.log2(seen / truth))[inside].mean() > 0.4
    assert np.abs(np.log2(out / truth))[inside].mean() < 0.05
    if crossing:
        assert np.abs(np.log2(out / truth))[(hidden[1] > 127) & (beam > 127)].mean() < 0.1


def test_frames_without_mask_and_ambient_frames_need_none():
    frames, hidden, flags, _ = scene()
    fields = fill.estimate(frames, hidden, flags)
    assert fields[1] is None
    assert fields[2] is None
    assert fill.estimate(frames, [np.zeros((H, W), np.uint8)] * 3, flags) == (None,) * 3


def test_the_ratio_is_bounded_and_one_far_away():
    frames, hidden, flags, _ = scene()
    frames[1] = frames[2] = preview(np.zeros((H, W, 3), np.float32))
    field = fill.estimate(frames, hidden, flags)[0]
    assert field.min() >= 0
    assert field.max() <= fill.LARGEST


def test_share_is_the_part_of_the_picture_that_is_brightened():
    frames, hidden, flags, _ = scene()
    fields = fill.estimate(frames, hidden, flags)
    shares = [fill.share(m, f) for m, f in zip(hidden, fields, strict=True)]
    assert shares[0] == pytest.approx((hidden[0] > 127).mean(), rel=0.05)
    assert shares[1:] == [0, 0]


def test_order_of_frames_does_not_matter():
    frames, hidden, flags, _ = scene(noise=0.002)
    field = fill.estimate(frames, hidden, flags)[0]
    turned = fill.estimate(frames[::-1], hidden[::-1], flags[::-1])[2]
    assert np.array_equal(field, turned)


def test_a_single_frame_and_a_frame_hidden_whole():
    frames, hidden, _, _ = scene()
    alone = fill.estimate(frames[:1], hidden[:1], [False])[0]
    assert np.all(alone == 1)
    assert fill.estimate(frames[:1], [np.full((H, W), 255, np.uint8)], [False]) == (None,)


def test_a_mask_wider_than_the_pole_gives_back_what_it_hides_too_much(monkeypatch):
    """The edge of a lamp's shadow runs just inside the mask, beside the pole: the frame's own light tells."""
    x = np.indices((H, W))[1][..., None]
    albedo = texture()
    light = 0.05 + 0.5 * np.clip((x - 120) / 40.0, 0, 1) ** 2
    clear = albedo * light
    shown = clear.copy()
    shown[20:180, 147:153] = 0.001
    frames = [preview(shown), preview(albedo * 0.05), preview(albedo * 0.05)]
    empty = np.zeros((H, W), np.uint8)
    wide = [pole(26), empty, empty]
    inside = wide[0] > 127
    inside[:, 147:153] = False

    def left():
        out = merged(frames, wide, fill.estimate(frames, wide, [False, False, True]))
        return float(np.abs(out - clear)[inside].mean())

    grown = left()
    monkeypatch.setattr(fill, "GROWN_PX", 0)
    assert grown < 0.95 * left()

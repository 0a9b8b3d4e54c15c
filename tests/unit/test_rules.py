"""Merge rules: what each gives for one pixel, what it keeps, and where a frame has anything to say."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lampwalk import colour, rules
from lampwalk.errors import InputError
from lampwalk.previews import Preview, make_preview
from lampwalk.stack import weaken

WARM, COOL = (60000, 30000, 5000), (20000, 32000, 62000)


def fold(name: str, *pixels: tuple[int, int, int]) -> tuple[int, ...]:
    """One pixel of several frames through a rule, the first without flash."""
    rule = rules.get(name)
    state = rule.start((1, 1))
    for i, pixel in enumerate(pixels):
        rule.fold(state, np.uint16([[pixel]]), ambient=i == 0)
    return tuple(int(v) for v in state[0][0, 0])


def test_lighten_mixes_channels_where_two_lamps_meet() -> None:
    assert fold("lighten", (0, 0, 0), WARM, COOL) == (60000, 32000, 62000)


def test_brightest_keeps_one_frames_own_colour() -> None:
    assert fold("brightest", (0, 0, 0), WARM, COOL) in (WARM, COOL)
    lin = [colour.luminance(colour.to_linear(np.uint16(c))) for c in (WARM, COOL)]
    assert fold("brightest", (0, 0, 0), COOL, WARM) == (WARM, COOL)[int(np.argmax(lin))]


def test_sum_adds_light_and_counts_daylight_once() -> None:
    a, one, two = 0.1, 0.3, 0.25
    pixels = [tuple(int(v) for v in colour.to_encoded(np.full(3, v, np.float32))) for v in (a, a + one, a + two)]
    got = colour.to_linear(np.uint16(fold("sum", *pixels)))  # type: ignore[arg-type]
    assert got == pytest.approx([a + one + two] * 3, rel=1e-4)


def test_sum_ignores_what_is_darker_than_daylight_and_further_daylight() -> None:
    assert fold("sum", (30000,) * 3, (10000,) * 3) == (30000,) * 3
    rule = rules.get("sum")
    state = rule.start((1, 1))
    for value in (30000, 31000):
        rule.fold(state, np.full((1, 1, 3), value, np.uint16), ambient=True)
    assert state[0].max() == 30000


def test_sum_clips_at_white() -> None:
    assert fold("sum", (100,) * 3, (60000,) * 3, (60000,) * 3) == (65535,) * 3


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda r: r.name)
def test_what_a_rule_keeps_is_what_it_declares(rule: rules.Rule) -> None:
    state = rule.start((7, 5))
    assert sum(part.nbytes for part in state) == 35 * rule.bytes_per_pixel
    assert state[0].shape == (7, 5, 3)
    assert rule.good_for


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda r: r.name)
def test_the_winner_is_named(rule: rules.Rule) -> None:
    state = rule.start((1, 2))
    rule.fold(state, np.full((1, 2, 3), 1000, np.uint16), ambient=True)
    won = rule.fold(state, np.uint16([[[500] * 3, [2000] * 3]]))
    assert won.tolist() == [[0, 255]]


def test_an_unknown_rule_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match=r"screen.*lighten, brightest, sum"):
        rules.get("screen")


def series(n: int = 10, *, lamp: float = 0.2) -> tuple[list[Preview], np.ndarray]:
    """A dim ground with noise; one lamp lights the right third."""
    rng = np.random.default_rng(5)
    ground = 0.02 + 0.02 * cv2.GaussianBlur(rng.random((200, 300)).astype(np.float32), (0, 0), 3)
    pool = np.zeros_like(ground)
    pool[:, 200:] = lamp
    frames = []
    for i in range(n):
        light = np.repeat((ground * (1 + (pool / 0.02 if i == 3 else 0)))[..., None], 3, axis=2)
        noisy = np.clip(light + rng.normal(0, 0.002, light.shape).astype(np.float32), 0, 1)
        frames.append(make_preview(str(i), colour.to_encoded(noisy)))
    return frames, ground


def test_a_frame_takes_part_only_where_its_lamp_adds_light() -> None:
    frames, _ = series()
    found = rules.reach(frames, [True] + [False] * 9)
    assert found[0] is None
    lit = found[3]
    assert lit is not None
    assert (lit[:, 204:] == 255).all()
    assert (lit[:, :185] > 0).mean() < 0.02
    assert all((r > 0).mean() < 0.02 for i, r in enumerate(found) if i not in (0, 3) and r is not None)


def test_faint_wide_light_is_not_lost() -> None:
    """A pool of light at two noise levels of a pixel shows to the eye, and takes part."""
    frames, _ = series(lamp=0.004)
    found = rules.reach(frames, [True] + [False] * 9)[3]
    assert found is not None
    assert (found[:, 215:] > 128).mean() > 0.95


def test_clipped_light_always_takes_part() -> None:
    frames, _ = series(3)
    clipped = frames[2].clipped.copy()
    clipped[50, 60] = True
    frames[2] = replace(frames[2], clipped=clipped)
    found = rules.reach(frames, [True, False, False])[2]
    assert found is not None
    assert found[50, 60] > 128


def test_without_a_daylight_frame_every_frame_takes_part() -> None:
    frames, _ = series(3)
    assert rules.reach(frames, [False] * 3) == (None,) * 3


def test_the_dark_is_as_quiet_as_the_daylight_frame() -> None:
    """With reach the maximum of ten keeps the mean of one; without it lies 1.5 standard deviations above."""
    frames, ground = series()
    linear = np.stack([f.linear for f in frames])[..., 0]
    shares = [255 if r is None else r for r in rules.reach(frames, [True] + [False] * 9)]
    dark = np.s_[:, 10:180]
    kept = np.max([f * (s == 255) for f, s in zip(linear, shares, strict=True)], axis=0)
    assert abs((kept - ground)[dark].mean()) < 0.1 * 0.002
    assert (linear.max(axis=0) - ground)[dark].mean() > 1.3 * 0.002


def test_what_a_mask_keeps_from_a_sum_is_put_back_exactly_in_its_soft_edge_too() -> None:
    """Daylight, another lamp and one behind a mask that ends softly: the sum of all three comes back."""
    ramp = np.linspace(0, 255, 40).astype(np.uint8)[None]
    rng = np.random.default_rng(4)
    day, other, lamp = (rng.uniform(0.02, 0.2, (1, 40, 3)).astype(np.float32) for _ in range(3))
    rule = rules.get("sum")
    state = rule.start((1, 40))
    rule.fold(state, colour.to_encoded(day), ambient=True)
    rule.fold(state, colour.to_encoded(day + other))
    rule.fold(state, weaken(colour.to_encoded(day + lamp), ramp))
    ratio = 1 + lamp / (day + other)
    added = rules.missing(state[0], state[1], ratio, ramp)
    assert (added >= 0).all()
    assert added[0, 0] == pytest.approx(0)
    assert colour.to_linear(state[0]) + added == pytest.approx(day + other + lamp, rel=2e-3)


def test_light_that_may_be_glow_is_not_carried_on() -> None:
    """Where more glow was taken off than light is left, a frame counts as daylight for the fill; where lamp light is strong, not."""
    frames, _ = series()
    plate, stray = frames[0].linear, np.zeros((100, 150, 3), np.float32)
    reach = np.full((200, 300), 255, np.uint8)
    stray[:, :50] = 0.05  # beside a head, and nothing but noise is left there
    stray[:, 130:] = 0.05  # on what the lamp lights ten times as strongly
    shown = rules.as_merged(frames[3], plate, reach, stray)
    assert np.abs(shown.linear[:, :90] - plate[:, :90]).max() < 1e-4
    assert np.abs(shown.linear[:, 270:] - frames[3].linear[:, 270:]).max() < 1e-4

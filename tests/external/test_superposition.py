"""Superposition: the light of two lamps together is the sum of the light of each (textbook optics;
irradiances add).

A scene is lit by daylight and two synthetic lamps (inverse square and cosine), alone and together, in linear
light.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

import lampwalk
from lampwalk import ambient, colour, lamps, rules
from lampwalk.decisions import Choices
from lampwalk.frames import as_series
from lampwalk.previews import make_preview

H, W = 90, 140


def lamp(x: float, y: float, height: float, power: float) -> np.ndarray:
    """Irradiance of a small lamp above a plane: power cos(angle) / distance^2."""
    yy, xx = np.mgrid[:H, :W].astype(np.float64)
    r2 = (xx - x) ** 2 + (yy - y) ** 2 + height**2
    return (power * height / r2**1.5)[..., None] * np.array([1.0, 0.93, 0.85])


def scene() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    albedo = 0.2 + 0.6 * np.random.default_rng(2).random((H, W, 3))
    return albedo * 0.05, albedo * lamp(30, 40, 25, 150), albedo * lamp(105, 50, 30, 200)


def encoded(light: np.ndarray) -> np.ndarray:
    return colour.to_encoded(light.astype(np.float32))


def test_sum_of_two_frames_is_the_frame_with_both_lamps() -> None:
    day, one, two = scene()
    rule = rules.get("sum")
    state = rule.start((H, W))
    rule.fold(state, encoded(day), ambient=True)
    rule.fold(state, encoded(day + one))
    rule.fold(state, encoded(day + two))
    both = encoded(day + one + two).astype(int)
    assert np.abs(state[0].astype(int) - both).max() <= 3


def test_the_maximum_never_exceeds_the_sum() -> None:
    day, one, two = scene()
    frames = [encoded(day), encoded(day + one), encoded(day + two)]
    rule = rules.get("sum")
    state = rule.start((H, W))
    for i, frame in enumerate(frames):
        rule.fold(state, frame, ambient=i == 0)
    assert (state[0].astype(int) >= np.max(frames, axis=0).astype(int) - 2).all()


@pytest.mark.parametrize("gain_ev", [-2.0, -0.5, 0.7])
def test_a_lamp_changed_afterwards_is_a_lamp_with_other_power(gain_ev: float) -> None:
    day, one, _ = (part * 0.5 for part in scene())
    preview = make_preview("a", encoded(day + one))
    field = lamps.lamp_field(preview, day.astype(np.float32), gain_ev=gain_ev)
    assert field is not None
    wanted = day + one * 2**gain_ev
    assert np.median(np.abs(preview.linear * field / wanted - 1)) < 0.005


def test_levelled_daylight_is_daylight_of_the_other_strength() -> None:
    day, one, _ = (part * 0.5 for part in scene())
    preview = make_preview("a", encoded(day * 2**0.4 + one))
    field = ambient.level_field(ambient.Level(ambient_ev=-0.4), preview, day.astype(np.float32))
    assert field is not None
    assert np.median(np.abs(preview.linear * field / (day + one) - 1)) < 0.005


def test_a_sum_with_a_hidden_stand_is_the_frame_with_both_lamps_and_no_stand() -> None:
    """The whole merge: a bright stand stood in the pool of one lamp; its mask is given."""
    rng = np.random.default_rng(6)
    h, w = 300, 420
    rough = cv2.GaussianBlur(rng.random((h, w)).astype(np.float32), (0, 0), 2)
    albedo = (0.25 + 0.6 * (rough - rough.min()) / np.ptp(rough))[..., None] * np.array([1.0, 0.9, 0.8])
    yy, xx = np.mgrid[:h, :w].astype(np.float64)

    def pool(x: float, power: float) -> np.ndarray:
        return (power * 90**3 / ((xx - x) ** 2 + (yy - 170) ** 2 + 90**2) ** 1.5)[..., None]

    day, one, two = albedo * 0.04, albedo * pool(120, 0.3), albedo * pool(290, 0.35)
    stand = np.zeros((h, w), np.uint8)
    stand[60:280, 284:298] = 255
    shot = np.where(stand[..., None] > 0, 0.8, day + two)
    choices = Choices(rule="sum", hide=False, glow=False, level=False)
    names = [frame.name for frame in as_series([encoded(day)] * 3).frames]
    merged = lampwalk.merge([encoded(day), encoded(day + one), encoded(shot)], choices=choices, masks={names[2]: stand})
    stops = np.log2(colour.to_linear(merged.pixels) / (day + one + two))
    behind = stand > 0
    without = np.log2((day + one) / (day + one + two))[behind]
    assert np.abs(without).mean() > 0.8  # the hole would show
    assert np.abs(stops[behind]).mean() < 0.05
    assert np.abs(stops[cv2.dilate(stand, np.ones((25, 25))) == 0]).mean() < 0.02

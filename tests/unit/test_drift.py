"""Drift where a lamp reaches everything: its colour or reflections show it, or it is said not to be known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import drift, modes, reflections, tint
from lampwalk.colour import LUMINANCE, to_encoded
from lampwalk.previews import Preview, make_preview

H, W = 320, 480
DAY = np.float32([0.85, 1.0, 1.2])
FLASH = np.float32([1.1, 1.0, 0.8])


def ground(seed: int = 3) -> np.ndarray:
    """Rough grey ground: (H, W, 1)."""
    rough = cv2.GaussianBlur(np.random.default_rng(seed).random((H, W)).astype(np.float32), (0, 0), 2)
    return (0.2 + 0.5 * (rough - rough.min()) / np.ptp(rough))[..., None]


def pool(x: float, y: float, size: float = 90) -> np.ndarray:
    """Light of a lamp that falls off with the square of the distance, and ends nowhere: (H, W, 1)."""
    yy, xx = np.mgrid[:H, :W]
    return (1 / (1 + ((xx - x) ** 2 + (yy - y) ** 2) / size**2)).astype(np.float32)[..., None]


def shoot(light: np.ndarray, seed: int = 0) -> Preview:
    """A frame of 8 bits with noise."""
    noisy = light + np.random.default_rng(seed).normal(0, 1, light.shape) * np.sqrt(1e-7 + light * 2e-5)
    return make_preview(str(seed), (to_encoded(noisy.astype(np.float32)) / 257 + 0.5).astype(np.uint8))


def series(colour: np.ndarray, evs: list[float]) -> list[Preview]:
    """Daylight, then lamps of one colour that reach everything."""
    frames = [shoot(ground() * 0.15 * DAY)]
    for i, ev in enumerate(evs, 1):
        lamp = 0.25 * pool(90 * i, 160) * colour
        frames.append(shoot(ground() * (0.15 * 2**ev * DAY + lamp).astype(np.float32), i))
    return frames


def test_a_coloured_lamp_that_reaches_everything_shows_the_drift_by_its_colour() -> None:
    evs = [0.2, -0.15, 0.0, 0.1]
    found = drift.measure(series(FLASH, evs), 0, lit=False)
    assert all(f.trusted and "colour" in f.how for f in found[1:])
    assert [f.ev for f in found[1:]] == pytest.approx(evs, abs=0.03)


def test_a_lamp_of_the_daylights_colour_that_fades_out_is_not_taken_for_drift() -> None:
    """No plateau, no colour, no reflections: the darkest place is half a stop too bright, and nothing tells."""
    found = drift.measure(series(DAY, [0.2, -0.15, 0.0]), 0, lit=False)
    assert [f.trusted for f in found[1:]] == [False] * 3
    assert all(f.ev == 0 for f in found)


def mirrored(evs: list[float]) -> list[Preview]:
    """Small bright streaks on dark metal; the lamps add something even there."""
    rng = np.random.default_rng(8)
    mirror = np.zeros((H, W), np.float32)
    for x, y in zip(rng.integers(20, W - 20, 120), rng.integers(20, H - 20, 120), strict=True):
        cv2.line(mirror, (int(x), int(y)), (int(x) + 7, int(y) + 2), 1.0, 2, cv2.LINE_AA)
    mirror = cv2.GaussianBlur(mirror, (0, 0), 1.5)[..., None] * np.float32(0.6) * DAY
    frames = [shoot(ground() * 0.05 * DAY + mirror)]
    for i, ev in enumerate(evs, 1):
        lamp = ground() * 0.25 * pool(90 * i, 160) * DAY
        frames.append(shoot((ground() * 0.05 * DAY + mirror) * np.float32(2**ev) + lamp, i))
    return frames


def test_reflections_of_the_daylight_show_the_drift() -> None:
    evs = [0.2, -0.15, 0.1, 0.0]
    frames = mirrored(evs)
    found = drift.measure(frames, 0, lit=False)
    assert all(f.trusted and "reflections" in f.how for f in found[1:])
    assert [f.ev for f in found[1:]] == pytest.approx(evs, abs=0.03)
    without = reflections.measure(frames[1:], 0, lit=True)[1]
    assert without is not None
    assert without.ev == pytest.approx(evs[1] - evs[0], abs=0.03)


def test_reflections_show_another_white_balance() -> None:
    frames = mirrored([0.2, -0.15, 0.1, 0.0])
    gains = np.float32([1.2, 1.0, 0.8])
    frames[2] = shoot(frames[2].linear * gains, 12)
    found = reflections.measure(frames, 0, lit=False)[2]
    assert found is not None
    assert np.add(found.channels, found.ev) == pytest.approx(np.log2(gains) - 0.15, abs=0.03)
    assert np.exp2(found.channels) @ LUMINANCE == pytest.approx(1)


def test_texture_is_not_taken_for_reflections() -> None:
    assert reflections.measure(series(DAY, [0.2, -0.15, 0.0, 0.1]), 0, lit=False)[1:] == [None] * 4


def test_the_line_of_ratios_meets_the_grey_axis_at_the_drift() -> None:
    rng = np.random.default_rng(2)
    strength = rng.uniform(0.1, 3, (3000, 1))
    points = 1.1 + strength * [1.2, 1.0, 0.7] + rng.normal(0, 0.01, (3000, 3))
    line = tint.meets_grey(points, 1.2)
    assert line is not None
    assert line.ev == pytest.approx(np.log2(1.1), abs=0.01)
    assert line.colour_ev == pytest.approx(np.log2([1.2, 0.7]), abs=0.02)


def test_a_bent_line_or_one_without_colour_has_no_meeting_point() -> None:
    rng = np.random.default_rng(2)
    strength = rng.uniform(0.1, 3, (3000, 1))
    noise = rng.normal(0, 0.005, (3000, 3))
    assert tint.meets_grey(1.1 + strength * [1.0, 1.0, 1.0] + noise, 1.2) is None
    bent = 1.1 + strength * [1.2, 1.0, 0.7] + np.minimum(strength, 1) ** 2 * [-0.3, 0, 0.35] + noise
    assert tint.meets_grey(bent, 1.2) is None


def test_modes() -> None:
    rng = np.random.default_rng(1)
    low, high = rng.normal(0.1, 0.01, 500), rng.normal(0.8, 0.02, 2000)
    assert modes.lowest_mode(np.concatenate([low, high]))[0] == pytest.approx(0.1, abs=0.005)
    mode, share = modes.highest_mode(np.concatenate([low, high]), 0.06)
    assert mode == pytest.approx(0.8, abs=0.01)
    assert share == pytest.approx(0.8, abs=0.02)
    assert modes.lowest_mode(low[:10]) == (0.0, 0.0)
    assert modes.highest_mode(low[:0], 0.1) == (0.0, 0.0)

"""Drift where a lamp reaches everything: its colour or reflections show it, or it is said not to be known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import drift, modes, reflections, tint
from lampwalk.colour import LUMINANCE, to_encoded
from lampwalk.places import Settled
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


def test_channels_that_differ_by_no_known_balance_leave_the_drift_unknown() -> None:
    """The darkest channel alone says -0.1; red, hardly read, says 0.9."""

    def read(ev: float, error: float) -> Settled:
        return Settled(ev=ev, gradient=(0.0, 0.0), error=error, voices=10.0, share=0.9)

    blue, green, red = read(-0.1, 0.01), read(-0.08, 0.04), read(0.9, 0.05)
    assert reflections._mirrored(blue, [red, green, blue]) is None
    same = reflections._mirrored(blue, [read(-0.05, 0.05), green, blue])
    assert same is not None
    assert (same.ev, same.channels) == (-0.1, (0, 0, 0))


def test_texture_is_not_taken_for_reflections() -> None:
    assert reflections.measure(series(DAY, [0.2, -0.15, 0.0, 0.1]), 0, lit=False)[1:] == [None] * 4


def ratios(drift_ev: float, lamp: list[float], seed: int, bend: float = 0.0, slant: float = 0.0) -> tint.Ratios:
    """Frame over plate all over a picture: daylight, and a lamp that is somewhere weak, somewhere strong."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(-0.5, 0.5, (12000, 2))
    g = np.exp2(drift_ev + slant * xy[:, :1])
    strength = 0.1 + 2 * (0.5 + 0.5 * np.sin(7 * xy[:, :1] + seed)) * rng.uniform(0.2, 1, (12000, 1))
    tinted = bend * (np.sin(15 * xy[:, 1:]) > 0) * strength * [0.3, 0.0, -0.3]  # some walls are red
    rgb = g + strength * np.array(lamp) + tinted + rng.normal(0, 0.01, (12000, 3))
    return tint.Ratios(rgb, xy, float(np.quantile(rgb, 0.02)))


def test_the_colour_that_the_lamp_has_in_all_frames_splits_off_the_daylight() -> None:
    evs = [0.2, -0.1, 0.0, 0.1]
    found = tint.measure([ratios(ev, [1.2, 1.0, 0.7], i) for i, ev in enumerate(evs)])
    assert all(one is not None and one.gradient == (0, 0) for one in found)
    assert [one.ev for one in found if one is not None] == pytest.approx(evs, abs=0.02)


def test_a_gradient_shows_in_what_is_left_of_the_daylight() -> None:
    lamp = [1.2, 1.0, 0.7]
    found = tint.measure([ratios(0.1, lamp, 1, slant=0.2), *(ratios(0.0, lamp, i) for i in (2, 3))])[0]
    assert found is not None
    assert found.ev == pytest.approx(0.1, abs=0.02)
    assert found.gradient == pytest.approx((0.2, 0.0), abs=0.05)


def test_walls_that_tint_the_light_or_a_lamp_without_colour_show_nothing() -> None:
    assert tint.measure([ratios(0.1, [1.0, 1.0, 1.0], i) for i in range(3)]) == [None] * 3
    assert tint.measure([ratios(0.1, [1.2, 1.0, 0.7], i, bend=1.0) for i in range(3)]) == [None] * 3


def test_a_frame_whose_lamp_has_another_colour_is_left_out() -> None:
    """Its white balance may have been changed."""
    frames = [ratios(0.0, [1.2, 1.0, 0.7], i) for i in range(5)]
    frames[1] = tint.Ratios(frames[1].rgb * [1.15, 1.0, 0.87], frames[1].xy, frames[1].lowest)
    assert [one is None for one in tint.measure(frames)] == [False, True, False, False, False]


def test_what_only_a_few_frames_say_is_chance() -> None:
    """Three lamps of the daylight's colour: then the line of the other two is not believed either."""
    frames = [ratios(0.0, [1.0, 1.0, 1.0] if i < 3 else [1.2, 1.0, 0.7], i) for i in range(5)]
    assert tint.measure(frames) == [None] * 5


def test_unlit_places_in_a_band_show_a_gradient_across_it() -> None:
    """The lamp lights the lower half only, in its own colour, and fades out towards the band."""
    below = np.clip((np.arange(H) / H - 0.55) / 0.45, 0, 1)[:, None, None].astype(np.float32) ** 2
    slope = (np.arange(H)[:, None, None] + 0.5) / H - 0.5
    frames = [shoot(ground() * 0.15 * DAY)]
    for i, gradient in enumerate((0.3, -0.3, 0.0), 1):
        day = 0.15 * DAY * np.exp2(0.1 + gradient * slope)
        frames.append(shoot((ground() * (day + 0.4 * below * pool(240, 300) * FLASH)).astype(np.float32), i))
    found = drift.measure(frames, 0, lit=False)[1:]
    assert all(f.trusted for f in found)
    assert [f.ev for f in found] == pytest.approx([0.1] * 3, abs=0.02)
    assert [f.gradient[1] for f in found] == pytest.approx([0.3, -0.3, 0.0], abs=0.05)


def test_modes() -> None:
    rng = np.random.default_rng(1)
    low, high = rng.normal(0.1, 0.01, 500), rng.normal(0.8, 0.02, 2000)
    assert modes.lowest_mode(np.concatenate([low, high]))[0] == pytest.approx(0.1, abs=0.005)
    mode, share = modes.highest_mode(np.concatenate([low, high]), 0.06)
    assert mode == pytest.approx(0.8, abs=0.01)
    assert share == pytest.approx(0.8, abs=0.02)
    assert modes.lowest_mode(low[:10]) == (0.0, 0.0)
    assert modes.highest_mode(low[:0], 0.1) == (0.0, 0.0)

"""Daylight: frames without flash are found, drift is measured and taken off, light adds."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lampwalk import ambient
from lampwalk.colour import to_encoded
from lampwalk.errors import InputError
from lampwalk.previews import Preview, make_preview

H, W = 240, 360


def albedo(seed: int = 3) -> np.ndarray:
    """Rough ground under a smooth, brighter sky."""
    rng = np.random.default_rng(seed)
    ground = cv2.GaussianBlur(rng.random((H, W)).astype(np.float32), (0, 0), 2)
    ground = 0.03 + 0.25 * (ground - ground.min()) / np.ptp(ground)
    ground[: H // 3] = 0.3 + 0.03 * ground[: H // 3]
    return ground[..., None] * np.float32([1.0, 0.95, 0.9])


def pool(x: float, y: float, size: float = 50) -> np.ndarray:
    """Light of a lamp on the ground, falling off; none on the sky."""
    yy, xx = np.mgrid[:H, :W]
    light = np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * size**2)).astype(np.float32)
    light[: H // 3] = 0
    return light[..., None] * np.float32([1.0, 0.9, 0.7])


def shoot(light: np.ndarray, name: str = "a", seed: int = 0) -> Preview:
    """A frame of 8 bits with noise."""
    noisy = light + np.random.default_rng(seed).normal(0, 1, light.shape) * np.sqrt(1e-6 + light * 2e-5)
    return make_preview(name, (to_encoded(noisy.astype(np.float32)) / 257 + 0.5).astype(np.uint8))


def walk(drifts: list[float], *, strength: float = 4.0, size: float = 50) -> list[Preview]:
    """A daylight frame (drift 0 first), then lamps along the ground."""
    a = albedo() * 0.5
    frames = [shoot(a)]
    for i, ev in enumerate(drifts):
        lamp = albedo() * strength * pool(60 + 80 * i, 170, size)
        frames.append(shoot(a * np.float32(2**ev) + lamp, f"{i}", i + 1))
    return frames


@pytest.mark.parametrize("where", [0, 2, 4])
def test_the_frame_without_flash_is_found_wherever_it_stands(where: int) -> None:
    day, *lamps = walk([0.2, -0.2, 0.1, 0.0])
    frames = [*lamps[:where], day, *lamps[where:]]
    assert ambient.find_ambient(frames) == tuple(i == where for i in range(5))


def test_two_daylight_frames_are_found_though_the_light_drifted() -> None:
    misfired = shoot(albedo() * 0.5 * np.float32(2**-0.3), seed=9)
    assert ambient.find_ambient([*walk([0.1, 0.2, 0.0]), misfired]) == (True, False, False, False, True)


def test_no_daylight_frame_is_invented() -> None:
    assert not any(ambient.find_ambient(walk([0.1, 0.2, -0.2])[1:]))


def test_a_dark_stand_in_the_only_other_frame_makes_no_lamp_frame() -> None:
    day, lamp = walk([0.1])
    light = lamp.linear.copy()
    light[60:230, 200:208] = 0.001
    lamp = replace(lamp, linear=light)
    assert ambient.find_ambient([day, lamp]) == (True, False)


@pytest.mark.parametrize("strength", [1.0, 8.0])
def test_drift_is_measured_to_a_fiftieth_of_a_stop(strength: float) -> None:
    drifts = [0.25, -0.3, 0.12, 0.0]
    levels = ambient.level(walk(drifts, strength=strength), [True, False, False, False, False], 0)
    assert [lv.ambient_ev for lv in levels[1:]] == pytest.approx([-d for d in drifts], abs=0.02)
    assert levels[0].is_even


def test_what_is_level_is_not_touched() -> None:
    levels = ambient.level(walk([0.0, 0.0]), [True, False, False], 0)
    assert all(lv.is_even for lv in levels)
    assert ambient.level_field(levels[1], walk([0.0])[1], albedo()) is None


def test_without_a_daylight_frame_lamp_frames_are_level_with_each_other() -> None:
    lamps = walk([0.25, -0.2, 0.1, -0.1], size=25)[1:]
    levels = ambient.level(lamps, [False] * 4, 1)
    assert [lv.ambient_ev for lv in levels] == pytest.approx([-0.45, 0.0, -0.3, -0.1], abs=0.02)


def test_a_flash_on_everything_is_said_not_guessed() -> None:
    """No place without flash and no reflection: the frame stays as it is, and the level says so."""
    a = albedo()[H // 3 :] * 0.5
    yy, xx = np.mgrid[: a.shape[0], :W]
    lamps = [
        a * np.float32(1 + s * np.hypot(xx - x, yy - 40) / 60)[..., None] for s, x in ((3, -100), (2, 400), (4, 150))
    ]
    levels = ambient.level([shoot(f) for f in lamps], [False] * 3, 0)
    assert not levels[1].measured
    assert levels[1].ambient_ev == 0


def test_changed_exposure_is_undone_on_the_whole_frame_and_the_rest_is_drift() -> None:
    day, lamp = walk([0.1])
    darker = shoot(lamp.linear * np.float32(0.5), seed=7)
    level = ambient.level([day, darker], [True, False], 0, [12.0, 13.0])[1]
    assert level.exposure_ev == pytest.approx(1.0)
    assert level.ambient_ev == pytest.approx(-0.1, abs=0.02)


def test_pixels_overrule_exif() -> None:
    level = ambient.level(walk([0.1]), [True, False], 0, [12.0, 13.0])[1]
    assert level.exposure_ev == 0
    assert level.ambient_ev == pytest.approx(-0.1, abs=0.02)


def test_changed_exposure_is_seen_without_exif() -> None:
    day, lamp = walk([0.0])
    level = ambient.level([day, shoot(lamp.linear * np.float32(0.5))], [True, False], 0, [None, None])[1]
    assert level.exposure_ev == pytest.approx(1.0, abs=0.03)


def test_a_slow_gradient_is_found() -> None:
    """The sky cleared from one side; texture everywhere, or there is nothing to compare."""
    rng = np.random.default_rng(1)
    ground = np.repeat(
        0.1 + 0.2 * cv2.GaussianBlur(rng.random((H, W)).astype(np.float32), (0, 0), 1.5)[..., None], 3, 2
    )
    tilt = np.exp2(0.3 * ((np.arange(W) + 0.5) / W - 0.5)).astype(np.float32)[None, :, None]
    level = ambient.level([shoot(ground), shoot(ground * tilt, seed=3)], [True, False], 0)[1]
    assert level.gradient_ev[0] == pytest.approx(-0.3, abs=0.05)
    assert abs(level.gradient_ev[1]) < 0.05


def test_changed_white_balance_is_evened() -> None:
    day, lamp = walk([0.0])
    gains = np.float32([1.2, 1.0, 0.8])
    level = ambient.level([day, shoot(lamp.linear * gains, seed=4)], [True, False], 0)[1]
    assert np.multiply(level.gains, gains) / (level.gains[1] * gains[1]) == pytest.approx([1, 1, 1], abs=0.02)


def test_the_field_takes_off_daylight_and_leaves_the_lamp() -> None:
    a, light = albedo() * 0.5, albedo() * 3 * pool(180, 170)
    frame = shoot(np.minimum(a * np.float32(2**0.3) + light, 0.9))
    field = ambient.level_field(ambient.Level(ambient_ev=-0.3), frame, a)
    assert field is not None
    wanted = np.minimum(a * np.float32(2**0.3) + light, 0.9) - a * np.float32(2**0.3 - 1)
    assert np.median(np.abs(np.log2(frame.linear * field / wanted))) < 0.02
    assert field[: H // 3 - 4] == pytest.approx(2**-0.3, abs=0.02)


@pytest.mark.parametrize("level", [ambient.Level(ambient_ev=-0.5), ambient.Level(exposure_ev=-1.0)])
def test_clipped_pixels_are_never_lowered_into_grey(level: ambient.Level) -> None:
    a = albedo() * 0.5
    light = a.copy()
    light[150:180, 100:140] = 1.5
    frame = shoot(light)
    field = ambient.level_field(level, frame, a)
    assert field is not None
    assert frame.clipped.any()
    assert (field[frame.clipped] >= 1).all()


def test_the_plate_without_daylight_frame_is_the_second_darkest_in_the_references_daylight() -> None:
    lamps = walk([0.0, 0.3, -0.2, 0.0])[1:]
    levels = [ambient.Level(ambient_ev=e) for e in (0.0, -0.3, 0.2, 0.0)]
    found = ambient.plate(lamps, [False] * 4, levels)
    sky = found[10:60].mean() / (albedo()[10:60] * 0.5).mean()
    assert sky == pytest.approx(1, abs=0.02)


def test_bad_input_is_refused() -> None:
    frames = walk([0.1])
    with pytest.raises(InputError, match="reference"):
        ambient.level(frames, [True, False], 2)
    with pytest.raises(InputError, match="exposure values"):
        ambient.level(frames, [True, False], 0, [1.0])
    with pytest.raises(InputError, match="plate"):
        ambient.level_field(ambient.Level(ambient_ev=0.1), frames[0], np.zeros((3, 3, 3), np.float32))


def test_half_a_pixel_of_misalignment_costs_no_accuracy() -> None:
    drifts = [0.25, -0.3, 0.12]
    day, *lamps = walk(drifts, size=30)
    move = np.float32([[1, 0, 0.5], [0, 1, -0.3]])
    lamps = [
        replace(lamp, linear=cv2.warpAffine(lamp.linear, move, (W, H), borderMode=cv2.BORDER_REPLICATE))
        for lamp in lamps
    ]
    levels = ambient.level([day, *lamps], [True, False, False, False], 0)
    assert [lv.ambient_ev for lv in levels[1:]] == pytest.approx([-d for d in drifts], abs=0.02)

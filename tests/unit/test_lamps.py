"""Lamps: one flash changed in stops and warmth, the daylight untouched; a balance is offered, not applied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lampwalk import lamps
from lampwalk.colour import LUMINANCE, luminance, to_encoded
from lampwalk.errors import InputError
from lampwalk.previews import Preview, make_preview

DAY = np.full((60, 80, 3), 0.05, np.float32)


def shoot(light: np.ndarray, name: str = "a") -> Preview:
    return make_preview(name, to_encoded(light.astype(np.float32)))


def half_lit(light: float) -> np.ndarray:
    frame = DAY.copy()
    frame[:, 40:] += light
    return frame


@pytest.mark.parametrize(("gain_ev", "factor"), [(-6.0, 1 / 64), (-1.0, 0.5), (1.0, 2.0)])
def test_only_the_lamps_light_is_scaled(gain_ev: float, factor: float) -> None:
    preview = shoot(half_lit(0.2))
    field = lamps.lamp_field(preview, DAY, gain_ev=gain_ev)
    assert field is not None
    out = preview.linear * field
    assert out[:, :35] == pytest.approx(0.05, rel=1e-3)
    assert out[:, 45:] == pytest.approx(0.05 + 0.2 * factor, rel=1e-3)


def test_a_change_and_its_opposite_cancel_in_the_lamp() -> None:
    preview = shoot(half_lit(0.2))
    up, down = (lamps.lamp_field(preview, DAY, gain_ev=g) for g in (1.0, -1.0))
    assert up is not None
    assert down is not None
    light = (preview.linear * up - DAY)[:, 45:] * (preview.linear * down - DAY)[:, 45:]
    assert light == pytest.approx(0.2 * 0.2, rel=1e-3)


def test_nothing_to_do_is_none_and_warmth_zero_is_exact() -> None:
    assert lamps.lamp_field(shoot(DAY), DAY) is None
    assert lamps.warm(0).tolist() == [1, 1, 1]


def test_warm_is_redder_cool_is_bluer_and_white_keeps_its_luminance() -> None:
    warm, cool = lamps.warm(60), lamps.warm(-60)
    assert warm[0] > 1 > warm[2]
    assert cool[0] < 1 < cool[2]
    assert warm @ LUMINANCE == pytest.approx(1)
    assert cool @ LUMINANCE == pytest.approx(1)


def test_darker_than_daylight_is_left_alone() -> None:
    frame = DAY.copy()
    frame[20:40, 20:40] = 0.01
    field = lamps.lamp_field(shoot(frame), DAY, gain_ev=1)
    assert field is not None
    assert field[24:36, 24:36] == pytest.approx(1)


@pytest.mark.parametrize("gain_ev", [7.0, -6.5, float("nan"), float("inf")])
def test_a_gain_out_of_range_is_refused(gain_ev: float) -> None:
    with pytest.raises(InputError, match="stops"):
        lamps.lamp_field(shoot(DAY), DAY, gain_ev=gain_ev)


def test_a_gain_that_burns_out_is_refused_and_the_largest_that_does_not_is_named() -> None:
    preview = shoot(half_lit(0.4))
    with pytest.raises(InputError, match=r"burn out.*at most") as caught:
        lamps.lamp_field(preview, DAY, gain_ev=2)
    most = float(caught.value.remedy.split()[2])
    assert most == pytest.approx(np.log2(0.95 / 0.4), abs=0.06)
    assert lamps.lamp_field(preview, DAY, gain_ev=np.floor(most * 10) / 10 - 0.1) is not None


@pytest.mark.parametrize("mired", [60, -60])
def test_warmth_on_a_hot_frame_is_no_burning_out(mired: float) -> None:
    """White keeps its luminance; the strongest channel may reach the top."""
    preview = shoot(half_lit(0.85))
    field = lamps.lamp_field(preview, DAY, warmth=mired)
    assert field is not None
    assert (preview.linear * field).max() > 1
    lit = np.s_[20:40, 50:70]
    assert luminance(preview.linear * field)[lit] == pytest.approx(luminance(preview.linear)[lit], rel=0.03)


def test_a_lamp_with_no_room_is_told_so() -> None:
    with pytest.raises(InputError, match="burn out") as caught:
        lamps.lamp_field(shoot(half_lit(0.9)), DAY, gain_ev=0.5, warmth=40)
    assert "+0.5 stops" in str(caught.value)
    assert "bright already" in caught.value.remedy


@pytest.mark.parametrize("mired", [-150, 400])
def test_a_warmth_out_of_range_is_refused(mired: float) -> None:
    with pytest.raises(InputError, match="mired"):
        lamps.warm(mired)


def test_another_size_is_refused() -> None:
    with pytest.raises(InputError, match="plate"):
        lamps.lamp_field(shoot(DAY), DAY[:5], gain_ev=1)


def third(k: int, light: float, name: str) -> Preview:
    frame = DAY.copy()
    frame[:, 27 * k : 27 * (k + 1)] += light
    return shoot(frame, name)


def test_a_balance_lifts_the_weak_lamp_lowers_the_burnt_one_and_leaves_the_good_one() -> None:
    frames = [shoot(DAY), third(0, 0.06, "weak"), third(1, 1.5, "burnt"), third(2, 0.4, "good")]
    offered = {s.name: s for s in lamps.suggest(frames, DAY, [True, False, False, False])}
    assert set(offered) == {"weak", "burnt", "good"}
    assert 0.5 < offered["weak"].gain_ev <= lamps.MOST_EV
    assert offered["burnt"].gain_ev == -lamps.MOST_LESS_EV
    assert offered["good"].gain_ev == 0
    assert all(s.why for s in offered.values())


def test_what_is_offered_does_not_burn_out() -> None:
    frames = [shoot(DAY), third(0, 0.06, "weak"), third(1, 0.5, "b"), third(2, 0.4, "c")]
    for s, frame in zip(lamps.suggest(frames, DAY, [True, False, False, False]), frames[1:], strict=True):
        lamps.lamp_field(frame, DAY, gain_ev=s.gain_ev)


def test_hidden_heads_are_no_subject() -> None:
    frames = [shoot(DAY), third(0, 0.3, "a"), third(1, 0.3, "b")]
    light, clipped = frames[1].linear.copy(), frames[1].clipped.copy()
    light[10:30, 60:75], clipped[10:30, 60:75] = 1, True
    frames[1] = replace(frames[1], linear=light, clipped=clipped)
    mask = np.zeros((60, 80), np.uint8)
    mask[6:34, 56:79] = 255
    none = np.zeros_like(mask)
    seen = lamps.suggest(frames, DAY, [True, False, False])
    hidden = lamps.suggest(frames, DAY, [True, False, False], [none, mask, none])
    assert seen[0].gain_ev < 0
    assert hidden[0].gain_ev == 0

"""Lamp: power from distance or distance from power, and how it behaves there."""

from __future__ import annotations

import math

import pytest

from lampwalk.errors import InputError
from lampwalk.flash import Lamp, power_text, set_lamp


def lamp(**changes: float | None) -> Lamp:
    values: dict[str, float | None] = {"guide_number_m": 60, "beam_deg": 65, "distance_m": 4}
    return Lamp(**(values | changes))  # type: ignore[arg-type]


def test_power_follows_from_distance_and_back() -> None:
    near = set_lamp(lamp(distance_m=3.75), needed_ev=6, depth_m=2, flashes=10)
    assert near.power == pytest.approx(1 / 4)
    back = set_lamp(lamp(distance_m=None, power=1 / 4), needed_ev=6, depth_m=2, flashes=10)
    assert back.distance_m == pytest.approx(3.75)
    assert near.reach_m == pytest.approx(7.5)


def test_a_stop_of_gain_halves_the_power() -> None:
    plain = set_lamp(lamp(), needed_ev=6, depth_m=2, flashes=10)
    gained = set_lamp(lamp(gain_ev=1), needed_ev=6, depth_m=2, flashes=10)
    assert gained.power == pytest.approx(plain.power / 2)


def test_half_a_metre_and_the_depth_by_hand() -> None:
    """4 m: 3.5 m is 2 log2(4/3.5) = +0.385, 4.5 m is -0.340, 6.2 m is -1.265 (calculator)."""
    flash = set_lamp(lamp(), needed_ev=6, depth_m=2.2, flashes=10)
    assert flash.nearer_ev == pytest.approx(0.385, abs=0.001)
    assert flash.farther_ev == pytest.approx(-0.340, abs=0.001)
    assert flash.falloff_ev == pytest.approx(-1.265, abs=0.001)


def test_nearer_is_unknown_within_half_a_metre() -> None:
    assert set_lamp(lamp(distance_m=0.4), needed_ev=6, depth_m=2, flashes=10).nearer_ev is None


def test_recycle_and_charge_go_with_power() -> None:
    flash = set_lamp(lamp(distance_m=3.75, recycle_s=2, flashes=200), needed_ev=6, depth_m=2, flashes=16)
    assert flash.recycle_s == pytest.approx(0.5)
    assert flash.charge == pytest.approx(16 / 4 / 200)


def test_a_weak_lamp_says_so() -> None:
    flash = set_lamp(lamp(distance_m=15), needed_ev=6, depth_m=2, flashes=10)
    assert flash.power == pytest.approx(4)
    assert power_text(flash.power) == "full, lacks 2.0"


@pytest.mark.parametrize(
    ("power", "text"),
    [
        (1, "full"),
        (1 / 4, "1/4"),
        (2 ** (-5 / 3), "1/4 + 0.3"),
        (2 ** (-4 / 3), "1/4 + 0.7"),
        (2 ** (-1 / 3), "1/2 + 0.7"),
    ],
)
def test_writes_power_as_lamps_do(power: float, text: str) -> None:
    assert power_text(power) == text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"guide_number_m": 0}, "guide number must be above 0"),
        ({"distance_m": -4}, "distance must be above 0"),
        ({"distance_m": math.inf}, "distance of inf cannot be meant"),
        ({"distance_m": None}, "distance or its power"),
        ({"power": 0.5}, "distance or its power"),
        ({"beam_deg": 0}, "expected 5 to 150 deg"),
        ({"distance_m": None, "power": 2}, "at most 1"),
        ({"gain_ev": 20}, "expected -10 to 10"),
        ({"recycle_s": 0}, "recycle time must be above 0"),
    ],
)
def test_refuses(changes: dict[str, float | None], words: str) -> None:
    with pytest.raises(InputError) as caught:
        lamp(**changes)
    assert words in str(caught.value)

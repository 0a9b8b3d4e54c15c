"""Guide number and inverse square against worked examples that were published; the source stands beside each.

The relation N d = GN sqrt(S/100) is ISO 1230's definition (from memory). Printed instructions of flash units
and teaching pages were read 2026-11; makers are not named here.
"""

from __future__ import annotations

import math

import pytest

from lampwalk.flash import (
    aperture_for,
    change_ev,
    distance_for_m,
    guide_number_from_energy,
    guide_number_from_reading,
    power_for,
    reach_m,
)


@pytest.mark.parametrize(
    ("guide_number", "distance", "f_number"),
    [(32, 4, 8), (80, 10, 8), (120, 15, 8), (160, 20, 8)],
)
def test_teaching_page_of_a_photographic_society(guide_number: float, distance: float, f_number: float) -> None:
    """Guide number 32 at 4 m: f/8; in feet 80, 120, 160 at 10, 15, 20 ft: f/8."""
    assert aperture_for(guide_number, distance) == pytest.approx(f_number)
    assert distance_for_m(guide_number, f_number) == pytest.approx(distance)


def test_instructions_of_a_built_in_flash() -> None:
    """Guide number 15.6 at ISO 200: f/4 reaches 3.9 m; 5.2 m wants f/3. ISO 400 to 3200: 22, 31, 44, 62."""
    at_100 = 15.6 / math.sqrt(2)
    assert distance_for_m(at_100, 4, iso=200) == pytest.approx(3.9, abs=0.05)
    assert aperture_for(at_100, 5.2, iso=200) == pytest.approx(3.0, abs=0.05)
    for iso, printed in ((400, 22), (800, 31), (1600, 44), (3200, 62)):
        assert aperture_for(at_100, 1.0, iso=iso) == pytest.approx(printed, abs=0.5)


def test_instructions_of_a_camera_for_an_outside_flash() -> None:
    """Guide number 51 at ISO 200: 9 m wants f/5.67; ISO 800: 102; factors ISO 80 0.632, ISO 400 1.414."""
    at_100 = 51 / math.sqrt(2)
    assert aperture_for(at_100, 9, iso=200) == pytest.approx(5.67, abs=0.005)
    assert aperture_for(at_100, 1, iso=800) == pytest.approx(102)
    assert aperture_for(at_100, 1, iso=80) / 51 == pytest.approx(0.632, abs=0.001)
    assert aperture_for(at_100, 1, iso=400) / 51 == pytest.approx(1.414, abs=0.001)


def test_values_from_the_definition() -> None:
    """Guide number 60 at f/8: 7.5 m; 15 m at ISO 400; 1.875 m at 1/16 (ISO 1230, from memory)."""
    assert distance_for_m(60, 8) == pytest.approx(7.5)
    assert distance_for_m(60, 8, iso=400) == pytest.approx(15)
    assert distance_for_m(60, 8, power=1 / 16) == pytest.approx(1.875)


@pytest.mark.parametrize(("times", "stops"), [(2, 2), (3, 3.17), (4, 4), (5, 4.64)])
def test_inverse_square_of_a_teaching_page(times: float, stops: float) -> None:
    """Twice, three, four and five times the distance: 2, 3.17, 4 and 4.64 EV less."""
    assert change_ev(1.0, times) == pytest.approx(-stops, abs=0.005)


def test_inverse_square_between_two_places() -> None:
    """3 m to 4 m: 2 log2(3/4) = -0.830 (physics)."""
    assert change_ev(3, 4) == pytest.approx(-0.830, abs=0.0005)


def test_four_times_the_energy_doubles_the_guide_number() -> None:
    """Light goes with energy, guide number with its root (definition); the pair f/8 at 4 m is 32."""
    measured = guide_number_from_reading(8, 4)
    assert measured == pytest.approx(32)
    assert guide_number_from_energy(1200, measured, 300) == pytest.approx(64)


def test_power_and_reach_agree_with_the_definition() -> None:
    """Guide number 60 at 7.5 m and f/8 is full power; a quarter of the distance is 1/16."""
    lamp_ev, needed_ev = 2 * math.log2(60), 6.0
    assert power_for(lamp_ev, 7.5, needed_ev) == pytest.approx(1.0)
    assert power_for(lamp_ev, 1.875, needed_ev) == pytest.approx(1 / 16)
    assert reach_m(lamp_ev, 1 / 16, needed_ev) == pytest.approx(1.875)

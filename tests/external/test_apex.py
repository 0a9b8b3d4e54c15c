"""APEX: ISO 2720:1974 and Exif 2.32 (annex on APEX units), relations and whole-stop series from memory.

Third-stop series: a published chart of shutter speeds ("Shutter Speed Chart", columns of whole, half and
third stops, read 2026-11) for 1 s to 1/8000 s; the f-numbers and the times above 1 s are from memory.
"""

from __future__ import annotations

import math

import pytest

from lampwalk.exposure import (
    F_NUMBERS,
    SHUTTERS_S,
    Setting,
    Shutter,
    av,
    find_exposure,
    nominal_f_number,
    nominal_shutter_s,
    read_setting,
    sink_ev,
    tv,
)

# Exif 2.32 annex on APEX, from memory: exposure time and Tv, f-number and Av.
TIME_VALUES = {
    30: -5,
    15: -4,
    8: -3,
    4: -2,
    2: -1,
    1: 0,
    1 / 2: 1,
    1 / 4: 2,
    1 / 8: 3,
    1 / 15: 4,
    1 / 30: 5,
    1 / 60: 6,
}
TIME_VALUES |= {1 / 125: 7, 1 / 250: 8, 1 / 500: 9, 1 / 1000: 10, 1 / 2000: 11}
APERTURE_VALUES = {1: 0, 1.4: 1, 2: 2, 2.8: 3, 4: 4, 5.6: 5, 8: 6, 11: 7, 16: 8, 22: 9, 32: 10}

# The chart named above, its column of third stops, as denominators from 1/4 s on.
CHART_SLOW = "1 0.8 0.6 0.5 0.4 0.3"
CHART = """4 5 6  8 10 13  15 20 25  30 40 50  60 80 100  125 160 200  250 320 400  500 640 800
           1000 1250 1600  2000 2500 3200  4000 5000 6400  8000"""


@pytest.mark.parametrize(("shutter_s", "expected"), TIME_VALUES.items())
def test_time_values_are_whole_for_nominal_times(shutter_s: float, expected: int) -> None:
    assert tv(shutter_s) == pytest.approx(expected, abs=1e-9)
    assert nominal_shutter_s(expected) == shutter_s


@pytest.mark.parametrize(("f_number", "expected"), APERTURE_VALUES.items())
def test_aperture_values_are_whole_for_nominal_f_numbers(f_number: float, expected: int) -> None:
    assert av(f_number) == pytest.approx(expected, abs=1e-9)
    assert nominal_f_number(expected) == f_number


def test_third_stop_series_is_the_published_chart() -> None:
    first = SHUTTERS_S.index(1.0)
    chart = [float(t) for t in CHART_SLOW.split()] + [1 / float(d) for d in CHART.split()]
    assert list(SHUTTERS_S[first : first + len(chart)]) == chart


def test_nominal_values_are_rounded_thirds_of_a_stop() -> None:
    """No nominal value is nearer to another third than to its own (a slip in a series would show here)."""
    for third, time in enumerate(SHUTTERS_S):
        assert abs(-math.log2(time) - (-5 + third / 3)) < 1 / 6
    for third, number in enumerate(F_NUMBERS):
        assert abs(2 * math.log2(number) - third / 3) < 1 / 6


def test_exposure_value_of_textbook_setting() -> None:
    """1/125 s at f/16 is EV 15: example of the public encyclopaedia's article on exposure value."""
    assert read_setting("1/125 f/16 ISO 100").ev == pytest.approx(15, abs=1e-9)


def test_equivalent_exposures_of_a_published_list() -> None:
    """1/60 f/11, 1/125 f/8, 1/250 f/5.6, 1/500 f/4, 1/1000 f/2.8: a page on flash metering, read 2026-11."""
    pairs = ((60, 11), (125, 8), (250, 5.6), (500, 4), (1000, 2.8))
    values = [Setting(shutter_s=1 / d, f_number=n, iso=200).ev for d, n in pairs]
    assert values == pytest.approx([13] * 5, abs=1e-9)


def test_exif_values_of_a_real_file() -> None:
    """ShutterSpeedValue 8643856/1000000 is 1/400 s, ApertureValue 1695994/1000000 is f/1.8.

    A public question-and-answer page quotes them from one file, read 2026-11. They are plain logarithms of
    the nominal values, not exact thirds, hence the tolerance.
    """
    assert tv(1 / 400) == pytest.approx(8.643856, abs=0.03)
    assert av(1.8) == pytest.approx(1.695994, abs=0.03)


def test_unmarked_values_count_as_they_are() -> None:
    """log2 by hand: a half-stop camera's 1/90 s lies between the thirds 1/80 and 1/100."""
    assert tv(1 / 90) == pytest.approx(6.4919, abs=1e-4)


def test_sinking_by_hand() -> None:
    """Meter 1/125 s f/8, set 1/4000 s f/4.

    f/8 -> 5.6 -> 4 opens two stops; 125 -> 250 -> 500 -> 1000 -> 2000 -> 4000 closes five: three darker.
    """
    meter = read_setting("1/125 f/8 ISO 100")
    by_hand = 5 - 2
    assert sink_ev(meter, read_setting("1/4000 f/4 ISO 100")) == pytest.approx(by_hand, abs=1e-9)
    found = find_exposure(meter, 4, 3, shutter=Shutter(sync_s=1 / 200, fastest_s=1 / 8000))
    assert found.setting.shutter_s == 1 / 4000
    assert found.sink_ev == pytest.approx(3, abs=1e-9)
    assert found.high_speed_sync


def test_sensitivity_counts() -> None:
    """EV100 = Av + Tv - log2(S/100): f/8, 1/125 s at ISO 400 is EV100 11."""
    assert read_setting("1/125 f/8 ISO 400").ev100 == pytest.approx(11, abs=1e-9)

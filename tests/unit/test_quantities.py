"""Numbers with units: what is read, and what is refused with which words."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from lampwalk import quantities as read
from lampwalk.errors import InputError


@pytest.mark.parametrize(
    ("reader", "text", "expected"),
    [
        (read.metres, "4 m", 4.0),
        (read.metres, "1.2m", 1.2),
        (read.metres, "1,2 m", 1.2),
        (read.metres, "120 cm", 1.2),
        (read.metres, "10 ft", 3.048),
        (read.millimetres, "35 mm", 35.0),
        (read.degrees, "65 deg", 65.0),
        (read.degrees, "-30°", -30.0),
        (read.joules, "60 Ws", 60.0),
        (read.joules, "60 J", 60.0),
        (read.seconds, "1.5 s", 1.5),
        (read.stops, "3", 3.0),
        (read.stops, "-1/3 stops", -1 / 3),
        (read.stops, "+1.5 EV", 1.5),
        (read.shutter_s, "1/125", 1 / 125),
        (read.shutter_s, "1/125 s", 1 / 125),
        (read.shutter_s, "0.5 s", 0.5),
        (read.f_number, "f/8", 8.0),
        (read.f_number, "F5.6", 5.6),
        (read.f_number, "8", 8.0),
        (read.iso, "ISO 100", 100.0),
        (read.power, "1/4", 0.25),
        (read.power, "full", 1.0),
    ],
)
def test_reads(reader: Callable[[str], float], text: str, expected: float) -> None:
    assert reader(text) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("reader", "text", "words"),
    [
        (read.metres, "4", "has no unit (expected such as 4 m"),
        (read.metres, "-4 m", "must be above 0, not -4"),
        (read.metres, "0 m", "must be above 0"),
        (read.metres, "4 s", "has the unit 's'"),
        (read.metres, "far", "not understood"),
        (read.millimetres, "35", "expected such as 35 mm"),
        (read.degrees, "65", "expected such as 65 deg"),
        (read.joules, "300", "expected such as 300 Ws"),
        (read.shutter_s, "125", "write 1/125 or 125 s"),
        (read.shutter_s, "1/0", "divides by 0"),
        (read.f_number, "f/0", "must be above 0"),
        (read.power, "2", "at most 1"),
        (read.power, "0", "above 0"),
        (read.stops, "", "not understood"),
    ],
)
def test_refuses_and_says_what_was_expected(reader: Callable[[str], float], text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        reader(text)
    assert words in str(caught.value)


def test_reads_sizes_with_one_unit_or_many() -> None:
    assert read.sizes_m("6 m x 2.2 m x 1.8 m", 3) == pytest.approx((6, 2.2, 1.8))
    assert read.sizes_m("6 x 2.2 x 1.8 m", 3) == pytest.approx((6, 2.2, 1.8))
    assert read.sizes_m("36×24 mm", 2) == pytest.approx((0.036, 0.024))


@pytest.mark.parametrize("text", ["6 m x 2 m", "6 x 2 x 1", "6 m x 0 m x 1 m"])
def test_refuses_sizes(text: str) -> None:
    with pytest.raises(InputError):
        read.sizes_m(text, 3)

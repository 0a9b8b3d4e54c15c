"""What places agree on: a value, a gradient, or nothing."""

from __future__ import annotations

import numpy as np
import pytest

from lampwalk import places

RNG = np.random.default_rng(4)
XY = RNG.uniform(-0.5, 0.5, (40, 2))


def voices(slant: tuple[float, float] = (0.0, 0.0), wrong: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """40 places that say 0.2 stops, some of them far too much."""
    stops = 0.2 + XY @ slant + np.random.default_rng(7).normal(0, 0.02, 40)
    stops[:wrong] += 0.5
    return stops, np.full(40, 0.02)


def test_few_wrong_places_do_not_count() -> None:
    found = places.settle(*voices(wrong=8), XY)
    assert found.ev == pytest.approx(0.2, abs=0.015)
    assert found.agreed
    assert 0.002 < found.error < 0.02
    assert found.share == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize("slant", [(0.3, 0.0), (0.0, -0.4), (0.3, 0.3), (0.0, 0.0)])
def test_a_gradient_is_found_where_there_is_one(slant: tuple[float, float]) -> None:
    found = places.settle(*voices(slant, wrong=4), XY)
    assert found.ev == pytest.approx(0.2, abs=0.02)
    assert found.gradient == pytest.approx(slant, abs=0.06)
    assert [g == 0 for g in found.gradient] == [s == 0 for s in slant]


def test_a_gradient_over_places_close_together_is_in_doubt() -> None:
    """A sixtieth of a stop of lamp light would look the same over a tenth of the picture."""
    near = XY * [0.1, 1]
    stops = 0.2 + near[:, 0] * 0.6 + np.random.default_rng(7).normal(0, 0.005, 40)
    found = places.settle(stops, np.full(40, 0.001), near)
    assert found.gradient == (0, 0)
    assert found.doubtful


def test_places_that_say_more_count_less_where_a_lamp_only_adds() -> None:
    stops, sd = voices()
    stops[::2] += 0.06
    assert places.settle(stops, sd, XY, above=2.0).ev < places.settle(stops, sd, XY).ev - 0.005


def test_too_few_places_settle_nothing() -> None:
    stops, sd = voices()
    stops[5:] = np.nan
    assert places.settle(stops, sd, XY) == places.NOTHING
    assert not places.NOTHING.agreed


def test_readings_of_one_place_have_one_voice() -> None:
    stops, sd = np.array([0.1, 0.1, 0.2, 0.2, 0.7]), np.full(5, 0.05)
    said, error = places.gather(stops, sd, np.array([0, 0, 1, 1, 2]), 4, fewest=2)
    assert said[:2] == pytest.approx([0.1, 0.2])
    assert error[:2] == pytest.approx([0.05, 0.05])
    assert np.isnan(said[2:]).all()

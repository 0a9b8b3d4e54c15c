"""The setting that sinks the daylight, and the ways compared."""

from __future__ import annotations

import pytest

from lampwalk.errors import InputError
from lampwalk.exposure import (
    HSS_ENTRY_EV,
    Setting,
    Shutter,
    find_exposure,
    high_speed_sync_loss_ev,
    read_setting,
    shutter_text,
    sink_ev,
)

METER = Setting(shutter_s=1 / 125, f_number=8, iso=100)


def test_reads_a_meter_reading_in_any_order() -> None:
    assert read_setting("1/125 f/8 ISO 100") == METER
    assert read_setting("iso 100, f8, 1/125 s") == METER
    assert read_setting("1/125 s at f/8, ISO 100") == METER
    assert read_setting(str(METER)) == METER


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1/125 f/8", "lacks the sensitivity"),
        ("1/125 ISO 100", "lacks the aperture"),
        ("f/8 ISO 100", "lacks the shutter"),
        ("1/125 f/0 ISO 100", "must be above 0"),
        ("125 f/8 ISO 100", "write 1/125 or 125 s"),
    ],
)
def test_says_what_a_meter_reading_lacks(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read_setting(text)
    assert words in str(caught.value)


def test_below_sync_speed_nothing_is_lost_or_compared() -> None:
    found = find_exposure(read_setting("1/30 f/5.6 ISO 100"), 5.6, 2)
    assert found.setting.shutter_s == 1 / 125
    assert (found.high_speed_sync, found.flash_loss_ev, found.alternatives) == (False, 0.0, ())


def test_all_three_ways_sink_the_daylight_alike() -> None:
    found = find_exposure(METER, 4, 3)
    assert [way.way for way in found.alternatives] == [
        "high-speed sync",
        "neutral-density filter",
        "smaller aperture",
    ]
    for way in found.alternatives:
        assert sink_ev(METER, way.setting, way.nd_ev) == pytest.approx(3, abs=1e-9)
        slowest = 1 / 200 if way.way != "high-speed sync" else 1 / 4000
        assert way.setting.shutter_s >= slowest


def test_ways_by_hand() -> None:
    """1/4000 s is 4 1/3 stops past 1/200 s: five whole stops of filter leave 1/125 s; f/4 closes to f/18."""
    _, filtered, closed = find_exposure(METER, 4, 3).alternatives
    assert (filtered.nd_ev, filtered.setting.shutter_s, filtered.flash_loss_ev) == (5.0, 1 / 125, 5.0)
    assert (closed.setting.f_number, closed.flash_loss_ev) == (18, pytest.approx(13 / 3))


def test_retyping_a_way_gives_that_way() -> None:
    """What the comparison promises comes out when the photographer asks for it."""
    _, filtered, closed = find_exposure(METER, 4, 3).alternatives
    again = find_exposure(METER, 4, 3, nd_ev=filtered.nd_ev)
    assert (again.setting, again.flash_loss_ev) == (filtered.setting, filtered.flash_loss_ev)
    again = find_exposure(METER, closed.setting.f_number, 3)
    assert (again.setting, again.high_speed_sync) == (closed.setting, False)


def test_no_smaller_aperture_is_promised_that_no_lens_has() -> None:
    found = find_exposure(read_setting("1/125 f/45 ISO 100"), 45, 5)
    assert [way.way for way in found.alternatives] == ["high-speed sync", "neutral-density filter"]


def test_high_speed_sync_model() -> None:
    """Entry, and a stop a stop of shutter; nothing at sync speed."""
    shutter = Shutter(sync_s=1 / 250)
    assert high_speed_sync_loss_ev(1 / 250, shutter) == 0
    assert high_speed_sync_loss_ev(1 / 500, shutter) == pytest.approx(HSS_ENTRY_EV + 1)
    assert high_speed_sync_loss_ev(1 / 500, Shutter(sync_s=1 / 250, hss_entry_ev=1.5)) == pytest.approx(2.5)


def test_own_entry_loss_reaches_the_plan() -> None:
    assert find_exposure(METER, 8, 2, shutter=Shutter(sync_s=1 / 250, hss_entry_ev=0)).flash_loss_ev == pytest.approx(1)


@pytest.mark.parametrize(
    ("aperture", "sink", "words"),
    [
        (1.4, 5, "the fastest is 1/8000 s"),
        (22, -12, "cameras end at 30 s"),
        (0, 3, "aperture must be above 0"),
    ],
)
def test_beyond_the_camera(aperture: float, sink: float, words: str) -> None:
    with pytest.raises(InputError) as caught:
        find_exposure(METER, aperture, sink)
    assert words in str(caught.value)


def test_beyond_the_camera_names_what_fits() -> None:
    """f/1.4 and 5 stops want 1/131072 s (2^17): four stops past 1/8000 s; a 4-stop filter then works."""
    with pytest.raises(InputError, match="4-stop filter"):
        find_exposure(METER, 1.4, 5)
    assert find_exposure(METER, 1.4, 5, nd_ev=4).setting.shutter_s == 1 / 8000


@pytest.mark.parametrize("nd_ev", [-1, 25, float("nan")])
def test_refuses_impossible_filters(nd_ev: float) -> None:
    with pytest.raises(InputError, match="expected 0 to 20 stops"):
        find_exposure(METER, 4, 2, nd_ev=nd_ev)


def test_refuses_a_sync_speed_faster_than_the_fastest_shutter() -> None:
    with pytest.raises(InputError, match="do not fit together"):
        Shutter(sync_s=1 / 8000, fastest_s=1 / 250)


def test_writes_times_as_cameras_do() -> None:
    assert [shutter_text(t) for t in (1 / 125, 0.3, 0.5, 2, 30)] == [
        "1/125 s",
        "0.3 s",
        "0.5 s",
        "2 s",
        "30 s",
    ]

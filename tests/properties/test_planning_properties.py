"""What must hold for any plan."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lampwalk import quantities as read
from lampwalk.errors import InputError
from lampwalk.exposure import F_NUMBERS, SHUTTERS_S, Setting, Shutter, find_exposure, read_setting, sink_ev
from lampwalk.fieldsheet import as_html, as_markdown
from lampwalk.flash import Lamp, change_ev, power_text
from lampwalk.planning import plan, plan_text
from lampwalk.positions import (
    DARKEST_EV,
    Camera,
    Subject,
    level_ev,
    walk,
    what_camera_sees,
)
from lampwalk.positions import _entry as entry

SETTINGS = st.builds(
    Setting,
    shutter_s=st.sampled_from(SHUTTERS_S),
    f_number=st.sampled_from(F_NUMBERS),
    iso=st.sampled_from([50.0, 64.0, 100.0, 125.0, 400.0, 1600.0, 12800.0]),
)
SUBJECTS = st.builds(Subject, width_m=st.floats(0.3, 20), depth_m=st.floats(0.3, 10), height_m=st.floats(0.3, 6))


@given(SETTINGS)
def test_settings_read_back_as_written(setting: Setting) -> None:
    assert read_setting(str(setting)) == setting


@given(SETTINGS, st.sampled_from(F_NUMBERS), st.floats(-4, 6), st.integers(0, 8))
def test_daylight_sinks_as_asked_to_half_a_third(meter: Setting, f_number: float, sink: float, nd_ev: int) -> None:
    try:
        found = find_exposure(meter, f_number, sink, nd_ev=nd_ev)
    except InputError:
        return
    assert found.sink_ev == pytest.approx(sink, abs=1 / 6 + 1e-9)
    assert found.high_speed_sync == (found.setting.shutter_s < Shutter().sync_s * 0.999)
    for way in found.alternatives:
        assert sink_ev(meter, way.setting, way.nd_ev) == pytest.approx(found.sink_ev, abs=1e-6)


@given(st.floats(0.1, 100), st.floats(0.1, 100), st.floats(0.1, 100))
def test_distances_chain(a: float, b: float, c: float) -> None:
    assert change_ev(a, b) + change_ev(b, c) == pytest.approx(change_ev(a, c), abs=1e-9)


READERS = (read.metres, read.millimetres, read.degrees, read.joules, read.seconds, read.stops, read.shutter_s)


@given(st.sampled_from((*READERS, read.f_number, read.iso, read.power, read_setting)), st.text(max_size=12))
def test_readers_answer_or_raise_an_input_error(reader: Callable[[str], object], text: str) -> None:
    with contextlib.suppress(InputError):
        reader(text)


PLAUSIBLE = (1 / 30, 5.6, 100.0, 5.6, 2.0, 60.0, 65.0, 4.0, 6.0, 2.2, 1.8, 35.0, 9.0, 1.5)
NUMBERS = st.one_of(st.floats(), st.floats(0.001, 1000))


@settings(max_examples=40, deadline=None)
@given(st.dictionaries(st.integers(0, 13), NUMBERS, max_size=2))
def test_any_numbers_give_a_whole_plan_or_an_input_error(wild: dict[int, float]) -> None:
    n = [wild.get(i, value) for i, value in enumerate(PLAUSIBLE)]
    try:
        exposure = find_exposure(Setting(shutter_s=n[0], f_number=n[1], iso=n[2]), n[3], n[4])
        lamp = Lamp(guide_number_m=n[5], beam_deg=n[6], distance_m=n[7])
        subject = Subject(width_m=n[8], depth_m=n[9], height_m=n[10])
        camera = Camera(focal_mm=n[11], distance_m=n[12], height_m=n[13])
        made = plan(exposure, lamp=lamp, subject=subject, camera=camera)
    except InputError:
        return
    assert json.loads(plan_text(made), parse_constant=pytest.fail)["lampwalk_plan"] == 1
    assert as_html(made).endswith("</html>\n")
    assert "nan" not in as_markdown(made)


@given(st.integers(0, 24))
def test_power_text_is_unambiguous(thirds: int) -> None:
    texts = {power_text(2 ** (-k / 3)) for k in range(25)}
    assert len(texts) == 25
    assert power_text(2 ** (-thirds / 3)) in texts


@settings(max_examples=25, deadline=None)
@given(SUBJECTS, st.floats(1.5, 8), st.floats(25, 110))
def test_no_side_keeps_a_dark_strip(subject: Subject, distance_m: float, beam_deg: float) -> None:
    try:
        places = walk(subject, distance_m=distance_m, beam_deg=beam_deg)
    except InputError:
        return
    front = [place for place in places if place.side == "front"]
    x = np.linspace(-subject.width_m / 2, subject.width_m / 2, 50)
    line = np.stack([x, np.full(50, -subject.depth_m / 2), np.full(50, front[0].aim[2])], axis=1)
    assert level_ev(front, line, np.array([0.0, -1.0, 0.0]), beam_deg).min() >= DARKEST_EV - 0.02


@settings(max_examples=40, deadline=None)
@given(SUBJECTS, st.floats(-80, 80), st.tuples(st.floats(-9, 9), st.floats(-9, 9), st.floats(0.2, 4)))
def test_left_and_right_are_alike(subject: Subject, angle: float, head: tuple[float, float, float]) -> None:
    """The mirrored camera sees of the mirrored lamp what the camera sees of the lamp."""
    seen = [
        what_camera_sees(
            Camera(focal_mm=35, distance_m=16, angle_deg=sign * angle),
            subject,
            np.array([sign * head[0], *head[1:]]),
            0.15,
        )
        for sign in (1, -1)
    ]
    assert seen[0] == seen[1]


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(st.floats(-9, 9), st.floats(-9, 9), st.floats(0, 5)),
    st.tuples(st.floats(-9, 9), st.floats(-9, 9), st.floats(0, 5)),
)
def test_slab_test_agrees_with_walking_along_the_ray(
    start: tuple[float, float, float], end: tuple[float, float, float]
) -> None:
    """Where a point on the way lies clearly inside, the ray enters; where none is near, it does not."""
    box = Subject(width_m=6, depth_m=2.2, height_m=1.8)
    a, b = np.array(start), np.array(end)
    way = a + np.linspace(0, 1, 1000)[:, None] * (b - a)
    half = np.array([3.0, 1.1, 0.9])
    outside = (np.abs(way - [0, 0, 0.9]) - half).max(axis=1)
    if outside[0] < 0.02:  # starts inside: no entry on the way
        return
    enters = entry(a, b, box)
    if outside.min() < -0.02:
        assert enters == pytest.approx(float(np.argmax(outside < 0)) / 999, abs=0.003)
    elif outside.min() > 0.02:
        assert enters is None

"""The plan as a whole: its file, and a set compared with it."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from lampwalk.errors import InputError
from lampwalk.files import Facts
from lampwalk.planning import (
    Camera,
    Lamp,
    Plan,
    Subject,
    compare,
    find_exposure,
    plan,
    plan_text,
    read_plan,
    read_setting,
)

BOAT = Subject(width_m=6, depth_m=2.2, height_m=1.8)
LAMP = Lamp(guide_number_m=60, beam_deg=65, distance_m=4, recycle_s=1.5, flashes=250)
CAMERA = Camera(focal_mm=35, distance_m=9, angle_deg=20)


def make(**changes: object) -> Plan:
    exposure = changes.pop("exposure", None) or find_exposure(read_setting("1/30 f/5.6 ISO 100"), 5.6, 2)
    return plan(exposure, **({"lamp": LAMP, "subject": BOAT, "camera": CAMERA} | changes))  # type: ignore[arg-type]


def facts(**changes: object) -> Facts:
    values = {
        "height": 20,
        "width": 30,
        "exposure_s": 1 / 125,
        "f_number": 5.6,
        "iso": 100.0,
        "flash_fired": True,
    }
    return Facts(**(values | changes))  # type: ignore[arg-type]


def full_set() -> list[Facts]:
    dark = facts(flash_fired=False)
    return [dark, *[facts()] * 7, dark]


def codes(plan: Plan) -> set[str]:
    return {remark.code for remark in plan.remarks}


def test_power_by_hand() -> None:
    """f/5.6 is 2^(5/2); (2^2.5 * 4 / 60)^2 = 0.1422 = 2^-2.81, the nearest third is 2^(-8/3)."""
    assert make().flash.power == pytest.approx(2 ** (-8 / 3))


def test_positions_are_numbered_in_the_order_of_the_walk_and_end_with_the_fill() -> None:
    positions = make().positions
    assert [p.number for p in positions] == list(range(1, 8))
    assert positions[-1].side == "low fill"


def test_fill_is_a_stop_below_the_exposure_at_its_distance() -> None:
    """7.87 m at f/5.6 with guide number 60: (2^2.5 * 7.87 / 60)^2 / 2 = 0.275, the nearest third is 1/4."""
    fill = make().positions[-1]
    assert fill.distance_m == pytest.approx(7.87, abs=0.02)
    assert fill.power == pytest.approx(1 / 4)


def test_nothing_to_remark_where_all_is_well() -> None:
    assert make().remarks == ()


def test_filter_dims_the_lamp_as_it_dims_the_daylight() -> None:
    with_filter = make(exposure=find_exposure(read_setting("1/30 f/5.6 ISO 100"), 5.6, 2, nd_ev=1))
    assert with_filter.flash.power == pytest.approx(2 * make().flash.power)


def test_remarks_name_the_trouble() -> None:
    too_bright = make(exposure=find_exposure(read_setting("1/125 f/8 ISO 100"), 4, 3))
    assert {"high-speed-sync", "flash-too-weak"} <= codes(too_bright)
    assert "battery-too-small" in codes(make(lamp=dataclasses.replace(LAMP, flashes=1)))
    assert "flash-too-strong" in codes(make(lamp=dataclasses.replace(LAMP, smallest_power=1 / 4)))
    assert "legs-in-light" in codes(make(lamp=dataclasses.replace(LAMP, stand_spread_m=1.8)))
    assert "head-high" in codes(make(lamp=dataclasses.replace(LAMP, distance_m=8)))
    assert "subject-cut-off" in codes(make(camera=dataclasses.replace(CAMERA, focal_mm=85)))


def test_remedy_of_a_weak_lamp_works() -> None:
    """The distance that the remark names is one from which full power suffices."""
    weak = make(lamp=dataclasses.replace(LAMP, distance_m=14.0))
    assert "flash-too-weak" in codes(weak)
    nearer = make(lamp=dataclasses.replace(LAMP, distance_m=weak.flash.reach_m))
    assert "flash-too-weak" not in codes(nearer)


def test_camera_inside_the_subject_is_refused() -> None:
    with pytest.raises(InputError, match="would stand inside it"):
        make(camera=Camera(focal_mm=35, distance_m=1))


def test_file_brings_the_same_plan_back(tmp_path: Path) -> None:
    for made in (make(), make(exposure=find_exposure(read_setting("1/125 f/8 ISO 100"), 4, 3))):
        (tmp_path / "plan.json").write_text(plan_text(made), encoding="utf-8")
        assert read_plan(tmp_path / "plan.json") == made


def test_plan_file_is_strict_json() -> None:
    def refuse(token: str) -> None:
        raise AssertionError(token)

    json.loads(plan_text(make()), parse_constant=refuse)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not JSON text"),
        ("[]", "is no plan file"),
        ("{}", "is no plan file"),
        ('{"lampwalk_plan": 99}', "another version than 1"),
        ('{"lampwalk_plan": 1}', "field exposure is missing"),
        ('{"lampwalk_plan": 1, "exposure": 3}', "field exposure is not a group of fields"),
    ],
)
def test_bad_plan_files_say_what_is_wrong(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_plan(tmp_path / "plan.json")
    assert words in str(caught.value)
    assert "plan.json" in str(caught.value)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d["exposure"]["setting"].update(f_number="wide"), "exposure.setting.f_number"),
        (lambda d: d["exposure"]["setting"].update(f_number=0), "aperture must be above 0"),
        (lambda d: d["positions"][2].pop("power"), "positions[2].power is missing"),
        (lambda d: d["positions"][0].update(aim_m=[1, 2]), "positions[0].aim_m"),
        (lambda d: d.update(ambient_frames=True), "ambient_frames"),
    ],
)
def test_bad_fields_are_named(tmp_path: Path, change: object, words: str) -> None:
    data = json.loads(plan_text(make()))
    change(data)  # type: ignore[operator]
    (tmp_path / "plan.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_plan(tmp_path / "plan.json")
    assert words in str(caught.value)


def test_missing_plan_file() -> None:
    with pytest.raises(InputError, match="check the path"):
        read_plan("no_such_plan.json")


def test_set_as_planned_has_no_findings() -> None:
    assert compare(make(), full_set()) == []


def test_exif_rounding_is_no_drift() -> None:
    """Cameras write 1/125 as 0.008 or as exactly 2^-7, f/5.6 as 5.6 or as 5.657."""
    rounded = [dataclasses.replace(fact, exposure_s=2**-7, f_number=2**2.5) for fact in full_set()]
    assert compare(make(), rounded) == []


def test_missing_positions_and_ambient_frames() -> None:
    found = compare(make(), full_set()[:6])
    assert [finding.code for finding in found] == ["plan-positions", "plan-ambient"]
    assert found[0].text == "the plan has 7 positions, the set 5 frames with flash"
    assert all(finding.serious for finding in found)


def test_radio_trigger_leaves_no_trace() -> None:
    """Where no file says that a flash fired, only the number of frames can tell."""
    silent = [dataclasses.replace(fact, flash_fired=False) for fact in full_set()]
    assert compare(make(), silent) == []
    assert [finding.code for finding in compare(make(), silent[1:])] == ["plan-positions"]
    unknown = [dataclasses.replace(fact, flash_fired=None) for fact in full_set()]
    assert compare(make(), unknown) == []


def test_more_frames_than_planned_are_fine() -> None:
    assert compare(make(), [*full_set(), facts()]) == []


def test_drift_of_one_frame_names_it_and_what_it_does() -> None:
    shot = full_set()
    shot[3] = facts(exposure_s=1 / 250)
    shot[5] = facts(iso=200.0)
    found = compare(make(), shot, [f"{i:02d}.jpg" for i in range(9)])
    assert [(finding.code, finding.frame) for finding in found] == [
        ("plan-exposure", "03.jpg"),
        ("plan-exposure", "05.jpg"),
    ]
    assert found[0].text == "1/250 s instead of 1/125 s: daylight -1.0, flash +0.0 stops"
    assert found[1].text == "ISO 200 instead of ISO 100: daylight +1.0, flash +1.0 stops"


def test_shutter_and_aperture_that_cancel_are_still_told() -> None:
    """Daylight stays, the flash loses a stop: such a frame does not fit its series."""
    shot = full_set()
    shot[2] = facts(exposure_s=1 / 60, f_number=8.0)
    (finding,) = compare(make(), shot)
    assert finding.text == "1/60 s instead of 1/125 s, f/8 instead of f/5.6: daylight +0.0, flash -1.0 stops"
    assert finding.frame == "frame 3"


def test_drift_of_the_whole_set_is_one_finding() -> None:
    (finding,) = compare(make(), [dataclasses.replace(fact, f_number=4.0) for fact in full_set()])
    assert finding.frame is None
    assert finding.text.startswith("every frame: f/4 instead of f/5.6")


def test_silent_files_are_named_but_not_serious() -> None:
    shot = full_set()
    shot[1] = facts(iso=None)
    (finding,) = compare(make(), shot)
    assert (finding.code, finding.serious) == ("plan-exposure-unknown", False)


def test_empty_set_and_wrong_number_of_names() -> None:
    assert [finding.code for finding in compare(make(), [])] == ["plan-positions"]
    with pytest.raises(InputError, match="1 names for 9 frames"):
        compare(make(), full_set(), ["a.jpg"])

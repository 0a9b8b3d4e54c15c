"""The plan of a shoot: what to set, where to walk, and afterwards whether the set is what was planned.

find_exposure   exposure.py    the setting that sinks the daylight
set_lamp        flash.py       power or distance
walk, low_fill  positions.py   the places
plan            here           all of it in one record; a file; the comparison with a set
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from . import positions as where
from .errors import Finding, InputError
from .exposure import Exposure, Setting, Shutter, av, find_exposure, iso_ev, read_setting, shutter_text
from .files import Facts
from .flash import Flash, Lamp, power_for, reach_m, set_lamp
from .positions import Camera, Position, Subject

__all__ = [
    "Camera", "Exposure", "Flash", "Lamp", "Plan", "Position", "Setting", "Shutter", "Subject",
    "compare", "find_exposure", "plan", "plan_text", "read_plan", "read_setting",
]  # fmt: skip

FORMAT = 1
"""Version of the plan file."""

AMBIENT_FRAMES = 2
"""One first and one last: the second tells how far the dusk has fallen."""

FLASHES_PER_POSITION = 2
"""A test and the frame that is kept. Common practice, no source."""

TALL_STAND_M = 4.0
"""Higher heads need a stand, weight and wind that allow it. Common practice, no source."""

DRIFT_EV = 1 / 6
"""Half of the smallest step that cameras have (a third of a stop): less is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Settings and walk.

    Attributes
    ----------
    exposure : Exposure
    lamp : Lamp
    subject : Subject
    camera : Camera
    flash : Flash
        The lamp at all positions but the low fill.
    positions : tuple of Position
        In the order of the walk.
    ambient_frames : int
        Frames without flash, one first and one last.
    darkest_ev : float
        Darkest spot of the four faces against the middle of a pool, stops (model in `positions`).
    remarks : tuple of Finding
    """

    exposure: Exposure
    lamp: Lamp
    subject: Subject
    camera: Camera
    flash: Flash
    positions: tuple[Position, ...]
    ambient_frames: int
    darkest_ev: float
    remarks: tuple[Finding, ...]


def plan(exposure: Exposure, *, lamp: Lamp, subject: Subject, camera: Camera) -> Plan:
    """Plan the walk of one lamp round a subject.

    Parameters
    ----------
    exposure : Exposure
        From `find_exposure`.
    lamp : Lamp
    subject : Subject
    camera : Camera

    Returns
    -------
    Plan
        What may spoil the set stands in its ``remarks``.

    Raises
    ------
    InputError
        The parts do not fit together; the message says what would.

    Examples
    --------
    >>> from lampwalk.planning import Camera, Lamp, Subject, find_exposure, plan, read_setting
    >>> boat = plan(
    ...     find_exposure(read_setting("1/125 f/8 ISO 100"), 5.6, 0.5),
    ...     lamp=Lamp(guide_number_m=60, beam_deg=65, distance_m=4),
    ...     subject=Subject(width_m=6, depth_m=2.2, height_m=1.8),
    ...     camera=Camera(focal_mm=35, distance_m=9),
    ... )
    >>> len(boat.positions)
    7
    """
    if _inside(camera, subject):
        raise InputError(
            f"the camera, {camera.distance_m:g} m from the middle of the subject, would stand inside it",
            remedy="give the distance to the middle of the subject, not to its front",
        )
    needed_ev = av(exposure.setting.f_number) - iso_ev(exposure.setting.iso) + exposure.flash_loss_ev
    flash = set_lamp(lamp, needed_ev=needed_ev, depth_m=subject.depth_m, flashes=1)
    places = where.walk(subject, distance_m=flash.distance_m, beam_deg=lamp.beam_deg, height_m=lamp.height_m)
    flash = set_lamp(
        lamp, needed_ev=needed_ev, depth_m=subject.depth_m, flashes=FLASHES_PER_POSITION * (len(places) + 1)
    )
    fill = where.low_fill(subject, camera, reach_m(lamp.ev, 1.0, needed_ev + where.FILL_EV))
    fill_power = power_for(lamp.ev, fill.distance_m, needed_ev + where.FILL_EV)
    powers = [flash.power] * len(places) + [min(fill_power, 1.0)]
    positions = tuple(
        _position(number, place, power, (lamp, subject, camera))
        for number, (place, power) in enumerate(zip([*places, fill], powers, strict=True), start=1)
    )
    return Plan(
        exposure=exposure,
        lamp=lamp,
        subject=subject,
        camera=camera,
        flash=flash,
        positions=positions,
        ambient_frames=AMBIENT_FRAMES,
        darkest_ev=where.darkest_ev(places, subject, lamp.beam_deg),
        remarks=tuple(_remarks(exposure, lamp, flash, positions) + _picture_remarks(subject, camera)),
    )


def compare(plan: Plan, facts: Sequence[Facts], names: Sequence[str] = ()) -> list[Finding]:
    """Compare a set with its plan: positions missing, exposure drifted.

    Parameters
    ----------
    plan : Plan
    facts : sequence of Facts
        What the files say, in shooting order.
    names : sequence of str
        Names of the frames, in the same order; where none are given, frames are told by their number.

    Returns
    -------
    list of Finding
        ``"plan-positions"``, ``"plan-ambient"``, ``"plan-exposure"``, ``"plan-exposure-unknown"``; empty
        where all is as planned.
    """
    if names and len(names) != len(facts):
        raise InputError(f"{len(names)} names for {len(facts)} frames")
    labels = list(names) or [f"frame {number}" for number in range(1, len(facts) + 1)]
    return _missing(plan, facts) + _drifted(plan, facts, labels)


def plan_text(plan: Plan) -> str:
    """Write a plan as the JSON text of a plan file."""
    return json.dumps({"lampwalk_plan": FORMAT, **dataclasses.asdict(plan)}, indent=1, ensure_ascii=False) + "\n"


def read_plan(path: str | Path) -> Plan:
    """Read a plan file.

    Raises
    ------
    InputError
        The file is missing, is no plan, or has a field that cannot be used (named in the message).
    """
    remedy = "write it again with: lampwalk plan"
    try:
        data = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError("the plan cannot be read", file=path, remedy="check the path") from error
    except ValueError as error:
        raise InputError("is no plan: not JSON text", file=path, remedy=remedy) from error
    if not isinstance(data, dict) or "lampwalk_plan" not in data:
        raise InputError("is no plan file", file=path, remedy=remedy)
    if data.pop("lampwalk_plan") != FORMAT:
        raise InputError(f"is a plan of another version than {FORMAT}", file=path, remedy=remedy)
    try:
        return typing.cast(Plan, _build(Plan, data, ""))
    except InputError as error:
        raise InputError(error.message, file=path, remedy=error.remedy or remedy) from error


def _inside(camera: Camera, subject: Subject) -> bool:
    x, y, _ = camera.place
    return bool(abs(x) <= subject.width_m / 2 and abs(y) <= subject.depth_m / 2)


def _position(number: int, place: where.Place, power: float, kit: tuple[Lamp, Subject, Camera]) -> Position:
    lamp, subject, camera = kit
    x, y, height = (round(float(value), 2) for value in place.head)
    aim_x, aim_y, aim_height = (round(float(value), 2) for value in place.aim)
    clear = where.legs_clear_m(place, lamp.beam_deg)
    return Position(
        number=number,
        side=place.side,
        x_m=x,
        y_m=y,
        height_m=height,
        aim_m=(aim_x, aim_y, aim_height),
        distance_m=round(place.distance_m, 2),
        power=power,
        sees=where.what_camera_sees(camera, subject, place.head, lamp.head_radius_m),
        hidden_below_m=round(where.hidden_below_m(camera, subject, place.head, lamp.head_radius_m), 2),
        legs_clear_m=None if clear is None else round(clear, 2),
    )


def _remarks(exposure: Exposure, lamp: Lamp, flash: Flash, positions: Sequence[Position]) -> list[Finding]:
    remarks = []
    if exposure.high_speed_sync:
        loss_ev = exposure.flash_loss_ev - exposure.nd_ev
        remarks.append(
            Finding(
                code="high-speed-sync",
                text=f"{shutter_text(exposure.setting.shutter_s)} is faster than sync speed:"
                f" high-speed sync takes about {loss_ev:.1f} stops of flash light",
                remedy="compare with a filter or a smaller aperture: the field sheet lists the ways",
                serious=False,
            )
        )
    if flash.power > 1:
        remarks.append(
            Finding(
                code="flash-too-weak",
                text=f"at {flash.distance_m:.1f} m the lamp lacks {math.log2(flash.power):.1f} stops",
                remedy=f"go no farther than {flash.reach_m:.1f} m, take a stronger lamp, or sink less"
                + ("; a filter costs less light than high-speed sync" if exposure.high_speed_sync else ""),
            )
        )
    lowest = min(position.power for position in positions)
    if lowest < lamp.smallest_power * 0.99:
        remarks.append(
            Finding(
                code="flash-too-strong",
                text=f"a position needs 1/{1 / lowest:.0f}, the lamp ends at 1/{1 / lamp.smallest_power:.0f}",
                remedy="go farther away, close the aperture, or put a filter before the lamp",
            )
        )
    if flash.charge is not None and flash.charge > 1:
        remarks.append(
            Finding(
                code="battery-too-small",
                text=f"the walk takes {flash.charge:.1f} charges",
                remedy=f"bring {math.ceil(flash.charge)} charged batteries",
            )
        )
    highest = max(position.height_m for position in positions)
    if highest > TALL_STAND_M:
        remarks.append(
            Finding(
                code="head-high",
                text=f"the plan puts the head up to {highest:.1f} m high",
                remedy="give a lower height, or make sure that stand, weight and wind allow it",
            )
        )
    lit = [p.number for p in positions if p.legs_clear_m is not None and p.legs_clear_m < lamp.stand_spread_m]
    if lit:
        remarks.append(
            Finding(
                code="legs-in-light",
                text=f"the beam lights the legs of the stand at {_list(lit)}",
                remedy="stand farther back with the head on a boom (counterweighted), or tilt it up",
                serious=False,
            )
        )
    return remarks


def _picture_remarks(subject: Subject, camera: Camera) -> list[Finding]:
    corners = [
        np.array([x * subject.width_m / 2, y * subject.depth_m / 2, z * subject.height_m])
        for x in (-1, 1)
        for y in (-1, 1)
        for z in (0, 1)
    ]
    if all(where.in_picture(camera, subject, corner, 0.0) for corner in corners):
        return []
    return [
        Finding(
            code="subject-cut-off",
            text="the picture does not hold the whole subject",
            remedy="step back, or take a shorter focal length",
            serious=False,
        )
    ]


def _missing(plan: Plan, facts: Sequence[Facts]) -> list[Finding]:
    wanted, ambient = len(plan.positions), plan.ambient_frames
    fired = [fact.flash_fired for fact in facts]
    if not any(fired):  # a lamp on a radio trigger often leaves no trace in the EXIF: only the number of frames tells
        lacking = wanted + ambient - len(facts)
        text = f"the plan has {wanted} positions and {ambient} ambient frames, the set {len(facts)} in all"
        return [_positions_finding(text)] if lacking > 0 else []
    findings = []
    lit = sum(state is True for state in fired)
    unlit = sum(state is False for state in fired)
    unknown = len(facts) - lit - unlit
    if lit + unknown < wanted:
        findings.append(_positions_finding(f"the plan has {wanted} positions, the set {lit} frames with flash"))
    if unlit + unknown < ambient:
        findings.append(
            Finding(
                code="plan-ambient",
                text=f"the plan has {ambient} ambient frames, the set {unlit}",
                remedy="shoot one without flash while the camera still stands",
            )
        )
    return findings


def _positions_finding(text: str) -> Finding:
    return Finding(
        code="plan-positions",
        text=text,
        remedy="see the ticks on the field sheet, and shoot what is missing while the camera still stands",
    )


def _drifted(plan: Plan, facts: Sequence[Facts], labels: Sequence[str]) -> list[Finding]:
    groups: dict[str, list[str]] = {}
    unknown = []
    for label, fact in zip(labels, facts, strict=True):
        if fact.exposure_s is None or fact.f_number is None or fact.iso is None:
            unknown.append(label)
            continue
        shot = Setting(shutter_s=fact.exposure_s, f_number=fact.f_number, iso=fact.iso)
        text = _drift_text(plan.exposure.setting, shot)
        if text:
            groups.setdefault(text, []).append(label)
    findings = [
        Finding(
            code="plan-exposure",
            frame=frames[0] if len(frames) == 1 else None,
            text=text if len(frames) == 1 else f"{_who(frames, len(facts))}: {text}",
            remedy="set shutter, aperture and ISO by hand; the merge levels what it can",
        )
        for text, frames in groups.items()
    ]
    if unknown:
        findings.append(
            Finding(
                code="plan-exposure-unknown",
                text=f"{_who(unknown, len(facts))}: the file does not say its exposure",
                remedy="compare the originals from the camera",
                serious=False,
            )
        )
    return findings


def _drift_text(planned: Setting, shot: Setting) -> str:
    """Say what differs, and what it does to daylight and to flash light; empty where nothing does."""
    aperture_ev = av(planned.f_number) - av(shot.f_number) + iso_ev(shot.iso) - iso_ev(planned.iso)
    daylight_ev = planned.ev100 - shot.ev100
    parts = (
        (planned.shutter_s, shot.shutter_s, shutter_text(shot.shutter_s), shutter_text(planned.shutter_s), 1),
        (planned.f_number, shot.f_number, f"f/{shot.f_number:g}", f"f/{planned.f_number:g}", 2),
        (planned.iso, shot.iso, f"ISO {shot.iso:g}", f"ISO {planned.iso:g}", 1),
    )
    differs = [
        f"{has} instead of {should}"
        for asked, got, has, should, stops in parts
        if abs(stops * math.log2(got / asked)) > DRIFT_EV
    ]
    if not differs:
        return ""
    return f"{', '.join(differs)}: daylight {daylight_ev:+.1f}, flash {aperture_ev:+.1f} stops"


def _who(frames: Sequence[str], total: int) -> str:
    return "every frame" if len(frames) == total else ", ".join(frames)


def _list(numbers: Sequence[int]) -> str:
    return f"position{'s' if len(numbers) > 1 else ''} {', '.join(str(number) for number in numbers)}"


def _build(kind: Any, data: Any, path: str) -> Any:
    """Make a value of a type out of plain JSON data; the path names the field in errors."""
    if dataclasses.is_dataclass(kind):
        if not isinstance(data, dict):
            raise InputError(f"field {path or 'plan'} is not a group of fields")
        hints = typing.get_type_hints(kind)
        return typing.cast(Any, kind)(
            **{
                name: _build(hint, _member(data, name, path), f"{path}.{name}".lstrip("."))
                for name, hint in hints.items()
            }
        )
    arguments = typing.get_args(kind)
    if typing.get_origin(kind) is tuple:
        if not isinstance(data, list) or (arguments[-1] is not Ellipsis and len(data) != len(arguments)):
            raise InputError(f"field {path} is not the list it should be")
        kinds = [arguments[0]] * len(data) if arguments[-1] is Ellipsis else arguments
        return tuple(_build(one, value, f"{path}[{i}]") for i, (one, value) in enumerate(zip(kinds, data, strict=True)))
    if typing.get_origin(kind) is types.UnionType:
        return None if data is None else _build(arguments[0], data, path)
    if kind is float and type(data) in (int, float) and math.isfinite(data):
        return float(data)
    if type(data) is not kind or kind is float:
        raise InputError(f"field {path} is {data!r}, which is no {kind.__name__}")
    return data


def _member(data: dict[str, Any], name: str, path: str) -> Any:
    if name not in data:
        raise InputError(f"field {f'{path}.{name}'.lstrip('.')} is missing")
    return data[name]

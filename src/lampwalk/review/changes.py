"""What a page may ask for, as a change of the run's decisions: the state before, and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .. import finish
from ..errors import InputError
from ..worksheet import FrameRecord
from .history import State, patch
from .strokes import Box, Stroke, hide_more, moved, paint, show

if TYPE_CHECKING:
    from .session import Session

Parts = Mapping[str, Mapping[str, Any]]
"""Fields of frame records by file."""

LIMITS = {"gain_ev": 6.0, "warmth": 300.0}
"""Largest amounts, as in the worksheet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One change, not yet carried out: in words, and the state before and after."""

    what: str
    before: State
    after: State


def plan(session: Session, request: Mapping[str, Any]) -> Plan:
    """Read a request.

    Parameters
    ----------
    session : Session
    request : mapping
        ``{"do": "paint", "frame", "points": [[x, y], ...], "radius", "soft", "hide"}``,
        ``{"do": "region", "frame", "index", "verdict": "keep" | "show" | "more"}``,
        ``{"do": "lamp", "frame", "gain_ev", "warmth", "on"}`` or ``{"do": "finish", "finish": {...}}``.

    Raises
    ------
    InputError, WorksheetError
        A field cannot be used; it is named.
    """
    known = {"paint": _paint, "region": _region, "lamp": _lamp, "finish": _finish}
    what = request.get("do")
    if not isinstance(what, str) or what not in known:
        raise InputError(f"do: {str(what)[:40]!r}", remedy=f"use one of {', '.join(known)}, undo, redo")
    return known[what](session, request)


def _paint(session: Session, request: Mapping[str, Any]) -> Plan:
    record = _frame(session, request)
    points = request.get("points")
    if not isinstance(points, list):
        raise InputError("points: no list", remedy="draw the stroke again")
    try:
        way = tuple((float(x), float(y)) for x, y in points)
    except (TypeError, ValueError) as error:
        raise InputError("points: no pairs of numbers", remedy="draw the stroke again") from error
    hide = request.get("hide") is True
    stroke = Stroke(points=way, radius_px=_number(request, "radius"), soft=_number(request, "soft"), hide=hide)
    mask, box = paint(session.masks[record.file], stroke, session.run.to_reference(record))
    return _masked(session, record, f"{'paint' if hide else 'erase'} {record.file}", mask, box)


def _region(session: Session, request: Mapping[str, Any]) -> Plan:
    record = _frame(session, request)
    verdict, index = request.get("verdict"), request.get("index")
    regions = list(record.notes.get("hidden", []))
    if not isinstance(index, int) or not 0 <= index < len(regions) or verdict not in ("keep", "show", "more"):
        raise InputError("there is no such region", remedy="open the page again")
    marked = [{**r, "seen": verdict} if i == index else r for i, r in enumerate(regions)]
    notes = {"notes": {**record.notes, "hidden": marked}}
    if verdict == "keep":
        return Plan(
            what=f"keep a region of {record.file}",
            before={"frames": {record.file: {"notes": record.notes}}},
            after={"frames": {record.file: notes}},
        )
    r0, c0, r1, c1 = (int(v) for v in regions[index]["box"])
    back = np.linalg.inv(session.run.to_reference(record))
    own = moved((r0, c0, r1, c1), back, session.run.small)
    mask = session.masks[record.file]
    mask, own = (show(mask, own), own) if verdict == "show" else hide_more(mask, own)
    words = "do not hide a region of" if verdict == "show" else "hide more of"
    return _masked(session, record, f"{words} {record.file}", mask, own, notes)


def _masked(
    session: Session,
    record: FrameRecord,
    what: str,
    mask: NDArray[np.uint8],
    box: Box,
    fields: Mapping[str, Any] | None = None,
) -> Plan:
    if box[0] >= box[2] or box[1] >= box[3]:
        raise InputError(f"that is outside {record.file}", remedy="paint on the frame")
    after = {
        "by_hand": True,
        "mask": record.mask or f"masks/{record.file.rsplit('.', 1)[0]}.png",
        **(fields or {}),
    }
    before = {name: getattr(record, name) for name in after}
    former = session.masks[record.file]
    return Plan(
        what=what,
        before={"masks": {record.file: patch(former, box)}, "frames": {record.file: before}},
        after={"masks": {record.file: patch(mask, box)}, "frames": {record.file: after}},
    )


def _lamp(session: Session, request: Mapping[str, Any]) -> Plan:
    record = _frame(session, request)
    after: dict[str, Any] = {}
    for name, limit in LIMITS.items():
        if name in request:
            value = _number(request, name)
            if abs(value) > limit:
                raise InputError(f"{name}: {value:g}", remedy=f"give -{limit:g} to {limit:g}")
            after[name] = value
    if "on" in request:
        after["on"] = request["on"] is True
    if not after:
        raise InputError("nothing about the lamp was said", remedy="give on, gain_ev or warmth")
    if record.role != "lamp" and set(after) - {"on"}:
        raise InputError(f"{record.file} has no lamp to change", remedy="choose a lamp frame")
    others = [r for r in session.sheet.frames if r.role != "left out" and r.on and r.file != record.file]
    if after.get("on") is False and not others:
        raise InputError("the last frame cannot be turned off", remedy="turn another one on first")
    words = {"gain_ev": "stops", "warmth": "warmth", "on": "lamp on or off"}
    return Plan(
        what=f"{words[next(iter(after))]} of {record.file}",
        before={"frames": {record.file: {name: getattr(record, name) for name in after}}},
        after={"frames": {record.file: after}},
    )


def _finish(session: Session, request: Mapping[str, Any]) -> Plan:
    wanted = request.get("finish")
    if not isinstance(wanted, dict):
        raise InputError("finish: is no record", remedy="give lift, burn, crop")
    spec = finish.from_json(wanted)
    # Carried out once, so that a finish that cannot be applied is refused before it is written down.
    finish.apply(np.zeros((*session.run.small, 3), np.uint16), spec)
    return Plan(what="finish", before={"finish": dict(session.sheet.finish)}, after={"finish": finish.to_json(spec)})


def _frame(session: Session, request: Mapping[str, Any]) -> FrameRecord:
    name = request.get("frame")
    if not isinstance(name, str) or name not in session.masks:
        raise InputError(f"no frame is called {str(name)[:80]!r}", remedy="open the page again")
    return session.sheet.frame(name)


def _number(request: Mapping[str, Any], name: str) -> float:
    value = request.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise InputError(f"{name}: is no number", remedy="give a number")
    return float(value)

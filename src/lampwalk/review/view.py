"""The state of a session as the page reads it."""

from __future__ import annotations

from typing import Any

import numpy as np

from .. import finish
from ..errors import LampwalkError
from ..offer import Offer
from ..worksheet import FrameRecord
from .session import Session


def state(session: Session) -> dict[str, Any]:
    """Everything that the page shows, but for the pictures: ready for JSON."""
    with session.lock:
        sheet, run, history, keeper = session.sheet, session.run, session.history, session.keeper
        shares, dark = _shares(session)
        taken = [r for r in sheet.frames if r.role != "left out"]
        return {
            "run": run.folder.resolve().name,
            "serial": session.serial,
            "revision": session.revision,
            "settled": session.settled == session.revision and session.table is not None,
            "filled_anew": session.filled == session.revision,
            "ready": session.table is not None,
            "problem": session.problem,
            "size": {"small": list(run.small), "full": list(run.full)},
            "reference": sheet.reference,
            "frames": [_frame(r, i + 1, shares.get(i + 1)) for i, r in enumerate(taken)],
            "left_out": [{"file": r.file, "why": r.why} for r in sheet.frames if r.role == "left out"],
            "regions": [region for r in taken for region in _regions(r)],
            "unlit": dark,
            "filled": shares.get(255),
            "finish": dict(sheet.finish),
            "crop_box": _crop_box(session),
            "findings": [{name: f.get(name) for name in ("frame", "text", "remedy")} for f in sheet.findings],
            "notices": list(run.notices),
            "undo": history.to_undo.what if history.to_undo else None,
            "redo": history.to_redo.what if history.to_redo else None,
            "saved": keeper.saved,
            "not_saved": keeper.failed,
            "conflict": keeper.conflict,
            "merged": history.merged == history.here and (run.folder / "picture.jpg").is_file(),
            "job": dict(session.job),
        }


def offer(session: Session) -> dict[str, Any]:
    """Collect what the series suggests: a balance of the lamps, a lift, a crop; to start from."""
    with session.lock:
        offered = Offer(subject=finish.Region(ellipse=(0.5, 0.5, 0.35, 0.35, 0.0)))
        if session.table is not None:
            offered = session.table.offer
    lift = finish.Lift(region=offered.subject, gamma=1.15)
    ellipse = offered.subject.ellipse
    crop = finish.Crop(ratio=(3, 2), focus=ellipse[:2] if ellipse else (0.5, 0.5), inside=offered.inside)
    data = finish.to_json(finish.Finish(lift=(lift,), crop=crop))
    return {
        "lamps": [{"frame": s.name, "gain_ev": s.gain_ev, "why": s.why} for s in offered.lamps],
        "lift": data["lift"][0],
        "crop": data["crop"],
    }


def _frame(record: FrameRecord, number: int, share: float | None) -> dict[str, Any]:
    return {
        "number": number,
        "file": record.file,
        "role": record.role,
        "why": record.why,
        "on": record.on,
        "gain_ev": record.gain_ev,
        "warmth": record.warmth,
        "by_hand": record.by_hand,
        "ambient_ev": record.ambient_ev,
        "share": share,
    }


def _regions(record: FrameRecord) -> list[dict[str, Any]]:
    """Hidden regions of a frame; those first seen by a person carry the verdict."""
    found = []
    for index, r in enumerate(record.notes.get("hidden", [])):
        if not isinstance(r, dict) or not _is_box(r.get("box")):
            continue
        found.append({
            "frame": record.file,
            "index": index,
            "box": [int(v) for v in r["box"]],
            "why": str(r.get("why", "")),
            "confidence": float(r.get("confidence", 0)),
            "unsure": r.get("unsure") is True,
            "seen": r.get("seen"),
        })  # fmt: skip
    return found


def _is_box(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 4 and all(isinstance(v, int | float) for v in value)


def _shares(session: Session) -> tuple[dict[int, float], float | None]:
    """Share of the result by frame number (255: fill), and the share that no lamp reaches."""
    if session.table is None:
        return {}, None
    counts = np.bincount(session.table.coverage.ravel(), minlength=256) / session.table.coverage.size
    by_day = [i + 1 for i, d in enumerate(session.table.frames) if d.role == "ambient"]
    return {i: float(c) for i, c in enumerate(counts) if c}, float(counts[[0, *by_day]].sum())


def _crop_box(session: Session) -> list[int] | None:
    """Find the crop in preview pixels: first row, first column, row and column behind the last."""
    try:
        crop = finish.from_json(session.sheet.finish).crop
        if crop is None:
            return None
        rows, cols = finish.crop_box(crop, session.run.small)
    except LampwalkError:
        return None
    return [rows.start, cols.start, rows.stop, cols.stop]

"""Decisions that a worksheet has recorded, as the steps that made them gave them."""

from __future__ import annotations

from .alignment import Alignment
from .ambient import Level
from .frames import Series
from .worksheet import FrameRecord, Worksheet


def roles_and_alignments(series: Series, sheet: Worksheet) -> tuple[tuple[bool, ...], tuple[Alignment, ...]]:
    """Which frames hold no flash light, and how each lies on the reference; frames that are not recorded are refused."""
    records = {record.file: record for record in sheet.frames}
    found = []
    for frame in series.frames:
        record = records.get(frame.name)
        refused = record is None or record.homography is None or record.role == "left out"
        found.append(
            Alignment(
                frame_to_reference=None if refused or record is None else record.homography,
                model="homography",
                residual_px=0.0,
                inliers=0,
                spread=0.0,
                verdict="refused" if refused else "aligned",
                reason="not in the worksheet" if record is None else record.why,
            )
        )
    by_day = tuple(f.name in records and records[f.name].role == "ambient" for f in series.frames)
    return by_day, tuple(found)


def level(record: FrameRecord) -> Level:
    """What is done to the daylight of a frame."""
    notes = record.notes.get("level", {})
    return Level(
        ambient_ev=record.ambient_ev,
        gradient_ev=tuple(notes.get("gradient_ev", (0.0, 0.0))),
        exposure_ev=notes.get("exposure_ev", 0.0),
        gains=tuple(notes.get("gains", (1.0, 1.0, 1.0))),
        reason=notes.get("reason", ""),
    )

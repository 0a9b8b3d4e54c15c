"""Decisions as a worksheet records them: written down, and read back for the steps that made them."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .alignment import Alignment
from .ambient import Level
from .frames import Series
from .stack import FILLED
from .worksheet import FrameRecord, Worksheet

if TYPE_CHECKING:
    from .decisions import Decision, Decisions


def worksheet_of(decisions: Decisions) -> Worksheet:
    """Write down what was decided."""
    taken = {d.frame.name: d for d in decisions.frames}
    out = dict(decisions.left_out)
    names = [f.name for f in decisions.series.frames] + [
        n for n in out if n not in {f.name for f in decisions.series.frames}
    ]
    records = [_record(taken[n]) if n in taken else FrameRecord(file=n, role="left out", why=out[n]) for n in names]
    legend = {"0": "no frame", str(FILLED): "fill: light put back behind masks"}
    legend |= {str(i + 1): f.name for i, f in enumerate(decisions.series.frames)}
    return Worksheet(
        reference=decisions.reference,
        frames=tuple(records),
        merge=_merge_record(decisions),
        coverage=legend,
        offer={
            "subject": list(decisions.offer.subject.ellipse or ()),
            "inside": list(decisions.offer.inside),
            "lamps": [{"frame": s.name, "gain_ev": s.gain_ev, "why": s.why} for s in decisions.offer.lamps],
        },
        findings=tuple(
            {"code": f.code, "frame": f.frame, "text": f.text, "remedy": f.remedy, "serious": f.serious}
            for f in decisions.findings
        ),
    )


def _merge_record(decisions: Decisions) -> dict[str, Any]:
    """Choices, and what was measured on the whole series, so that a repeated run need not measure it again."""
    record = asdict(decisions.choices) | {"hot_points": decisions.hot_pixels.tolist()}
    if decisions.glow_fit is not None:
        record["glow_fit"] = decisions.glow_fit.to_data([d.frame.name for d in decisions.frames])
    return record


def _record(d: Decision) -> FrameRecord:
    a = d.alignment
    notes: dict[str, Any] = {
        "alignment": {
            "model": a.model,
            "residual_px": round(a.residual_px, 3),
            "inliers": a.inliers,
            "spread": round(a.spread, 3),
            "verdict": a.verdict,
        }
    }
    if d.level is not None and not d.level.is_even:
        notes["level"] = {
            "gradient_ev": list(d.level.gradient_ev),
            "exposure_ev": d.level.exposure_ev,
            "gains": list(d.level.gains),
            "reason": d.level.reason,
        }
    if d.found is not None:
        notes["hidden"] = [
            {
                "box": list(r.box),
                "area_px": r.area_px,
                "why": r.why,
                "confidence": round(r.confidence, 3),
                "unsure": r.unsure,
            }
            for r in d.found
        ]
    if d.fill_share:
        notes["fill"] = {"share": round(d.fill_share, 5)}
    return FrameRecord(
        file=d.frame.name,
        role=d.role,
        why=a.reason,
        homography=d.frame_to_reference,
        ambient_ev=0.0 if d.level is None else d.level.ambient_ev,
        mask=f"masks/{Path(d.frame.name).stem}.png",
        gain_ev=d.lamp.gain_ev,
        warmth=d.lamp.warmth,
        on=d.lamp.on,
        by_hand=d.by_hand,
        notes=notes,
    )


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

"""Look before merging: what is wrong with a set, and what to do about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import alignment, planning
from .colour import luminance
from .decisions import Choices, Decision, Decisions, decide
from .errors import Finding
from .files import Facts
from .frames import Series, as_series
from .geometry import Matrix
from .looking import Progress
from .previews import Preview, of_small

DRIFT_EV = 0.4
"""Daylight that drifted more than this is worth a word (common practice, no source: a third of a stop is seen)."""

SOFT = 0.5
"""A frame with less than this share of the set's median sharpness is reported as soft."""

BAND_ROWS, BAND_EV = 0.12, 1.0
"""A strip along one edge of this share of the height, darker than the ambient frame by this much: curtain shadow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One frame in the table.

    Attributes
    ----------
    frame, role : str
    captured_at : str
        ISO 8601, empty where unknown.
    exposure : str
        As ``1/2000 s  f/4  ISO 100``.
    sharpness : float
        Relative to the median of the set: 1 is usual.
    clipped_percent : float
        Share of the picture with a channel at its top.
    shift_px, drift_ev : float or None
        Against the reference: motion of the picture's centre, and daylight.
    hidden_percent : float
        Share of the picture that would be hidden.
    note : str
    """

    frame: str
    role: str
    captured_at: str = ""
    exposure: str = ""
    sharpness: float = 0.0
    clipped_percent: float = 0.0
    shift_px: float | None = None
    drift_ev: float | None = None
    hidden_percent: float = 0.0
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What `check` found.

    Attributes
    ----------
    rows : tuple of Row
        In shooting order.
    reference : str
    findings : tuple of Finding
    """

    rows: tuple[Row, ...]
    reference: str
    findings: tuple[Finding, ...]


def check(
    source: Series | str | Path | Sequence[Any], *, plan: str | Path | None = None, progress: Progress | None = None
) -> Report:
    """Look at a series before merging.

    Parameters
    ----------
    source : Series, folder, list of paths or list of arrays
    plan : path, optional
        A plan.json made before the shoot, to compare the set with.
    progress : callable, optional

    Returns
    -------
    Report

    Raises
    ------
    LampwalkError
        The series cannot be read or no two frames align.
    """
    series = as_series(source)
    figures: dict[str, tuple[float, float, float]] = {}

    def keep(name: str, small: NDArray[Any]) -> None:
        preview = of_small(name, small, series.shape)
        figures[name] = (_sharpness(preview), float(preview.clipped.mean()), _edge_band_ev(preview))

    decisions = decide(series, choices=Choices(glow=False, fill=False, quiet=False), keep=keep, progress=progress)
    usual = float(np.median([f[0] for f in figures.values()])) or 1.0
    by_name = {d.frame.name: d for d in decisions.frames}
    out = dict(decisions.left_out)
    rows = [
        _row(f.name, f.facts, by_name.get(f.name), figures[f.name], usual, out.get(f.name, "")) for f in series.frames
    ]
    rows += [Row(frame=name, role="left out", note=why) for name, why in series.left_out]
    findings = [*decisions.findings, *_settings(series), *_odd_frames(rows, decisions, figures)]
    used = list(decisions.frames)
    findings += alignment.lens_findings([d.frame for d in used], [d.alignment for d in used])
    if plan is not None:
        frames = series.frames
        findings += planning.compare(
            planning.read_plan(Path(plan)), [f.facts for f in frames], [f.name for f in frames]
        )
    return Report(rows=tuple(rows), reference=decisions.reference, findings=tuple(findings))


def _row(
    name: str, facts: Facts, d: Decision | None, figures: tuple[float, float, float], usual: float, why: str
) -> Row:
    return Row(
        frame=name,
        role="left out" if d is None else d.role,
        captured_at="" if facts.captured_at is None else facts.captured_at.isoformat(),
        exposure=exposure_text(facts),
        sharpness=round(figures[0] / usual, 2),
        clipped_percent=round(100 * figures[1], 2),
        shift_px=None if d is None else round(_shift_px(d.frame_to_reference, d.frame.shape), 2),
        drift_ev=None if d is None or d.level is None else round(-d.level.ambient_ev, 2),
        hidden_percent=0.0 if d is None or d.hidden is None else round(float((d.hidden.small() > 127).mean() * 100), 2),
        note=why,
    )


def exposure_text(facts: Facts) -> str:
    """Exposure as photographers write it: ``1/2000 s  f/4  ISO 100``."""
    parts = []
    if facts.exposure_s:
        s = facts.exposure_s
        parts.append(f"1/{round(1 / s)} s" if s < 0.3 else f"{s:g} s")
    if facts.f_number:
        parts.append(f"f/{facts.f_number:g}")
    if facts.iso:
        parts.append(f"ISO {facts.iso:g}")
    return "  ".join(parts)


def _shift_px(matrix: Matrix, shape: tuple[int, int]) -> float:
    centre = np.array([[[(shape[1] - 1) / 2, (shape[0] - 1) / 2]]])
    return float(np.linalg.norm(cv2.perspectiveTransform(centre, matrix) - centre))


def _sharpness(preview: Preview) -> float:
    """Fine detail against coarser detail of the logarithm: free of exposure and, mostly, of the light."""
    log = np.log(luminance(preview.linear) + np.float32(0.01))
    fine = log - cv2.GaussianBlur(log, (0, 0), 1)
    coarse = cv2.GaussianBlur(log, (0, 0), 1) - cv2.GaussianBlur(log, (0, 0), 4)
    return float(fine.std() / (coarse.std() + 1e-6))


def _edge_band_ev(preview: Preview) -> float:
    """How much darker the top or bottom edge is than the strip beside it, in stops: straight and across the picture."""
    rows = np.median(luminance(preview.linear), axis=1) + 1e-4
    n = max(2, round(BAND_ROWS * len(rows)))
    steps = []
    for edge in (rows[:n], rows[::-1][:n]):
        jump = np.log2(edge[1:] / edge[:-1])
        steps.append(float(jump.max()))
    return max(steps)


def _settings(series: Series) -> list[Finding]:
    """Settings that should be the same in all frames."""
    found = []
    for label, values, remedy in (
        ("aperture", [f.facts.f_number for f in series.frames], "set the exposure by hand for the whole walk"),
        ("shutter time", [f.facts.exposure_s for f in series.frames], "set the exposure by hand for the whole walk"),
        ("ISO", [f.facts.iso for f in series.frames], "turn automatic ISO off"),
        ("focal length", [f.facts.focal_mm for f in series.frames], "tape the zoom ring; merge these frames apart"),
    ):
        known = [v for v in values if v]
        if len(set(known)) < 2:
            continue
        usual = Counter(known).most_common(1)[0][0]
        found += [
            Finding(
                code="setting",
                frame=frame.name,
                text=f"{label} is {value:g}, in the other frames {usual:g}",
                remedy=remedy,
            )
            for frame, value in zip(series.frames, values, strict=True)
            if value and value != usual
        ]
    return found


def _odd_frames(
    rows: Sequence[Row], decisions: Decisions, figures: dict[str, tuple[float, float, float]]
) -> list[Finding]:
    found = []
    ambient = [r for r in rows if r.role == "ambient"]
    if not ambient:
        found.append(
            Finding(
                code="no-ambient",
                text="no frame without flash",
                remedy="next time take one before the walk: it helps alignment and hides stands better",
                serious=False,
            )
        )
    fired = {f.name: f.facts.flash_fired for f in decisions.series.frames}
    for row in rows:
        if row.role == "ambient" and (len(ambient) > 1 or fired.get(row.frame)) and row.frame != decisions.reference:
            found.append(
                Finding(
                    code="no-flash", frame=row.frame, text="the flash did not fire", remedy="shoot this position again"
                )
            )
        if row.role == "left out":
            continue
        if row.drift_ev is not None and abs(row.drift_ev) >= DRIFT_EV:
            word = "brighter" if row.drift_ev > 0 else "darker"
            found.append(
                Finding(
                    code="drift",
                    frame=row.frame,
                    text=f"daylight is {abs(row.drift_ev):.1f} stops {word} than in the reference: clouds, or another setting?",
                    remedy="it is evened out; look at the sky in the result",
                    serious=False,
                )
            )
        if row.sharpness < SOFT:
            found.append(
                Finding(
                    code="soft",
                    frame=row.frame,
                    text="much softer than the other frames: refocused or shaken?",
                    remedy="focus by hand; shoot it again",
                )
            )
        if row.role == "lamp" and figures[row.frame][2] >= BAND_EV:
            found.append(
                Finding(
                    code="band",
                    frame=row.frame,
                    text="a straight dark band along one edge: shutter curtain above the sync speed?",
                    remedy="use high-speed sync or a longer shutter time",
                )
            )
    return found

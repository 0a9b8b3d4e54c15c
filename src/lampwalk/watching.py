"""Merging while still shooting: each new frame is merged at preview size, and what matters now is said.

`arrivals` tells which files are complete; `Walk` takes one frame after the other; `livefolder` shows them. Everything here is for looking at on location. The picture that counts is made by a merge of all frames afterwards.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import alignment, ambient, colour, geometry, masks, parallel
from .alignment import Sighting
from .errors import Finding, FrameError
from .files import exposure_ev, read_facts
from .frames import Frame, working_pixels
from .geometry import Matrix
from .previews import Preview, align_preview, make_preview
from .worksheet import FrameRecord

ALIGN_PX = 1000
"""Long side at which frames are aligned: good for the picture at preview size."""
HALVED_PX = 800
"""Above this long side equipment is looked for in halved previews."""
MOVED = 0.0015
"""Motion of a corner, share of the long side, that is the tripod's and not the wind's: 9 px of 6000."""
DRIFT_EV = 0.4
"""Daylight that drifted by so much is worth a word, and every such step again."""
CLIPPED = 0.002
"""Share of the picture that the last lamp clips and daylight does not."""
LIT = 1.41
"""A lamp has reached what it makes half a stop brighter than daylight."""
DARK = 0.002
"""Linear light below which a difference is noise."""
REACHED = 0.25
"""A ninth of the picture counts as reached when this share of it is lit."""
LOOK_BACK = 1
"""Earlier lamp frames that the equipment of a new frame is told from, besides the first frame."""

_ROWS, _COLS = ("upper", "middle", "lower"), ("left", "", "right")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """What one new frame brought.

    Attributes
    ----------
    record : FrameRecord
    findings : tuple of Finding
    seconds : float
        From the complete file to the merged preview.
    """

    record: FrameRecord
    findings: tuple[Finding, ...]
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Last:
    """The last lamp frame, and the merge without it."""

    small: Preview
    lit: NDArray[np.bool_]
    picture: NDArray[np.float32]
    reached: NDArray[np.bool_]


@dataclass(slots=True)
class Walk:
    """One series while it is being shot; frames are taken in the order of their arrival.

    The first frame is the reference. ``picture`` is the merge so far, (h, w, 3) float32 linear light; ``reached``,
    (h, w) bool, is where some lamp has brought light.
    """

    records: list[FrameRecord] = field(default_factory=list)
    picture: NDArray[np.float32] | None = None
    reached: NDArray[np.bool_] | None = None
    _sighting: Sighting | None = None
    _first: Preview | None = None
    _first_ev: float | None = None
    _first_lit: bool = False
    _lamps: list[Preview] = field(default_factory=list)
    _place: Matrix = field(default_factory=lambda: np.eye(3))
    _told_ev: float = 0.0
    _last: _Last | None = None

    def add(self, path: Path) -> Step:
        """Take a new frame.

        Raises
        ------
        FrameError
            It cannot be read.
        """
        start = time.perf_counter()
        self.look_closer()
        facts = read_facts(path)
        frame = Frame(name=path.name, path=path, facts=facts, bits=facts.bits)
        pixels = working_pixels(frame, frame.pixels())
        if self._first is not None and pixels.shape[:2] != self._first.full_shape:
            return self._left_out(path.name, "it has another size than the first frame", start)
        preview = make_preview(path.name, pixels)
        sighting = alignment.observe(_reduced(pixels))
        del pixels
        with parallel.limited(2):
            if self._first is None:
                return self._begin(frame, preview, sighting, start)
            assert self._sighting is not None
            found = alignment.solve([self._sighting, sighting], reference=0)[1]
            if found.frame_to_reference is None:
                return self._left_out(path.name, found.reason, start)
            lift = geometry.scaling(frame.shape, sighting.shape)
            matrix = geometry.normalised(lift @ found.frame_to_reference @ np.linalg.inv(lift))
            findings = self._motion(frame, matrix)
            small = align_preview(preview, matrix)
            small, drift_ev = self._levelled(small, frame)
            findings += self._drift(frame.name, drift_ev)
            findings += self._light(frame, small)
        unlit = any(f.code in ("no-flash", "ambient-again") for f in findings)
        record = FrameRecord(
            file=frame.name, role="ambient" if unlit else "lamp", why="seen at preview size", homography=matrix,
            ambient_ev=-drift_ev,
        )  # fmt: skip
        self.records.append(record)
        return Step(record=record, findings=tuple(findings), seconds=time.perf_counter() - start)

    def not_reached(self) -> tuple[str, ...]:
        """Say where no lamp has brought light yet, in words: ``("lower left", "lower middle")``."""
        if self.reached is None:
            return ()
        h, w = self.reached.shape
        dark = []
        for i, row in enumerate(_ROWS):
            for k, col in enumerate(_COLS):
                part = self.reached[i * h // 3 : (i + 1) * h // 3, k * w // 3 : (k + 1) * w // 3]
                if part.mean() < REACHED:
                    dark.append("centre" if (i, k) == (1, 1) else f"{row} {col or 'middle'}".replace("middle ", ""))
        return tuple(dark)

    def _begin(self, frame: Frame, preview: Preview, sighting: Sighting, start: float) -> Step:
        if sighting.problem:
            raise FrameError(
                sighting.problem,
                file=frame.path,
                remedy="shoot the first frame again, by daylight if you can",
            )
        self._first, self._sighting = preview, sighting
        self._first_ev, self._first_lit = exposure_ev(frame.facts), bool(frame.facts.flash_fired)
        self.picture = preview.linear.copy()
        self.reached = np.zeros(preview.shape, bool)
        role = "lamp" if self._first_lit else "ambient"
        record = FrameRecord(file=frame.name, role=role, why="reference", homography=np.eye(3))
        self.records.append(record)
        found: tuple[Finding, ...] = ()
        if self._first_lit:
            found = (Finding(code="no-ambient", frame=frame.name, text="the first frame was taken with flash",
                             remedy="take one without flash, too: it helps everything after", serious=False),)  # fmt: skip
        return Step(record=record, findings=found, seconds=time.perf_counter() - start)

    def _left_out(self, name: str, why: str, start: float) -> Step:
        record = FrameRecord(file=name, role="left out", why=why)
        self.records.append(record)
        finding = Finding(code="not-aligned", frame=name, text=f"left out: {why}", remedy="shoot this position again")
        return Step(record=record, findings=(finding,), seconds=time.perf_counter() - start)

    def _motion(self, frame: Frame, matrix: Matrix) -> list[Finding]:
        """Tell a new position of the tripod from the last one; it is told once, with the first frame from there."""
        h, w = frame.shape
        corners = np.array([[[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]]], np.float64)
        now, before = (cv2.perspectiveTransform(corners, m) for m in (matrix, self._place))
        moved_px = float(np.hypot(*(now - before)[0].T).max())
        if moved_px <= MOVED * max(h, w):
            return []
        self._place = matrix
        return [
            Finding(code="tripod-moved", frame=frame.name, text=f"the tripod moved by {moved_px:.0f} px, from {frame.name} on",
                    remedy="check that it stands firm; frames from here on are shifted back", serious=False)
        ]  # fmt: skip

    def _levelled(self, small: Preview, frame: Frame) -> tuple[Preview, float]:
        assert self._first is not None
        ev = [self._first_ev, exposure_ev(frame.facts)]
        level = ambient.level([self._first, small], [not self._first_lit, False], 0, ev)[1]
        gain = ambient.level_field(level, small, self._first.linear)
        drift_ev = -float(level.ambient_ev) if level.measured else 0.0
        return (small if gain is None else replace(small, linear=np.clip(small.linear * gain, 0, 1))), drift_ev

    def _drift(self, name: str, drift_ev: float) -> list[Finding]:
        if abs(drift_ev - self._told_ev) < DRIFT_EV:
            return []
        self._told_ev = drift_ev
        word = "brighter" if drift_ev > 0 else "darker"
        return [
            Finding(code="drift", frame=name, text=f"daylight is {abs(drift_ev):.1f} stops {word} than at the start",
                    remedy="it is evened out; hurry, or start again with a new frame without flash", serious=False)
        ]  # fmt: skip

    def _light(self, frame: Frame, small: Preview) -> list[Finding]:
        """Merge the frame; say what is wrong with its lamp."""
        assert self._first is not None
        assert self.picture is not None
        assert self.reached is not None
        daylight = colour.luminance(self._first.linear)
        light = colour.luminance(small.linear)
        lit = (light > LIT * daylight + DARK) & small.valid
        if ambient.find_ambient([self._first, small])[1]:
            return [self._unlit(frame)]
        self._last = _Last(small=small, lit=lit, picture=self.picture, reached=self.reached)
        self._merge(self._last, np.zeros(lit.shape, bool))
        burnt = small.clipped & ~self._first.clipped & lit
        if burnt.mean() <= CLIPPED:
            return []
        return [
            Finding(
                code="clipped",
                frame=frame.name,
                text=f"this lamp clips {100 * burnt.mean():.1f} % of the picture, {_where(burnt)}",
                remedy="if that is not the lamp itself: less power or more distance, and shoot it again",
            )
        ]

    def look_closer(self) -> tuple[Finding, ...]:
        """Look for equipment in the last frame, which takes longer than its merge, and take it out of the picture."""
        if self._last is None:
            return ()
        last, self._last = self._last, None
        with parallel.limited(2):
            hidden = self._equipment(last.small)
        self._merge(last, hidden)
        self._lamps = [*self._lamps, last.small][-LOOK_BACK:]
        return tuple(self._stand_before_light(last.small.name, hidden, last.lit))

    def _merge(self, last: _Last, hidden: NDArray[np.bool_]) -> None:
        takes_part = (last.small.valid & ~hidden)[..., None]
        self.picture = np.where(takes_part, np.maximum(last.picture, last.small.linear), last.picture)
        lit = (last.lit & ~hidden).astype(np.uint8)
        self.reached = last.reached | (cv2.morphologyEx(lit, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)

    def _equipment(self, small: Preview) -> NDArray[np.bool_]:
        assert self._first is not None
        seen = [self._first, *self._lamps, small]
        by_day = [not self._first_lit] + [False] * (len(seen) - 1)
        if max(small.shape) > HALVED_PX:
            seen = [_halved(p) for p in seen]
        mask = masks.find_in_previews(seen, by_day)[-1].hidden
        return cv2.resize(mask, small.shape[::-1], interpolation=cv2.INTER_LINEAR) > 127

    def _stand_before_light(self, name: str, hidden: NDArray[np.bool_], lit: NDArray[np.bool_]) -> list[Finding]:
        """Find a mask amid what its own lamp lights."""
        sigma = masks.AROUND * max(hidden.shape)
        seen = cv2.GaussianBlur((~hidden).astype(np.float32), (0, 0), sigma)
        around = cv2.GaussianBlur((lit & ~hidden).astype(np.float32), (0, 0), sigma) / np.maximum(seen, 1e-3)
        subject = around > 0.5
        share = float((subject & hidden).sum() / max(subject.sum(), 1))
        if share <= masks.SUBJECT:
            return []
        return [
            Finding(code="stand-before-subject", frame=name, text=f"this stand stands in front of the subject, {_where(hidden & subject)}",
                    remedy="move it to the side, and shoot this position again")
        ]  # fmt: skip

    def _unlit(self, frame: Frame) -> Finding:
        if frame.facts.flash_fired is False:
            return Finding(code="ambient-again", frame=frame.name, text="a frame without flash", serious=False)
        return Finding(code="no-flash", frame=frame.name, text="the flash did not fire, or lights nothing in the picture",
                       remedy="check trigger and batteries; shoot this position again")  # fmt: skip


def _reduced(pixels: NDArray[Any]) -> NDArray[Any]:
    scale = ALIGN_PX / max(pixels.shape[:2])
    if scale >= 1:
        return pixels
    return np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))


def _halved(preview: Preview) -> Preview:
    """Halve a preview: enough to see where a stand is, in a quarter of the time."""
    size = (preview.shape[1] // 2, preview.shape[0] // 2)
    flags = [
        cv2.resize(a.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        for a in (preview.clipped, preview.valid)
    ]
    linear = np.asarray(cv2.resize(preview.linear, size, interpolation=cv2.INTER_AREA), np.float32)
    return replace(preview, linear=linear, clipped=flags[0], valid=flags[1])


def _where(area: NDArray[np.bool_]) -> str:
    """Say where in the picture something lies: ``lower left``."""
    rows, cols = np.nonzero(area)
    i, k = (int(3 * np.median(v) / n) for v, n in zip((rows, cols), area.shape, strict=True))
    return "in the centre" if (i, k) == (1, 1) else f"{_ROWS[i]} {_COLS[k] or 'middle'}".replace("middle ", "")


__all__ = ["Step", "Walk"]

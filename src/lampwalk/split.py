"""Many pictures in folders: which of them are one series.

A series is what lies in one folder, was taken by one camera at one size and focal length without a long pause,
and shows one framing. Nothing is moved or renamed.
"""

from __future__ import annotations

import json
import logging
import os
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path, PurePosixPath
from statistics import median
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import alignment, parallel
from .alignment import Sighting
from .decode import check_scans
from .errors import Finding, FrameError, LampwalkError, WorksheetError, about
from .files import SUFFIXES, Facts, read_facts
from .frames import OWN_RESULTS, Frame, is_run_folder, natural_key

_log = logging.getLogger(__name__)

GLANCE_PX, LOOK_PX = 400, 1000
"""Long side at which framings are compared, px. What agrees at a glance is not looked at again: a third of the time, and
the same verdicts (benchmarks/batch.md). The larger is that of alignment's own small picture."""

AT_ONCE = 32
"""Frames decoded before they are compared; what is no longer needed is let go, so that memory does not grow."""

APART_S = 1800.0
"""A longer pause ends a series whatever the framing: the daylight is another. Common practice, no source."""

PAUSE_S, PAUSE_RATIO = 90.0, 3.0
"""A pause at least this long, and this many times the folder's usual one, ends a series if also the settings
changed. Common practice, no source: a lamp is carried on within a minute, a tripod is not set up in one."""

ZOOM = 0.005
"""Share by which focal lengths of one series may differ (rounding in EXIF)."""

_REDUCED = {2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4, 8: cv2.IMREAD_REDUCED_COLOR_8}

BACK = 3
"""Frames at the end of a series that the next one is compared with: two lamps may share too little light."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One series, as it was found.

    Attributes
    ----------
    name : str
        Name of its run folder; stays the same when frames or series are added later.
    files : tuple of Path
        In shooting order; a shot saved as raw and JPEG is both.
    why : str
        What sets it apart from the series before it.
    """

    name: str
    files: tuple[Path, ...]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """What was found in a folder.

    Attributes
    ----------
    series : tuple of Found
    findings : tuple of Finding
        Pictures that belong to no series.
    """

    series: tuple[Found, ...]
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shot:
    """All files of one press of the shutter."""

    files: tuple[Path, ...]
    path: Path
    facts: Facts


def find_series(folder: str | Path, *, apart_from: Path | None = None) -> Split:
    """Find the series in a folder and the folders in it.

    Parameters
    ----------
    folder : path
    apart_from : path, optional
        A folder that is not looked into, as the one where results go.

    Returns
    -------
    Split

    Raises
    ------
    LampwalkError
        The folder is not there or may not be read.
    """
    root = Path.absolute(Path(folder))
    with about(folder, remedy="give the folder that holds the series"):  # asking, too, may be forbidden
        is_folder = root.is_dir()
    if not is_folder:
        raise LampwalkError("is no folder", file=folder, remedy="give the folder that holds the series")
    series: list[Found] = []
    taken: set[str] = set()
    places, findings = _places(root, None if apart_from is None else Path.absolute(Path(apart_from)))
    for place in places:
        shots, remarks = _shots(place)
        findings += remarks
        name = root.name if place == root else "_".join(place.relative_to(root).parts)
        first = True
        for group, why in _groups(shots):
            if len(group) < 2:
                findings.append(_alone(group[0], root))
                continue
            own = _free_name(name if first else f"{name}_{group[0].path.stem}", taken)
            files = tuple(path for shot in group for path in shot.files)
            series.append(Found(name=own, files=files, why="" if first else why))
            first = False
    return Split(series=tuple(series), findings=tuple(findings))


def to_json(found: Split, folder: str | Path) -> str:
    """Split as text, to be edited and given back: UTF-8 JSON, files relative to the folder."""
    root = Path.absolute(Path(folder))
    series = [
        {"name": s.name, "files": [p.relative_to(root).as_posix() for p in s.files], "why": s.why} for s in found.series
    ]
    return json.dumps({"split": 1, "series": series}, indent=1, ensure_ascii=False) + "\n"


def read_split(path: str | Path, folder: str | Path) -> Split:
    """Read a split file.

    Raises
    ------
    WorksheetError
        Missing, no JSON, or a name or file that leaves its folder.
    """
    try:
        data = json.loads(Path(path).read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise WorksheetError(
            f"cannot be read: {error}", file=path, remedy="write it with batch --dry-run --json"
        ) from error
    root = Path.absolute(Path(folder))
    rows = data.get("series") if isinstance(data, dict) else None
    if not isinstance(rows, list):
        raise WorksheetError("is no split file", file=path, remedy="write it with batch --dry-run --json")
    series: list[Found] = []
    for i, row in enumerate(rows):
        name, files = (row.get("name"), row.get("files")) if isinstance(row, dict) else (None, None)
        if not isinstance(name, str) or not is_plain(name) or name in {s.name for s in series}:
            raise WorksheetError(
                f"series[{i}].name: {name!r}", file=path, remedy="give each series a name of its own, no path"
            )
        if not isinstance(files, list) or len(files) < 2 or not all(_stays_inside(f) for f in files):
            raise WorksheetError(f"series[{i}].files", file=path, remedy="list at least two files inside the folder")
        series.append(Found(name=name, files=tuple(root / f for f in files)))
    return Split(series=tuple(series))


def is_plain(name: str) -> bool:
    """Whether a text names a folder and leads nowhere else."""
    return bool(name) and name not in (".", "..") and not name.startswith(".") and not set(name) & set("/\\\0:")


def _stays_inside(name: object) -> bool:
    if not isinstance(name, str) or not name or "\0" in name or "\\" in name:
        return False
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts


def _places(root: Path, apart_from: Path | None) -> tuple[list[Path], list[Finding]]:
    """Folders to look into, and those that cannot be read: no hidden ones, no results, no links (they could lead round)."""
    places: list[Path] = []
    closed: list[Finding] = []

    def cannot(error: OSError) -> None:
        folder = Path(error.filename)
        if folder == root:
            raise LampwalkError(
                f"cannot be read: {error.strerror}", file=root, remedy="allow reading it, or give another folder"
            ) from error
        closed.append(
            Finding(
                code="unreadable",
                frame=folder.relative_to(root).as_posix(),
                text=f"its frames belong to no series: the folder cannot be read: {error.strerror}",
                remedy="allow reading it",
            )
        )

    for where, folders, _ in os.walk(root, onerror=cannot):
        here = Path(where)
        places.append(here)
        inside = [] if is_run_folder(here) else folders
        folders[:] = sorted((f for f in inside if not f.startswith(".") and here / f != apart_from), key=natural_key)
    return places, closed


def _shots(place: Path) -> tuple[list[_Shot], list[Finding]]:
    own = OWN_RESULTS if is_run_folder(place) else frozenset()
    by_name: dict[str, list[Path]] = {}
    for path in sorted(place.iterdir()):
        if (
            path.suffix.lower() in SUFFIXES
            and not path.name.startswith(".")
            and path.name not in own
            and path.is_file()
        ):
            by_name.setdefault(path.stem.casefold(), []).append(path)
    shots, findings = [], []
    for files, read in zip(by_name.values(), parallel.each(_first_readable, list(by_name.values())), strict=True):
        if isinstance(read, LampwalkError):
            findings.append(
                Finding(
                    code="unreadable",
                    frame=files[0].name,
                    text=f"belongs to no series: {read.message}",
                    remedy=read.remedy,
                )
            )
        else:
            shots.append(_Shot(files=tuple(files), path=read[0], facts=read[1]))
    if all(shot.facts.captured_at for shot in shots):
        # Two cameras' clocks do not agree: each camera for itself.
        shots.sort(key=lambda s: (s.facts.camera, s.facts.captured_at, natural_key(s.path.name)))
    else:
        shots.sort(key=lambda s: natural_key(s.path.name))
    return shots, findings


def _first_readable(files: Sequence[Path]) -> tuple[Path, Facts] | LampwalkError:
    """Facts of the file of a shot that is quickest to read."""
    problem: LampwalkError | None = None
    for path in sorted(files, key=lambda p: p.suffix.lower() not in (".jpg", ".jpeg")):
        try:
            return path, read_facts(path)
        except LampwalkError as error:
            problem = problem or error
    assert problem is not None
    return problem


def _groups(shots: Sequence[_Shot]) -> list[tuple[list[_Shot], str]]:
    """Cut the shots of one folder, first by what the files say, then by what they show."""
    pauses = [_pause_s(a, b) for a, b in pairwise(shots)]
    usual = median([p for p in pauses if p is not None] or [0.0])
    groups: list[tuple[list[_Shot], str]] = []
    for i, shot in enumerate(shots):
        why = "first" if i == 0 else _set_apart(shots[i - 1], shot, pauses[i - 1], usual)
        if why:
            groups.append(([], "" if i == 0 else why))
        groups[-1][0].append(shot)
    return [part for group, why in groups for part in _by_framing(group, why)]


def _pause_s(a: _Shot, b: _Shot) -> float | None:
    if a.facts.captured_at is None or b.facts.captured_at is None:
        return None
    return abs((b.facts.captured_at - a.facts.captured_at).total_seconds())


def _set_apart(a: _Shot, b: _Shot, pause_s: float | None, usual_s: float) -> str:
    """Why two shots that follow each other cannot be of one series; empty where they can."""
    one, other = a.facts, b.facts
    if one.camera != other.camera:
        return "another camera"
    if (one.height, one.width) != (other.height, other.width):
        return f"another size or orientation ({other.width}x{other.height})"
    if one.focal_mm and other.focal_mm and abs(other.focal_mm / one.focal_mm - 1) > ZOOM:
        return f"another focal length ({other.focal_mm:g} mm)"
    if pause_s is None:
        return ""
    settings = (one.exposure_s, one.f_number, one.iso) != (other.exposure_s, other.f_number, other.iso)
    if pause_s > APART_S or (settings and pause_s > max(PAUSE_S, PAUSE_RATIO * usual_s)):
        return f"a pause of {pause_s / 60:.0f} min" + (" and other settings" if settings else "")
    return ""


class _View:
    """What one shot shows, at a glance and, if need be, at a closer look."""

    def __init__(self, shot: _Shot) -> None:
        self._shot = shot
        self._seen = {GLANCE_PX: _look(shot, GLANCE_PX)}

    def at(self, long_side: int) -> Sighting | None:
        if long_side not in self._seen:
            self._seen[long_side] = _look(self._shot, long_side)
        return self._seen[long_side]

    @property
    def usable(self) -> bool:
        return self.at(GLANCE_PX) is not None or self.at(LOOK_PX) is not None


@dataclass(slots=True)
class _Part:
    """Shots of one framing, and what the next ones are compared with."""

    shots: list[int]
    first: _View | None = None
    last: deque[_View] = field(default_factory=lambda: deque(maxlen=BACK))

    def add(self, index: int, view: _View) -> None:
        self.shots.append(index)
        if view.usable:
            self.first = self.first or view
            self.last.append(view)

    def shows(self, view: _View, *, closely: bool) -> bool:
        """Whether a shot has this framing, at a glance or, which is dear, at a closer look."""
        if self.first is None:
            return True
        near = list(dict.fromkeys([*reversed(self.last), self.first]))
        if any(_same_framing(other, view, GLANCE_PX) for other in near):
            return True
        return closely and any(_same_framing(other, view, LOOK_PX) for other in near)


def _by_framing(group: list[_Shot], why: str) -> list[tuple[list[_Shot], str]]:
    """Cut where the picture no longer shows the same; a single odd frame stays with its neighbours."""
    parts: list[_Part] = []
    with parallel.limited(2):
        for start in range(0, len(group), AT_ONCE):
            for i, view in enumerate(parallel.each(_View, group[start : start + AT_ONCE]), start):
                # The latest series first, then the one before it: after an odd frame the old framing is back.
                home = next((p for p in parts[:-3:-1] if view.usable and p.shows(view, closely=p is parts[-1])), None)
                if home is None and parts and not view.usable:
                    home = parts[-1]
                if home is None:
                    home = _Part(shots=[])
                    parts.append(home)
                    for done in parts[:-2]:
                        done.first = None
                        done.last.clear()
                home.add(i, view)
    whole: list[list[int]] = []
    for part in (p.shots for p in parts):
        if len(part) == 1 and whole and part[0] != len(group) - 1:
            whole[-1].append(part[0])  # the merge says what is wrong with it
        else:
            whole.append(part)
    return [([group[i] for i in sorted(part)], why if n == 0 else "another framing") for n, part in enumerate(whole)]


def _look(shot: _Shot, long_side: int) -> Sighting | None:
    try:
        pixels = _reduced(shot, long_side)
    except LampwalkError as error:
        _log.info("%s cannot be compared: %s", shot.path, error)
        return None
    scale = long_side / max(pixels.shape[:2])
    if scale < 1:
        pixels = np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    sighting = alignment.observe(pixels)
    return None if sighting.problem else sighting


def _reduced(shot: _Shot, long_side: int) -> NDArray[Any]:
    """Pixels of a shot, at least so large: (h, w, 3). A JPEG is not decoded in full (ITU-T T.81: blocks of 8, scaled)."""
    facts = shot.facts
    factor = next((f for f in (8, 4, 2) if max(facts.height, facts.width) >= f * long_side), 1)
    if facts.kind != "jpeg" or factor == 1:
        return Frame(name=shot.path.name, path=shot.path, facts=facts, bits=facts.bits).pixels()
    with about(shot.path):
        data = shot.path.read_bytes()
        check_scans(shot.path, data)
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), _REDUCED[factor])
        if pixels is None:
            raise FrameError("is damaged or cut short", file=shot.path, remedy="copy it again from the card")
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB))


def _same_framing(one: _View, other: _View, long_side: int) -> bool:
    a, b = one.at(long_side), other.at(long_side)
    return a is not None and b is not None and alignment.solve([a, b], reference=0)[1].verdict != "refused"


def _alone(shot: _Shot, root: Path) -> Finding:
    return Finding(
        code="alone", frame=shot.path.relative_to(root).as_posix(), text="belongs to no series: no other frame has its framing",
        remedy="nothing, if it is a trial shot; else name its series in a split file", serious=False,
    )  # fmt: skip


def _free_name(wished: str, taken: set[str]) -> str:
    name, n = wished, 2
    while name.casefold() in taken:
        name, n = f"{wished}-{n}", n + 1
    taken.add(name.casefold())
    return name


__all__ = ["Found", "Split", "find_series", "is_plain", "read_split", "to_json"]

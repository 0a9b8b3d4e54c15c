"""Many pictures in folders: which of them are one series.

A series is what lies in one folder, was taken by one camera at one size and focal length without a long pause,
and shows one framing. Nothing is moved or renamed.
"""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path, PurePosixPath
from statistics import median

import cv2
import numpy as np

from . import alignment, parallel
from .alignment import Sighting
from .errors import Finding, LampwalkError, WorksheetError
from .files import SUFFIXES, Facts, read_facts
from .frames import OWN_RESULTS, Frame, is_run_folder, natural_key

_log = logging.getLogger(__name__)

LOOK_PX = 1000
"""Long side at which framings are compared, px: that of alignment's own small picture."""

APART_S = 1800.0
"""A longer pause ends a series whatever the framing: the daylight is another. Common practice, no source."""

PAUSE_S, PAUSE_RATIO = 90.0, 3.0
"""A pause at least this long, and this many times the folder's usual one, ends a series if also the settings
changed. Common practice, no source: a lamp is carried on within a minute, a tripod is not set up in one."""

ZOOM = 0.005
"""Share by which focal lengths of one series may differ (rounding in EXIF)."""

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
    if not root.is_dir():
        raise LampwalkError("is no folder", file=folder, remedy="give the folder that holds the series")
    series: list[Found] = []
    findings: list[Finding] = []
    taken: set[str] = set()
    for place in _places(root, None if apart_from is None else Path.absolute(Path(apart_from))):
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


def _places(root: Path, apart_from: Path | None) -> list[Path]:
    """Folders to look into: no hidden ones, no results, no links (they could lead round in circles)."""
    places = []
    for where, folders, _ in os.walk(root):
        here = Path(where)
        places.append(here)
        inside = [] if is_run_folder(here) else folders
        folders[:] = sorted((f for f in inside if not f.startswith(".") and here / f != apart_from), key=natural_key)
    return places


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


def _by_framing(group: list[_Shot], why: str) -> list[tuple[list[_Shot], str]]:
    """Cut where the picture no longer shows the same; a single odd frame stays with its neighbours."""
    with parallel.limited(2):
        sightings = parallel.each(_look, group)
    parts: list[list[int]] = []
    for i, sighting in enumerate(sightings):
        # The latest series first, then those before it: after an odd frame the old framing is back.
        home = next((p for p in parts[:-3:-1] if _same_framing([sightings[k] for k in p], sighting)), None)
        if sighting is None and parts:
            home = parts[-1]
        if home is None:
            parts.append([i])
        else:
            home.append(i)
    whole: list[list[int]] = []
    for part in parts:
        if len(part) == 1 and whole and part[0] != len(group) - 1:
            whole[-1].append(part[0])  # the merge says what is wrong with it
        else:
            whole.append(part)
    return [([group[i] for i in sorted(part)], why if n == 0 else "another framing") for n, part in enumerate(whole)]


def _look(shot: _Shot) -> Sighting | None:
    try:
        pixels = Frame(name=shot.path.name, path=shot.path, facts=shot.facts, bits=shot.facts.bits).pixels()
    except LampwalkError as error:
        _log.info("%s cannot be compared: %s", shot.path, error)
        return None
    scale = LOOK_PX / max(pixels.shape[:2])
    if scale < 1:
        pixels = np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    sighting = alignment.observe(pixels)
    return None if sighting.problem else sighting


def _same_framing(series: Sequence[Sighting | None], sighting: Sighting | None) -> bool:
    if sighting is None:
        return False
    known = [s for s in series if s is not None]
    for other in (*known[: -BACK - 1 : -1], *known[:1]):
        if alignment.solve([other, sighting], reference=0)[1].verdict != "refused":
            return True
    return not known


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

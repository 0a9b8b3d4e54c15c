"""The worksheet: the record of every decision of a run, to be edited and run again."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from .errors import WorksheetError
from .geometry import Matrix

FORMAT = 1
"""Version of the worksheet's layout. A reader refuses newer ones."""

ROLES = ("ambient", "lamp", "left out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """A change of one frame's lamp, in linear light.

    Attributes
    ----------
    gain_ev : float
        Stops.
    warmth : float
        Mired; positive is warmer.
    on : bool
        Whether the frame takes part at all.
    """

    gain_ev: float = 0.0
    warmth: float = 0.0
    on: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameRecord:
    """What was decided about one frame.

    Attributes
    ----------
    file : str
        Name inside the series folder.
    role : str
        ``ambient``, ``lamp`` or ``left out``.
    why : str
        The reason, in words.
    homography : (3, 3) float64 or None
        Frame pixel -> reference pixel; None where left out.
    ambient_ev : float
        Levelling applied to the daylight of the frame, in stops.
    mask : str or None
        Path inside the run folder.
    gain_ev, warmth : float
        Change of the lamp's light in stops and in mired (positive is warmer).
    on : bool
        Whether the frame takes part.
    by_hand : bool
        The mask was corrected by hand: a new automatic run keeps it.
    content : str
        SHA-256 of the file, hexadecimal; empty for arrays.
    notes : mapping
        Figures for the reader: alignment, level, regions of the mask, share of the result.
    """

    file: str
    role: str
    why: str = ""
    homography: Matrix | None = None
    ambient_ev: float = 0.0
    mask: str | None = None
    gain_ev: float = 0.0
    warmth: float = 0.0
    on: bool = True
    by_hand: bool = False
    content: str = ""
    notes: Mapping[str, Any] = field(default_factory=dict)

    @property
    def lamp(self) -> Lamp:
        """The change of its lamp."""
        return Lamp(gain_ev=self.gain_ev, warmth=self.warmth, on=self.on)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Worksheet:
    """All decisions of one run.

    Attributes
    ----------
    reference : str
        File whose geometry the result has.
    frames : tuple of FrameRecord
        In shooting order.
    folder : str
        Where the frames lie, relative to the worksheet; empty for arrays.
    merge : mapping
        ``rule`` and what belongs to it.
    finish : mapping
        ``lift``, ``burn``, ``crop``; empty where untouched.
    coverage : mapping
        Legend of coverage.png.
    offer : mapping
        What the series suggests: ``subject``, ``inside``, ``lamps``; never applied unasked.
    findings : tuple of mapping
        Remarks for the photographer.
    """

    reference: str
    frames: tuple[FrameRecord, ...]
    folder: str = ""
    merge: Mapping[str, Any] = field(default_factory=lambda: {"rule": "lighten"})
    finish: Mapping[str, Any] = field(default_factory=dict)
    coverage: Mapping[str, str] = field(default_factory=dict)
    offer: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Mapping[str, Any], ...] = ()

    def frame(self, file: str) -> FrameRecord:
        """Return the record of one file."""
        for record in self.frames:
            if record.file == file:
                return record
        raise WorksheetError(f"no frame is called {file}", remedy="use a name from the worksheet's frames")


def to_json(sheet: Worksheet) -> str:
    """Worksheet as text: UTF-8 JSON (RFC 8259), numbers with all their digits."""
    from . import __version__

    data = {
        "lampwalk": __version__,
        "format": FORMAT,
        "folder": sheet.folder,
        "reference": sheet.reference,
        "frames": [_record_to_data(record) for record in sheet.frames],
        "merge": dict(sheet.merge),
        "finish": dict(sheet.finish),
        "coverage": dict(sheet.coverage),
        "offer": dict(sheet.offer),
        "findings": [dict(finding) for finding in sheet.findings],
    }
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def load(path: str | Path) -> Worksheet:
    """Read and check a worksheet.

    Raises
    ------
    WorksheetError
        Missing, no JSON, of a newer format, or a field that cannot be used (named).
    """
    path = Path(path)
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError as error:
        raise WorksheetError("the worksheet is not there", file=path, remedy="check the path") from error
    except (OSError, UnicodeDecodeError) as error:
        raise WorksheetError(f"cannot be read: {error}", file=path, remedy="restore it from a backup") from error
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise WorksheetError(f"is not valid JSON: {error}", file=path, remedy="undo the last edit") from error
    with naming(path):
        return _from_data(data)


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Let an error about a field say in which worksheet it stands."""
    try:
        yield
    except WorksheetError as error:
        if error.file is not None:
            raise
        raise WorksheetError(error.message, file=path, remedy=error.remedy) from error


def _record_to_data(record: FrameRecord) -> dict[str, Any]:
    return {
        "file": record.file,
        "role": record.role,
        "why": record.why,
        "homography": None if record.homography is None else np.asarray(record.homography).tolist(),
        "ambient_ev": float(record.ambient_ev),
        "mask": record.mask,
        "gain_ev": float(record.gain_ev),
        "warmth": float(record.warmth),
        "on": bool(record.on),
        "by_hand": bool(record.by_hand),
        "content": record.content,
        "notes": dict(record.notes),
    }


def _from_data(data: Any) -> Worksheet:
    if not isinstance(data, dict):
        raise WorksheetError("is no worksheet", remedy="give the worksheet.json of a run folder")
    version = _get(data, "format", int)
    if version > FORMAT:
        raise WorksheetError(f"format {version} is newer than this program knows ({FORMAT})", remedy="update lampwalk")
    frames = tuple(_record(item, f"frames[{i}]") for i, item in enumerate(_get(data, "frames", list)))
    names = [record.file for record in frames]
    if len(set(names)) < len(names):
        raise WorksheetError("frames: a file is listed twice", remedy="remove one")
    reference = _get(data, "reference", str)
    if reference not in names:
        raise WorksheetError(f"reference: {reference!r} is no frame of this worksheet", remedy="name one of the frames")
    return Worksheet(
        reference=reference,
        frames=frames,
        folder=_get(data, "folder", str, ""),
        merge=_get(data, "merge", dict, {"rule": "lighten"}),
        finish=_get(data, "finish", dict, {}),
        coverage=_get(data, "coverage", dict, {}),
        offer=_get(data, "offer", dict, {}),
        findings=tuple(_get(data, "findings", list, [])),
    )


def _record(item: Any, where: str) -> FrameRecord:
    if not isinstance(item, dict):
        raise WorksheetError(f"{where}: is no record", remedy='write {"file": ..., "role": ...}')
    role = _get(item, "role", str, where=where)
    if role not in ROLES:
        raise WorksheetError(f"{where}.role: {role!r}", remedy=f"write one of {', '.join(ROLES)}")
    file = _get(item, "file", str, where=where)
    mask = item.get("mask")
    for name, value in (("file", file), ("mask", mask)):
        if value is not None and not _stays_inside(value):
            raise WorksheetError(f"{where}.{name}: {value!r} leaves its folder", remedy="give a name inside the folder")
    matrix = item.get("homography")
    if matrix is not None:
        matrix = _matrix(matrix, f"{where}.homography")
    elif role != "left out":
        raise WorksheetError(f"{where}.homography: missing", remedy='give nine numbers, or the role "left out"')
    return FrameRecord(
        file=file,
        role=role,
        why=_get(item, "why", str, "", where=where),
        homography=matrix,
        ambient_ev=_number(item, "ambient_ev", 6, where),
        mask=mask,
        gain_ev=_number(item, "gain_ev", 6, where),
        warmth=_number(item, "warmth", 300, where),
        on=_get(item, "on", bool, True, where=where),
        by_hand=_get(item, "by_hand", bool, False, where=where),
        content=_get(item, "content", str, "", where=where),
        notes=_get(item, "notes", dict, {}, where=where),
    )


def _get(data: dict[str, Any], name: str, kind: type, default: Any = None, *, where: str = "") -> Any:
    path = f"{where}.{name}" if where else name
    if name not in data:
        if default is None:
            raise WorksheetError(f"{path}: missing", remedy="restore the field")
        return default
    value = data[name]
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise WorksheetError(f"{path}: {str(value)[:60]!r} is no {kind.__name__}", remedy="correct the field")
    return value


def _number(data: dict[str, Any], name: str, limit: float, where: str) -> float:
    value = data.get(name, 0.0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or abs(value) > limit:
        raise WorksheetError(f"{where}.{name}: {str(value)[:60]!r}", remedy=f"give a number from {-limit} to {limit}")
    return float(value)


def _matrix(value: Any, where: str) -> Matrix:
    try:
        matrix = np.array(value, np.float64)
    except (TypeError, ValueError):
        matrix = np.zeros(0)
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-9:
        raise WorksheetError(f"{where}: is no homography", remedy="give three rows of three numbers, invertible")
    return matrix


def _stays_inside(name: Any) -> bool:
    if not isinstance(name, str) or not name or "\0" in name or "\\" in name:
        return False
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts

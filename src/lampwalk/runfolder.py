"""The run folder: written beside its place and moved there whole."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from . import encode, worksheet
from .errors import OutputError, WorksheetError
from .frames import Frame
from .worksheet import Worksheet

SHEET = "worksheet.json"
PART, OLD = ".lampwalk-part", ".lampwalk-old"
"""Endings of the folders that exist only while a run is being written or replaced."""

CELL_PX = 360
"""Width of one picture on the contact sheet."""


@contextmanager
def writing(target: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give an empty folder beside `target`; move it into place when the block ends without an error.

    Parameters
    ----------
    target : Path
        The run folder. A former run there is replaced whole.
    overwrite : bool
        Replace a folder also if lampwalk did not write it.

    Raises
    ------
    OutputError
        Something else is in the way, or the disk refuses.
    """
    target = Path(os.path.abspath(target))
    part, old = _beside(target, PART), _beside(target, OLD)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _tidy(target, part, old)
        _refuse_strangers(target, overwrite=overwrite)
        part.mkdir()
        try:
            with _locked(part):
                yield part
                if target.exists():
                    target.rename(old)
                part.rename(target)
        finally:
            shutil.rmtree(part, ignore_errors=True)
            if old.exists() and not target.exists():
                old.rename(target)
            shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise OutputError(f"cannot be written: {error.strerror or error}", file=target, remedy=_remedy(error)) from error


def former_run(target: Path) -> Worksheet | None:
    """Worksheet of the run that already lies at `target`, if it can still be read."""
    try:
        return worksheet.load(target / SHEET)
    except WorksheetError:
        return None


def read_mask(path: Path) -> NDArray[np.uint8]:
    """Read a mask: (H, W) uint8.

    Raises
    ------
    WorksheetError
        Missing or damaged.
    """
    mask = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) if path.is_file() else None
    if mask is None:
        raise WorksheetError("the mask is missing or damaged", file=path, remedy="merge again without the worksheet")
    return np.asarray(mask, np.uint8)


def write_sheet(folder: Path, sheet: Worksheet) -> None:
    """Write worksheet.json into a folder, whole or not at all."""
    part = folder / f"{SHEET}{PART}"
    part.write_text(worksheet.to_json(sheet), "utf-8")
    part.replace(folder / SHEET)


def write_small(folder: Path, name: str, encoded: NDArray[np.uint16]) -> None:
    """Keep a preview: (h, w, 3) uint16 encoded, uncompressed TIFF."""
    (folder / "small").mkdir(exist_ok=True)
    tifffile.imwrite(folder / "small" / f"{name}.tif", encoded, photometric="rgb", metadata=None)


def read_small(folder: Path, name: str) -> NDArray[np.uint16]:
    """Read a preview kept by `write_small`."""
    return np.asarray(tifffile.imread(folder / "small" / f"{name}.tif"))


def write_contact_sheet(
    folder: Path,
    frames: list[Frame],
    sheet: Worksheet,
    picture: NDArray[np.uint8],
    *,
    masks: Mapping[str, NDArray[np.uint8]],
) -> None:
    """Every frame small, with its mask outlined, its number and capture time; the result at the end.

    Parameters
    ----------
    folder : Path
        A run folder with small/.
    frames : list of Frame
    sheet : Worksheet
    picture : (H, W, 3) uint8
        The finished picture.
    masks : mapping of frame name to (h, w) uint8
        At preview size, in each frame's own geometry.
    """
    cells = [_cell(folder, i + 1, frame, sheet, masks.get(frame.name)) for i, frame in enumerate(frames)]
    height = cells[0].shape[0]
    width = min(CELL_PX, round((height - 40) * picture.shape[1] / picture.shape[0]))
    small = cv2.resize(picture, (width, round(width * picture.shape[0] / picture.shape[1])), interpolation=cv2.INTER_AREA)
    cells.append(_labelled(small, "result", f"{sum(r.role == 'lamp' for r in sheet.frames)} lamps", height))
    columns = max(2, min(5, int(np.ceil(np.sqrt(len(cells))))))
    while len(cells) % columns:
        cells.append(np.full_like(cells[0], 46))
    rows = [np.hstack(cells[i : i + columns]) for i in range(0, len(cells), columns)]
    encode.write_jpeg(folder / "contact_sheet.jpg", np.vstack(rows), icc=None, exif=None, quality=90)


def _cell(
    folder: Path, number: int, frame: Frame, sheet: Worksheet, mask: NDArray[np.uint8] | None
) -> NDArray[np.uint8]:
    record = sheet.frame(frame.name)
    small = read_small(folder, frame.name)
    size = (CELL_PX, round(CELL_PX * small.shape[0] / small.shape[1]))
    picture = (cv2.resize(small, size, interpolation=cv2.INTER_AREA) / 257).astype(np.uint8)
    if mask is not None:
        shown = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
        outlines, _ = cv2.findContours((shown > 100).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        cv2.drawContours(picture, outlines, -1, (235, 120, 20), 1, cv2.LINE_AA)
    when = frame.facts.captured_at
    right = record.role if when is None else f"{record.role}  {when:%H:%M:%S}"
    return _labelled(picture, f"{number}  {frame.name}", right, size[1] + 40)


def _labelled(picture: NDArray[np.uint8], left: str, right: str, height: int) -> NDArray[np.uint8]:
    cell = np.full((height, CELL_PX, 3), 46, np.uint8)
    x = (CELL_PX - picture.shape[1]) // 2
    cell[6 : 6 + picture.shape[0], x : x + picture.shape[1]] = picture[: height - 6]
    font, grey = cv2.FONT_HERSHEY_SIMPLEX, (214, 214, 214)
    left = left.encode("ascii", "replace").decode()
    if len(left) > 24:
        left = left[:14] + "..." + left[-7:]
    cv2.putText(cell, left, (8, height - 12), font, 0.45, grey, 1, cv2.LINE_AA)
    (w, _), _ = cv2.getTextSize(right, font, 0.45, 1)
    cv2.putText(cell, right, (CELL_PX - w - 8, height - 12), font, 0.45, grey, 1, cv2.LINE_AA)
    return cell


def _beside(target: Path, ending: str) -> Path:
    return target.with_name(f".{target.name}{ending}")


def _tidy(target: Path, part: Path, old: Path) -> None:
    """Finish or undo what an interrupted run has left; refuse where a run is still going on."""
    if part.exists():
        with _locked(part):
            pass
    if old.exists() and not target.exists():
        old.rename(target)
    for leftover in (part, old):
        if leftover.exists():
            shutil.rmtree(leftover)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold a folder, so that a second process can tell a run that goes on from one that was cut off."""
    try:
        import fcntl
    except ImportError:  # Windows refuses to remove or rename open files by itself
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise OutputError(
                "another lampwalk is writing this run", file=folder, remedy="wait for it, or give another folder"
            ) from error
        yield
    finally:
        os.close(handle)


def _refuse_strangers(target: Path, *, overwrite: bool) -> None:
    if not target.exists() or overwrite:
        return
    if not target.is_dir():
        raise OutputError("is a file", file=target, remedy="give a folder for the run")
    if any(target.iterdir()) and not (target / SHEET).is_file():
        raise OutputError("holds files that lampwalk did not write", file=target, remedy="give another folder, or --overwrite")


def _remedy(error: OSError) -> str:
    import errno

    return {
        errno.ENOSPC: "make room on the disk, or write to another one",
        errno.EDQUOT: "make room on the disk, or write to another one",
        errno.EACCES: "choose a folder that you may write to",
        errno.EPERM: "choose a folder that you may write to",
        errno.EROFS: "the disk is read-only: choose another folder",
        errno.ENAMETOOLONG: "give a shorter name",
    }.get(error.errno or 0, "choose another folder")

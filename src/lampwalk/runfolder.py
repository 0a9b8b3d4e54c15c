"""The run folder: written beside its place and moved there whole."""

from __future__ import annotations

import ctypes
import errno
import logging
import os
import shutil
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from . import colour, encode, worksheet
from .errors import FrameError, OutputError, WorksheetError, about
from .files import read_facts
from .frames import Frame
from .fullmask import FullMask
from .worksheet import Worksheet

_log = logging.getLogger(__name__)

SHEET = "worksheet.json"
PART, OLD, LOCK = ".lampwalk-part", ".lampwalk-old", ".lampwalk-lock"
"""Endings of what exists only while a run is being written or replaced."""

_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
"""Of Linux' renameat2 (fcntl.h, linux/fs.h)."""

PNG_GREY = bytes([8, 0])
"""Bit depth and colour type in a PNG file's header (bytes 24 and 25): 8 bits, grey (ISO/IEC 15948, 11.2.2)."""

CELL_PX = 360
"""Width of one picture on the contact sheet."""

SAMPLES = 4
"""Pixels of the result that are averaged along each side of one of its pixels there, at least: at 45 MP a twentieth of all."""


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
    target = Path(os.path.realpath(target))
    part, old = _beside(target, PART), _beside(target, OLD)
    with refusals(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        with _locked(_beside(target, LOCK)):
            _tidy(target, part, old)
            _refuse_strangers(target, overwrite=overwrite)
            part.mkdir()
            try:
                yield part
                settle(part)
                _into_place(part, target, old)
            finally:
                shutil.rmtree(part, ignore_errors=True)
                if old.exists() and not target.exists():
                    old.rename(target)
                shutil.rmtree(old, ignore_errors=True)


@contextmanager
def refusals(target: Path) -> Iterator[None]:
    """Turn what the disk or the system says against writing into an `OutputError` that names the target."""
    try:
        yield
    except OSError as error:
        # Without a number it comes from a library that wrote less than it wanted.
        why = error.strerror or "not everything could be written"
        raise OutputError(f"cannot be written: {why}", file=target, remedy=_remedy(error)) from error


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Let no second process write what belongs to a file.

    Raises
    ------
    OutputError
        Another process holds it.
    """
    path = Path(os.path.realpath(path))
    with refusals(path), _locked(_beside(path, LOCK)):
        yield


def tidy(folder: Path, *, holding: str) -> None:
    """Finish or undo what interrupted runs have left in a folder of runs; what another process writes is left alone.

    Parameters
    ----------
    folder : Path
    holding : str
        Name of the file in it that the caller holds by `held`.
    """
    endings = (PART, OLD, LOCK)
    names = {p.name[1:].removesuffix(e) for p in folder.glob(".*") for e in endings if p.name.endswith(e)}
    for name in sorted(names - {"", holding}):
        target = folder / name
        with suppress(OutputError), _locked(_beside(target, LOCK)):
            _tidy(target, _beside(target, PART), _beside(target, OLD))
    _beside(folder / holding, PART).unlink(missing_ok=True)


@contextmanager
def tidied(folder: Path, *, holding: str) -> Iterator[None]:
    """`tidy` a folder of runs before the block and after it, however that ends."""
    tidy(folder, holding=holding)
    try:
        yield
    finally:
        tidy(folder, holding=holding)


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
    return _mask_and_file(path)[0]


def read_packed_mask(path: Path) -> FullMask:
    """Read a mask, and keep it packed: at full size those of a long series would fill the memory.

    Raises
    ------
    WorksheetError
        Missing or damaged.
    """
    mask, data = _mask_and_file(path)
    return FullMask.painted(mask, png=data if _is_plain(data) else b"")


def _is_plain(png: bytes) -> bool:
    """Whether a PNG file is 8-bit grey and holds nothing but its pixels: no place, no name, no program's notes."""
    at, kinds = 8, set()
    while at + 8 <= len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        kinds.add(kind)
        at += 12 + length
    return png[24:26] == PNG_GREY and kinds == {b"IHDR", b"IDAT", b"IEND"} and at == len(png)


def _mask_and_file(path: Path) -> tuple[NDArray[np.uint8], bytes]:
    mask, data = None, b""
    try:
        kind = read_facts(path).kind  # refuses what claims to be huge before memory is taken
        with about(path):
            data = path.read_bytes() if kind == "png" else b""
            mask = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE) if data else None
    except (FrameError, OSError):
        mask = None
    if mask is None:
        raise WorksheetError("the mask is missing or damaged", file=path, remedy="merge again without the worksheet")
    return np.asarray(mask, np.uint8), data


def write_sheet(folder: Path, sheet: Worksheet) -> None:
    """Write worksheet.json into a folder, whole or not at all."""
    write_whole(folder / SHEET, worksheet.to_json(sheet))


def write_whole(path: Path, text: str) -> None:
    """Write a small text file (UTF-8), whole or not at all, also if the power fails."""
    part = path.with_name(f".{path.name}{PART}")
    part.unlink(missing_ok=True)  # of a killed process, or a link that somebody else has laid there
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def small_file(folder: Path, name: str) -> Path:
    """Where a frame lies at preview size."""
    return folder / "small" / f"{name}.tif"


def write_small(folder: Path, name: str, encoded: NDArray[Any]) -> None:
    """Keep a frame at preview size: (h, w, 3) uint8 or uint16, encoded; as an uncompressed 16-bit TIFF."""
    path = small_file(folder, name)
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)  # the file may be a former run's, too
    tifffile.imwrite(path, colour.sixteen_bits(encoded), photometric="rgb", metadata=None)


def read_small(folder: Path, name: str) -> NDArray[np.uint16]:
    """Read what `write_small` has kept: (h, w, 3) uint16."""
    return np.asarray(tifffile.imread(small_file(folder, name)))


def known_small(folder: Path, name: str) -> NDArray[np.uint16] | None:
    """Read what `write_small` has kept, where it is there and whole: it can be found again."""
    try:
        return read_small(folder, name)
    except (OSError, ValueError, KeyError, IndexError, struct.error):
        return None


def hand_on_small(former: Path, folder: Path, name: str, *, replaces: bool) -> None:
    """Have in a folder what `write_small` has kept in a former one: the same file where that is to be replaced, else a copy."""
    path, target = small_file(former, name), small_file(folder, name)
    target.parent.mkdir(exist_ok=True)
    target.unlink(missing_ok=True)
    if replaces:
        with suppress(OSError):  # no links on this disk
            os.link(path, target)
            return
    shutil.copyfile(path, target)


def thumbnail(encoded: NDArray[Any]) -> NDArray[np.uint8]:
    """Shrink a frame at preview size, as `write_small` gets it, to a cell of the contact sheet: (h, w, 3) uint8, encoded."""
    size = (CELL_PX, round(CELL_PX * encoded.shape[0] / encoded.shape[1]))
    shrunk = cv2.resize(colour.sixteen_bits(encoded), size, interpolation=cv2.INTER_AREA)
    return np.asarray((shrunk / 257).astype(np.uint8))


def write_contact_sheet(
    path: Path,
    frames: list[Frame],
    sheet: Worksheet,
    picture: NDArray[Any],
    *,
    thumbnails: Mapping[str, NDArray[np.uint8]],
    mask_of: Callable[[str], NDArray[np.uint8] | None],
) -> None:
    """Every frame small, with its mask outlined, its number and capture time; the result at the end.

    Parameters
    ----------
    path : Path
    frames : list of Frame
    sheet : Worksheet
    picture : (H, W, 3) uint8 or uint16
        The finished picture.
    thumbnails : mapping of frame name to (h, w, 3) uint8
        As `thumbnail` makes them.
    mask_of : callable
        Mask of a frame by its name, (h, w) uint8 at preview size in its own geometry; None where there is none.
    """
    cells = [_cell(thumbnails[frame.name], i + 1, frame, sheet, mask_of(frame.name)) for i, frame in enumerate(frames)]
    height = cells[0].shape[0]
    width = min(CELL_PX, round((height - 40) * picture.shape[1] / picture.shape[0]))
    size = (width, round(width * picture.shape[0] / picture.shape[1]))
    step = max(1, picture.shape[1] // (SAMPLES * width))
    shrunk = cv2.resize(encode.to_eight_bits(picture[::step, ::step]), size, interpolation=cv2.INTER_AREA)
    cells.append(
        _labelled(
            np.asarray(shrunk, np.uint8),
            "result",
            f"{sum(r.role == 'lamp' for r in sheet.frames)} lamps",
            height,
        )
    )
    columns = max(2, min(5, int(np.ceil(np.sqrt(len(cells))))))
    while len(cells) % columns:
        cells.append(np.full_like(cells[0], 46))
    whole = np.vstack([np.hstack(cells[i : i + columns]) for i in range(0, len(cells), columns)])
    cells.clear()
    encode.write_jpeg(path, whole, icc=None, exif=None, quality=90)


def _cell(
    thumbnail: NDArray[np.uint8], number: int, frame: Frame, sheet: Worksheet, mask: NDArray[np.uint8] | None
) -> NDArray[np.uint8]:
    record = sheet.frame(frame.name)
    picture = thumbnail.copy()
    if mask is not None:
        shown = cv2.resize(mask, picture.shape[1::-1], interpolation=cv2.INTER_AREA)
        outlines, _ = cv2.findContours((shown > 100).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        cv2.drawContours(picture, outlines, -1, (235, 120, 20), 1, cv2.LINE_AA)
    when = frame.facts.captured_at
    right = record.role if when is None else f"{record.role}  {when:%H:%M:%S}"
    return _labelled(picture, f"{number}  {frame.name}", right, picture.shape[0] + 40)


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
    """Finish or undo what an interrupted run has left."""
    if old.exists() and not target.exists():
        old.rename(target)
    for leftover in (part, old):
        if leftover.is_dir() and not leftover.is_symlink():
            shutil.rmtree(leftover)
        else:
            leftover.unlink(missing_ok=True)


def settle(folder: Path) -> None:
    """Bring all of a folder to the disk: before it is moved into place, as the rename may get there earlier."""
    for where, _, names in os.walk(folder, topdown=False):
        for name in names:
            sync(Path(where, name))
        sync(Path(where))


def sync(path: Path) -> None:
    """Bring a file or the entries of a folder to the disk, and wait for it; quick where they are there already."""
    if os.name == "nt" and path.is_dir():  # Windows cannot open folders
        return
    handle = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _into_place(part: Path, target: Path, old: Path) -> None:
    """Put a finished folder where the former one is; if the system can, at no moment there is neither."""
    if not target.exists():
        part.rename(target)
    elif not _exchange(part, target):
        target.rename(old)
        part.rename(target)
    sync(target.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step (Linux, renameat2); False where the system or the disk cannot."""
    try:
        swap = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    return bool(swap(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0)


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Hold a lock file, so that no second process writes the same run; a killed process lets go by itself."""
    handle = _take(path)
    while not _is_at(handle, path):  # the one before us has just removed it
        os.close(handle)
        handle = _take(path)
    try:
        yield
    finally:
        if os.name != "nt":  # while it is held: whoever opened it meanwhile finds it gone and takes a new one
            path.unlink(missing_ok=True)
        os.close(handle)
        if os.name == "nt":
            with suppress(OSError):
                path.unlink()


def _take(path: Path) -> int:
    handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    try:
        _lock(handle)
    except OSError as error:
        os.close(handle)
        if error.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            raise OutputError(
                "another lampwalk is writing this run",
                file=path,
                remedy="wait for it, or give another folder",
            ) from error
        raise
    return handle


def _lock(handle: int) -> None:
    try:
        import fcntl
    except ImportError:
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS):
            raise
        _log.info("this disk knows no locks; two processes must not write one run")


def _is_at(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


def _refuse_strangers(target: Path, *, overwrite: bool) -> None:
    if not target.exists():
        return
    if not target.is_dir():
        raise OutputError("is a file", file=target, remedy="give a folder for the run")
    if overwrite:
        return
    if any(target.iterdir()) and not (target / SHEET).is_file():
        raise OutputError(
            "holds files that lampwalk did not write",
            file=target,
            remedy="give another folder, or --overwrite",
        )


def _remedy(error: OSError) -> str:
    return {
        errno.ENOSPC: "make room on the disk, or write to another one",
        errno.EDQUOT: "make room on the disk, or write to another one",
        errno.EACCES: "choose a folder that you may write to",
        errno.EPERM: "choose a folder that you may write to",
        errno.EROFS: "the disk is read-only: choose another folder",
        errno.ENAMETOOLONG: "give a shorter name",
    }.get(error.errno or errno.ENOSPC, "choose another folder")

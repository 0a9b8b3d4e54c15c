"""Read a run folder for review: its worksheet, small frames and masks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .. import colour, files, geometry, parallel, previews, runfolder, worksheet
from ..errors import LampwalkError, WorksheetError
from ..files import Facts
from ..frames import Frame, Series, as_series, working_pixels
from ..worksheet import FrameRecord, Worksheet


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenedRun:
    """A run folder, read.

    Attributes
    ----------
    folder : Path
    sheet : Worksheet
    full, small : (int, int)
        Height and width of the frames and of their small versions.
    series : Series
        The frames that take part, at preview size, in the order of the worksheet.
    masks : dict of frame name to (h, w) uint8
        Preview size, the frame's own geometry, 255 = hidden.
    notices : tuple of str
        What is missing and can be done without.
    """

    folder: Path
    sheet: Worksheet
    full: tuple[int, int]
    small: tuple[int, int]
    series: Series
    masks: dict[str, NDArray[np.uint8]]
    notices: tuple[str, ...]

    def to_reference(self, record: FrameRecord) -> geometry.Matrix:
        """Homography of a frame between pictures of preview size."""
        assert record.homography is not None
        if geometry.is_identity(record.homography):
            return np.eye(3)  # exactly: the reference is found by it
        return geometry.to_small(record.homography, self.full, self.small)

    def small_sheet(self, sheet: Worksheet) -> Worksheet:
        """Return the worksheet as it would be if the frames had preview size."""
        return replace(
            sheet,
            frames=tuple(
                r if r.homography is None else replace(r, homography=self.to_reference(r)) for r in sheet.frames
            ),
        )


def open_run(folder: str | Path) -> OpenedRun:
    """Read a run folder.

    Parameters
    ----------
    folder : path
        What `lampwalk merge` has written.

    Raises
    ------
    WorksheetError
        No run, half of one, or one of a newer program; what is missing and what to do is said.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise WorksheetError("the run folder is not there", file=folder, remedy="check the path; was it moved?")
    sheet = worksheet.load(folder / runfolder.SHEET)
    taken = [r for r in sheet.frames if r.role != "left out"]
    if len(taken) < 2:
        raise WorksheetError("fewer than two frames take part", file=folder, remedy="merge the series again")
    notices: list[str] = []
    arrays = _small_frames(folder, sheet, taken)
    small = arrays[taken[0].file].shape[:2]
    full = _full_size(folder, sheet, taken, small)
    read = parallel.each(lambda r: _mask(folder, r, full, small), taken)
    masks = {r.file: mask for r, (mask, _) in zip(taken, read, strict=True)}
    notices += [notice for _, notice in read if notice]
    gone = [r.file for r in taken if sheet.folder and not (folder / sheet.folder / r.file).is_file()]
    if gone:
        notices.append(
            f"{len(gone)} of {len(taken)} original frames are not where the worksheet says ({gone[0]} …). "
            "All can be reviewed and corrected here; merging at full size needs them back in their folder."
        )
    frames = tuple(
        Frame(name=r.file, facts=Facts(height=small[0], width=small[1], bits=16), array=arrays[r.file], bits=16)
        for r in taken
    )
    return OpenedRun(
        folder=folder,
        sheet=sheet,
        full=full,
        small=small,
        series=Series(frames=frames),
        masks=masks,
        notices=tuple(notices),
    )


def _small_frames(folder: Path, sheet: Worksheet, taken: list[FrameRecord]) -> dict[str, NDArray[np.uint16]]:
    """Read the previews of a run; made again from the frames where the folder small/ was deleted."""
    arrays: dict[str, NDArray[np.uint16]] = {}
    for record in taken:
        array = runfolder.known_small(folder, record.file)
        if array is None:
            array = _shrunk_again(folder, sheet, record)
        if array.dtype != np.uint16 or array.ndim != 3 or array.shape[2] != 3:
            raise WorksheetError("is no preview", file=folder / "small" / f"{record.file}.tif", remedy="merge again")
        arrays[record.file] = array
    if len({a.shape for a in arrays.values()}) > 1:
        raise WorksheetError(
            "the previews differ in size", file=folder / "small", remedy="delete small/, or merge again"
        )
    return arrays


def _shrunk_again(folder: Path, sheet: Worksheet, record: FrameRecord) -> NDArray[np.uint16]:
    try:
        frame = original(folder, sheet, record.file)
        return colour.sixteen_bits(previews.shrink(working_pixels(frame, frame.pixels())))
    except LampwalkError as error:
        raise WorksheetError(
            f"the preview of {record.file} is missing or damaged, and so is the frame",
            file=folder / "small",
            remedy="put the frames back where they were, or restore the run folder from a backup",
        ) from error


def _full_size(folder: Path, sheet: Worksheet, taken: list[FrameRecord], small: tuple[int, int]) -> tuple[int, int]:
    """Height and width of the frames, from the headers of what is there."""
    candidates = [folder / "composite.tif", folder / "coverage.png"]
    candidates += [folder / r.mask for r in taken if r.mask]
    candidates += [folder / sheet.folder / r.file for r in taken]
    for path in candidates:
        try:
            facts = files.read_facts(path)
        except (LampwalkError, OSError):
            continue
        size = (facts.height, facts.width)
        if previews.small_shape(size) == small:
            return size
    raise WorksheetError(
        "neither the picture nor a mask of full size is there",
        file=folder,
        remedy="restore it, or merge again",
    )


def _mask(
    folder: Path, record: FrameRecord, full: tuple[int, int], small: tuple[int, int]
) -> tuple[NDArray[np.uint8], str]:
    """Read a mask at preview size, and say what is wrong with it."""
    if record.mask is None:
        return np.zeros(small, np.uint8), ""
    try:
        mask = runfolder.read_mask(folder / record.mask)
    except WorksheetError:
        notice = f"The mask of {record.file} is missing or damaged: nothing is hidden in this frame."
        return np.zeros(small, np.uint8), notice
    if mask.shape != full:
        fitted = np.asarray(cv2.resize(mask, small[::-1], interpolation=cv2.INTER_AREA), np.uint8)
        return fitted, f"The mask of {record.file} has another size than the frame; it was fitted."
    return np.asarray(previews.shrink(mask), np.uint8), ""


def original(folder: Path, sheet: Worksheet, name: str) -> Frame:
    """Find the frame itself, as a merge would read it.

    Raises
    ------
    LampwalkError
        It is gone, or is no frame of this series any more.
    """
    for frame in originals(folder, sheet):
        if frame.name == name:
            return frame
    raise WorksheetError("the frame is not there", file=folder / sheet.folder / name, remedy="put it back")


def originals(folder: Path, sheet: Worksheet) -> tuple[Frame, ...]:
    """Find all frames that take part and are left: how one is read (depth, development) is decided for the series."""
    paths = [folder / sheet.folder / r.file for r in sheet.frames if r.role != "left out"]
    return as_series([p for p in paths if p.is_file()]).frames


def missing_frames(folder: Path, sheet: Worksheet) -> list[str]:
    """Original frames that a merge at full size would need and that are not there."""
    return [r.file for r in sheet.frames if r.role != "left out" and not (folder / sheet.folder / r.file).is_file()]

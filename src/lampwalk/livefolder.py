"""The folder that shows a walk while it goes on: picture, map, page, worksheet."""

from __future__ import annotations

import html
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from . import colour, encode, runfolder
from .errors import Finding, OutputError
from .watching import Walk
from .worksheet import Worksheet

NOT_REACHED, PAGE = "not_reached.png", "watch.html"


class Live:
    """A folder that shows a walk: picture.jpg, not_reached.png, watch.html, and a worksheet to merge from.

    Each file is replaced whole. Made by `live`.
    """

    def __init__(self, run: Path, frames: Path) -> None:
        self._run, self._frames = run, frames
        self._lines: list[str] = []

    def show(self, walk: Walk, findings: Sequence[Finding]) -> None:
        """Bring the folder up to date."""
        if walk.picture is None or walk.reached is None:
            return
        picture = encode.to_eight_bits(colour.to_encoded(walk.picture))
        self._lines = [*(str(f) for f in findings), *self._lines][:50]
        dark, record = walk.not_reached(), walk.records[-1]
        first = f"{record.file}: {record.role}. No lamp yet: {', '.join(dark) or 'nowhere left'}."
        folder = Path(os.path.relpath(self._frames.resolve(), self._run.resolve())).as_posix()
        sheet = Worksheet(reference=walk.records[0].file, frames=tuple(walk.records), folder=folder)
        with runfolder.refusals(self._run):
            runfolder.write_sheet(self._run, sheet)  # first: what is shown can be merged from
            encode.write_jpeg(self._run / "picture.jpg", picture)
            encode.write_png(self._run / NOT_REACHED, _map(picture, walk.reached))
            runfolder.write_whole(self._run / PAGE, _page(first, self._lines))


def _map(picture: NDArray[np.uint8], reached: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The picture, dark where no lamp has been."""
    shown = picture.copy()
    shown[~reached] //= 3
    return shown


@contextmanager
def live(run: Path, frames: Path) -> Iterator[Live]:
    """Make a folder that shows a walk; inside the block no other process can write it.

    Parameters
    ----------
    run : Path
        The folder; what an earlier walk showed there is replaced.
    frames : Path
        Where the frames lie.

    Raises
    ------
    OutputError
        A finished run lies there already, or something else, or another process writes it.
    """
    with runfolder.writing(run) as folder:
        _refuse_finished(run)
        runfolder.write_whole(folder / PAGE, _page("waiting for the first frame", ()))
        runfolder.write_whole(
            folder / runfolder.SHEET, '{"lampwalk": "", "format": 1, "reference": "", "frames": []}\n'
        )
    with runfolder.held(run):
        _refuse_finished(run)
        yield Live(run, frames)


def _refuse_finished(run: Path) -> None:
    if (run / "composite.tif").exists():
        raise OutputError("a finished run lies there", file=run, remedy="give another folder, or remove it")


def _page(first: str, lines: Sequence[str]) -> str:
    items = "".join(f"<li>{html.escape(line)}</li>" for line in lines)
    stamp = time.time_ns()
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="2">'
        '<meta name="viewport" content="width=device-width"><title>lampwalk watch</title>'
        "<style>body{font:20px/1.4 system-ui,sans-serif;background:#222;color:#eee;margin:1rem}img{max-width:100%}</style>"
        f'<h1 style="font-size:1.2rem">{html.escape(first)}</h1><ul>{items}</ul>'
        f'<img src="picture.jpg?{stamp}" alt="merged so far"><img src="{NOT_REACHED}?{stamp}" '
        'alt="dark: no lamp has been here"></html>\n'
    )


__all__ = ["Live", "live"]

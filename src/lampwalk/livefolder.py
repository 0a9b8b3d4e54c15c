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

EARLIER = 50
"""Lines of earlier frames that the page keeps."""

_PICTURES = (
    ("picture.jpg", "merged so far; glow and the holes of masks are dealt with by the merge at full size"),
    (NOT_REACHED, "dark: no lamp has been here"),
)

_HEAD = """<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="2">
<meta name="viewport" content="width=device-width"><title>lampwalk watch</title>
<style>
body { font: 18px/1.4 system-ui, sans-serif; background: #222; color: #eee; margin: 1rem }
h1 { font-size: 1.3rem; margin: 0 } h2 { font-size: 1rem; color: #aaa } h2 + ul { font-size: 1rem; color: #aaa }
main { display: grid; grid-template-columns: repeat(auto-fit, minmax(22rem, 1fr)); gap: 1rem; margin-top: 1rem }
figure { margin: 0 } img { width: 100% } figcaption { font-size: .9rem; color: #aaa }
</style>
"""


class Live:
    """A folder that shows a walk: picture.jpg, not_reached.png, watch.html, and a worksheet to merge from.

    Each file is replaced whole. Made by `live`.
    """

    def __init__(self, run: Path, frames: Path) -> None:
        self._run, self._frames = run, frames
        self._frame = ""
        self._now: list[str] = []
        self._earlier: list[str] = []

    def show(self, walk: Walk, findings: Sequence[Finding]) -> None:
        """Bring the folder up to date."""
        if walk.picture is None or walk.reached is None:
            return
        picture = encode.to_eight_bits(colour.to_encoded(walk.picture))
        dark, record = walk.not_reached(), walk.records[-1]
        if record.file != self._frame:
            self._earlier = [*self._now, *self._earlier][:EARLIER]
            self._frame, self._now = record.file, []
        self._now += [str(f) for f in findings]
        head = f"{record.file}: {record.role}. No lamp yet: {', '.join(dark) or 'nowhere left'}."
        folder = Path(os.path.relpath(self._frames.resolve(), self._run.resolve())).as_posix()
        sheet = Worksheet(reference=walk.records[0].file, frames=tuple(walk.records), folder=folder)
        with runfolder.refusals(self._run):
            runfolder.write_sheet(self._run, sheet)  # first: what is shown can be merged from
            encode.write_jpeg(self._run / "picture.jpg", picture)
            encode.write_png(self._run / NOT_REACHED, _map(picture, walk.reached))
            runfolder.write_whole(self._run / PAGE, _page(head, self._now, self._earlier))


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
        runfolder.write_whole(folder / PAGE, _page("waiting for the first frame"))
        runfolder.write_whole(
            folder / runfolder.SHEET, '{"lampwalk": "", "format": 1, "reference": "", "frames": []}\n'
        )
    with runfolder.held(run):
        _refuse_finished(run)
        yield Live(run, frames)


def _refuse_finished(run: Path) -> None:
    if (run / "composite.tif").exists():
        raise OutputError("a finished run lies there", file=run, remedy="give another folder, or remove it")


def _page(head: str, now: Sequence[str] = (), earlier: Sequence[str] = ()) -> str:
    """What the last frame brought, above the pictures; what was said before, below."""
    stamp = time.time_ns()
    shown = "".join(
        f'<figure><img src="{file}?{stamp}" alt=""><figcaption>{text}</figcaption></figure>' for file, text in _PICTURES
    )
    before = f"<h2>Said before</h2>{_list(earlier)}" if earlier else ""
    return f"{_HEAD}<h1>{html.escape(head)}</h1>{_list(now)}<main>{shown}</main>{before}</html>\n"


def _list(lines: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{html.escape(line)}</li>' for line in lines)}</ul>" if lines else ""


__all__ = ["Live", "live"]

"""From a folder of frames to a run folder: what the command does, for scripts."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from . import beneath, budget, encode, fingerprints, finish, handoff, parallel, recall, rules, runfolder, worksheet
from .composite import Composite, execute, stacked
from .decisions import Choices, Decision, Decisions, Given, decide
from .desk import Desk
from .errors import Finding, WorksheetError
from .finish import Burn, Crop, Finish, Lift
from .frames import Series, as_series
from .fullmask import FullMask
from .handoff import Extras
from .looking import Progress
from .offer import Offer
from .outputs import Outputs, carried_by, outputs_of
from .shelf import Shelf
from .smallframes import SmallFrames
from .spares import Spares
from .worksheet import FrameRecord, Lamp, Worksheet

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """A finish in a few words; places are taken from what the lamps lit.

    Attributes
    ----------
    lift : float or None
        Gamma of the tone curve through the lit subject; above 1 is brighter.
    burn : float or None
        Opacity of the darkened edges, 0-1.
    crop : (float, float) or None
        Ratio of width and height.
    """

    lift: float | None = None
    burn: float | None = None
    crop: tuple[float, float] | None = None

    def on(self, offer: Offer) -> Finish:
        """Return the full finish for a series."""
        assert offer.subject.ellipse is not None
        focus = offer.subject.ellipse[:2]
        return Finish(
            lift=() if self.lift is None else (Lift(region=offer.subject, gamma=self.lift),),
            burn=None if self.burn is None else Burn(opacity=self.burn),
            crop=None if self.crop is None else Crop(ratio=self.crop, focus=focus, inside=offer.inside),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A finished run.

    Attributes
    ----------
    folder : Path
    worksheet : Worksheet
    findings : tuple of Finding
    """

    folder: Path
    worksheet: Worksheet
    findings: tuple[Finding, ...]

    @property
    def needs_a_look(self) -> bool:
        """Whether frames were left out or something serious was found."""
        return any(f.serious for f in self.findings) or any(r.role == "left out" for r in self.worksheet.frames)


def merge_folder(
    source: str | Path | Series | Sequence[str | Path],
    output: str | Path,
    *,
    choices: Choices = Choices(),  # noqa: B008  (frozen)
    masks: Mapping[str, NDArray[np.uint8] | FullMask] | None = None,
    lamps: Mapping[str, Lamp] | None = None,
    finishing: Finish | Wish | None = None,
    extras: Extras = Extras(),  # noqa: B008  (frozen)
    memory_bytes: int | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> Run:
    """Merge a folder of frames and write the run folder.

    Parameters
    ----------
    source : folder, list of paths, or Series
    output : path
        The run folder; a former run there is replaced, its hand corrections are kept.
    choices : Choices
    masks : mapping of frame name to (H, W) uint8 or FullMask, optional
        Masks by hand, in the frame's own geometry, 255 = hidden.
    lamps : mapping of frame name to Lamp, optional
        Lamps turned off, changed in stops or warmth.
    finishing : Finish or Wish, optional
        Lift, burn and crop of picture.jpg.
    extras : Extras
        Further files: layers, clip, delivery copy; compression and location.
    memory_bytes : int, optional
        What the merge may take; what it does not need itself keeps decoded frames. By default two are kept in memory where they
        are not too large: the peak does not grow with the number of frames.
    overwrite : bool
        Replace a folder also if lampwalk did not write it.
    progress : callable, optional

    Raises
    ------
    LampwalkError
        Nothing could be made; a former run is untouched.
    """
    series = as_series(source)
    output = Path(output)
    spare = budget.spare_bytes(series, memory_bytes)
    budget.refuse_a_full_disk(series, output)
    with runfolder.writing(output, overwrite=overwrite) as folder, _scratch(folder, spare) as shelf:
        # Only now: an interrupted run has been put right, and nobody else changes it any more.
        former = runfolder.former_run(output)
        by_hand = {n: m if isinstance(m, FullMask) else FullMask.painted(m) for n, m in (masks or {}).items()}
        if former is not None:
            painted = [r for r in former.frames if r.by_hand and r.file not in by_hand]
            by_hand |= _of_each(runfolder.read_packed_mask, {r.file: output / r.mask for r in painted if r.mask})
        desk, paths = Desk(), [frame.path for frame in series.frames if frame.path is not None]
        small = SmallFrames(folder)

        def going(step: str, done: int, of: int) -> None:
            if step == "looking" and done == of:  # from now on a core idles at times
                for path in paths:
                    reading(partial(desk.content, path))
            if progress:
                progress(step, done, of)

        with parallel.aside() as reading:
            with parallel.aside() as aside:  # ends before the second pass, which needs the memory
                decisions = decide(
                    series,
                    choices=choices,
                    given=Given(masks=by_hand, lamps=lamps_of(former) | dict(lamps or {})),
                    keep=small.keep,
                    hid=lambda d: aside(partial(_write_mask, folder, d)),
                    shelf=shelf,
                    progress=going,
                )
            contents_read = reading(lambda: _contents(series, desk))  # a file may have changed since
            made_of = reading(lambda: _made_of(decisions, contents_read.result()))
            result = execute(decisions, shelf=shelf, progress=progress)
        if isinstance(finishing, Wish):
            finishing = finishing.on(decisions.offer)
        kept = former.finish if former else {}
        told = kept if finishing is None else finish.to_json(finishing)
        contents, carried = contents_read.result(), carried_by(result, keep_location=extras.keep_location)
        outputs = outputs_of(
            result,
            carried,
            told,
            made_of=(),
            contents=contents,
            thumbnails=small.thumbnails,
            compression=extras.compression,
        )
        outputs.write(folder, Spares(), output)
        handoff.write(folder, result, outputs.finished, carried, extras)
        sheet = _sheet_of(result, output, told, contents, by_hand=frozenset(by_hand))
        runfolder.write_sheet(folder, sheet)
        if (digests := made_of.result()) is not None:
            fingerprints.write(folder, digests)
    return Run(folder=output, worksheet=sheet, findings=result.findings)


def merge_worksheet(
    path: str | Path,
    output: str | Path,
    *,
    changed_too: bool = False,
    overwrite: bool = False,
    desk: Desk | None = None,
    progress: Progress | None = None,
) -> Run:
    """Repeat a run from its worksheet: same files in, same bytes out; only what has changed since is merged.

    Parameters
    ----------
    path : path
        A worksheet.json; its frames lie where its ``folder`` says, its masks beside it.
    output : path
    changed_too : bool
        Merge also when a frame's content is not what it was.
    overwrite : bool
    desk : Desk, optional
        What a program keeps that merges the run again and again.
    progress : callable, optional

    Raises
    ------
    WorksheetError
        A field cannot be used, a frame is missing or has changed.
    """
    path, output, desk = Path(path), Path(output), desk or Desk()
    again = _Again.of(path, desk, changed_too=changed_too)
    with runfolder.writing(output, overwrite=overwrite) as folder, _scratch(folder, desk=desk) as shelf:
        small = SmallFrames(
            folder, again.small, replaces=os.path.realpath(output) == os.path.realpath(again.home), desk=desk
        )
        with parallel.aside() as aside, worksheet.naming(path):
            result, held = again.merge(
                shelf,
                small,
                hid=lambda d: aside(partial(_write_mask, folder, d)),
                progress=progress,
            )
        again.outputs(result, held, small.thumbnails).write(folder, desk.spares, output)
        kept = frozenset(r.file for r in again.sheet.frames if r.by_hand)
        written = _sheet_of(result, output, again.sheet.finish, again.contents, by_hand=kept, former=again.sheet)
        runfolder.write_sheet(folder, written)
        fingerprints.write(folder, held.made_of)
    desk.result = replace(held, state=fingerprints.state(output))
    return Run(folder=output, worksheet=written, findings=result.findings)


def merge_ahead(path: Path, desk: Desk, progress: Progress | None = None) -> None:
    """Do what `merge_worksheet` would have to do, so that the desk has it ready; the run folder stays as it is.

    Parameters
    ----------
    path : Path
    desk : Desk
    progress : callable, optional
        It may raise to give up, between steps of the decisions, too: what was decided until then stays known.

    Raises
    ------
    WorksheetError
        As by `merge_worksheet`.
    """
    again = _Again.of(path, desk)
    if progress is not None:
        again = replace(again, given=replace(again.given, recall=recall.watched(desk.recall, progress)))
    small = SmallFrames(None, again.small, desk=desk)
    result, held = again.merge(Shelf(desk=desk), small, progress=progress)
    if desk.has_room(result.pixels.nbytes):
        again.outputs(result, held, small.thumbnails).write_ahead(desk.spares)
        again.learn(result, progress or (lambda *_: None))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Again:
    """A run that is repeated: its folder, its worksheet, its frames, and what is given.

    Attributes
    ----------
    home : Path
    sheet : Worksheet
    small : Path or None
        The folder, where its frames at preview size hold.
    series : Series
    contents : mapping of frame name to str
        Digest of the frame's file.
    given : Given
    desk : Desk
    """

    home: Path
    sheet: Worksheet
    small: Path | None
    series: Series
    contents: Mapping[str, str]
    given: Given
    desk: Desk

    @classmethod
    def of(cls, path: Path, desk: Desk, *, changed_too: bool = False) -> _Again:
        sheet, home = worksheet.load(path), path.parent
        taken = [r for r in sheet.frames if r.role != "left out"]
        files = {r.file: home / sheet.folder / r.file for r in taken}
        for file in files.values():
            if not file.is_file():
                raise WorksheetError("the frame is not there", file=file, remedy='put it back, or correct "folder"')
        contents = _of_each(desk.content, files)
        for r in taken:
            if r.content not in ("", contents[r.file]) and not changed_too:
                raise WorksheetError(
                    "the frame has changed since the run", file=files[r.file], remedy="restore it, or --changed-too"
                )
        given = Given(
            masks=_of_each(desk.mask, {r.file: home / r.mask for r in taken if r.mask}),
            lamps=lamps_of(sheet),
            sheet=sheet,
            contents=contents,
            recall=desk.recall,
        )
        small = home if not changed_too and _keeps_small_ones_of(home, taken) else None
        return cls(
            home=home,
            sheet=sheet,
            small=small,
            series=as_series(list(files.values())),
            contents=contents,
            given=given,
            desk=desk,
        )

    def merge(self, shelf: Shelf, small: SmallFrames, **told: Any) -> tuple[Composite, fingerprints.Result]:
        """Decide, and merge what has changed since the last result, which the desk keeps; `told` goes to `decide`."""
        given = replace(self.given, small=small.known, hand_on=small.hand_on)
        last, state = self.desk.result, fingerprints.state(self.home)
        with parallel.aside() as aside:
            before = aside(lambda: fingerprints.read_result(self.home, last))
            decisions = decide(
                self.series, choices=choices_of(self.sheet), given=given, keep=small.keep, shelf=shelf, **told
            )
        made_of = fingerprints.of(decisions, self.contents, self.desk.recall)
        former = fingerprints.still_holding(before.result(), made_of)
        known = self._beneath(decisions)
        if former is not None and known is not None:
            former = known.spared(former)
        self.desk.result = None  # it is changed in place: until that is done it is nobody's
        result = execute(decisions, former=former, shelf=shelf, progress=told.get("progress"))
        held = fingerprints.Result(pixels=result.pixels, coverage=result.coverage, made_of=made_of, state=state)
        self.desk.result = held
        self.desk.turn()
        return result, held

    def learn(self, result: Composite, progress: Progress) -> None:
        """Merge once more what lies beneath the fills of a result, as far as it is not known, for the next merge."""
        known = self._beneath(result.decisions)
        if known is None:
            return
        for windows in known.unknown():
            progress("looking", 0, 1)
            known.keep(stacked(result.decisions, windows, shelf=Shelf(desk=self.desk)))

    def _beneath(self, decisions: Decisions) -> beneath.Beneath | None:
        """What lies beneath the fills of a result to be made; None where that is not kept, or says too little."""
        (height, width), drawer = decisions.series.shape, self.desk.drawer(0)
        if drawer is None or rules.get(decisions.choices.rule).needs_ambient:
            return None
        if not self.desk.has_room(beneath.PIXEL_BYTES * height * width):
            return None
        return beneath.Beneath(
            tiles=self.desk.beneath,
            drawer=drawer,
            shape=(height, width),
            made_of=fingerprints.of(decisions, self.contents, self.desk.recall, filled=False),
            filled=fingerprints.with_fill(decisions, self.desk.recall),
        )

    def outputs(
        self, result: Composite, held: fingerprints.Result, thumbnails: Mapping[str, NDArray[np.uint8]]
    ) -> Outputs:
        """Its pictures, with the worksheet's finish."""
        return outputs_of(
            result,
            carried_by(result),
            self.sheet.finish,
            made_of=held.made_of,
            contents=self.contents,
            thumbnails=thumbnails,
        )


def read_hand_masks(folder: Path, frames: Path) -> dict[str, FullMask]:
    """Read masks painted by hand: ``NAME.png`` for the frame ``NAME.jpg``.

    Raises
    ------
    WorksheetError
        A mask belongs to no frame, or is damaged.
    """
    names = {f.name.rsplit(".", 1)[0]: f.name for f in as_series(frames).frames}
    found = sorted(folder.glob("*.png"))
    if not found:
        raise WorksheetError("holds no masks", file=folder, remedy="name them like the frames, ending in .png")
    for path in found:
        if path.stem not in names:
            raise WorksheetError("belongs to no frame", file=path, remedy="name it like its frame")
    return _of_each(runfolder.read_packed_mask, {names[path.stem]: path for path in found})


def _of_each(read: Callable[[Path], T], files: Mapping[str, Path]) -> dict[str, T]:
    """What is read from each file, by the name of its frame."""
    return dict(zip(files, parallel.each(read, files.values()), strict=True))


def lamps_of(sheet: Worksheet | None) -> dict[str, Lamp]:
    """Lamps as a worksheet has them, by frame name."""
    return {} if sheet is None else {record.file: record.lamp for record in sheet.frames}


def choices_of(sheet: Worksheet) -> Choices:
    """Choices that a worksheet was made with."""
    known = {name: sheet.merge[name] for name in Choices.__dataclass_fields__ if name in sheet.merge}
    for name, value in known.items():
        kind = str if name == "rule" else bool
        if not isinstance(value, kind):
            raise WorksheetError(f"merge.{name}: {value!r} is no {kind.__name__}", remedy="correct the field")
    return Choices(**known)


@contextmanager
def _scratch(folder: Path, memory_bytes: int = 0, desk: Desk | None = None) -> Iterator[Shelf]:
    """Give a shelf with scratch files beside the result; they are gone before the run folder is moved into place."""
    scratch = folder / "scratch"
    scratch.mkdir()
    shelf = Shelf(scratch, memory_bytes, desk)
    try:
        yield shelf
    finally:
        shelf.close()
        shutil.rmtree(scratch, ignore_errors=True)


def _keeps_small_ones_of(home: Path, taken: Sequence[FrameRecord]) -> bool:
    """Whether a run keeps the frames at preview size of all these, and of no others.

    How one frame is read (depth, development of raw data) is decided for the series, so they hold for the same frames only.
    """
    there = {path.name for path in (home / "small").glob("*.tif")}
    return there == {f"{r.file}.tif" for r in taken} and all(r.content for r in taken)


def _sheet_of(
    result: Composite,
    target: Path,
    spec: Mapping[str, object],
    contents: Mapping[str, str],
    *,
    by_hand: frozenset[str],
    former: Worksheet | None = None,
) -> Worksheet:
    """Worksheet of a result; what a former run told of its masks is carried on with them."""
    return replace(
        result.worksheet,
        frames=tuple(
            replace(_told(r, former), content=contents.get(r.file, ""), by_hand=r.file in by_hand)
            for r in result.worksheet.frames
        ),
        folder=_relative_folder(result.decisions.series, target),
        finish=dict(spec),
    )


def _write_mask(folder: Path, d: Decision) -> None:
    path = folder / "masks" / f"{Path(d.frame.name).stem}.png"
    path.parent.mkdir(exist_ok=True)
    if d.hidden is not None and d.hidden.png:
        path.write_bytes(d.hidden.png)
    else:
        encode.write_map(path, d.hidden or FullMask(d.frame.shape))


def _contents(series: Series, desk: Desk) -> dict[str, str]:
    """Digest of the file of each frame that has one, by name."""
    return _of_each(desk.content, {f.name: f.path for f in series.frames if f.path is not None})


def _made_of(decisions: Decisions, contents: Mapping[str, str]) -> fingerprints.Fingerprints | None:
    """Fingerprints of a result; arrays have no content that could be named."""
    return fingerprints.of(decisions, contents) if len(contents) == len(decisions.series) else None


def _told(record: FrameRecord, former: Worksheet | None) -> FrameRecord:
    """Keep what a former worksheet says of a mask that was taken over."""
    before = {} if former is None else {r.file: r.notes for r in former.frames}.get(record.file, {})
    if "hidden" not in before or "hidden" in record.notes:
        return record
    return replace(record, notes={**record.notes, "hidden": before["hidden"]})


def _relative_folder(series: Series, target: Path) -> str:
    path = series.frames[0].path
    return "" if path is None else Path(os.path.relpath(path.parent.resolve(), target.resolve())).as_posix()

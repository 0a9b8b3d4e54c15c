"""Frames and series: facts first, pixels only when asked for."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from hashlib import file_digest
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import profiles, raw
from .decode import Room
from .errors import Finding, FrameError, InputError, LampwalkError, MissingExtraError, SeriesError, about
from .files import SUFFIXES, Facts, read_facts, read_pixels, unpacked
from .metadata import Metadata, parse, string
from .unpacked import P, Unpacked

NOT_READ = frozenset({".bmp", ".exr", ".gif", ".jp2", ".jxl", ".psb", ".psd", ".webp"})
"""Endings of pictures that are not read as frames; such files are named, not passed over in silence."""

OWN_RESULTS = frozenset({"composite.tif", "picture.jpg", "coverage.png", "contact_sheet.jpg"})
"""Files of a run folder, in case one was written into the folder of its frames."""

MOST_FRAMES = 254
"""Frames of one series: the coverage map has 8 bits, of which 0 and 255 say something else."""

GLANCES, GLANCE_BYTES = 16, 256
"""Pieces of a file, and bytes of each, by which files that cannot be the same are told apart without reading them."""

_PREFERENCE = {"raw": ("raw", "tiff", "png", "heic", "jpeg"), "jpeg": ("jpeg", "heic", "tiff", "png", "raw")}
"""Which file of a shot is taken where several have the same name but for the ending."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One picture of the set.

    Attributes
    ----------
    name : str
        File name, or ``array 03`` for the fourth array.
    facts : Facts
    path : Path or None
        None for an array.
    array : (H, W, 3) uint8 or uint16, encoded, or None
        None for a file.
    bits : int
        8 or 16: depth of `pixels`, the same for all frames of a series.
    development : raw.Development or None
        How raw files are developed, the same for all frames of a series.
    """

    name: str
    facts: Facts
    path: Path | None = None
    array: NDArray[Any] | None = field(default=None, repr=False)
    bits: int = 8
    development: raw.Development | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels, upright."""
        return self.facts.height, self.facts.width

    def pixels(self, room: Room = np.empty) -> NDArray[Any]:
        """Decode the frame: (H, W, 3) uint8 or uint16, encoded, RGB, upright; into memory that `room` gives, if it fits."""
        if self.array is not None:
            return _deepened(self.array, self.bits)
        assert self.path is not None
        pixels = read_pixels(self.path, self.facts.orientation, development=self.development, room=room)
        if pixels.shape[:2] != self.shape:
            raise FrameError("has another size than its header says", file=self.path, remedy="copy it again")
        return _deepened(pixels, self.bits)

    def unpacked(self) -> Unpacked | None:
        """Where the pixels lie, as all steps work with them, in a file that is not packed; None for all others."""
        if self.path is None or self.facts.bits != self.bits:
            return None
        found = unpacked(self.path, self.facts.orientation)
        if found is None or found.shape[:2] != self.shape or not profiles.recognise(self.facts.icc).is_working:
            return None
        return found

    def metadata(self) -> Metadata:
        """EXIF, colour profile and XMP of the frame, for `metadata.for_output`."""
        icc = profiles.srgb_icc() if self.facts.kind == "raw" else profiles.for_colour_picture(self.facts.icc)
        return Metadata(exif=self.facts.exif, icc=icc, xmp=self.facts.xmp)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """All frames of one tripod position, in shooting order.

    Attributes
    ----------
    frames : tuple of Frame
    left_out : tuple of (name, why)
        Files that lie there and cannot be used.
    findings : tuple of Finding
    """

    frames: tuple[Frame, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels, the same for all frames."""
        return self.frames[0].shape

    def __len__(self) -> int:
        return len(self.frames)


def read_series(source: str | Path | Iterable[str | Path], *, prefer: str = "raw") -> Series:
    """Find the frames of a series; no pixels are decoded yet.

    Parameters
    ----------
    source : folder, or list of picture files
        Only the folder itself is looked at, not the folders in it. Results of lampwalk lying in it are no
        frames.
    prefer : {"raw", "jpeg"}
        Which file to take where a shot was saved as both.

    Returns
    -------
    Series
        In order of capture time where every frame has one, else in natural order of the names.

    Raises
    ------
    SeriesError
        No usable frame, only one, or frames of different sizes.
    MissingExtraError
        No frame can be read without a package that is not installed.
    """
    if prefer not in _PREFERENCE:
        raise InputError(f"cannot prefer {prefer!r}", remedy="give 'raw' or 'jpeg'")
    where = source if isinstance(source, str | Path) else None
    candidates, findings = _candidates(source)
    frames, errors = _read_all(candidates)
    findings += _unreadable(errors, frames)
    frames, passed = _without_results(frames) if where is not None else (frames, [])
    findings += passed
    frames, passed = _one_per_shot(frames, prefer=prefer)
    findings += passed
    if all(frame.facts.captured_at for frame in frames):
        frames.sort(key=lambda frame: (frame.facts.captured_at, natural_key(frame.name)))
    else:
        frames.sort(key=lambda frame: natural_key(frame.name))
    frames, repeated = _without_duplicates(frames)
    findings += [
        Finding(code="duplicate", frame=name, text=f"left out: the same picture as {first}", remedy="delete one")
        for name, first in repeated
    ]
    if not frames:
        for error in errors.values():
            if isinstance(error, MissingExtraError):
                raise error
    _check(frames, source=where)
    frames = _alike(frames)
    findings += [finding for frame in frames for finding in frame.facts.findings]
    findings += _differences(frames)
    left_out = [(f.frame or "", f.text.removeprefix("left out: ")) for f in findings if f.text.startswith("left out: ")]
    return Series(frames=tuple(frames), left_out=tuple(left_out), findings=tuple(findings))


def as_series(source: Series | str | Path | Sequence[Any]) -> Series:
    """Take what a caller has: a series, a folder, a list of paths, or a list of arrays."""
    if isinstance(source, Series):
        return source
    if isinstance(source, str | Path):
        return read_series(source)
    items = list(source)
    if items and all(isinstance(item, str | Path) for item in items):
        return read_series(items)
    return _series_of_arrays(items)


def working_pixels(frame: Frame, pixels: P) -> P:
    """Pixels of a frame in the curve that all steps work in: (H, W, 3) uint8 or uint16."""
    if isinstance(pixels, Unpacked):
        return pixels
    return profiles.recognise(frame.facts.icc).to_working(pixels)  # type: ignore[return-value]


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that puts frame 9 before frame 10."""
    parts = re.split(r"(\d+)", name.casefold())
    return tuple((0, int(p)) if p.isdecimal() else (1, p) for p in parts if p)


def _candidates(source: str | Path | Iterable[str | Path]) -> tuple[list[Path], list[Finding]]:
    """Files that should be frames, and remarks on pictures that are none."""
    if not isinstance(source, str | Path):
        paths = [Path(p) for p in source]
        return paths, []
    folder = Path(source)
    with about(folder):  # asking, too, may be forbidden
        exists, is_folder = folder.exists(), folder.is_dir()
    if not exists:
        raise SeriesError("the folder is not there", file=folder, remedy="check the path")
    if not is_folder:
        raise SeriesError("is no folder", file=folder, remedy="give the folder that holds the frames")
    try:
        entries = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
    except PermissionError as error:
        raise SeriesError("the folder may not be read", file=folder, remedy="change its rights") from error
    own = OWN_RESULTS if is_run_folder(folder) else frozenset()
    findings = [_own_result(p.name) for p in entries if p.name in own]
    findings += [
        Finding(code="not-read", frame=p.name, text=f"left out: {p.suffix} files are not read",
                remedy="export it as TIFF, PNG or JPEG if it belongs to the series", serious=False)
        for p in entries if p.suffix.lower() in NOT_READ
    ]  # fmt: skip
    # A link that leads nowhere is a candidate: reading it says so.
    named = [p for p in entries if p.suffix.lower() in SUFFIXES and p.name not in own]
    paths = [p for p in named if p.is_file() or (p.is_symlink() and not p.is_dir())]
    if not paths:
        only = "only results of lampwalk" if findings and own else "no pictures"
        raise SeriesError(
            f"holds {only}",
            file=folder,
            remedy="give the folder that holds the frames (JPEG, TIFF, PNG, raw)",
        )
    return paths, findings


def is_run_folder(folder: Path) -> bool:
    """Tell whether lampwalk wrote its results into a folder: its worksheet lies there."""
    try:
        sheet = json.loads((folder / "worksheet.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(sheet, dict) and "lampwalk" in sheet


def _read_all(paths: Sequence[Path]) -> tuple[list[Frame], dict[str, LampwalkError]]:
    frames: list[Frame] = []
    errors: dict[str, LampwalkError] = {}
    for path in paths:
        try:
            facts = read_facts(path)
        except (FrameError, MissingExtraError) as error:
            errors[path.name] = error
            continue
        frames.append(Frame(name=path.name, path=path, facts=facts, bits=facts.bits))
    return frames, errors


def _unreadable(errors: dict[str, LampwalkError], frames: Sequence[Frame]) -> Iterator[Finding]:
    readable = {_shot(frame.name): frame.name for frame in frames}
    for name, error in errors.items():
        text, other = f"left out: {error.message}", readable.get(_shot(name))
        if isinstance(error, MissingExtraError) and other:
            text += f"; {other}, the same shot, is used"
            yield Finding(code="pair", frame=name, text=text, remedy=error.remedy, serious=False)
        else:
            code = "missing-extra" if isinstance(error, MissingExtraError) else "unreadable"
            yield Finding(code=code, frame=name, text=text, remedy=error.remedy)


def _shot(name: str) -> str:
    return Path(name).stem.casefold()


def _own_result(name: str) -> Finding:
    return Finding(
        code="own-result", frame=name, text="left out: it is a result of lampwalk, no frame",
        remedy="write results into a folder of their own", serious=False,
    )  # fmt: skip


def _without_results(frames: Sequence[Frame]) -> tuple[list[Frame], list[Finding]]:
    """Leave out pictures that name lampwalk as the program that made them."""
    made_here = {f.name for f in frames if f.facts.exif and _software(f.facts.exif).startswith("lampwalk")}
    return [f for f in frames if f.name not in made_here], [_own_result(name) for name in sorted(made_here)]


def _software(exif: bytes) -> str:
    return string(parse(exif).main, 305)


def _one_per_shot(frames: Sequence[Frame], *, prefer: str) -> tuple[list[Frame], list[Finding]]:
    """Take one file of each shot: files that have the same name but for the ending are one shot."""
    shots: dict[str, list[Frame]] = {}
    for frame in frames:
        shots.setdefault(_shot(frame.name), []).append(frame)
    kept, findings = [], []
    for shot in shots.values():
        folders = {frame.path.parent for frame in shot if frame.path is not None}
        if len(folders) > 1 and len({frame.name.casefold() for frame in shot}) == 1:
            raise SeriesError(
                f"two frames are called {shot[0].name}",
                file=max(folders),
                remedy="give every frame a name of its own",
            )
        order = _PREFERENCE[prefer]
        shot.sort(key=lambda f: (order.index(f.facts.kind) if f.facts.kind in order else len(order), f.name))
        kept.append(shot[0])
        findings += [
            Finding(code="pair", frame=other.name, text=f"left out: the same shot as {shot[0].name}",
                    remedy="choose the other by --prefer", serious=False)
            for other in shot[1:]
        ]  # fmt: skip
    return kept, findings


def _alike(frames: Sequence[Frame]) -> list[Frame]:
    """Give all frames the same depth, and all raw frames the same development.

    The white balance is that of the first raw frame in shooting order, by habit the one without flash; the
    reference is not known yet, and a development that changed with it would make the frames be read twice.
    """
    bits = max(frame.bits for frame in frames)
    first = next((f.path for f in frames if f.facts.kind == "raw" and f.path is not None), None)
    development = raw.development_of(first) if first is not None else None
    return [replace(frame, bits=bits, development=development) for frame in frames]


def _differences(frames: Sequence[Frame]) -> Iterator[Finding]:
    """Remark on what differs between the frames of a series and should not."""

    def rarer(
        code: str, values: Sequence[object], text: str, remedy: str, *, serious: bool = True
    ) -> Iterator[Finding]:
        common = max(values, key=values.count) if values else None
        odd = [frame.name for frame, value in zip(frames, values, strict=True) if value != common]
        if odd:
            yield Finding(code=code, frame=odd[0] if len(odd) == 1 else None, serious=serious, remedy=remedy,
                          text=f"{', '.join(odd)} {text}")  # fmt: skip

    yield from rarer(
        "mixed-depth", [f.facts.bits for f in frames], "differ from the others in depth (8 and 16 bits)",
        "export all frames alike", serious=False,
    )  # fmt: skip
    yield from rarer(
        "mixed-grey", [f.facts.grey for f in frames], "differ from the others: some are grey, some in colour",
        "export all frames in colour",
    )  # fmt: skip
    yield from rarer(
        "mixed-kinds", [f.facts.kind == "raw" for f in frames],
        "differ from the others: some are raw files, some developed ones, and their tones will not match",
        "give raw files of all frames, or of none",
    )  # fmt: skip
    odd = [frame.name for frame in frames if profiles.recognise(frame.facts.icc).approximate]
    if odd:
        yield Finding(
            code="profile", frame=odd[0] if len(odd) == 1 else None, serious=False,
            text=f"{', '.join(odd)}: the colour profile works by tables or is damaged, sRGB is assumed",
            remedy="export the frames in sRGB, Adobe RGB (1998), Display P3 or ProPhoto RGB",
        )  # fmt: skip
    yield from rarer(
        "mixed-profiles", [profiles.recognise(f.facts.icc).name for f in frames],
        "differ from the others in their colour profile", "export all frames with the same colour profile",
    )  # fmt: skip


def _deepened(pixels: NDArray[Any], bits: int) -> NDArray[Any]:
    """Make 16 bits of 8 where the series has both: 255 becomes 65535."""
    if bits == 8 or pixels.dtype == np.uint16:
        return pixels
    deep = pixels.astype(np.uint16)
    deep *= np.uint16(257)
    return deep


def _check(frames: Sequence[Frame], source: str | Path | None) -> None:
    if not frames:
        raise SeriesError("no frame can be read", file=source, remedy="copy the files again from the card")
    if len(frames) == 1:
        raise SeriesError("only one frame, nothing to merge", file=source or frames[0].path, remedy="add the others")
    if len(frames) > MOST_FRAMES:
        raise SeriesError(
            f"{len(frames)} frames, and a series has at most {MOST_FRAMES}",
            file=source,
            remedy="merge one tripod position at a time; batch takes what belongs together from a split file",
        )
    sizes: dict[tuple[int, int], list[str]] = {}
    for frame in frames:
        sizes.setdefault(frame.shape, []).append(frame.name)
    if len(sizes) > 1:
        common = max(sizes, key=lambda size: len(sizes[size]))
        odd = ", ".join(f"{n} ({s[1]}x{s[0]})" for s, names in sizes.items() if s != common for n in names)
        raise SeriesError(
            f"frames differ in size: {odd}, the others are {common[1]}x{common[0]}",
            file=source,
            remedy="one series has one camera, one size and one orientation: move the odd ones elsewhere",
        )


def _without_duplicates(frames: Sequence[Frame]) -> tuple[list[Frame], list[tuple[str, str]]]:
    alike = [list(frames)]
    for told_by in (_length, _glance, content_hash):  # each reads more than the one before, of fewer files
        alike = [part for group in alike for part in _parted(group, told_by) if len(part) > 1]
    first = {frame: group[0].name for group in alike for frame in group[1:]}
    kept = [frame for frame in frames if frame not in first]
    return kept, [(frame.name, first[frame]) for frame in frames if frame in first]


def _parted(frames: Sequence[Frame], told_by: Callable[[Path], int | bytes]) -> Iterable[list[Frame]]:
    """Put frames together of whose files the same is told."""
    parts: dict[int | bytes, list[Frame]] = {}
    for frame in frames:
        assert frame.path is not None
        parts.setdefault(told_by(frame.path), []).append(frame)
    return parts.values()


def _length(path: Path) -> int:
    return path.stat().st_size


def _glance(path: Path) -> bytes:
    """Read some bytes from all over a file: files that are not packed are all of one length."""
    length, seen = _length(path), b""
    with path.open("rb") as file:
        for i in range(GLANCES):
            file.seek(length * i // GLANCES)
            seen += file.read(GLANCE_BYTES)
    return seen


def state_of(path: Path) -> tuple[int, int]:
    """Length and time of a file, bytes and ns: others once it was written to."""
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns


def content_hash(path: Path) -> bytes:
    """SHA-256 of a file's bytes (FIPS 180-4), which most processors compute themselves."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").digest()


def _series_of_arrays(arrays: Sequence[Any]) -> Series:
    frames = []
    for index, item in enumerate(arrays):
        name = f"array {index:02d}"
        array = np.asarray(item)
        if array.ndim == 2:
            array = np.repeat(array[..., None], 3, axis=2)
        if array.ndim != 3 or array.shape[2] != 3 or 0 in array.shape:
            raise InputError(f"{name} has shape {np.shape(item)}", remedy="give (H, W) or (H, W, 3)")
        if array.dtype.kind == "f":
            if not np.isfinite(array).all():
                raise InputError(f"{name} holds values that are no numbers", remedy="replace NaN and infinity")
            array = np.rint(np.clip(array, 0, 1) * 65535).astype(np.uint16)
        if array.dtype not in (np.uint8, np.uint16):
            raise InputError(f"{name} is of type {array.dtype}", remedy="give uint8, uint16 or float32 in 0-1")
        bits = 8 if array.dtype == np.uint8 else 16
        facts = Facts(height=array.shape[0], width=array.shape[1], bits=bits)
        frames.append(Frame(name=name, array=array, facts=facts, bits=bits))
    _check(frames, source=None)
    return Series(frames=tuple(_alike(frames)))


__all__ = ["Frame", "Series", "as_series", "content_hash", "natural_key", "read_series"]

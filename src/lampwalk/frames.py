"""Frames and series: facts first, pixels only when asked for."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import Finding, FrameError, InputError, SeriesError
from .files import SUFFIXES, Facts, read_facts, read_pixels


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
    """

    name: str
    facts: Facts
    path: Path | None = None
    array: NDArray[Any] | None = field(default=None, repr=False)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels, upright."""
        return self.facts.height, self.facts.width

    def pixels(self) -> NDArray[Any]:
        """Decode the frame: (H, W, 3) uint8 or uint16, encoded, RGB, upright."""
        if self.array is not None:
            return self.array
        assert self.path is not None
        pixels = read_pixels(self.path, self.facts.orientation)
        if pixels.shape[:2] != self.shape:
            raise FrameError("has another size than its header says", file=self.path, remedy="copy it again")
        return pixels


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


def read_series(source: str | Path | Iterable[str | Path]) -> Series:
    """Find the frames of a series; no pixels are decoded yet.

    Parameters
    ----------
    source : folder, or list of picture files

    Returns
    -------
    Series
        In order of capture time where every frame has one, else in natural order of the names.

    Raises
    ------
    SeriesError
        No usable frame, only one, or frames of different sizes.
    """
    paths = _paths(source)
    frames, left_out = [], []
    for path in paths:
        try:
            frames.append(Frame(name=path.name, path=path, facts=read_facts(path)))
        except FrameError as error:
            left_out.append((path.name, str(error.message)))
    findings = [
        Finding(code="unreadable", frame=name, text=f"left out: {why}", remedy="copy it again from the card")
        for name, why in left_out
    ]
    if all(frame.facts.captured_at for frame in frames):
        frames.sort(key=lambda frame: (frame.facts.captured_at, natural_key(frame.name)))
    else:
        frames.sort(key=lambda frame: natural_key(frame.name))
    frames, repeated = _without_duplicates(frames)
    left_out += [(name, f"the same file as {first}") for name, first in repeated]
    findings += [
        Finding(code="duplicate", frame=name, text=f"left out: the same picture as {first}", remedy="delete one")
        for name, first in repeated
    ]
    _check(frames, source=source if isinstance(source, str | Path) else None)
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


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that puts frame 9 before frame 10."""
    parts = re.split(r"(\d+)", name.casefold())
    return tuple((0, int(p)) if p.isdecimal() else (1, p) for p in parts if p)


def _paths(source: str | Path | Iterable[str | Path]) -> list[Path]:
    if not isinstance(source, str | Path):
        return [Path(p) for p in source]
    folder = Path(source)
    if not folder.exists():
        raise SeriesError("the folder is not there", file=folder, remedy="check the path")
    if not folder.is_dir():
        raise SeriesError("is no folder", file=folder, remedy="give the folder that holds the frames")
    paths = [p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and not p.name.startswith(".") and p.is_file()]
    if not paths:
        raise SeriesError("holds no pictures", file=folder, remedy=f"frames end in {', '.join(sorted(SUFFIXES))}")
    return paths


def _check(frames: Sequence[Frame], source: str | Path | None) -> None:
    if not frames:
        raise SeriesError("no frame can be read", file=source, remedy="copy the files again from the card")
    if len(frames) == 1:
        raise SeriesError("only one frame, nothing to merge", file=source or frames[0].path, remedy="add the others")
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
    seen: dict[tuple[int, bytes], str] = {}
    kept, repeated = [], []
    by_size: dict[int, int] = {}
    for frame in frames:
        assert frame.path is not None
        by_size[frame.path.stat().st_size] = by_size.get(frame.path.stat().st_size, 0) + 1
    for frame in frames:
        assert frame.path is not None
        size = frame.path.stat().st_size
        if by_size[size] > 1:  # only files of one length can be the same
            key = (size, content_hash(frame.path))
            if key in seen:
                repeated.append((frame.name, seen[key]))
                continue
            seen[key] = frame.name
        kept.append(frame)
    return kept, repeated


def content_hash(path: Path) -> bytes:
    """BLAKE2b-128 of a file's bytes (RFC 7693)."""
    digest = blake2b(digest_size=16)
    with path.open("rb") as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.digest()


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
        frames.append(Frame(name=name, array=array, facts=Facts(height=array.shape[0], width=array.shape[1])))
    _check(frames, source=None)
    return Series(frames=tuple(frames))


__all__ = ["Frame", "Series", "as_series", "content_hash", "natural_key", "read_series"]

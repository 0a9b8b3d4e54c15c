"""What can go wrong, and what the photographer is told.

LampwalkError
  InputError          arrays or arguments that cannot be used (also a ValueError)
  FrameError          one file
  SeriesError         the set as a whole
  WorksheetError      a field of a worksheet
  OutputError         disk, rights, something is in the way
  MissingExtraError   an optional package is not installed
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path


class LampwalkError(Exception):
    """Base of all errors that lampwalk raises on purpose.

    Parameters
    ----------
    message : str
        What is wrong, in words of the job.
    file : path, optional
        The file that it is about.
    remedy : str
        What to do about it.
    """

    def __init__(self, message: str, *, file: str | Path | None = None, remedy: str = "") -> None:
        self.message = message
        self.file = None if file is None else str(file)
        self.remedy = remedy
        super().__init__(message)

    def __str__(self) -> str:
        where = f"{self.file}: " if self.file else ""
        what_next = f" ({self.remedy})" if self.remedy else ""
        return f"{where}{self.message}{what_next}"


class InputError(LampwalkError, ValueError):
    """Arrays or arguments that cannot be used."""


class FrameError(LampwalkError):
    """One file that cannot be read or used."""


class SeriesError(LampwalkError):
    """The set as a whole cannot be merged."""


class WorksheetError(LampwalkError):
    """A worksheet with a field that cannot be used."""


class OutputError(LampwalkError):
    """The result cannot be written."""


class MissingExtraError(LampwalkError):
    """An optional package is needed for this file or command."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A remark for the photographer.

    Attributes
    ----------
    code : str
        Short and stable, for scripts: ``"duplicate"``, ``"not-aligned"``.
    frame : str or None
        Name of the frame, None where the whole series is meant.
    text : str
        What was seen.
    remedy : str
        What to do about it.
    serious : bool
        True where the result needs a look (exit status 1).
    """

    code: str
    frame: str | None = None
    text: str
    remedy: str = ""
    serious: bool = True

    def __str__(self) -> str:
        where = f"{self.frame}: " if self.frame else ""
        what_next = f" ({self.remedy})" if self.remedy else ""
        return f"{where}{self.text}{what_next}"


def alike(findings: Sequence[Finding]) -> Iterator[tuple[bool, str]]:
    """What holds for several frames, said once: yields (serious, line)."""
    frames: dict[tuple[bool, str, str], list[str]] = {}
    for finding in findings:
        names = frames.setdefault((finding.serious, finding.text, finding.remedy), [])
        names += [finding.frame] if finding.frame else []
    for (serious, text, remedy), names in frames.items():
        yield serious, str(Finding(code="", frame=", ".join(names) or None, text=text, remedy=remedy))


@contextmanager
def about(
    file: str | Path, remedy: str = "check that the file opens in an image viewer, or copy it again"
) -> Iterator[None]:
    """Turn errors of the libraries below into a `FrameError` that names the file."""
    import struct

    import cv2

    try:
        yield
    except LampwalkError:
        raise
    except FileNotFoundError as error:
        raise FrameError("the file is not there", file=file, remedy="check the path") from error
    except PermissionError as error:
        raise FrameError("the file may not be read", file=file, remedy="change its rights, or copy it") from error
    except MemoryError as error:
        raise FrameError("not enough memory to read it", file=file, remedy="close other programs") from error
    except (
        cv2.error, OSError, ValueError, TypeError, KeyError, IndexError, AttributeError, RuntimeError,
        SyntaxError, ArithmeticError, EOFError, struct.error, zlib.error,
    ) as error:  # fmt: skip
        first_line = (str(error).strip() or type(error).__name__).splitlines()[0]
        raise FrameError(f"cannot be read: {first_line}", file=file, remedy=remedy) from error

"""lampwalk: one picture from a series in which one flash was walked around the subject."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .alignment import Alignment, align
    from .batch import merge_many
    from .checking import check
    from .composite import Composite, merge
    from .decisions import Choices
    from .errors import (
        Finding,
        FrameError,
        InputError,
        LampwalkError,
        MissingExtraError,
        OutputError,
        SeriesError,
        WorksheetError,
    )
    from .frames import Frame, Series, read_series
    from .masks import Mask, find_equipment
    from .merging import Run, Wish, merge_folder, merge_worksheet
    from .planning import plan
    from .stack import Stack
    from .worksheet import Lamp

__version__ = "0.1.0"

__all__ = [
    "Alignment",
    "Choices",
    "Composite",
    "Finding",
    "Frame",
    "FrameError",
    "InputError",
    "Lamp",
    "LampwalkError",
    "Mask",
    "MissingExtraError",
    "OutputError",
    "Run",
    "Series",
    "SeriesError",
    "Stack",
    "Wish",
    "WorksheetError",
    "align",
    "check",
    "find_equipment",
    "merge",
    "merge_folder",
    "merge_many",
    "merge_worksheet",
    "plan",
    "read_series",
]

_HOME = {
    "alignment": ("Alignment", "align"),
    "batch": ("merge_many",),
    "checking": ("check",),
    "composite": ("Composite", "merge"),
    "decisions": ("Choices",),
    "errors": (
        "Finding",
        "FrameError",
        "InputError",
        "LampwalkError",
        "MissingExtraError",
        "OutputError",
        "SeriesError",
        "WorksheetError",
    ),
    "frames": ("Frame", "Series", "read_series"),
    "masks": ("Mask", "find_equipment"),
    "merging": ("Run", "Wish", "merge_folder", "merge_worksheet"),
    "planning": ("plan",),
    "stack": ("Stack",),
    "worksheet": ("Lamp",),
}
"""Where the public names are defined: a module is loaded with the first name that is asked for, not with the package."""


def __getattr__(name: str) -> Any:
    for module, names in _HOME.items():
        if name in names:
            globals()[name] = found = getattr(import_module(f".{module}", __name__), name)
            return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

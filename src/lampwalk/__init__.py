"""lampwalk: one picture from a series in which one flash was walked around the subject."""

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

"""lampwalk: one picture from a series in which one flash was walked around the subject."""

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
from .stack import Stack

__version__ = "0.1.0"

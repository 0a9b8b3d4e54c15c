"""One self-contained, read-only page of a run, to send."""

from __future__ import annotations

from pathlib import Path

from ..errors import InputError


def export(run: Path, file: Path) -> None:
    """Write the page."""
    raise InputError("not yet")

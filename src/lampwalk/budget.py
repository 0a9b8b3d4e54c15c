"""What a merge takes of memory and of the disk, said before it begins."""

from __future__ import annotations

import shutil
from pathlib import Path

from .decisions import FIELD_BYTES
from .errors import InputError, OutputError
from .frames import Series
from .looking import MEMORY_BYTES
from .previews import small_shape

RESULT_BYTES = 12
"""Memory per pixel of the result at 16 bits, its brightness, the coverage map and the finished picture."""

WORKING_BYTES = 480_000_000
"""Memory for libraries, the net and strips."""

PREVIEW_BYTES = 21
"""Memory per frame and pixel of its preview in the first pass, as long as nothing waits in a file. Like the others from measured
peaks: benchmarks/speed.md."""

WAITING_BYTES = 540_000_000
"""Memory for all decoded frames where no budget is given: two more than the two in hand, as far as they fit. At 45 MP two at 8 bits and none
at 16, whatever the length of the series; two decodings less of fourteen (benchmarks/speed.md)."""

DISK_BYTES = 9
"""Disk per pixel: composite.tif at 16 bits, picture.jpg and masks."""


def spare_bytes(series: Series, memory_bytes: int | None) -> int:
    """What a memory budget leaves for decoded frames; without one, room for two that are not too large."""
    if memory_bytes is None:
        two = _frame_bytes(series, 2)
        return max(0, min(two, WAITING_BYTES - two))
    needed = needed_bytes(series)
    if memory_bytes < needed:
        raise InputError(
            f"{memory_bytes / 1e9:.2g} GB of memory are too little for {len(series)} frames of this size",
            remedy=f"allow at least {needed / 1e9 + 0.05:.1f} GB",
        )
    return memory_bytes - needed


def needed_bytes(series: Series) -> int:
    """Memory that a merge takes at its peak: what is kept of frames in the first pass; in the second, the result; two frames."""
    height, width = series.shape
    two_frames = _frame_bytes(series, 2)
    small_height, small_width = small_shape((height, width))
    kept = PREVIEW_BYTES * small_height * small_width * len(series)
    first = two_frames + min(kept, MEMORY_BYTES + FIELD_BYTES)
    second = two_frames + RESULT_BYTES * height * width
    return max(first, second) + WORKING_BYTES


def _frame_bytes(series: Series, count: int) -> int:
    """Memory of so many decoded frames."""
    height, width = series.shape
    return count * 3 * max(frame.facts.bits or 8 for frame in series.frames) // 8 * height * width


def refuse_a_full_disk(series: Series, output: Path) -> None:
    """Say early that the result will not fit."""
    parent = output.resolve().parent
    while not parent.exists():
        parent = parent.parent
    height, width = series.shape
    needed = height * width * DISK_BYTES
    free = shutil.disk_usage(parent).free
    if free < needed:
        raise OutputError(
            f"the disk has room for {free / 1e6:.0f} MB, the result needs about {needed / 1e6:.0f} MB",
            file=output,
            remedy="make room, or write to another disk",
        )

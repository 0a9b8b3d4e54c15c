"""Frames that are merged strip by strip: the memory of what no later strip needs is given back on the way.

Meanwhile the result grows, or the next frame is decoded, so both together take little more than one of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import memory, resampling
from .decisions import Decision
from .geometry import STRIP_ROWS, Matrix, strips


class Passing:
    """Gives back the rows of frames that have been merged.

    Parameters
    ----------
    frames : sequence of (Decision, (H, W, 3) uint8 or uint16)
        Whose pixels nobody else needs.
    shape : (int, int)
        Height and width of the result.
    """

    def __init__(self, frames: Sequence[tuple[Decision, NDArray[Any]]], shape: tuple[int, int]) -> None:
        self._frames = [(pixels, _first_rows(pixels, d.frame_to_reference, shape)) for d, pixels in frames]
        self._merged = np.zeros(len(strips(shape[0])) + 1, bool)  # the last one never is
        self._next, self._lock = 0, Lock()

    def done(self, rows: slice) -> None:
        """Take note that a strip of the result has got all of its frames; strips may come in any order, from several threads."""
        with self._lock:
            before = self._next
            self._merged[rows.start // STRIP_ROWS] = True
            self._next = int(np.argmin(self._merged))
            after = self._next
        for pixels, first in self._frames:
            memory.give_back(pixels[first[before] : first[after]])


def _first_rows(pixels: NDArray[Any], frame_to_reference: Matrix, shape: tuple[int, int]) -> list[int]:
    """First row of a frame that any strip from each one on is made of; in the end, its height."""
    boxes = (
        resampling.source_boxes(pixels.shape[:2], frame_to_reference, rows, [slice(0, shape[1])])[0]
        for rows in strips(shape[0])
    )
    tops = [down.start for down, _ in boxes] + [pixels.shape[0]]
    return list(accumulate(reversed(tops), min))[::-1]

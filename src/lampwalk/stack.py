"""The stack: one accumulator that frames go through one at a time."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import light, rules
from .errors import InputError

NOBODY = 0
"""Value of the coverage map where no frame has brought any light."""

FILLED = 255
"""Value of the coverage map where the light is a fill, not measured."""


class Stack:
    """Frames merged one at a time by one rule.

    Memory is what the rule keeps per pixel and the coverage map, whatever the number of frames. With the rule
    `lighten`, the per-pixel, per-channel maximum, the result does not depend on the order of the frames.

    Parameters
    ----------
    shape : (int, int)
        Height and width in pixels.
    dtype : uint8, uint16 or float32, optional
        Of the frames and the result; taken from the first frame where not given. Other rules than `lighten` take
        uint16 only.
    rule : str
        A name in `rules.RULES`.
    first : (int, int)
        Row and column of a larger picture of which this is a part, as `add_strip` and `part` count them.

    Notes
    -----
    Rule `lighten`: ``B(Cb, Cs) = max(Cb, Cs)`` per component, W3C Compositing and Blending Level 1, section 10.1.6.
    A maximum commutes with any rising curve, so encoded values serve as well as linear light.

    Examples
    --------
    >>> import numpy as np
    >>> stack = Stack((1, 2))
    >>> stack.add(np.uint8([[[9, 0, 0], [1, 1, 1]]]))
    >>> stack.add(np.uint8([[[0, 5, 0], [2, 0, 0]]]))
    >>> stack.pixels().tolist()
    [[[9, 5, 0], [2, 1, 1]]]
    """

    def __init__(
        self, shape: tuple[int, int], dtype: Any = None, *, rule: str = "lighten", first: tuple[int, int] = (0, 0)
    ) -> None:
        self._shape, self._first = (int(shape[0]), int(shape[1])), first
        self._rule = rules.get(rule)
        self._state: rules.State = ()
        self._coverage = np.full(self._shape, NOBODY, np.uint8)
        self._added = 0
        if dtype is not None:
            self._start(np.dtype(dtype))

    def add(
        self,
        frame: NDArray[Any],
        mask: NDArray[np.uint8] | None = None,
        *,
        number: int | None = None,
        ambient: bool = False,
    ) -> None:
        """Add one frame.

        Parameters
        ----------
        frame : (H, W, 3) uint8, uint16 or float32
            Like the frames before it.
        mask : (H, W) uint8, optional
            255 where the frame is hidden; between, it enters weakened.
        number : int, optional
            Value of this frame in the coverage map, 1-255; by default frames are counted from 1.
        ambient : bool
            The frame holds no flash light (the rule `sum` wants such a frame first).

        Raises
        ------
        InputError
            Another shape or type than the stack has.
        """
        if frame.shape != (*self._shape, 3):
            raise InputError(
                f"frame of shape {frame.shape} in a stack of {(*self._shape, 3)}", remedy="one size for all"
            )
        if not self._state:
            self._start(frame.dtype)
        if mask is not None:
            if mask.shape != self._shape:
                raise InputError(f"mask of shape {mask.shape} for a frame of {self._shape}", remedy="one size for all")
            frame = weaken(frame, mask)
        top, left = self._first
        self.add_strip(top, frame, self._added + 1 if number is None else number, left=left, ambient=ambient)

    def add_strip(self, top: int, strip: NDArray[Any], number: int, *, left: int = 0, ambient: bool = False) -> None:
        """Add a part of a frame, from row `top` and column `left` on; strips of one frame may come from several threads."""
        if strip.dtype != self.pixels().dtype:
            raise InputError(
                f"frame of type {strip.dtype} in a stack of {self.pixels().dtype}", remedy="one type for all"
            )
        part = self._own(slice(top, top + strip.shape[0]), slice(left, left + strip.shape[1]))
        won = self._rule.fold(tuple(whole[part] for whole in self._state), strip, ambient=ambient)
        # What coverage[part][won == 255] = number says, in a twentieth of the time.
        cv2.copyTo(np.full_like(won, number), won, self._coverage[part])
        self._added = max(self._added, number)

    def pixels(self) -> NDArray[Any]:
        """Return the result so far: (H, W, 3), the stack's own memory, not a copy."""
        if not self._state:
            raise InputError("nothing has been added to the stack", remedy="add a frame first")
        return self._state[0]

    def part(self, rows: slice, cols: slice) -> tuple[NDArray[Any], NDArray[np.uint8]]:
        """Pixels and coverage in a window: the stack's own memory, not a copy."""
        part = self._own(rows, cols)
        return self.pixels()[part], self.coverage()[part]

    @property
    def rule(self) -> str:
        """Name of the rule."""
        return self._rule.name

    def daylight(self, rows: slice, cols: slice) -> NDArray[np.uint16]:
        """Return the frame without flash below a sum in a window: (h, w, 3), the stack's own memory (rule `sum` only)."""
        return self._state[1][self._own(rows, cols)]

    def coverage(self) -> NDArray[np.uint8]:
        """Return the number of the frame that gave each pixel: (H, W) uint8, 0 where none has brought light."""
        return self._coverage

    def _own(self, rows: slice, cols: slice) -> tuple[slice, slice]:
        top, left = self._first
        return slice(rows.start - top, rows.stop - top), slice(cols.start - left, cols.stop - left)

    def _start(self, dtype: np.dtype[Any]) -> None:
        if dtype not in (np.uint8, np.uint16, np.float32):
            raise InputError(f"frames of type {dtype} cannot be stacked", remedy="give uint8, uint16 or float32")
        if dtype != np.uint16 and self._rule.name != "lighten":
            raise InputError(f"the rule {self._rule.name} does not take frames of type {dtype}", remedy="give uint16")
        self._state = self._rule.start(self._shape, dtype)


def weaken(frame: NDArray[Any], mask: NDArray[np.uint8]) -> NDArray[Any]:
    """Lower a frame where a mask hides it: black at 255, untouched at 0, in proportion of its light between.

    Parameters
    ----------
    frame : (H, W, 3) uint8 or uint16, encoded; or float32, linear light
    mask : (H, W) uint8

    Returns
    -------
    (H, W, 3), same dtype
    """
    if frame.dtype == np.float32:
        return np.asarray(frame * (np.float32(1) - mask[..., None] / np.float32(255)))
    if frame.dtype == np.uint16:
        return light.weakened(frame, mask)
    return cv2.convertScaleAbs(light.weakened(frame.astype(np.uint16) * np.uint16(257), mask), alpha=1 / 257)

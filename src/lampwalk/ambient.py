"""Daylight: which frames hold nothing else, and how it drifted during the walk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import luminance
from .errors import InputError
from .previews import Preview

EVEN_EV = 0.01
"""Stops below which a frame counts as level and is not touched: a third of a grey step of 8 bits in the mid-tones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What is to be done to one frame so that its daylight equals the reference's.

    Attributes
    ----------
    ambient_ev : float
        Stops to be applied to the daylight part of the frame.
    gradient_ev : (float, float)
        Further stops from the left edge to the right and from the top to the bottom, zero in the middle.
    exposure_ev : float
        Stops to be applied to the whole frame first (changed exposure settings).
    gains : (float, float, float)
        Factors on linear R, G, B of the whole frame (changed white balance).
    measured : bool
        False where too few pixels without flash light were found.
    reason : str
    """

    ambient_ev: float = 0.0
    gradient_ev: tuple[float, float] = (0.0, 0.0)
    exposure_ev: float = 0.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    measured: bool = True
    reason: str = ""

    @property
    def is_even(self) -> bool:
        """Whether the frame can be left exactly as it is."""
        return (
            self.ambient_ev == 0.0
            and self.gradient_ev == (0.0, 0.0)
            and self.exposure_ev == 0.0
            and self.gains == (1.0, 1.0, 1.0)
        )


def find_ambient(previews: Sequence[Preview]) -> tuple[bool, ...]:
    """Tell which frames hold no flash light, from their pixels."""
    means = [float(np.median(luminance(p.linear))) for p in previews]
    low = min(means)
    return tuple(m <= low * 1.05 for m in means)


def plate(previews: Sequence[Preview], ambient: Sequence[bool]) -> NDArray[np.float32]:
    """The scene in daylight alone: mean of the ambient frames, else the lower envelope of the series."""
    chosen = [p for p, flag in zip(previews, ambient, strict=True) if flag]
    if chosen:
        return np.asarray(np.mean([p.linear for p in chosen], axis=0), np.float32)
    return np.asarray(np.sort([p.linear for p in previews], axis=0)[min(1, len(previews) - 1)], np.float32)


def level(
    previews: Sequence[Preview], ambient: Sequence[bool], reference: int, exposure_ev: Sequence[float | None]
) -> tuple[Level, ...]:
    """Measure how daylight drifted against the reference."""
    a = plate(previews, ambient)
    return tuple(Level() if i == reference else _level_one(p, a) for i, p in enumerate(previews))


def _level_one(preview: Preview, a: NDArray[np.float32]) -> Level:
    f8 = cv2.resize(luminance(preview.linear), None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    a8 = cv2.resize(luminance(a), None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    ratio = np.log2((f8 + 1e-5) / (a8 + 1e-5)).ravel()
    ev = -float(np.percentile(ratio, 5))
    return Level(ambient_ev=0.0 if abs(ev) < EVEN_EV else ev, reason="from the dimmest places")


def level_field(
    level: Level, preview: Preview, plate: NDArray[np.float32]
) -> NDArray[np.float32] | None:
    """Factors that level one frame, in linear light, or None where there is nothing to do.

    Parameters
    ----------
    level : Level
    preview : Preview
        The frame, in the reference's geometry, not levelled.
    plate : (h, w, 3) float32, linear light
        The scene in the reference's daylight (`plate`).

    Returns
    -------
    (h, w, 3) float32 or None
        Multiply the frame's linear light with it. Pixels that are clipped are never darkened.

    Notes
    -----
    Light adds: with exposure and white balance undone, ``F = A 2^-e + lamp``; wanted is ``F' = A + lamp = F + A (1 -
    2^-e)``. The field is ``F'/F``. Where no flash reaches it is ``2^e``, and it nears 1 where the flash outshines daylight.
    """
    if level.is_even:
        return None
    if plate.shape != preview.linear.shape:
        raise InputError(f"the plate is {plate.shape}, the preview {preview.linear.shape}", remedy="use one size")
    h, w = preview.shape
    even = np.asarray(level.gains, np.float32) * np.float32(2**level.exposure_ev)
    x = (np.arange(w, dtype=np.float32) + 0.5) / w - 0.5
    y = (np.arange(h, dtype=np.float32) + 0.5) / h - 0.5
    ev = level.ambient_ev + level.gradient_ev[0] * x[None, :] + level.gradient_ev[1] * y[:, None]
    e = np.exp2(ev).astype(np.float32)[..., None]
    frame = cv2.GaussianBlur(preview.linear, (0, 0), SMOOTH_PX) * even
    below = cv2.GaussianBlur(plate, (0, 0), SMOOTH_PX)
    share = np.clip(below / np.maximum(frame, FLOOR), 0, e)  # daylight's part of this frame; F is never below A 2^-e
    field = even * (1 + (1 - 1 / e) * share)
    brightest = preview.linear.max(axis=2)
    keep = np.clip((brightest - KEEP_FROM) / (1 - KEEP_FROM), 0, 1)
    keep = np.where(preview.clipped, 1, keep)[..., None]
    return np.asarray(np.where(field < 1, field + (1 - field) * keep, field), np.float32)


SMOOTH_PX = 1.0
"""Preview pixels (sigma) over which frame and plate are smoothed before their ratio is taken."""

FLOOR = 1e-4
"""Linear light below which a ratio means nothing (a third of the first 8-bit level)."""

KEEP_FROM = 0.8
"""Linear light from which on darkening fades out, so that clipped highlights stay white and meet their surroundings."""

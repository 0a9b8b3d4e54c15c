"""Daylight: which frames hold nothing else, and how it drifted during the walk.

A flash only adds light: a frame is ``F = g A + L`` with the reference's daylight A, its drift g, and lamp
light L that is zero in some places. All measuring here looks for those places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import luminance
from .drift import Drift, measure
from .errors import InputError
from .light import halved, strongest
from .modes import highest_mode
from .previews import Preview

EVEN_EV = 0.01
"""Stops below which a frame counts as level and is left exactly as it is: a third of an 8-bit step in the
mid-tones."""

BLOCKS = 64
"""Blocks along the longer side for `find_ambient`: some 20 preview pixels, more than unaligned frames are
apart."""

LIT_EV = 0.5
"""Stops above the other frames from which a block counts as lit by this frame's flash."""

LIT_SHARE = 0.04
"""Share of lit blocks from which a frame holds flash light. Measured: ambient frames up to 0.030 (two frames,
a stand in the other), lamp frames 0.086 and up (benchmarks/light.md)."""

EXPOSURE_EV = 0.7
"""Drift in stops from which a change of the exposure settings is the likelier cause where EXIF says
nothing."""

BALANCE_EV = 0.08
"""Difference between channels, in stops, from which white balance was changed; daylight's own drift stays
below it."""

FLOOR = 1e-4
"""Linear light below which a ratio means nothing (a third of the first 8-bit level)."""

KEEP_FROM = 0.8
"""Linear light from which on darkening fades out, so that clipped highlights stay white and meet their
surroundings."""

SMOOTH_PX = 0.8
"""Half-size pixels (sigma) over which frame and plate are smoothed before their ratio is taken."""


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
        False where too little was found that the flash does not reach.
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
        return (self.ambient_ev, self.gradient_ev, self.exposure_ev, self.gains) == (0, (0, 0), 0, (1, 1, 1))


def find_ambient(previews: Sequence[Preview]) -> tuple[bool, ...]:
    """Tell which frames hold no flash light, from their pixels; a misfired flash counts.

    Parameters
    ----------
    previews : sequence of Preview
        Aligned or not: blocks larger than the usual motion are compared.

    Returns
    -------
    tuple of bool

    Notes
    -----
    A block is lit when it is half a stop brighter than the second darkest of the other frames (their darkest
    where there are only two frames: a stand may hide one). Frames are first brought to one level by the
    sharpest mode of their ratio, if there is one.
    """
    blocks = np.stack([_blocks(p) for p in previews])
    flags = []
    for i, own in enumerate(blocks):
        others = np.sort([b - _common_level(b - own) for j, b in enumerate(blocks) if j != i], axis=0)
        if len(others) == 0:
            return (False,)
        lit = own > others[min(1, len(others) - 1)] + LIT_EV
        flags.append(bool(lit.mean() < LIT_SHARE))
    return tuple(flags)


def plate(
    previews: Sequence[Preview], ambient: Sequence[bool], levels: Sequence[Level] | None = None
) -> NDArray[np.float32]:
    """Find the scene in daylight alone.

    Parameters
    ----------
    previews : sequence of Preview
        In one geometry.
    ambient : sequence of bool
    levels : sequence of Level, optional
        What will be done to the frames, where they are not levelled yet; makes the plate that of the
        reference.

    Returns
    -------
    (h, w, 3) float32, linear light
        Mean of the ambient frames; without one the lower envelope of the series: the second darkest frame per
        pixel and channel (the darkest may be a stand in front), the darkest of two.
    """
    chosen = [i for i, flag in enumerate(ambient) if flag] or list(range(len(previews)))
    seen = np.zeros(previews[0].shape, np.intp)
    total = np.zeros((*seen.shape, 3), np.float32)
    darkest, second = np.full_like(total, np.inf), np.full_like(total, np.inf)
    for i in chosen:  # one at a time
        frame = _evened(previews[i], None if levels is None else levels[i])
        valid = previews[i].valid
        seen += valid
        if any(ambient):
            total += frame if valid.all() else np.where(valid[..., None], frame, np.float32(0))
        else:
            frame = frame if valid.all() else np.where(valid[..., None], frame, np.float32(np.inf))
            second = np.minimum(second, np.maximum(darkest, frame))
            darkest = np.minimum(darkest, frame)
    if any(ambient):
        if seen.min() == len(chosen):
            return total / np.float32(len(chosen))
        return np.asarray(total / np.maximum(seen, 1)[..., None], np.float32)
    found = second if len(chosen) > 2 else darkest
    found = np.where(np.isinf(found), darkest, found)
    return np.asarray(np.where(seen[..., None] > 0, found, np.float32(0)), np.float32)


def level(
    previews: Sequence[Preview],
    ambient: Sequence[bool],
    reference: int,
    exposure_ev: Sequence[float | None] | None = None,
) -> tuple[Level, ...]:
    """Measure how the daylight of each frame differs from the reference's.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry.
    ambient : sequence of bool
        Which frames hold no flash light.
    reference : int
        Index of the frame that stays as it is.
    exposure_ev : sequence of float or None, optional
        Exposure values from EXIF (log2(N^2/t) - log2(S/100), higher is less light), None where unknown.

    Returns
    -------
    tuple of Level

    Notes
    -----
    EXIF first: a difference in exposure value is undone on the whole frame. Then pixels decide: the ratio of
    each frame to the ambient frame in places without flash is measured, and where that contradicts EXIF, EXIF
    is not used. Without an ambient frame, the reference is compared instead, where many places agree (lit by
    neither), or in reflections of the daylight.
    """
    if not 0 <= reference < len(previews):
        raise InputError(f"frame {reference} of {len(previews)} as reference", remedy="give an index of the series")
    steps = _exposure_steps(exposure_ev, reference, len(previews))
    even = [
        p if s == 0 else replace(p, linear=p.linear * np.float32(2**s)) for p, s in zip(previews, steps, strict=True)
    ]
    by_day = reference if ambient[reference] or not any(ambient) else list(ambient).index(True)
    found = measure(even, by_day, lit=not ambient[by_day])
    return tuple(
        Level(reason="the reference") if i == reference else _decide(d, found[reference], steps[i])
        for i, d in enumerate(found)
    )


def level_field(level: Level, preview: Preview, plate: NDArray[np.float32]) -> NDArray[np.float32] | None:
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
        Multiply the frame's linear light with it. Clipped pixels are never darkened.

    Notes
    -----
    Light adds: with exposure and white balance undone, ``F = A 2^-e + L``; wanted is ``F' = A + L = F + A (1
    - 2^-e)``. The field is ``F'/F``: it is ``2^e`` where no flash reaches, and nears 1 where the flash
    outshines daylight.
    """
    if level.is_even:
        return None
    if plate.shape[:2] != preview.shape:
        raise InputError(f"the plate is {plate.shape[:2]}, the preview {preview.shape}", remedy="use one size")
    even = np.asarray(level.gains, np.float32) * np.float32(2**level.exposure_ev)
    small = halved(preview.linear)
    frame = cv2.GaussianBlur(small, (3, 3), SMOOTH_PX) * even
    daylight = cv2.GaussianBlur(halved(plate), (3, 3), SMOOTH_PX) / np.maximum(frame, FLOOR)
    e = np.exp2(_stops(level, small.shape[:2]))[..., None]
    np.minimum(daylight, e, out=daylight)  # F is never below A 2^-e
    field = even * (1 + (1 - 1 / e) * daylight)
    if field.min() < 1:
        keep = np.clip((strongest(small) - KEEP_FROM) / (1 - KEEP_FROM), 0, 1)
        burnt = halved(cv2.dilate(preview.clipped.astype(np.uint8) * 255, np.ones((3, 3), np.uint8)))
        keep[cv2.dilate(burnt, np.ones((3, 3), np.uint8)) > 0] = 1  # also what enlarging reaches
        field = np.maximum(field, field + (1 - field) * keep[..., None])
    return np.asarray(cv2.resize(field, preview.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _stops(level: Level, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Stops to be applied to the daylight: (h, w)."""
    h, w = shape
    x = (np.arange(w, dtype=np.float32) + 0.5) / w - 0.5
    y = (np.arange(h, dtype=np.float32) + 0.5) / h - 0.5
    gradient = np.float32(level.gradient_ev[0]) * x[None, :] + np.float32(level.gradient_ev[1]) * y[:, None]
    return np.asarray(np.float32(level.ambient_ev) + gradient, np.float32)


def _blocks(preview: Preview) -> NDArray[np.float32]:
    h, w = preview.shape
    size = max(h, w) / BLOCKS
    small = cv2.resize(
        luminance(preview.linear),
        (max(1, round(w / size)), max(1, round(h / size))),
        interpolation=cv2.INTER_AREA,
    )
    if min(small.shape) > 4:
        small = small[1:-1, 1:-1]  # motion shows at the border first
    return np.asarray(np.log2(np.maximum(small, 1e-3)), np.float32)


def _common_level(difference: NDArray[np.float32]) -> float:
    """Level that two frames share over a good part of the picture; 0 where they share none."""
    mode, share = highest_mode(difference.ravel(), 0.04)
    return mode if share > 0.25 else 0.0


def _evened(preview: Preview, level: Level | None) -> NDArray[np.float32]:
    if level is None:
        return preview.linear
    even = np.asarray(level.gains, np.float32) * np.float32(2 ** (level.exposure_ev + level.ambient_ev))
    return np.asarray(preview.linear * even, np.float32)


def _exposure_steps(exposure_ev: Sequence[float | None] | None, reference: int, n: int) -> list[float]:
    """Tell the stops that EXIF asks to apply to each frame."""
    if exposure_ev is None:
        return [0.0] * n
    if len(exposure_ev) != n:
        raise InputError(f"{len(exposure_ev)} exposure values for {n} frames", remedy="give one for each frame")
    own = exposure_ev[reference]
    steps = [0.0 if own is None or ev is None else ev - own for ev in exposure_ev]
    return [0.0 if abs(s) < 0.05 else s for s in steps]


def _decide(found: Drift, reference: Drift, step: float) -> Level:
    """From measured drifts to what is to be done."""
    if not (found.trusted and reference.trusted):
        return Level(exposure_ev=step, measured=False, reason=found.how)
    ev = found.ev - reference.ev
    exposure, reason = step, found.how
    if step and abs(ev) > 0.5 and abs(ev - step) < abs(ev) - 0.3:
        ev, exposure, reason = ev - step, 0.0, reason + "; EXIF's exposure does not fit the pixels"
    elif not step and abs(ev) > EXPOSURE_EV:
        ev, exposure, reason = 0.0, -ev, reason + "; taken for a change of exposure"
    channels = np.subtract(found.channels, reference.channels)
    gains = (1.0, 1.0, 1.0)
    if np.abs(channels).max() > BALANCE_EV:
        g = np.exp2(-channels)
        gains = (float(g[0]), float(g[1]), float(g[2]))
        reason += "; white balance differs"
    tilt = (found.gradient[0] - reference.gradient[0], found.gradient[1] - reference.gradient[1])
    return Level(
        ambient_ev=0.0 if abs(ev) < EVEN_EV else -float(ev),
        gradient_ev=(0.0, 0.0) if tilt == (0, 0) else (-float(tilt[0]), -float(tilt[1])),
        exposure_ev=float(exposure),
        gains=gains,
        reason=reason,
    )

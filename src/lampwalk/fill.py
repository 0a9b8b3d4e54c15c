"""Fill: the light that a mask took away, put back as a ratio on what the other frames show.

The other frames' maximum brings the surface's own texture; the ratio brings the light of the hidden frame, carried in
from the rim of its mask.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from .previews import Preview

SHRINK = 2
RIM_PX = 1
SIGMAS = (2.0, 4.0, 8.0, 16.0, 32.0)
FALL = 4.0
FLOOR = 0.0004
CAP = 16.0


_Field = NDArray[np.float32]


def estimate(
    previews: Sequence[Preview], hidden: Sequence[NDArray[np.uint8]], ambient: Sequence[bool]
) -> tuple[_Field | None, ...]:
    """Ratio."""
    small = [_small(p.linear) for p in previews]
    gone = [_small(m) > 1 for m in hidden]
    off = [_small((~p.valid).astype(np.uint8)) > 0 for p in previews]
    shown = [np.where((g | o)[..., None], 0, f) for f, g, o in zip(small, gone, off)]
    fields = []
    for i, (f, g, o) in enumerate(zip(small, gone, off)):
        if ambient[i] or not g.any() or len(previews) < 2:
            fields.append(None)
            continue
        others = np.max([s for j, s in enumerate(shown) if j != i], axis=0)
        side = 2 * (RIM_PX // SHRINK) + 1
        seen = ~(cv2.dilate(g.astype(np.uint8), np.ones((side, side), np.uint8)) > 0) & ~o
        fields.append(_resized(_ratio(f, others, seen), previews[i].shape))
    return tuple(fields)


def _ratio(frame, others, seen):
    w = seen.astype(np.float32)[..., None]
    blur = lambda a, s: cv2.GaussianBlur(a, (0, 0), s)
    num = blur(frame * w, 1.0) + 1e-3 * blur(w[..., 0], 1.0)[..., None]
    den = blur(others * w, 1.0) + 1e-3 * blur(w[..., 0], 1.0)[..., None]
    log = np.log(np.maximum(num, 1e-9) / np.maximum(den, 1e-9)) * w
    total = np.zeros_like(frame)
    mass = np.full(frame.shape[:2], 1e-12, np.float32)
    for s in SIGMAS:
        c = s**-FALL * s**2
        total += c * _wide(log, s)
        mass += c * _wide(w[..., 0], s)
    return np.minimum(np.exp(total / mass[..., None]), CAP)


def _wide(a, s):
    if s <= 4:
        return cv2.GaussianBlur(a, (0, 0), s)
    h, w = a.shape[:2]
    k = int(s / 2)
    t = cv2.resize(a, (-(-w // k), -(-h // k)), interpolation=cv2.INTER_AREA)
    return cv2.resize(cv2.GaussianBlur(t, (0, 0), s / k), (w, h), interpolation=cv2.INTER_LINEAR)


def _small(a):
    h, w = a.shape[:2]
    return cv2.resize(a.astype(np.float32), (-(-w // SHRINK), -(-h // SHRINK)), interpolation=cv2.INTER_AREA)


def _resized(a, shape):
    return cv2.resize(a, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)

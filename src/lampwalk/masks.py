"""Masks: what is hidden in each frame, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import detector, regions
from .previews import Preview
from .regions import Region

WIDER = 0.0025
"""Share of the picture's long side by which a mask is wider than what was found (3 px of 1200): covers soft edges,
resampling and the rest of the alignment's error."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mask:
    name: str
    hidden: NDArray[np.uint8]
    regions: tuple[Region, ...] = ()
    by_hand: bool = False


def find_in_previews(previews: Sequence[Preview], ambient: Sequence[bool]) -> tuple[Mask, ...]:
    probability = detector.probability(previews, ambient)
    light = regions.compare(previews, ambient, probability)
    masks = []
    for i, (preview, p) in enumerate(zip(previews, probability, strict=True)):
        if ambient[i]:
            masks.append(Mask(name=preview.name, hidden=np.zeros(preview.shape, np.uint8)))
            continue
        area, found = regions.find(i, p, preview, light)
        masks.append(Mask(name=preview.name, hidden=_hidden(area), regions=found))
    return tuple(masks)


def _hidden(area: NDArray[np.bool_]) -> NDArray[np.uint8]:
    r = max(1, round(WIDER * max(area.shape)))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    wide = cv2.dilate(area.astype(np.uint8) * 255, disc)
    return np.asarray(cv2.GaussianBlur(wide, (0, 0), 0.8))

"""What a series suggests for its finish."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import lamps
from .finish import Region, covered_by_all, lit_subject
from .lamps import Suggestion
from .previews import Preview


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What the series suggests for the finish; never applied unasked.

    Attributes
    ----------
    subject : Region
        What the lamps lit most: the default region of a lift, the default focus of a crop.
    inside : (x0, y0, x1, y1)
        The part that all frames cover, as shares of width and height.
    lamps : tuple of Suggestion
        A starting balance of the lamps.
    """

    subject: Region
    inside: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0)
    lamps: tuple[Suggestion, ...] = ()


def offer_of(
    small: Sequence[Preview], plate: NDArray[np.float32], by_day: Sequence[bool], hidden: Sequence[NDArray[np.uint8]]
) -> Offer:
    """Suggest what a series could be finished with.

    Parameters
    ----------
    small : sequence of Preview
        In the reference's geometry, daylight levelled, without glow.
    plate : (h, w, 3) float32, linear light
        The scene without flash.
    by_day : sequence of bool
        Which frames hold no flash light.
    hidden : sequence of (h, w) uint8
        Masks in the same geometry, 255 = hidden.
    """
    if all(by_day):
        return Offer(subject=Region(ellipse=(0.5, 0.5, 0.35, 0.35, 0.0)))
    return Offer(
        subject=lit_subject(small, plate, by_day, hidden),
        inside=covered_by_all(small),
        lamps=lamps.suggest(small, plate, by_day, hidden),
    )

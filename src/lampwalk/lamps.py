"""Lamps: change the light of one frame's flash, in stops and in warmth, without touching the daylight.

Light adds, so a frame is daylight plus its lamp, ``F = A + L``. Changing the lamp is ``A + g L`` with one
factor for each channel; as a small smooth field, ``(A + g (F - A)) / F``, it can be carried to full size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import LUMINANCE, luminance
from .drawer import Row
from .errors import InputError
from .light import halved, strongest
from .previews import Preview

FLASH_K = 5500.0
"""Colour temperature taken for an unfiltered flash, kelvin (common practice, no source)."""

COOLEST_K, WARMEST_K = 15000.0, 2000.0
"""Range of lamp colours, kelvin: the formula of the locus ends at 15 000 K; below 2 000 K sRGB's blue nears
zero."""

MAX_GAIN_EV = 6.0
"""Largest change of a lamp in stops, up or down; to turn a lamp off, turn its frame off."""

CLIPPED_SHARE = 0.005
"""Share of the picture that a gain may push to white: small lights may glint, a surface may not burn out."""

NOTHING = 1e-4
"""Linear light below which a ratio means nothing (a third of the first 8-bit level)."""

SMOOTH_PX = 0.8
"""Half-size pixels (sigma) over which frame and plate are smoothed before their ratio is taken."""

OWN_PX = 1.0
"""Half-size pixels (sigma) over which a lamp's own light is averaged before lamps are compared."""

XYZ_TO_RGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""CIE XYZ to linear sRGB, IEC 61966-2-1."""

FULL_LAMP = 0.9
"""Linear light that a lamp's brightest part should stay below in a balance: some 0.15 stops under white."""

MOST_EV = 1.5
"""Largest change that is suggested, in stops: more than that is a matter for the flash, not for the merge."""

MOST_LESS_EV = 1.0
"""Largest lowering that is suggested, in stops: what is burnt out only turns grey under more."""

BURNT_SHARE = 0.01
"""Share of a lamp's own places that may be burnt out: glints are."""

WORTH_EV = 0.15
"""Changes below this are not suggested, in stops: nobody sees half a sixth of a stop on one lamp of many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A starting balance for one lamp; offered, never applied unasked.

    Attributes
    ----------
    name : str
        The frame.
    gain_ev : float
        Stops; 0 where the lamp is well as it is.
    why : str
    """

    name: str
    gain_ev: float
    why: str


def lamp_field(
    preview: Preview, plate: NDArray[np.float32], *, gain_ev: float = 0.0, warmth: float = 0.0
) -> NDArray[np.float32] | None:
    """Factors that change the lamp of one frame, in linear light.

    Parameters
    ----------
    preview : Preview
        The frame in the reference's geometry, daylight levelled.
    plate : (h, w, 3) float32, linear light
        The scene without flash.
    gain_ev : float
        Stops, -6 to 6.
    warmth : float
        Mired, positive is warmer (`warm`).

    Returns
    -------
    (h, w, 3) float32 or None
        ``(A + g (F - A)) / F``, between g and 1 in every channel; None where nothing is to be done.

    Raises
    ------
    InputError
        A value is out of range, or the gain would burn out more than half a percent of the picture.

    Notes
    -----
    Warmth alone is never refused. It keeps the luminance of white, so it burns nothing out that was not; where a
    surface is bright already, its strongest channel reaches the top first, and it turns paler, as it does when a frame
    is shot with a gel.

    Where the frame is darker than the plate (noise, something in front of it) there is no lamp light to
    change. Clipped places hold more light than the frame shows; they are lowered like their surroundings only
    when the lamp is.
    """
    if not np.isfinite(gain_ev) or abs(gain_ev) > MAX_GAIN_EV:
        raise InputError(
            f"{preview.name}: a gain of {gain_ev} stops", remedy=f"give -{MAX_GAIN_EV:g} to {MAX_GAIN_EV:g}"
        )
    if plate.shape[:2] != preview.shape:
        raise InputError(f"the plate is {plate.shape[:2]}, the preview {preview.shape}", remedy="use one size")
    if gain_ev == 0 and warmth == 0:
        return None
    gains = (np.float32(2**gain_ev) * warm(warmth)).astype(np.float32)
    small, below = halved(preview.linear), halved(plate)
    if gain_ev > 0:
        _refuse_clipping(preview, small, below, gain_ev)
    smooth = cv2.GaussianBlur(small, (3, 3), SMOOTH_PX)
    daylight = cv2.GaussianBlur(below, (3, 3), SMOOTH_PX) / np.maximum(smooth, NOTHING)
    field = gains + (1 - gains) * np.minimum(daylight, 1)
    return np.asarray(cv2.resize(field, preview.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def warm(mired: float) -> NDArray[np.float32]:
    """Factors on linear sRGB that make an unfiltered flash warmer or cooler.

    Parameters
    ----------
    mired : float
        Shift of the reciprocal colour temperature, 10^6 / K; positive is warmer, as with a filter gel.

    Returns
    -------
    (3,) float32
        Von Kries scaling in linear RGB between two points of the Planckian locus; the luminance of white is
        kept.

    Raises
    ------
    InputError
        The lamp would leave 2 000 to 15 000 K.
    """
    if mired == 0:
        return np.ones(3, np.float32)
    lowest, highest = 1e6 / COOLEST_K - 1e6 / FLASH_K, 1e6 / WARMEST_K - 1e6 / FLASH_K
    if not lowest <= mired <= highest:
        raise InputError(f"a warmth of {mired} mired", remedy=f"give {np.ceil(lowest):g} to {np.floor(highest):g}")
    gains = planckian_rgb(1e6 / (1e6 / FLASH_K + mired)) / planckian_rgb(FLASH_K)
    return np.asarray(gains / (gains @ LUMINANCE), np.float32)


def planckian_rgb(kelvin: float) -> NDArray[np.float64]:
    """Linear sRGB of a Planckian radiator, luminance 1.

    Parameters
    ----------
    kelvin : float
        1 000 to 15 000.

    References
    ----------
    M. Krystek, An algorithm to calculate correlated colour temperature, Color Research & Application 10
    (1985) 38-40: rational approximation of the locus in CIE 1960 (u, v), within 8e-5 in u and 9e-5 in v.
    """
    t = kelvin
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t * t) / (1 + 8.42420235e-4 * t + 7.08145163e-7 * t * t)
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t * t) / (1 - 2.89741816e-5 * t + 1.61456053e-7 * t * t)
    x, y = 3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)
    return np.asarray(XYZ_TO_RGB @ [x / y, 1, (1 - x - y) / y], np.float64)


def suggest(
    previews: Sequence[Preview],
    plate: NDArray[np.float32],
    ambient: Sequence[bool],
    hidden: Sequence[NDArray[np.uint8]] | None = None,
) -> tuple[Suggestion, ...]:
    """Suggest a starting balance: no lamp burns out what it lights, none is lost beside the others.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry, daylight levelled.
    plate : (h, w, 3) float32, linear light
        The scene without flash.
    ambient : sequence of bool
        Which frames hold no flash light.
    hidden : sequence of (h, w) uint8, optional
        Masks in the same geometry, 255 = hidden: what is hidden is no subject.

    Returns
    -------
    tuple of Suggestion
        One for each lamp frame.

    Notes
    -----
    A lamp's own light is ``max(F - A, 0)``. A place belongs to the lamp that gives it the most. A lamp that
    burns out more than a hundredth of its own places is lowered, by up to a stop (it hides less of the
    others' light). A lamp whose own places lie more than a stop below the middle lamp's is raised by half the
    difference, as far as 99 % of them stay under white.
    """
    lamps = [i for i, flag in enumerate(ambient) if not flag]
    if not lamps:
        return ()
    below = halved(plate)
    own = Row(
        [previews[i].drawer.put(_own_light(previews[i], below, None if hidden is None else hidden[i])) for i in lamps]
    )
    most = reduce(np.maximum, map(luminance, own))
    subject = most > np.maximum(luminance(below), 4 * NOTHING)

    places = [subject & (lit >= most) for lit in map(luminance, own)]
    lit = (luminance(light)[place] for light, place in zip(own, places, strict=True))
    strength = [float(np.log2(np.median(light))) if light.size else -np.inf for light in lit]
    middle = float(np.median([s for s in strength if np.isfinite(s)] or [0.0]))
    return tuple(
        _suggest_one(previews[i], own[k] + below, places[k], strength[k] - middle) for k, i in enumerate(lamps)
    )


def _suggest_one(
    preview: Preview,
    shown: NDArray[np.float32],
    place: NDArray[np.bool_],
    above_ev: float,
) -> Suggestion:
    if not place.any():
        return Suggestion(name=preview.name, gain_ev=0.0, why="no place is lit most by this lamp")
    top = float(np.percentile(strongest(shown)[place], 99))
    burnt = float(halved(preview.clipped.astype(np.uint8) * 255)[place].mean() / 255)
    if burnt > BURNT_SHARE:
        ev = -min(MOST_LESS_EV, max(0.3, 4 * burnt))
        why = f"{burnt:.0%} of what it lights is burnt out; detail there needs another frame with less power"
        return Suggestion(name=preview.name, gain_ev=round(ev, 1), why=why)
    room = float(np.log2(FULL_LAMP / max(top, NOTHING)))
    wanted = -above_ev / 2 if above_ev < -1 else 0.0
    ev = min(wanted, room, MOST_EV)
    if ev < WORTH_EV:
        return Suggestion(name=preview.name, gain_ev=0.0, why="well balanced")
    return Suggestion(name=preview.name, gain_ev=round(ev, 1), why=f"{-above_ev:.1f} stops weaker than the others")


def _own_light(preview: Preview, below: NDArray[np.float32], hidden: NDArray[np.uint8] | None) -> NDArray[np.float32]:
    """Light of a frame's lamp at half size, 0 where the frame shows nothing of the scene."""
    light = np.maximum(cv2.GaussianBlur(halved(preview.linear) - below, (0, 0), OWN_PX), 0)
    gone = ~preview.valid if hidden is None else ~preview.valid | (hidden > 0)
    light[halved(gone.astype(np.uint8) * 255) > 0] = 0
    return np.asarray(light, np.float32)


def _refuse_clipping(preview: Preview, frame: NDArray[np.float32], below: NDArray[np.float32], gain_ev: float) -> None:
    """Refuse a gain, whatever the lamp's colour, that pushes too much to white; `frame` and `below` at half size."""
    looked = halved((preview.valid & ~preview.clipped).astype(np.uint8) * 255) == 255
    gain = np.float32(2**gain_ev)
    share = float(((strongest(below + gain * np.maximum(frame - below, 0)) > 1) & looked).mean())
    if share <= CLIPPED_SHARE:
        return
    light = np.maximum(frame - below, NOTHING)[looked]
    room = (1 - np.minimum(below[looked], 0.99)) / light
    most = float(np.log2(max(np.quantile(room.min(axis=1), CLIPPED_SHARE), 1e-3)))
    raise InputError(
        f"{preview.name}: {gain_ev:+g} stops would burn out {share:.1%} of the picture",
        remedy=f"at most {most:+.1f} stops"
        if most >= 0.1
        else "leave this lamp as it is, it is bright already; or shoot again with less power, and raise it then",
    )

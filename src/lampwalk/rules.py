"""Merge rules: how one pixel is chosen from many frames, and where a frame has anything to say.

A rule is a fold: it takes the accumulators of one strip and one more frame's strip, and changes the
accumulators in place. What it keeps is declared in bytes per pixel and does not grow with the number of
frames.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, light, parallel
from .colour import luminance
from .errors import InputError
from .previews import Preview
from .recall import Recall, anew

State = tuple[NDArray[Any], ...]
"""Accumulators of a picture or of a strip of it; the first is the picture, (H, W, 3) uint16, encoded."""


REACH_SIGMAS_PX = (0.5, 2.0)
"""Smoothing of the difference, half-size pixels: one for glints and rims, one for faint pools of light."""

NOISE_LEVELS = 12
"""Brightnesses at which the noise is measured, each on as many pixels."""

REACH_NOISE = 3.0
"""Noise levels above which light counts; benchmarks/light.md compares 2, 3 and 5."""

REACH_DAYLIGHT = 0.03
"""Share of the daylight above which light counts. Levelling leaves 0.8 % at worst outdoors, 2.5 % where a
flash reaches everything; better than 0.5 and 1.5 % outdoors, alike indoors (benchmarks/light.md)."""

REACH_GLOW = 0.3
"""Share of the glow taken off a frame above which what is left counts."""

CORRELATED_NOISE = 1.5
"""Factor by which JPEG's and demosaicing's noise, correlated over neighbours, survives smoothing better than
white noise; at half size, where some of it is averaged already (2.0 lost 120 to 390 ppm of the light there)."""


class Rule(Protocol):
    """How a pixel is chosen.

    Attributes
    ----------
    name : str
        As in the worksheet.
    bytes_per_pixel : int
        What the rule keeps at full size, the picture included.
    needs_ambient : bool
        It works only with a frame without flash, and that frame must be folded first.
    good_for : str
        For the photographer.
    """

    name: str
    bytes_per_pixel: int
    needs_ambient: bool
    good_for: str

    def start(self, shape: tuple[int, int], dtype: Any = np.uint16) -> State:
        """Empty accumulators for a picture of height and width `shape`; only `Lighten` takes other types than uint16."""

    def fold(self, state: State, strip: NDArray[np.uint16], *, ambient: bool = False) -> NDArray[np.uint8]:
        """Take one more frame into a strip of the accumulators, in place.

        Parameters
        ----------
        state : accumulators of this strip
        strip : (h, w, 3) uint16, encoded; black where the frame takes no part
        ambient : bool
            The frame holds no flash light.

        Returns
        -------
        (h, w) uint8
            255 where this frame gave the pixel, or the most light of all so far (for the coverage map).
        """


def get(name: str) -> Rule:
    """Look up a rule by its name in the worksheet.

    Raises
    ------
    InputError
        There is no rule of this name.
    """
    for rule in RULES:
        if rule.name == name:
            return rule
    known = ", ".join(rule.name for rule in RULES)
    raise InputError(f"there is no merge rule {name!r}", remedy=f"use one of {known}")


class Lighten:
    """Exact per-channel maximum.

    Notes
    -----
    ``B(Cb, Cs) = max(Cb, Cs)`` per component. The maximum commutes with every rising curve, so it is taken on
    encoded values, and exactly; the order of the frames does not matter.

    References
    ----------
    W3C Compositing and Blending Level 1, blend mode ``lighten``.
    """

    name = "lighten"
    bytes_per_pixel = 8
    needs_ambient = False
    good_for = "the plain maximum: the brightest light wins in each colour channel"

    def start(self, shape: tuple[int, int], dtype: Any = np.uint16) -> State:
        """Empty accumulators for a picture of height and width `shape`."""
        return np.zeros((*shape, 3), dtype), np.zeros(shape, dtype)

    def fold(self, state: State, strip: NDArray[np.uint16], *, ambient: bool = False) -> NDArray[np.uint8]:
        """Take one more frame into a strip of the accumulators, in place (see `Rule.fold`)."""
        picture, brightness = state
        y = cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)
        won = cv2.compare(y, brightness, cv2.CMP_GT)
        if ambient:  # where a lamp adds nothing, the light is the ambient frame's, whenever it comes
            won[(y == brightness) & (y > 0)] = 255
        cv2.max(brightness, y, dst=brightness)
        cv2.max(picture, strip, dst=picture)
        return np.asarray(won, np.uint8)


class Brightest:
    """The frame with the higher luminance gives all three channels.

    Notes
    -----
    ``C = Cs where Y(Cs) > Y(Cb), else Cb``, Y = 0.2126 R + 0.7152 G + 0.0722 B in linear light. Each pixel is
    one frame's own colour, so no third colour appears where two lamps of different colour meet (a per-channel
    maximum of warm and cool light is paler than both). Not the W3C mode ``lighten``, hence a name of its own.

    References
    ----------
    Luminance weights: ITU-R BT.709; the curve: IEC 61966-2-1.
    """

    name = "brightest"
    bytes_per_pixel = 10
    needs_ambient = False
    good_for = "lamps of different colour: no colour fringes where they meet"

    def start(self, shape: tuple[int, int], dtype: Any = np.uint16) -> State:
        """Empty accumulators for a picture of height and width `shape`."""
        return np.zeros((*shape, 3), np.uint16), np.zeros(shape, np.float32)

    def fold(self, state: State, strip: NDArray[np.uint16], *, ambient: bool = False) -> NDArray[np.uint8]:
        """Take one more frame into a strip of the accumulators, in place (see `Rule.fold`)."""
        picture, best = state
        y = luminance(colour.to_linear(strip))
        won = np.asarray(y > best)
        np.copyto(picture, strip, where=won[..., None])
        np.copyto(best, y, where=won)
        return -won.view(np.uint8)


def missing(
    total: NDArray[np.uint16], plate: NDArray[np.uint16], ratio: NDArray[np.float32], hidden: NDArray[np.uint8]
) -> NDArray[np.float32]:
    """Light that one frame did not bring to a sum because its mask hid it.

    Parameters
    ----------
    total, plate : (h, w, 3) uint16, encoded
        What `Sum` has added up, and the daylight alone.
    ratio : (h, w, 3) float32, at least 1
        Sum with this frame's lamp over the sum without it, behind the mask (`fill.estimate` with a plate).
    hidden : (h, w) uint8
        The frame's mask: 255 hidden.

    Returns
    -------
    (h, w, 3) float32, linear light, at least 0

    Notes
    -----
    With daylight A, the others' light O and opacity a, the frame entered as ``(1 - a)(A + L)``, of which `Sum` took
    what lies above A. So the total is ``S = b + max((1 - a) L - a A, 0)`` with ``b = A + O``, and ``L = (r - 1) b``;
    solved for b: ``b = min(S, (S + a A) / (1 + (1 - a)(r - 1)))``. Missing is ``r b - S``: exact in the soft edge
    of a mask, too.
    """
    s, a = colour.to_linear(total), hidden[..., None].astype(np.float32) / np.float32(255)
    without = np.minimum(s, (s + a * colour.to_linear(plate)) / (1 + (1 - a) * (ratio - 1)))
    return np.asarray(np.maximum(np.where(a > 0, ratio * without - s, 0), 0), np.float32)


class Sum:
    """Daylight once, plus the light of every lamp.

    Notes
    -----
    ``C = A + sum over i of max(F_i - A, 0)`` in linear light (superposition). Shows what all lamps at once
    would have given, also where two pools of light overlap; so it is brighter than any maximum, ``max F_i <=
    C``, and clips sooner. A frame should take part only where it adds light (`reach`): the noise of the
    others is cut off at zero from below and would add up. The accumulator is the encoded picture in 16 bits
    (half a level of rounding per frame), not a float picture.

    References
    ----------
    Irradiances of incoherent sources add: textbook optics (from memory).
    """

    name = "sum"
    bytes_per_pixel = 14
    needs_ambient = True
    good_for = "what all lamps at once would have given: overlapping pools of light add"

    def start(self, shape: tuple[int, int], dtype: Any = np.uint16) -> State:
        """Empty accumulators for a picture of height and width `shape`."""
        return np.zeros((*shape, 3), np.uint16), np.zeros((*shape, 3), np.uint16), np.zeros(shape, np.uint16)

    def fold(self, state: State, strip: NDArray[np.uint16], *, ambient: bool = False) -> NDArray[np.uint8]:
        """Take one more frame into a strip of the accumulators, in place (see `Rule.fold`)."""
        picture, plate, most = state
        if ambient:  # daylight counts once: a further ambient frame adds nothing
            won: NDArray[np.bool_] = np.asarray(picture.max(axis=2) == 0)
            np.copyto(picture, strip, where=won[..., None])
            np.copyto(plate, strip, where=won[..., None])
            return -won.view(np.uint8)
        added = colour.to_linear(strip)
        added -= colour.to_linear(plate)
        np.maximum(added, 0, out=added)
        y = light.encode(luminance(added))
        won = np.asarray(y > most)
        np.maximum(most, y, out=most)
        adds = added > 0
        added += colour.to_linear(picture)
        np.copyto(picture, light.encode(added), where=adds)
        return -won.view(np.uint8)


RULES: tuple[Rule, ...] = (Lighten(), Brightest(), Sum())
"""All merge rules."""


def reach(
    previews: Sequence[Preview],
    ambient: Sequence[bool],
    glow: Sequence[light.Field | None] | None = None,
) -> tuple[NDArray[np.uint8] | None, ...]:
    """Where each frame adds light over the ambient frame.

    Elsewhere it need take no part, and the ambient frame's own quality shows instead of the noisiest of all
    frames: the expected maximum of N equal frames lies 0.56 (two) to 1.54 (ten) standard deviations above the
    truth.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry, daylight levelled.
    ambient : sequence of bool
    glow : sequence of Field or None, optional
        Stray light that was taken off each frame (`light.stray_field`, half the size of the previews): light round a visible
        head is known to a part of that only.

    Returns
    -------
    tuple of (h, w) uint8 or None
        255 where the frame takes part, soft towards 0. None where it takes part everywhere: the first ambient
        frame; and every frame where there is no ambient frame, for then none is known to be quiet.

    Notes
    -----
    Frame minus ambient frame, smoothed finely and widely (a small bright glint and a faint pool), must exceed
    three times its own noise, 3 % of daylight (what levelling leaves) and a share of the glow that was taken off. The noise is measured at each
    brightness where the difference is flattest.

    References
    ----------
    Expected values of normal order statistics: H. A. David, Order Statistics.
    """
    return tuple(parallel.each(one_by_one(previews, ambient, glow), range(len(previews))))


def one_by_one(
    previews: Sequence[Preview],
    ambient: Sequence[bool],
    glow: Sequence[light.Field | None] | None = None,
    recall: Recall = anew,
) -> Callable[[int], NDArray[np.uint8] | None]:
    """Give the reach of any frame when asked, so that not all are held at once: `reach` by frame number."""
    if not any(ambient):
        return lambda _: None
    quiet = list(ambient).index(True)
    below = recall(lambda: _Below(previews[quiet]), "below", previews[quiet])
    strays = [None] * len(previews) if glow is None else glow

    def one(i: int) -> NDArray[np.uint8] | None:
        return None if i == quiet else below.reach(previews[i], light.stray_of(strays[i]))

    return one


def as_merged(
    preview: Preview,
    plate: NDArray[np.float32],
    reach: NDArray[np.uint8] | None,
    stray: NDArray[np.float32] | None = None,
) -> Preview:
    """A frame as it enters the merge: nothing but daylight where its lamp takes no part, or may be only glow.

    Parameters
    ----------
    preview : Preview
    plate : (h, w, 3) float32, linear light
        The scene without flash.
    reach : (h, w) uint8 or None
        255 where the frame takes part (`reach`); None for everywhere.
    stray : (h', w', 3) float32, linear light, or None
        What was taken off as glow, in any size.

    Notes
    -----
    A fill is measured on this: faint light beside a mask that is not merged, or is less than the glow that was taken off there,
    must not be carried in behind it. Close to a head the glow is known to a third or so.
    """
    if reach is None:
        return preview
    added = preview.linear - plate
    part = reach.astype(np.float32) / np.float32(255)
    if stray is not None:
        taken = cv2.resize(luminance(stray), part.shape[::-1], interpolation=cv2.INTER_LINEAR)
        left = cv2.GaussianBlur(luminance(added), (0, 0), REACH_SIGMAS_PX[0])
        part = np.minimum(part, np.clip(2 * left / np.maximum(taken, np.float32(1e-6)) - 1, 0, 1))
    return replace(preview, linear=plate + light.times(added, part))


class _Below:
    """The ambient frame at half size, looked at once for all lamp frames."""

    def __init__(self, quiet: Preview) -> None:
        self._light = light.halved(luminance(quiet.linear))
        self._smooth = [np.asarray(cv2.GaussianBlur(self._light, (0, 0), s), np.float32) for s in REACH_SIGMAS_PX]
        self._codes = [_code(daylight) for daylight in self._smooth]
        order = np.argsort(self._light, axis=None)
        self._alike = np.array_split(order[_seen(quiet).ravel()[order]], NOISE_LEVELS)  # pixels of about one brightness
        self._levels = [float(self._light.flat[p[len(p) // 2]]) for p in self._alike if len(p)]

    def reach(self, preview: Preview, glow: NDArray[np.float32] | None) -> NDArray[np.uint8]:
        """Where one frame takes part: (h, w) uint8, full preview size."""
        added = light.halved(luminance(preview.linear)) - self._light
        blurred = [np.asarray(cv2.GaussianBlur(added, (0, 0), sigma), np.float32) for sigma in REACH_SIGMAS_PX]
        noise = self._noise(added, preview)
        part = light.halved(preview.clipped.astype(np.uint8) * 255)
        part[part > 0] = 255
        for sigma, smooth, daylight, code in zip(REACH_SIGMAS_PX, blurred, self._smooth, self._codes, strict=True):
            left = cv2.LUT(code, noise) * np.float32(REACH_NOISE * CORRELATED_NOISE / (2 * sigma * np.sqrt(np.pi)))
            need = np.maximum(left, REACH_DAYLIGHT * daylight) + np.float32(1e-6)
            if glow is not None:
                need = np.maximum(need, REACH_GLOW * luminance(glow))
            part = cv2.max(part, cv2.divide(smooth - need, need, scale=255, dtype=cv2.CV_8U))
        soft = cv2.GaussianBlur(cv2.dilate(part, np.ones((3, 3), np.uint8)), (0, 0), 0.8)
        return np.asarray(cv2.resize(soft, preview.shape[::-1], interpolation=cv2.INTER_LINEAR), np.uint8)

    def _noise(self, added: NDArray[np.float32], preview: Preview) -> NDArray[np.float32]:
        """Noise of the difference for each code of the daylight: (256,)."""
        # The tenth of the pixels that differ least from their neighbours: texture lit by the flash is not taken
        # for noise. For a normal distribution that quantile of |x| is 0.1257 sd; a pixel minus its blur (sigma 1)
        # keeps 0.87 of white noise.
        fine = np.abs(added - cv2.GaussianBlur(added, (0, 0), 1))
        fine[~_seen(preview)] = np.nan
        found = [fine.flat[p] for p in self._alike if len(p)]
        noise = [float(np.quantile(f[f == f], 0.1)) / 0.1257 / 0.87 if (f == f).any() else 0.0 for f in found]
        return np.asarray(np.interp((np.arange(256) / 255) ** 2, self._levels or [0], noise or [0]), np.float32)


def _seen(preview: Preview) -> NDArray[np.bool_]:
    return np.asarray(light.halved(preview.valid.astype(np.uint8)) > 0)


def _code(daylight: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Brightness in 256 steps, fine in the shadows."""
    return np.asarray(cv2.convertScaleAbs(cv2.sqrt(daylight), alpha=255), np.uint8)

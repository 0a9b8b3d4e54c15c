"""Merge rules: how one pixel is chosen from many frames, and which frames take part where.

A rule is a fold: it takes the accumulator of one strip and one more frame's strip, and changes the accumulator in
place. What it keeps is declared in bytes per pixel and does not grow with the number of frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour
from .errors import InputError
from .previews import Preview

State = tuple[NDArray[Any], ...]
"""Accumulators of a picture or of a strip of it; the first is the picture, (H, W, 3) uint16, encoded."""


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
    uses_reach : bool
        A frame takes part only where it adds light (`reach`).
    good_for : str
        For the photographer.
    """

    name: str
    bytes_per_pixel: int
    needs_ambient: bool
    uses_reach: bool
    good_for: str

    def start(self, shape: tuple[int, int]) -> State:
        """Empty accumulators for a picture of height and width `shape`."""

    def fold(
        self, state: State, strip: NDArray[np.uint16], share: NDArray[np.uint8] | None = None, *, ambient: bool = False
    ) -> NDArray[np.bool_]:
        """Take one more frame into a strip of the accumulators, in place.

        Parameters
        ----------
        state : accumulators of this strip
        strip : (h, w, 3) uint16, encoded
        share : (h, w) uint8 or None
            How far the frame takes part: 255 fully, 0 not at all.
        ambient : bool
            The frame holds no flash light.

        Returns
        -------
        (h, w) bool
            Where this frame gave the pixel (for the coverage map).
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
    ``B(cb, cs) = max(cb, cs)`` per component, composited with the share of the frame as source alpha over an opaque
    backdrop: ``co = cb + as (max(cb, cs) - cb)``. The maximum commutes with the transfer curve, so it is taken on encoded
    values, exactly; only pixels with a partial share are mixed, and those in linear light.

    References
    ----------
    W3C Compositing and Blending Level 1, blend mode ``lighten`` and "source-over".
    """

    name = "lighten"
    bytes_per_pixel = 6
    needs_ambient = False
    uses_reach = False
    good_for = "the plain maximum; the brightest light wins in each colour channel"

    def start(self, shape: tuple[int, int]) -> State:
        """Empty accumulators for a picture of height and width `shape`."""
        return (np.zeros((*shape, 3), np.uint16),)

    def fold(
        self, state: State, strip: NDArray[np.uint16], share: NDArray[np.uint8] | None = None, *, ambient: bool = False
    ) -> NDArray[np.bool_]:
        """Take one more frame into a strip of the accumulators, in place (see `Rule.fold`)."""
        picture = state[0]
        offered = strip if share is None else _mixed(picture, strip, share)
        won = (offered > picture).any(axis=2)
        np.maximum(picture, offered, out=picture)
        return won


class Reach(Lighten):
    """Maximum of the frames that add light here; elsewhere the ambient frame's own quality.

    Notes
    -----
    Where no lamp reaches, the plain maximum of N frames shows the noisiest of them: its expectation lies 0.56 sigma (two
    frames) to 1.54 sigma (ten) above the truth. Here a frame has a share only where its smoothed light stands clear of its noise
    (`reach`), so that the ambient frame alone shows in the dark, bit for bit; where lamps reach, this is `Lighten`.

    References
    ----------
    Bias of a maximum: expected values of normal order statistics, e.g. H. A. David, Order Statistics.
    """

    name = "reach"
    uses_reach = True
    good_for = "quiet shadows and sky: a frame takes part only where its lamp adds light"


class Brightest:
    """The frame with the higher luminance gives all three channels.

    Notes
    -----
    ``co = cs where Y(cs) > Y(cb), else cb``, with Y = 0.2126 R + 0.7152 G + 0.0722 B in linear light. Each pixel is one frame's
    own colour, so no third colour appears where two lamps of different colour meet (a per-channel maximum of warm and cool
    light is paler than both). Not the W3C mode `lighten`, hence a name of its own.

    References
    ----------
    Luminance weights: ITU-R BT.709, IEC 61966-2-1.
    """

    name = "brightest"
    bytes_per_pixel = 10
    needs_ambient = False
    uses_reach = False
    good_for = "lamps of different colour: no colour fringes where they meet"

    def start(self, shape: tuple[int, int]) -> State:
        """Empty accumulators for a picture of height and width `shape`."""
        return np.zeros((*shape, 3), np.uint16), np.full(shape, -1, np.float32)

    def fold(
        self, state: State, strip: NDArray[np.uint16], share: NDArray[np.uint8] | None = None, *, ambient: bool = False
    ) -> NDArray[np.bool_]:
        """Take one more frame into a strip of the accumulators, in place (see `Rule.fold`)."""
        picture, best = state
        y = colour.luminance(colour.to_linear(strip))
        won = y > best
        if share is not None:
            won &= share > 0
            partly = won & (share < 255)
            if partly.any():
                strip, y = strip.copy(), y.copy()
                mixed = _blend(picture[partly], strip[partly], share[partly])
                strip[partly], y[partly] = colour.to_encoded(mixed), colour.luminance(mixed)
        np.copyto(picture, strip, where=won[..., None])
        np.copyto(best, y, where=won)
        return won


class Sum:
    """Daylight once, plus the light of every lamp.

    Notes
    -----
    ``out = A + sum over i of s_i max(F_i - A, 0)`` in linear light (superposition: light adds). Shows what all lamps at
    once would have given, also where two pools of light overlap; it needs the ambient frame, and it is brighter than a maximum. A
    frame counts only where it adds light (`reach`), or the clipped noise of every frame would add up. The accumulator is the encoded
    picture at 16 bits (a rounding of half a level per frame), not a float picture.

    References
    ----------
    Superposition of light, e.g. H. C. Longuet-Higgins' and optics textbooks' linearity of irradiance; from memory.
    """

    name = "sum"
    bytes_per_pixel = 12
    needs_ambient = True
    uses_reach = True
    good_for = "what all lamps at once would have given: overlapping pools of light add"

    def start(self, shape: tuple[int, int]) -> State:
        """Empty accumulators for a picture of height and width `shape`."""
        return np.zeros((*shape, 3), np.uint16), np.zeros((*shape, 3), np.uint16)

    def fold(
        self, state: State, strip: NDArray[np.uint16], share: NDArray[np.uint8] | None = None, *, ambient: bool = False
    ) -> NDArray[np.bool_]:
        """Take one more frame into a strip of the accumulators, in place (see `Rule.fold`)."""
        picture, plate = state
        if ambient:  # daylight counts once: a further ambient frame adds nothing
            fresh = ~picture.any(axis=2)
            np.copyto(picture, strip, where=fresh[..., None])
            np.copyto(plate, strip, where=fresh[..., None])
            return fresh
        adds = strip > plate
        if share is not None:
            adds &= (share > 0)[..., None]
        won = adds.any(axis=2)
        light = np.where(adds[won], colour.to_linear(strip[won]) - colour.to_linear(plate[won]), 0)
        if share is not None:
            light *= share[won, None] / np.float32(255)
        picture[won] = colour.to_encoded(colour.to_linear(picture[won]) + light)
        return won


RULES: tuple[Rule, ...] = (Lighten(), Reach(), Brightest(), Sum())
"""All merge rules."""


def _mixed(picture: NDArray[np.uint16], strip: NDArray[np.uint16], share: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """What a frame with a share offers to a maximum: itself, nothing, or a mix in linear light."""
    offered = strip * (share == 255)[..., None].astype(np.uint16)
    partly = (share > 0) & (share < 255)
    if partly.any():
        brighter = np.maximum(picture[partly], strip[partly])
        offered[partly] = colour.to_encoded(_blend(picture[partly], brighter, share[partly]))
    return offered


def _blend(below: NDArray[np.uint16], above: NDArray[np.uint16], share: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Mix (n, 3) encoded values in linear light."""
    low, high = colour.to_linear(below), colour.to_linear(above)
    return np.asarray(low + (high - low) * (share[:, None] / np.float32(255)), np.float32)


def reach(previews: Sequence[Preview], ambient: Sequence[bool]) -> tuple[NDArray[np.uint8] | None, ...]:
    """Where each frame adds light (first version: everywhere)."""
    return tuple(None for _ in previews)

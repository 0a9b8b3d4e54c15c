"""Hot pixels: points of the sensor that are bright in every frame.

A maximum collects them: when frames are moved into line, each brings its own copy. They sit still on the
sensor while the scene moves or its light changes, and that is how they are told from real small lights. Where the light
never changes they are told by their shape: one photosite of one colour, finer than most lenses draw. A coloured lamp that
falls exactly on one photosite looks the same.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import to_linear
from .errors import InputError
from .geometry import strips
from .light import strongest
from .unpacked import P, Pixels, Unpacked

STEP = 24 / 255
"""Encoded value by which a point must stand above its surroundings: below that it is lost in noise and JPEG
ringing."""

MOST_PPM = 100.0
"""Parts per million of the picture that may be hot; more are texture, and nothing is removed (sensors in use
show a few ppm in short exposures, from memory)."""

FEW = 10
"""Points that are always believed, whatever the size of the picture."""

EVEN = 0.25
"""Largest relative deviation of a hot pixel's own light from its median over the frames; a real point's follows the
light."""

MOSTLY = 0.9
"""Share of the frames in which that must hold, of those in which the point shows: JPEG spoils some."""

DROWNS = 2.0
"""Factor of the surroundings' light over the point's own from which its excess is lost in noise and JPEG."""

FULL = 0.9
"""Linear light from which a point may be full: it adds no more then."""

LIGHT_CHANGES = 1.6
"""Factor between the brightest and the dimmest surroundings of a point from which a steady excess is
proof."""

PURE = 0.15
"""Share of its own colour that a hot pixel may have in the others: it is one photosite behind one filter."""

NARROW = 0.1
"""Share of its light that may reach `RING`, which demosaicing leaves dark. A red lamp that a lens draws with a sigma of half
a pixel has 0.2 there, with 0.7 a third (medians of a simulation, bilinear demosaicing)."""

SAME = 0.15
"""Largest relative deviation of its light over the frames where only its shape tells: a lamp's changes as it moves over
the photosites."""

FAINTEST = 0.01
"""Linear light below which a shape means nothing."""

RING = 2
"""Pixels from the point to the ring that counts as its surroundings: a demosaiced hot pixel is 3 wide."""


class HotPixels:
    """Collects evidence frame by frame, in sensor coordinates (before any warp or turn).

    Notes
    -----
    The first frame names candidates: isolated peaks, ``STEP`` above the median of their 5x5 neighbourhood.
    Every further frame only looks at those (some thousand points), so a frame costs little after the first.

    Examples
    --------
    >>> import numpy as np
    >>> frames = np.full((3, 40, 40, 3), 20, np.uint8)
    >>> frames += np.uint8([0, 30, 60])[:, None, None, None]  # the light changes
    >>> frames[:, 10, 30] = 250
    >>> hot = HotPixels()
    >>> for frame in frames:
    ...     hot.add(frame)
    >>> hot.found().tolist()
    [[10, 30]]
    """

    def __init__(self) -> None:
        self._points: NDArray[np.intp] | None = None
        self._excess: list[NDArray[np.float32]] = []
        self._around: list[NDArray[np.float32]] = []
        self._spill: list[NDArray[np.float32]] = []
        self._shape: tuple[int, ...] = ()

    def add(self, pixels: Pixels) -> None:
        """Look at one frame: (H, W, 3) uint8 or uint16, encoded, as the sensor saw it, in memory or in a file."""
        _check(pixels)
        if self._points is None:
            self._shape = pixels.shape
            self._points = _peaks(pixels)
        if pixels.shape != self._shape:
            raise InputError(f"frame of shape {pixels.shape} among {self._shape}", remedy="one size for all")
        peak, ring, brightest = _sample(pixels, self._points)
        self._excess.append(peak - ring)
        self._around.append(ring)
        self._spill.append(brightest - ring)

    def found(self) -> NDArray[np.intp]:
        """Hot pixels so far: (n, 2) row and column; empty with fewer than three frames."""
        if self._points is None or len(self._excess) < 3:
            return np.zeros((0, 2), np.intp)
        excess, around = np.array(self._excess), np.array(self._around)
        strongest = excess.max(axis=2)  # the channel in which it stands out
        usual = np.median(strongest, axis=0)
        level = around.mean(axis=2) + np.float32(0.002)
        total = (excess + around).max(axis=2)
        full = total > FULL
        shows = (level < DROWNS * usual) & (~full | full.all(axis=0))
        # Its own light is added to the scene's, until the pixel is full: then the sum stands still.
        steady = shows & ((np.abs(strongest - usual) < EVEN * usual) | full)
        enough = shows.sum(axis=0) >= np.maximum(3, len(shows) / 2)
        always = steady.sum(axis=0) >= MOSTLY * shows.sum(axis=0)
        dimmest, brightest = (np.where(steady, level, other) for other in (np.inf, 0))
        proven = enough & always & (brightest.max(axis=0) > LIGHT_CHANGES * dimmest.min(axis=0))
        points: NDArray[np.intp] = self._points[proven | self._one_photosite(excess, around)]
        most = max(FEW, MOST_PPM * 1e-6 * self._shape[0] * self._shape[1])
        return points if len(points) <= most else points[:0]

    def _one_photosite(self, excess: NDArray[np.float32], around: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Which points are finer than a lens draws, of one colour, and alike in all frames: (n,)."""
        usual = np.median(excess, axis=0)
        channel = usual.argmax(axis=1)
        points = np.arange(len(channel))
        own = usual[points, channel]
        light = excess[:, points, channel]
        alike = (np.abs(light - own) < SAME * own) | ((light + around[:, points, channel]) > FULL)
        spill = np.median(np.array(self._spill)[:, points, channel], axis=0)
        pure = np.sort(usual, axis=1)[:, 1] < PURE * own
        return np.asarray((own > FAINTEST) & pure & (spill < NARROW * own) & (alike.mean(axis=0) >= MOSTLY))


def remove(pixels: P, points: NDArray[np.intp]) -> P:
    """Put the surroundings' median where hot pixels are.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 or uint16, encoded, in memory or in a file
    points : (n, 2) int
        Row and column (`HotPixels.found`).

    Returns
    -------
    (H, W, 3)
        `pixels` itself, changed in place; a file stays as it is, and only what is read of it will be changed.
    """
    _check(pixels)
    if len(points) == 0:
        return pixels
    h, w = pixels.shape[:2]
    if (points < 0).any() or (points >= (h, w)).any():
        raise InputError("a hot pixel lies outside the picture", remedy="use the points found on frames of this size")
    values = np.median(_sampled(pixels, points)[1], axis=1).astype(pixels.dtype)
    steps = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
    places = np.concatenate([np.clip(points + step, 0, (h - 1, w - 1)) for step in steps])
    values = np.concatenate([values] * len(steps))
    if isinstance(pixels, Unpacked):
        return pixels.but(places, values)  # type: ignore[return-value]
    pixels[places[:, 0], places[:, 1]] = values
    return pixels


def _peaks(pixels: Pixels) -> NDArray[np.intp]:
    """Isolated bright points: (n, 2)."""
    height, margin = pixels.shape[0], RING + 1
    found = []
    for rows in strips(height):
        top, bottom = max(rows.start - margin, 0), min(rows.stop + margin, height)
        points = _peaks_of(pixels[top:bottom]) + (top, 0)
        found.append(points[(points[:, 0] >= rows.start) & (points[:, 0] < rows.stop)])
    points = np.concatenate(found)
    inner = (points >= RING).all(axis=1) & (points < np.array(pixels.shape[:2]) - RING).all(axis=1)
    return np.asarray(points[inner])


def _peaks_of(pixels: NDArray[Any]) -> NDArray[np.intp]:
    bright: NDArray[Any] = strongest(pixels)
    if bright.dtype == np.uint16:
        bright = (bright >> 8).astype(np.uint8)
    over = cv2.subtract(bright, cv2.medianBlur(bright, 2 * RING + 1))
    places: NDArray[Any] | None = cv2.findNonZero((over >= round(STEP * 255)).view(np.uint8))
    if places is None:
        return np.zeros((0, 2), np.intp)
    cols, rows = places.reshape(-1, 2).T
    top = cv2.dilate(over, np.ones((3, 3), np.uint8))[rows, cols] == over[rows, cols]
    return np.stack([rows[top], cols[top]], axis=1).astype(np.intp)


def _sample(
    pixels: Pixels, points: NDArray[np.intp]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Linear light of points, of their surroundings and of the brightest there: three (n, 3)."""
    peak, ring = map(to_linear, _sampled(pixels, points))
    return peak, np.median(ring, axis=1), ring.max(axis=1, initial=0)


def _sampled(pixels: Pixels, points: NDArray[np.intp]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Take points, (n, 3), and the 16 pixels round each at distance `RING`, (n, 16, 3), strip by strip."""
    height = pixels.shape[0]
    peak, ring = np.empty((len(points), 3), pixels.dtype), np.empty((len(points), 8 * RING, 3), pixels.dtype)
    for rows in strips(height):
        own = (points[:, 0] >= rows.start) & (points[:, 0] < rows.stop)
        if own.any():
            top = max(rows.start - RING, 0)
            part, inside = pixels[top : min(rows.stop + RING, height)], points[own] - (top, 0)
            peak[own], ring[own] = part[inside[:, 0], inside[:, 1]], _ring(part, inside)
    return peak, ring


def _ring(pixels: NDArray[Any], points: NDArray[np.intp]) -> NDArray[Any]:
    """Take the 16 pixels round each point at distance `RING`: (n, 16, 3)."""
    span = range(-RING, RING + 1)
    offsets = np.array([(dy, dx) for dy in span for dx in span if max(abs(dy), abs(dx)) == RING])
    at = points[:, None, :] + offsets
    h, w = pixels.shape[:2]
    return np.asarray(pixels[np.clip(at[..., 0], 0, h - 1), np.clip(at[..., 1], 0, w - 1)])


def _check(pixels: Pixels) -> None:
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype not in (np.uint8, np.uint16):
        raise InputError(f"pixels of shape {pixels.shape}, {pixels.dtype}", remedy="give (H, W, 3) uint8 or uint16")

"""Differencing: what tells a thing in front of the scene from the same scene under another light.

Every cue compares one frame with the *other* frames, as channels of one array, in two sizes: the full working size for
detail (thin poles) and half of it for everything else. A lamp multiplies the scene's own pattern by something smooth,
so a patch of a frame is, on real surfaces, predictable from the same patch under some other light; equipment is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, parallel
from .previews import Preview

Map = NDArray[np.float32]

LONG_SIDE = (900, 1200)
"""Pixels: range of the working size's long side. Smaller previews are enlarged (a thin pole keeps 2 px)."""

DARK = 0.004
"""Linear light added before a logarithm: about the noise of a dark pixel (20 000 e- full well, 5 e- read noise)."""

NOISE = 0.04
"""Natural-log units: floor under local contrast, so that noise explains nothing and is not explained."""

COMPARED = 6
"""Other frames that a frame is compared with one by one; order statistics use all of them."""

SCALES = ((3.0, 7), (8.0, 17))
"""Half-size pixels: (sigma of the high-pass, side of the window) for fine and coarse comparison."""

DETAIL_SIGMA = 3.0
"""Full-size pixels: sigma of the high-pass of the detail channels."""

MULTIPLE = 16
"""Half-size maps are padded to multiples of this, for a net that halves them four times."""

ROWS = 32
"""Rows that are sorted at a time, so that they stay in the processor's cache (a matter of time, not of result)."""

COARSE_CHANNELS = 30
DETAIL_CHANNELS = 3


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """One frame at half size, in the logarithm of light, and its high-passed versions."""

    log: Map  # (h, w) log luminance
    red: Map  # (h, w) log R/G
    blue: Map  # (h, w) log B/G
    linear: Map  # (h, w) luminance
    clipped: Map  # (h, w) share of clipped pixels
    high: tuple[Map, ...]  # high-passed log, one per scale
    energy: tuple[Map, ...]  # local mean square of it


def working_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Height and width (both even) at which cues of previews of height and width `shape` are measured."""
    long_side = max(shape)
    scale = np.clip(long_side, *LONG_SIDE) / long_side
    return 2 * max(1, round(shape[0] * scale / 2)), 2 * max(1, round(shape[1] * scale / 2))


class Comparison:
    """A series prepared for comparing its frames with each other.

    Parameters
    ----------
    previews : N >= 2 of Preview, (h, w), in one geometry and levelled
    ambient : N of bool
        Frames that hold no flash light.

    Raises
    ------
    ValueError
        For fewer than two frames: there is nothing to compare with.
    """

    def __init__(self, previews: Sequence[Preview], ambient: Sequence[bool]) -> None:
        if len(previews) < 2:
            raise ValueError("cues compare frames with each other: at least two are needed")
        shape = working_shape(previews[0].shape)
        self._ambient = list(ambient)
        made = parallel.each(lambda p: _read(p, shape), _without_gaps(previews))
        self._frames = [frame for frame, _ in made]
        self._details = [detail for _, detail in made]
        self._extremes = _extremes(self._details)
        count = range(len(self._frames))
        self._others = [_choose_others(self._frames, ambient, i) for i in count]
        self._unexplained = parallel.each(lambda i: _unexplained(self._frames, i, self._others[i]), count)
        self._stats = _Statistics(self._frames, self._unexplained)

    def cues(self, i: int) -> tuple[Map, Map]:
        """Cues of frame i against the others.

        Returns
        -------
        coarse : (COARSE_CHANNELS, H/2, W/2) float32
        detail : (DETAIL_CHANNELS, H, W) float32
            Both of order 1; (H, W) is `working_shape` of (h, w).
        """
        coarse = _coarse(self._frames, i, self._ambient, self._others[i], self._unexplained[i], self._stats)
        return coarse, _detail(self._details[i], self._extremes)


def measure(previews: Sequence[Preview], ambient: Sequence[bool]) -> list[tuple[Map, Map]]:
    """Cues of each frame against the others: `Comparison.cues` of all frames at once."""
    compared = Comparison(previews, ambient)
    return parallel.each(compared.cues, range(len(previews)))


def _without_gaps(previews: Sequence[Preview]) -> list[Preview]:
    """Where a frame does not reach, the mean of those that do, so that gaps bring no edges."""
    if all(p.valid.all() for p in previews):
        return list(previews)
    total = np.zeros_like(previews[0].linear)
    count = np.zeros(previews[0].shape, np.float32)
    for p in previews:
        total += p.linear * p.valid[..., None]
        count += p.valid
    mean = total / np.maximum(count, 1)[..., None]
    return [
        p
        if p.valid.all()
        else Preview(
            name=p.name,
            linear=np.where(p.valid[..., None], p.linear, mean),
            clipped=p.clipped & p.valid,
            valid=p.valid,
            full_shape=p.full_shape,
        )
        for p in previews
    ]


def _resized(picture: Map, shape: tuple[int, int]) -> Map:
    if picture.shape[:2] == shape:
        return picture
    smaller = shape[0] < picture.shape[0]
    method = cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(picture, shape[::-1], interpolation=method), np.float32)


def _half(picture: Map) -> Map:
    size = (picture.shape[1] // 2, picture.shape[0] // 2)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _high_pass(log: Map, sigma: float) -> Map:
    return np.asarray(log - cv2.GaussianBlur(log, (0, 0), sigma), np.float32)


def _box(picture: Map, side: int) -> Map:
    return np.asarray(cv2.blur(picture, (side, side)), np.float32)


def _read(preview: Preview, shape: tuple[int, int]) -> tuple[_Frame, Map]:
    """A frame at half size, and the high-passed logarithm of its light at full size."""
    light = _resized(preview.linear, shape)
    clipped = _resized(preview.clipped.astype(np.float32), shape)
    return _half_size(light, clipped), _high_pass(_log(_luminance(light)), DETAIL_SIGMA)


def _luminance(linear: Map) -> Map:
    return np.asarray(cv2.transform(linear, colour.LUMINANCE[None]), np.float32)


def _log(linear: Map) -> Map:
    return np.asarray(cv2.log(linear + np.float32(DARK)), np.float32)


def _half_size(linear: Map, clipped: Map) -> _Frame:
    small = _half(linear)
    luminance = _luminance(small)
    log = _log(luminance)
    red, green, blue = (_log(np.asarray(c, np.float32)) for c in cv2.split(cv2.GaussianBlur(small, (0, 0), 1.0)))
    high = tuple(_high_pass(log, sigma) for sigma, _ in SCALES)
    return _Frame(
        log=log,
        red=red - green,
        blue=blue - green,
        linear=luminance,
        clipped=_half(clipped),
        high=high,
        energy=tuple(np.maximum(_box(h * h, side), 0) for h, (_, side) in zip(high, SCALES, strict=True)),
    )


def _detail(high: Map, extremes: tuple[Map, Map, Map, Map]) -> Map:
    """High-passed log light, how far it lies outside the range of the others, and off the middle of it."""
    top, below, above, low = extremes
    result = np.empty((DETAIL_CHANNELS, *high.shape), np.float32)
    for y in range(0, len(high), ROWS):
        rows = slice(y, y + ROWS)
        h = high[rows]
        most, least = _other(h, top[rows], below[rows]), _other(h, low[rows], above[rows])
        np.multiply(h, 2, out=result[0, rows])
        np.multiply(np.maximum(h - most, 0) - np.maximum(least - h, 0), 2, out=result[1, rows])
        np.subtract(2 * h, most + least, out=result[2, rows])
    return result


def _other(mine: Map, first: Map, second: Map) -> Map:
    """The second-best where a frame itself is the best, else the best."""
    result = first.copy()
    cv2.copyTo(second, cv2.compare(mine, first, cv2.CMP_EQ), result)
    return result


def _extremes(maps: Sequence[Map]) -> tuple[Map, Map, Map, Map]:
    """Highest, second highest, second lowest and lowest value per pixel."""
    top, below = maps[0].copy(), np.full_like(maps[0], -np.inf)
    low, above = maps[0].copy(), np.full_like(maps[0], np.inf)
    for y in range(0, len(top), ROWS):  # a strip of all four stays in the processor's cache
        t, b, a, lo = (m[y : y + ROWS] for m in (top, below, above, low))
        for m in maps[1:]:
            h = m[y : y + ROWS]
            cv2.max(b, cv2.min(t, h), b)
            cv2.max(t, h, t)
            cv2.min(a, cv2.max(lo, h), a)
            cv2.min(lo, h, lo)
    return top, below, above, low


def _choose_others(frames: Sequence[_Frame], ambient: Sequence[bool], i: int) -> list[int]:
    """Up to COMPARED other frames: an ambient one, the most alike in light, and some spread over the rest."""
    rest = [j for j in range(len(frames)) if j != i]
    if len(rest) <= COMPARED:
        return rest
    chosen = [j for j in rest if ambient[j]][:1]
    thumbs = [cv2.resize(f.log, (24, 16), interpolation=cv2.INTER_AREA) for f in frames]
    rest = sorted((j for j in rest if j not in chosen), key=lambda j: float(np.abs(thumbs[j] - thumbs[i]).mean()))
    chosen += rest[:3]
    rest = sorted(rest[3:])
    wanted = min(COMPARED - len(chosen), len(rest))
    return chosen + [rest[k * len(rest) // wanted] for k in range(wanted)]


def _unexplained(frames: Sequence[_Frame], i: int, others: Sequence[int]) -> list[tuple[Map, Map]]:
    """Local contrast of frame i that the best, and the second-best, of the others does not explain linearly; per scale."""
    result = []
    for s, (_, side) in enumerate(SCALES):
        mine, energy = frames[i].high[s], frames[i].energy[s]
        best, second, left = (np.full_like(mine, np.inf) for _ in range(3))
        for j in others:
            shared = _box(mine * frames[j].high[s], side)
            cv2.divide(cv2.multiply(shared, shared, shared), frames[j].energy[s] + np.float32(NOISE**2), left)
            np.maximum(cv2.subtract(energy, left, left), 0, out=left)
            cv2.min(second, cv2.max(best, left), second)
            cv2.min(best, left, best)
        result.append((np.sqrt(best), np.sqrt(second if len(others) > 1 else best)))
    return result


class _Statistics:
    """Order statistics of all frames per pixel, from which those of *the others* follow for each frame."""

    def __init__(self, frames: Sequence[_Frame], unexplained: Sequence[Sequence[tuple[Map, Map]]]) -> None:
        self.log = _sorted([f.log for f in frames])
        self.unexplained = [_sorted([u[s][0] for u in unexplained]) for s in range(len(SCALES))]
        self.clipped = _total([f.clipped for f in frames])
        self.high_total = [_total([f.high[s] for f in frames]) for s in range(len(SCALES))]


def _total(maps: Sequence[Map]) -> Map:
    total = maps[0].copy()
    for m in maps[1:]:
        total += m
    return total


def _sorted(maps: Sequence[Map]) -> list[Map]:
    """Sort maps per pixel, lowest first."""
    ranked = [m.copy() for m in maps]
    n = len(ranked)
    for y in range(0, len(ranked[0]), ROWS):
        strips = [m[y : y + ROWS] for m in ranked]
        for i, j in _exchanges(n):
            smaller = cv2.min(strips[i], strips[j])
            cv2.max(strips[i], strips[j], strips[j])
            strips[i][:] = smaller
    return ranked


@cache
def _exchanges(n: int) -> tuple[tuple[int, int], ...]:
    """Pairs to compare and exchange, in this order, to sort n values: Batcher's merge exchange sort.

    References
    ----------
    D. E. Knuth, The Art of Computer Programming, volume 3, section 5.2.2, algorithm M (from memory).
    """
    pairs = []
    highest = 1 << max(0, (n - 1).bit_length() - 1)
    p = highest
    while p > 0:
        q, r, d = highest, 0, p
        while True:
            pairs += [(i, i + d) for i in range(n - d) if i & p == r]
            if q == p:
                break
            d, q, r = q - p, q >> 1, p
        p >>= 1
    return tuple(pairs)


def _of_others(ranked: Sequence[Map], mine: Map, rank: int) -> Map:
    """Value of this rank (from the lowest; negative from the highest) among the frames other than `mine`."""
    n = len(ranked) - 1
    k = min(max(rank if rank >= 0 else n + rank, 0), n - 1)
    result = ranked[k].copy()
    cv2.copyTo(ranked[k + 1], cv2.compare(mine, ranked[k], cv2.CMP_LE), result)
    return result


def _coarse(
    frames: Sequence[_Frame],
    i: int,
    ambient: Sequence[bool],
    others: Sequence[int],
    unexplained: Sequence[tuple[Map, Map]],
    stats: _Statistics,
) -> Map:
    me, n = frames[i], len(frames)
    top, middle, low = (_of_others(stats.log, me.log, k) for k in (-1, (n - 1) // 2, 1 if n > 3 else 0))
    plates = [j for j in range(n) if ambient[j] and j != i]
    base = frames[plates[0]].log if plates else low
    base_linear = cv2.exp(base) - np.float32(DARK)
    noise = np.sqrt(np.maximum(base_linear, 0) / 20000 + (5 / 20000) ** 2)
    darker = np.asarray(cv2.GaussianBlur(base_linear - me.linear, (0, 0), 0.7) / noise / 16, np.float32)
    channels = _Channels(me.log.shape)
    channels.add(me.log + 3, 0.5)
    channels.add(me.red)
    channels.add(me.blue)
    for other in (top, middle, low, base):
        channels.add(me.log - other)
    channels.add(np.clip(darker, -1, 1))
    channels.add(float(bool(plates)))
    channels.add(float(np.log2(n) / 4))
    channels.add(float(ambient[i]))
    channels.add(me.clipped)
    channels.add(stats.clipped - me.clipped, 1 / (n - 1))
    channels.add(_nearest((me.red, me.blue), [(frames[j].red, frames[j].blue) for j in others]), 2)
    channels.add(top - low)
    for s, (best, second) in enumerate(unexplained):
        high = me.high[s]
        mean = np.asarray((stats.high_total[s] - high) / (n - 1), np.float32)
        channels.add(best, 4)
        channels.add(second, 4)
        channels.add(np.sqrt(me.energy[s]), 2)
        channels.add(_of_others(stats.unexplained[s], best, (n - 1) // 2), 4)
        channels.add(_of_others(stats.unexplained[s], best, -2), 4)
        channels.add(high - mean, 2)
        channels.add(_nearest((high,), [(frames[j].high[s],) for j in others]), 4)
    channels.add(_box(channels.filled[15], 25), 2)
    return channels.filled


def _nearest(mine: Sequence[Map], others: Sequence[Sequence[Map]]) -> Map:
    """Distance, summed over the maps of a frame, to the frame that is nearest at each pixel."""
    nearest = np.full_like(mine[0], np.inf)
    for maps in others:
        away = cv2.absdiff(mine[0], maps[0])
        for a, b in zip(mine[1:], maps[1:], strict=True):
            cv2.add(away, cv2.absdiff(a, b), away)
        cv2.min(nearest, away, nearest)
    return nearest


class _Channels:
    """The coarse cues, filled one after the other."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.filled = np.empty((COARSE_CHANNELS, *shape), np.float32)
        self._count = 0

    def add(self, value: Map | float, factor: float = 1) -> None:
        np.multiply(value, np.float32(factor), out=self.filled[self._count])
        self._count += 1

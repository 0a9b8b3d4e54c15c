"""Differencing: what tells a thing in front of the scene from the same scene under another light.

Every cue compares one frame with the *other* frames. Cues come in three sizes: the full working size for detail (thin
poles), half of it for the light itself, and a quarter for what is measured over a window anyway. A lamp multiplies the
scene's own pattern by something smooth, so a patch of a frame is, on real surfaces, predictable from the same patch under
some other light; equipment is not.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, parallel
from .drawer import Drawer, Kept, Row, Waiting
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

SIGMAS = (3.0, 4.0)
"""Pixels (sigma) of the high-pass for fine comparison, at half size, and for coarse comparison, at a quarter."""

WINDOWS = (3, 9)
"""Quarter-size pixels: sides of the windows of fine and coarse comparison."""

DETAIL_SIGMA = 3.0
"""Full-size pixels: sigma of the high-pass of the detail channels."""

MULTIPLE = 32
"""Maps are as large as the working size rounded up to multiples of this, for a net that halves them five times; what is
added at the right and at the bottom repeats the edge."""

ROWS = 32
"""Rows that are sorted at a time, so that they stay in the processor's cache (a matter of time, not of result)."""

COARSE_CHANNELS = 21
FINE_CHANNELS = 9
DETAIL_CHANNELS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Cues:
    """What speaks for and against equipment in one frame, all of order 1, float32.

    Attributes
    ----------
    coarse : (COARSE_CHANNELS, H/4, W/4)
    fine : (FINE_CHANNELS, H/2, W/2)
    detail : (DETAIL_CHANNELS, H, W)
        (H, W) is `working_shape`, rounded up to multiples of MULTIPLE.
    """

    coarse: Map
    fine: Map
    detail: Map


@dataclass(frozen=True, kw_only=True, eq=False)
class _Frame:
    """One frame, in the logarithm of light, and its high-passed versions."""

    drawer: Drawer
    detail: Waiting = Waiting()  # (H, W) high-passed log luminance
    linear: Waiting = Waiting()  # (H/2, W/2) luminance, as the next two and `log`
    clipped: Waiting = Waiting()  # share of clipped pixels
    high: Waiting = Waiting()  # high-passed log
    log_4: Waiting = Waiting()  # (H/4, W/4) log luminance, as all below
    high_4: Waiting = Waiting()  # high-passed log
    red: Waiting = Waiting()  # log R/G
    blue: Waiting = Waiting()  # log B/G
    clipped_4: Waiting = Waiting()  # share of clipped pixels
    energy: Waiting = Waiting()  # (2, H/4, W/4) local mean square of both high-passed logs

    @property
    def log(self) -> Map:
        """Log luminance: quicker made than read."""
        return _log(self.linear)


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
        self._frames = _read_all(previews, shape)
        self._extremes = extremes(f.detail for f in self._frames)
        count = range(len(self._frames))
        self._others = [_choose_others(self._frames, ambient, i) for i in count]

        def put(i: int) -> Kept:
            return previews[i].drawer.put(_unexplained(self._frames, i, self._others[i]))

        self._unexplained = Row(parallel.each(put, count))
        self._stats = _Statistics(self._frames, self._unexplained)

    def cues(self, i: int) -> Cues:
        """Cues of frame i against the others."""
        me, stats = self._frames[i], self._stats
        others = [self._frames[j] for j in self._others[i]]
        n, log, high = len(self._frames), me.log, me.high
        top, middle, low = (_of_others(stats.log, log, k) for k in (-1, (n - 1) // 2, 1 if n > 3 else 0))
        plates = [f for f, by_day in zip(self._frames, self._ambient, strict=True) if by_day and f is not me]
        plate = plates[0].log if plates else low
        fine = _Stack(FINE_CHANNELS, log.shape)
        fine.add(log + 3, 0.5)
        for reference in (top, middle, low, plate):
            fine.add(log - reference)
        fine.add(_darker(me.linear, plate))
        fine.add(me.clipped)
        fine.add(high - (stats.high - high) / np.float32(n - 1), 2)
        fine.add(_nearest((high,), ((f.high,) for f in others)), 4)
        red, blue, high_4, unexplained = me.red, me.blue, me.high_4, self._unexplained[i]
        coarse = _Stack(COARSE_CHANNELS, red.shape)
        coarse.add(red)
        coarse.add(blue)
        coarse.add(_nearest((red, blue), ((f.red, f.blue) for f in others)), 2)
        coarse.add(float(bool(plates)))
        coarse.add(float(np.log2(n) / 4))
        coarse.add(float(self._ambient[i]))
        coarse.add(stats.clipped - me.clipped_4, 1 / (n - 1))
        coarse.add(_half(top - low))
        coarse.add(high_4 - (stats.high_4 - high_4) / np.float32(n - 1), 2)
        coarse.add(_nearest((high_4,), ((f.high_4,) for f in others)), 4)
        for (best, second), energy, ranked in zip(unexplained, me.energy, stats.unexplained, strict=True):
            coarse.add(best, 4)
            coarse.add(second, 4)
            coarse.add(np.sqrt(energy), 2)
            coarse.add(_of_others(ranked, best, (n - 1) // 2), 4)
            coarse.add(_of_others(ranked, best, -2), 4)
        coarse.add(_box(unexplained[0, 0], 13), 8)
        return Cues(coarse=coarse.filled, fine=fine.filled, detail=_detail(me.detail, self._extremes))


def measure(previews: Sequence[Preview], ambient: Sequence[bool]) -> list[Cues]:
    """Cues of each frame against the others: `Comparison.cues` of all frames at once."""
    compared = Comparison(previews, ambient)
    return parallel.each(compared.cues, range(len(previews)))


def _read_all(previews: Sequence[Preview], shape: tuple[int, int]) -> list[_Frame]:
    mean = _mean(previews)
    return parallel.each(lambda p: _read(_without_gaps(p, mean), shape), previews)


def _mean(previews: Sequence[Preview]) -> Map:
    """Mean of the frames that reach, (h, w, 3) linear light."""
    total = np.zeros((*previews[0].shape, 3), np.float32)
    count = np.zeros(previews[0].shape, np.float32)
    if not all(p.valid.all() for p in previews):
        for p in previews:
            cv2.accumulate(p.linear, total, p.valid.view(np.uint8))
            count += p.valid
    count = np.maximum(count, 1)
    return np.asarray(cv2.divide(total, cv2.merge([count, count, count])), np.float32)


def _without_gaps(preview: Preview, mean: Map) -> Preview:
    """Where a frame does not reach, the mean of those that do, so that gaps bring no edges."""
    valid = preview.valid
    if valid.all():
        return preview
    linear = cv2.copyTo(preview.linear, valid.view(np.uint8), mean.copy())
    return replace(preview, linear=np.asarray(linear, np.float32), clipped=preview.clipped & valid)


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


def _read(preview: Preview, shape: tuple[int, int]) -> _Frame:
    light = _resized(preview.linear, shape)
    clipped = _half(_resized(preview.clipped.astype(np.float32), shape))
    size = tuple(s + -s % MULTIPLE for s in shape)
    small = _padded(_half(light), (size[0] // 2, size[1] // 2))
    clipped = _padded(clipped, (size[0] // 2, size[1] // 2))
    tiny = _half(small)
    luminance = _luminance(small)
    log, log_4 = _log(luminance), _log(_luminance(tiny))
    high, high_4 = _high_pass(log, SIGMAS[0]), _high_pass(log_4, SIGMAS[1])
    red, green, blue = (_log(np.asarray(c, np.float32)) for c in cv2.split(tiny))
    return _Frame(
        drawer=preview.drawer,
        detail=_high_pass(_log(_padded(_luminance(light), (size[0], size[1]))), DETAIL_SIGMA),
        linear=luminance,
        clipped=clipped,
        high=high,
        log_4=log_4,
        high_4=high_4,
        red=red - green,
        blue=blue - green,
        clipped_4=_half(clipped),
        # a running sum can fall below zero
        energy=np.maximum([_box(_half(high * high), WINDOWS[0]), _box(high_4 * high_4, WINDOWS[1])], 0),
    )


def _padded(picture: Map, shape: tuple[int, int]) -> Map:
    below, right = shape[0] - picture.shape[0], shape[1] - picture.shape[1]
    return np.asarray(cv2.copyMakeBorder(picture, 0, below, 0, right, cv2.BORDER_REPLICATE), np.float32)


def _luminance(linear: Map) -> Map:
    return np.asarray(cv2.transform(linear, colour.LUMINANCE[None]), np.float32)


def _log(linear: Map) -> Map:
    return np.asarray(cv2.log(linear + np.float32(DARK)), np.float32)


def _detail(high: Map, range_of_all: tuple[Map, Map, Map, Map]) -> Map:
    """High-passed log light, how far it lies outside the range of the others, and off the middle of it."""
    top, below, above, low = range_of_all
    result = np.empty((DETAIL_CHANNELS, *high.shape), np.float32)
    for y in range(0, len(high), ROWS):
        rows = slice(y, y + ROWS)
        h = high[rows]
        most, least = other(h, top[rows], below[rows]), other(h, low[rows], above[rows])
        np.multiply(h, 2, out=result[0, rows])
        np.multiply(np.maximum(h - most, 0) - np.maximum(least - h, 0), 2, out=result[1, rows])
        np.subtract(2 * h, most + least, out=result[2, rows])
    return result


def other(mine: Map, first: Map, second: Map) -> Map:
    """Best of the other frames, from the best and the second-best of all.

    Parameters
    ----------
    mine, first, second : (h, w) float32
        One frame's values, and two neighbours of what `extremes` returns.

    Returns
    -------
    (h, w) float32
        The second-best where the frame itself is the best, else the best.
    """
    result = first.copy()
    cv2.copyTo(second, cv2.compare(mine, first, cv2.CMP_EQ), result)
    return result


def extremes(maps: Iterable[Map]) -> tuple[Map, Map, Map, Map]:
    """Highest, second highest, second lowest and lowest value per pixel.

    Parameters
    ----------
    maps : N of (h, w) float32
        Gone through once; at least one.

    Returns
    -------
    four of (h, w) float32
        The second ones are infinite for a single map.
    """
    rest = iter(maps)
    first = next(rest)
    top, below = first.copy(), np.full_like(first, -np.inf)
    low, above = first.copy(), np.full_like(first, np.inf)
    for m in rest:
        for y in range(0, len(top), ROWS):  # a strip of all stays in the processor's cache
            t, b, a, lo, h = (x[y : y + ROWS] for x in (top, below, above, low, m))
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
    thumbs = [cv2.resize(f.log_4, (24, 16), interpolation=cv2.INTER_AREA) for f in frames]
    rest = sorted((j for j in rest if j not in chosen), key=lambda j: float(np.abs(thumbs[j] - thumbs[i]).mean()))
    chosen += rest[:3]
    rest = sorted(rest[3:])
    wanted = min(COMPARED - len(chosen), len(rest))
    return chosen + [rest[k * len(rest) // wanted] for k in range(wanted)]


def _unexplained(frames: Sequence[_Frame], i: int, others: Sequence[int]) -> Map:
    """Local contrast of frame i that the best, and the second-best, of the others does not explain linearly.

    Fine comparison first, then coarse: (2, 2, H/4, W/4).
    """
    high, high_4, energies = frames[i].high, frames[i].high_4, frames[i].energy
    result = []
    for s, side in enumerate(WINDOWS):
        best, second, left = (np.full_like(high_4, np.inf) for _ in range(3))
        for j in others:
            product = high_4 * frames[j].high_4 if s else _half(high * frames[j].high)
            shared = _box(product, side)
            cv2.divide(cv2.multiply(shared, shared, shared), frames[j].energy[s] + np.float32(NOISE**2), left)
            np.maximum(cv2.subtract(energies[s], left, left), 0, out=left)
            cv2.min(second, cv2.max(best, left), second)
            cv2.min(best, left, best)
        result.append([np.sqrt(best), np.sqrt(second if len(others) > 1 else best)])
    return np.array(result)


class _Statistics:
    """Order statistics and sums of all frames per pixel, from which those of *the others* follow for each frame."""

    def __init__(self, frames: Sequence[_Frame], unexplained: Sequence[Map]) -> None:
        put = frames[0].drawer.put
        maps = [(f.log for f in frames), *([u[s, 0].copy() for u in unexplained] for s in range(len(WINDOWS)))]
        self.log, *self.unexplained = parallel.each(lambda some: Row([put(m) for m in _sorted(some)]), maps)
        self.clipped = reduce(np.add, (f.clipped_4 for f in frames))
        self.high = reduce(np.add, (f.high for f in frames))
        self.high_4 = reduce(np.add, (f.high_4 for f in frames))


def _sorted(maps: Iterable[Map]) -> list[Map]:
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
    first = ranked[k]
    result = first.copy()
    cv2.copyTo(ranked[k + 1], cv2.compare(mine, first, cv2.CMP_LE), result)
    return result


def _darker(linear: Map, base: Map) -> Map:
    """How far a frame lies below the light that it must hold at least, in units of 16 times the noise."""
    base_linear = cv2.exp(base) - np.float32(DARK)
    noise = np.sqrt(np.maximum(base_linear, 0) * np.float32(1 / 20000) + np.float32((5 / 20000) ** 2))
    below = cv2.GaussianBlur(base_linear - linear, (0, 0), 0.7)
    return np.asarray(np.clip(below / noise / 16, -1, 1), np.float32)


def _nearest(mine: Sequence[Map], others: Iterable[Sequence[Map]]) -> Map:
    """Distance, summed over the maps of a frame, to the frame that is nearest at each pixel."""
    nearest = np.full_like(mine[0], np.inf)
    for maps in others:
        away = cv2.absdiff(mine[0], maps[0])
        for a, b in zip(mine[1:], maps[1:], strict=True):
            cv2.add(away, cv2.absdiff(a, b), away)
        cv2.min(nearest, away, nearest)
    return nearest


class _Stack:
    """Channels of one size, filled one after the other."""

    def __init__(self, channels: int, shape: tuple[int, ...]) -> None:
        self.filled = np.empty((channels, *shape), np.float32)
        self._count = 0

    def add(self, value: Map | float, factor: float = 1) -> None:
        np.multiply(value, np.float32(factor), out=self.filled[self._count])
        self._count += 1

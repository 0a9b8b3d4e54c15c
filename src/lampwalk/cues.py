"""Differencing: what tells a thing in front of the scene from the same scene under another light.

Every cue compares one frame with the *other* frames, as channels of one array, in two sizes: the full working size for
detail (thin poles) and half of it for everything else. A lamp multiplies the scene's own pattern by something smooth,
so a patch of a frame is, on real surfaces, predictable from the same patch under some other light; equipment is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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


def measure(previews: Sequence[Preview], ambient: Sequence[bool]) -> list[tuple[Map, Map]]:
    """Cues of each frame against the others.

    Parameters
    ----------
    previews : N >= 2 of Preview, (h, w), in one geometry and levelled
    ambient : N of bool
        Frames that hold no flash light.

    Returns
    -------
    list of N (coarse, detail)
        coarse: (COARSE_CHANNELS, H/2, W/2) float32, detail: (DETAIL_CHANNELS, H, W) float32, where (H, W) is
        `working_shape` of (h, w). All of order 1.

    Raises
    ------
    ValueError
        For fewer than two frames: there is nothing to compare with.
    """
    if len(previews) < 2:
        raise ValueError("cues compare frames with each other: at least two are needed")
    shape = working_shape(previews[0].shape)
    light = [_resized(p.linear, shape) for p in _without_gaps(previews)]
    details = _details([np.log(colour.luminance(f) + DARK) for f in light])
    frames = [
        _half_size(f, _resized(p.clipped.astype(np.float32), shape)) for f, p in zip(light, previews, strict=True)
    ]
    others = [_choose_others(frames, ambient, i) for i in range(len(frames))]
    unexplained = parallel.each(
        lambda i: [_unexplained(frames, i, others[i], s) for s in range(len(SCALES))], range(len(frames))
    )
    stacks = _Statistics(frames, unexplained)
    return parallel.each(
        lambda i: (_coarse(frames, i, ambient, others[i], unexplained[i], stacks), details[i]), range(len(frames))
    )


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


def _half_size(linear: Map, clipped: Map) -> _Frame:
    small = _half(linear)
    luminance = colour.luminance(small)
    log = np.log(luminance + DARK)
    rgb = np.log(cv2.GaussianBlur(small, (0, 0), 1.0) + DARK)
    high = tuple(_high_pass(log, sigma) for sigma, _ in SCALES)
    return _Frame(
        log=log,
        red=rgb[..., 0] - rgb[..., 1],
        blue=rgb[..., 2] - rgb[..., 1],
        linear=luminance,
        clipped=_half(clipped),
        high=high,
        energy=tuple(np.maximum(_box(h * h, side), 0) for h, (_, side) in zip(high, SCALES, strict=True)),
    )


def _details(logs: Sequence[Map]) -> list[Map]:
    """High-passed log light, how far it lies outside the range of the others, and off the middle of it."""
    high = [_high_pass(log, DETAIL_SIGMA) for log in logs]
    top = _two_extremes(high, np.maximum, np.minimum)
    low = _two_extremes(high, np.minimum, np.maximum)
    result = []
    for h in high:
        most, least = np.where(h >= top[1], top[0], top[1]), np.where(h <= low[1], low[0], low[1])
        outside = np.maximum(h - most, 0) - np.maximum(least - h, 0)
        result.append(np.stack([h, outside, h - 0.5 * (most + least)]).astype(np.float32) * 2)
    return result


def _two_extremes(maps: Sequence[Map], better: np.ufunc, worse: np.ufunc) -> Map:
    """The second-best and the best value per pixel, (2, h, w)."""
    best, second = better(maps[0], maps[1]), worse(maps[0], maps[1])
    for m in maps[2:]:
        second = better(second, worse(best, m))
        best = better(best, m)
    return np.stack([second, best])


def _lowest(maps: Sequence[Map]) -> Map:
    result = maps[0]
    for m in maps[1:]:
        result = np.minimum(result, m)
    return result


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


def _unexplained(frames: Sequence[_Frame], i: int, others: Sequence[int], scale: int) -> tuple[Map, Map]:
    """Local contrast of frame i that the best, and the second-best, of the others does not explain linearly."""
    side = SCALES[scale][1]
    mine, energy = frames[i].high[scale], frames[i].energy[scale]
    left = []
    for j in others:
        shared = _box(mine * frames[j].high[scale], side)
        explained = shared * shared / (frames[j].energy[scale] + NOISE**2)
        left.append(np.maximum(energy - explained, 0))
    second, best = _two_extremes(left, np.minimum, np.maximum) if len(left) > 1 else (left[0], left[0])
    return np.sqrt(best), np.sqrt(second)


class _Statistics:
    """Order statistics of all frames per pixel, from which those of *the others* follow for each frame."""

    def __init__(self, frames: Sequence[_Frame], unexplained: Sequence[Sequence[tuple[Map, Map]]]) -> None:
        self.log = _sorted([f.log for f in frames])
        self.unexplained = [_sorted([u[s][0] for u in unexplained]) for s in range(len(SCALES))]
        self.clipped = np.sum([f.clipped for f in frames], axis=0, dtype=np.float32)
        self.high_mean = [np.mean([f.high[s] for f in frames], axis=0, dtype=np.float32) for s in range(len(SCALES))]


def _sorted(maps: Sequence[Map]) -> Map:
    """Stack maps and sort them per pixel, lowest first."""
    return np.sort(np.stack(maps, axis=-1), axis=-1).transpose(2, 0, 1).copy()


def _of_others(ranked: Map, mine: Map, rank: int) -> Map:
    """Value of this rank (from the lowest; negative from the highest) among the frames other than `mine`."""
    n = len(ranked) - 1
    k = min(max(rank if rank >= 0 else n + rank, 0), n - 1)
    return np.asarray(np.where(mine <= ranked[k], ranked[k + 1], ranked[k]))


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
    base_linear = np.exp(base) - DARK
    noise = np.sqrt(np.maximum(base_linear, 0) / 20000 + (5 / 20000) ** 2)
    darker = np.clip((cv2.GaussianBlur(base_linear - me.linear, (0, 0), 0.7)) / noise / 16, -1, 1)
    chroma = _lowest([np.abs(me.red - frames[j].red) + np.abs(me.blue - frames[j].blue) for j in others])
    flat = np.ones_like(me.log)
    channels = [
        (me.log + 3) / 2,
        me.red,
        me.blue,
        me.log - top,
        me.log - middle,
        me.log - low,
        me.log - base,
        darker,
        flat * bool(plates),
        flat * (np.log2(n) / 4),
        flat * bool(ambient[i]),
        me.clipped,
        (stats.clipped - me.clipped) / (n - 1),
        chroma * 2,
        top - low,
    ]
    for s, (best, second) in enumerate(unexplained):
        high = me.high[s]
        mean = (stats.high_mean[s] * n - high) / (n - 1)
        channels += [
            best * 4,
            second * 4,
            np.sqrt(me.energy[s]) * 2,
            _of_others(stats.unexplained[s], best, (n - 1) // 2) * 4,
            _of_others(stats.unexplained[s], best, -2) * 4,
            (high - mean) * 2,
            _lowest([np.abs(high - frames[j].high[s]) for j in others]) * 4,
        ]
    channels.append(_box(channels[15], 25) * 2)
    return np.stack(channels).astype(np.float32)

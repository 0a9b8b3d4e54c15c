"""Glow: light that the lens scatters around a visible head.

The scattering belongs to the lens, not to the frame: one radial kernel is fitted to all heads of the series
together, and only a strength per channel to each frame. The fit is one from below: what lies above the
model is lamp light on the scene and loses its weight; what lies below it contradicts it, because light only
adds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, parallel
from .drawer import Drawer, Row, Waiting
from .light import halved
from .previews import Preview

SIGMAS = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""Widths of the kernel's Gaussians in half-size pixels (glow is smooth, so it is fitted at half the preview's size): a geometric row, the last a tenth of the picture.
Wider ones take the lamp's light on the scene for glow."""

HEAD_PX = 12
"""Size of a clipped blob, in preview pixels, from which on it counts as a head; smaller ones are glints."""

WHOLE_SHARE = 0.6
"""A clipped blob is a head when at least this share of it is hidden; else it is lit ground."""

LARGE_PX = 200
"""A larger blob may be a head that the mask hides in part only, ..."""

PART_SHARE = 0.35
"""... if at least this share of it is hidden ..."""

SOLID = 0.8
"""... if it covers at least this share of its convex hull, as heads do (0.7 to 1 measured) and burnt-out ground does
not ..."""

COMMON_SHARE = 0.3
"""... and at most this share of it is clipped in another frame, too, as lit ground is."""

SPREAD = (1.5, 1.5, 1.5, 1.5, 1.0, 0.7, 0.5, 0.4, 0.3, 0.3)
"""Residual above the model, relative to it, at which a pixel's weight has fallen to a quarter, round by
round of the alternating fit: wide at first, so that the steep light close to a head is not taken for a
lamp's on the scene."""

REACH = 0.3
"""Light of the other lamps, relative to the model, at which a pixel's weight has halved: pure glow is seen
best where no lamp lights the scene (sky, dark foliage, deep background)."""

NOISE = 0.0015
"""Noise of a half-size pixel in linear light; glow weaker than twice that does not enter the fit."""

DAYLIGHT = 0.06
"""Share of the daylight by which a pixel may be off: its level, its sharp edges and the alignment. Without it, before
a bright sky, the fit from below finds no glow at all (0.03 to 0.06 alike elsewhere)."""

AVERAGED = 4.0
"""Half-size pixels (sigma) over which light is averaged where a first strength is read off."""

SMALL = 25
"""A head of fewer half-size pixels has a badly known strength, ..."""

STRONGEST = 1.6
"""... which is taken for at most this many times the middle one."""

HUE = 2.0
"""No channel's share of a head's light is taken for more than this many times the usual share: what goes
beyond is light on a coloured thing."""

WEAKEST = 1e-3
"""Strength below which none is taken; keeps divisions finite."""

TILT = 0.8
"""Largest slope of brightness across a head, relative to its mean: reflectors seen from the side are
brighter on one."""

RIM = 8
"""Half-size pixels round a head in which the head's soft edge adds to the kernel."""

RIM_QUANTILE = 0.6
"""Share of a ring's pixels that may lie below the rim light found in it."""

CORE = 1.5
"""Half-size pixels round a head within which all light is the head's own."""

CEILING_SIGMAS = (0.6, 1.5)
"""Blurs, half-size pixels, of the excess that limits the glow: the narrow one follows the steep light at a
head's edge, the wide one averages the noise."""

_Field = NDArray[np.float32]
_Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Head:
    """What the fit needs of one frame with a visible head, half-size; samples are the pixels of the fit."""

    index: int
    drawer: Drawer
    area: float  # of the head, pixels
    source: Waiting = Waiting()  # (h, w) float32: the head's area
    near: _Field  # (m, 3): frame minus plate at the free pixels within `RIM` of the head
    distance: Waiting = Waiting()  # (h, w) float32: to the head, half-size pixels
    free: Waiting = Waiting()  # (h, w) bool: neither hidden nor clipped nor outside the frame
    basis: _Floats  # (3, n, k): the sources spread by each Gaussian, at the samples
    target: _Floats  # (n, 3): excess there
    others: _Floats  # (n,): light of the other lamps there
    smooth: _Floats  # (n, 3): excess there, averaged
    noise: _Floats  # (n,): what the excess may be off by there

    @property
    def sources(self) -> _Field:
        """(3, h, w): the head's area, and its slopes in x and y (-1 to 1 across the head)."""
        source = self.source
        return np.stack([source, *(source * slope for slope in _slopes(source))])


@dataclass(slots=True, eq=False)
class _Light:
    """What the fit finds for one head: strength per channel, and how its brightness tilts across it."""

    strength: _Floats  # (3,)
    tilt: _Floats  # (3,): 1, slope in x, slope in y

    def shape(self, head: _Head, kernel: _Floats) -> _Floats:
        """Glow of strength 1 at the samples (n,)."""
        return np.asarray(np.tensordot(self.tilt, head.basis, 1) @ kernel)


def estimate(
    previews: Sequence[Preview], hidden: Sequence[NDArray[np.uint8]], ambient: Sequence[bool]
) -> tuple[_Field | None, ...]:
    """Light to subtract from each frame.

    Parameters
    ----------
    previews : sequence of Preview
        In the reference's geometry, daylight levelled.
    hidden : sequence of (h, w) uint8
        Masks in the same geometry, 255 = hidden.
    ambient : sequence of bool
        Which frames hold no flash light.

    Returns
    -------
    tuple of (h, w, 3) float32 or None
        Linear light, at least 0, smooth; limited so that frame minus glow, taken smoothly, does not fall
        below the ambient plate (below the darkest frame where there is no ambient frame); 1 on the head
        itself. None where a frame shows no head.

    Notes
    -----
    The kernel is a non-negative sum of Gaussians, so it falls outwards everywhere. What lit ground scatters
    is left alone: it would be there without the equipment, too.
    """
    return tuple(parallel.each(one_by_one(previews, hidden, ambient), range(len(previews))))


def one_by_one(
    previews: Sequence[Preview], hidden: Sequence[NDArray[np.uint8]], ambient: Sequence[bool]
) -> Callable[[int], _Field | None]:
    """Fit the glow of a series, and give that of any frame when asked, so that not all are held at once: see `estimate`."""
    common = reduce(np.add, (p.clipped.view(np.uint8) for p in previews)) > 1
    frames = enumerate(zip(previews, hidden, ambient, strict=True))
    found = {i: _source(p, m, common) for i, (p, m, a) in frames if not a}
    sources = {i: previews[i].drawer.put(source) for i, source in found.items() if source is not None}
    if not sources:
        return lambda _: None
    plate = _plate(previews, hidden, ambient)
    lamps = [i for i, flag in enumerate(ambient) if not flag]
    added = {i: previews[i].drawer.put(colour.luminance(halved(previews[i].linear) - plate)) for i in lamps}

    def head_of(i: int) -> _Head:
        others = Row([light for j, light in added.items() if j != i])
        return _head(i, previews[i].drawer, sources[i].get(), _seen(previews[i], hidden[i]), others, plate)

    def excess_of(i: int) -> _Field:
        """Frame minus plate, half-size: made anew when asked for."""
        return np.asarray(_seen(previews[i], hidden[i])[0] - plate)

    heads = parallel.each(head_of, sources)
    kernel, lights = _fit(heads)
    rim = _rim(heads, lights, kernel)

    number = {head.index: k for k, head in enumerate(heads)}

    def field_of(i: int) -> _Field | None:
        k = number.get(i)
        if k is None:
            return None
        correction = np.interp(heads[k].distance, np.arange(len(rim)), rim)[..., None] * lights[k].strength
        model = _model(heads[k], lights[k], kernel)
        return _limited((model + correction).astype(np.float32), heads[k], excess_of(i), previews[i].shape)

    return field_of


def _source(preview: Preview, mask: NDArray[np.uint8], common: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """Find the head as a light source (h, w): clipped blobs in the mask; None where there are none."""
    count, label, stats, _ = cv2.connectedComponentsWithStats(preview.clipped.astype(np.uint8))
    area = stats[:, cv2.CC_STAT_AREA]
    inside = np.bincount(label[mask > 127], minlength=count)
    shared = np.bincount(label[common], minlength=count)
    whole = (area >= HEAD_PX) & (inside >= WHOLE_SHARE * area)
    part = (area >= LARGE_PX) & (inside >= PART_SHARE * area) & (shared <= COMMON_SHARE * area)
    for k in np.flatnonzero(part & ~whole):
        part[k] = k > 0 and _solidity(label == k) >= SOLID
    own = whole | part
    own[0] = False
    return np.asarray(own[label]) if own.any() else None


def _solidity(blob: NDArray[np.bool_]) -> float:
    """Share of its convex hull that a blob covers."""
    points = np.argwhere(blob).astype(np.int32)
    hull = cv2.contourArea(cv2.convexHull(points))
    return len(points) / max(float(hull), 1.0)


def _plate(previews: Sequence[Preview], hidden: Sequence[NDArray[np.uint8]], ambient: Sequence[bool]) -> _Field:
    """Light without any flash, half-size: mean of the ambient frames, else the darkest visible frame."""
    chosen = [halved(p.linear) for p, a in zip(previews, ambient, strict=True) if a]
    if chosen:
        return np.asarray(np.mean(chosen, axis=0), np.float32)

    def seen(preview: Preview, mask: NDArray[np.uint8]) -> _Field:
        out = halved(((mask > 0) | ~preview.valid).astype(np.float32)) > 0
        return np.where(out[..., None], np.float32(1), halved(preview.linear))

    return np.asarray(reduce(np.minimum, map(seen, previews, hidden)))


def _seen(preview: Preview, mask: NDArray[np.uint8]) -> tuple[_Field, NDArray[np.bool_]]:
    """Half-size light (h, w, 3) of the pixels that show measured light, and where there are any (h, w)."""
    free = ((mask <= 127) & ~preview.clipped & preview.valid).astype(np.float32)
    share = halved(free)
    light = halved(preview.linear * free[..., None]) / np.maximum(share, np.float32(1e-3))[..., None]
    return np.asarray(light, np.float32), share >= 0.25


def _head(
    index: int,
    drawer: Drawer,
    source: NDArray[np.bool_],
    seen: tuple[_Field, NDArray[np.bool_]],
    others: Sequence[_Field],
    plate: _Field,
) -> _Head:
    """Take the samples of one frame (as it is `_seen`), dense near the head."""
    excess, free = seen[0] - plate, seen[1]
    area = halved(source.astype(np.float32))
    distance = cv2.distanceTransform((area < min(0.5, float(area.max()))).astype(np.uint8), cv2.DIST_L2, 5)
    rows, columns = np.indices(area.shape)
    step = np.select([distance < 8, distance < 24, distance < 80], [1, 2, 4], 8)
    taken = free & (rows % step == 0) & (columns % step == 0) & (distance < 4 * SIGMAS[-1])
    stacked = np.dstack([area, *(area * slope for slope in _slopes(area))])
    basis = np.stack([_spread(stacked, sigma)[taken] for sigma in SIGMAS])  # (k, n, 3)
    usual = np.median([light[taken] for light in others], axis=0) if others else np.zeros(np.count_nonzero(taken))
    return _Head(
        index=index,
        drawer=drawer,
        area=float(area.sum()),
        source=area,
        near=excess[free & (distance < RIM)],
        distance=np.asarray(distance),
        free=free,
        basis=basis.transpose(2, 1, 0).astype(np.float64),
        target=excess[taken].astype(np.float64),
        others=np.maximum(usual, 0).astype(np.float64),
        smooth=_averaged(excess, free)[taken].astype(np.float64),
        noise=np.maximum(NOISE, DAYLIGHT * plate[taken].mean(axis=1)).astype(np.float64),
    )


def _averaged(light: _Field, free: NDArray[np.bool_]) -> _Field:
    """Blur over the free pixels only."""
    weight = free.astype(np.float32)
    bottom = np.maximum(cv2.GaussianBlur(weight, (0, 0), AVERAGED), np.float32(1e-3))
    return np.asarray(cv2.GaussianBlur(light * weight[..., None], (0, 0), AVERAGED) / bottom[..., None])


def _slopes(area: _Field) -> tuple[_Field, _Field]:
    """Coordinates x and y (h, w), -1 to 1 across the head."""
    rows, columns = np.nonzero(area)
    y, x = np.indices(area.shape).astype(np.float32)
    cx, cy = (columns.min() + columns.max()) / 2, (rows.min() + rows.max()) / 2
    half = max(float(np.ptp(columns)), float(np.ptp(rows)), 2) / 2
    return ((x - cx) / half).clip(-1, 1), ((y - cy) / half).clip(-1, 1)


def _spread(light: _Field, sigma: float) -> _Field:
    """Gaussian blur of (h, w, c); a head cut by the picture's edge goes on beyond it (mirrored)."""
    h, w = light.shape[:2]
    rows = np.flatnonzero(light.reshape(h, -1).any(axis=1))
    columns = np.flatnonzero((light != 0).any(axis=0).any(axis=1))
    result = np.zeros_like(light)
    if not rows.size:
        return result
    far = int(np.ceil(4 * sigma)) + 1  # beyond it the blur is zero
    top, left = max(0, int(rows[0]) - far), max(0, int(columns[0]) - far)
    box = np.s_[top : int(rows[-1]) + far + 1, left : int(columns[-1]) + far + 1]
    cut = rows[0] == 0 or rows[-1] == h - 1 or columns[0] == 0 or columns[-1] == w - 1
    border = cv2.BORDER_REFLECT if cut else cv2.BORDER_CONSTANT
    step = max(1, int(sigma / 4))
    bh, bw = light[box].shape[:2]
    pad = (-bh % step, -bw % step)
    grown = cv2.copyMakeBorder(light[box], 0, pad[0], 0, pad[1], border)
    size = ((bw + pad[1]) // step, (bh + pad[0]) // step)
    blurred = cv2.GaussianBlur(
        cv2.resize(grown, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / step, borderType=border
    )
    large = cv2.resize(blurred, (bw + pad[1], bh + pad[0]), interpolation=cv2.INTER_LINEAR)
    result[box] = large.reshape(*large.shape[:2], -1)[:bh, :bw]
    return result


def _fit(heads: Sequence[_Head]) -> tuple[_Floats, list[_Light]]:
    """One kernel (k,) for the series and the light of each head, alternating, from below."""
    areas = np.array([h.area for h in heads])
    kernel = np.full(len(SIGMAS), 0.2)
    lights = [_first(h, kernel) for h in heads]
    for spread in SPREAD:
        lhs, rhs = 1e-12 * np.eye(len(SIGMAS)), np.zeros(len(SIGMAS))
        for head, light in zip(heads, lights, strict=True):
            _relight(light, head, kernel, spread)
        middle = _bounded(lights, areas)
        for head, light in zip(heads, lights, strict=True):
            weight = _weights(head, light.shape(head, kernel * middle), light.strength, spread)
            spread_head = np.tensordot(light.tilt, head.basis, 1)
            for c in range(3):
                scaled = spread_head * (light.strength[c] * np.sqrt(weight))[:, None]
                lhs += scaled.T @ scaled
                rhs += scaled.T @ (np.sqrt(weight) * head.target[:, c])
        kernel = _not_negative(lhs + 1e-9 * np.trace(lhs) * np.eye(len(SIGMAS)), rhs)
    return kernel, lights


def _bounded(lights: Sequence[_Light], areas: _Floats) -> float:
    """Scale all strengths so that the middle one is 1, and return what it was; bound badly known ones.

    The middle is taken by light, not by area: a large dim softbox glows less than a small bare reflector.
    """
    strengths = np.array([light.strength for light in lights])
    weights = areas * strengths.mean(axis=1)
    middle = _weighted_median(strengths.mean(axis=1), weights)
    hues = strengths / strengths.mean(axis=1, keepdims=True)
    hue = np.array([_weighted_median(hues[:, c], weights) for c in range(3)])
    for light, area in zip(lights, areas, strict=True):
        strength = np.minimum(light.strength, HUE * hue * float(np.min(light.strength / hue)))
        most = (STRONGEST if area < SMALL else np.inf) * middle
        light.strength = strength * min(1, most / strength.mean()) / middle
    return middle


def _not_negative(gram: _Floats, right: _Floats) -> _Floats:
    """Least squares with unknowns (k,) of at least 0, by active sets: minimum of x G x / 2 - b x.

    C. L. Lawson, R. J. Hanson, Solving Least Squares Problems, chapter 23, on the normal equations.
    """
    x, free = np.zeros(len(right)), np.zeros(len(right), bool)
    for _ in range(3 * len(right)):
        slope = np.where(free, -np.inf, right - gram @ x)
        if slope.max() <= 1e-10 * np.abs(right).max(initial=0):
            break
        free[slope.argmax()] = True
        while free.any():
            best = np.zeros_like(x)
            best[free] = np.linalg.solve(gram[np.ix_(free, free)], right[free])
            if (best[free] > 0).all():
                x = best
                break
            falling = free & (best <= 0)
            x = x + np.min(x[falling] / np.maximum(x[falling] - best[falling], 1e-300)) * (best - x)
            free &= x > 1e-12 * np.abs(x).max()
            x[~free] = 0
    return x


def _first(head: _Head, kernel: _Floats) -> _Light:
    """Start: strength is a low quantile of excess over shape near the head."""
    shape = head.basis[0] @ kernel
    near = shape > 0.1 * shape.max(initial=0)
    strength = np.full(3, WEAKEST)
    if near.any():
        strength = np.maximum(np.quantile(head.smooth[near] / shape[near, None], 0.1, axis=0), WEAKEST)
    return _Light(strength, np.array([1.0, 0.0, 0.0]))


def _relight(light: _Light, head: _Head, kernel: _Floats, spread: float) -> None:
    """Weighted least squares for one head's strength, then for its tilt."""
    parts = head.basis @ kernel  # (3, n)
    # not from the last strength alone: once near zero, all light counts as a lamp's and it stays there
    light.strength = np.maximum(light.strength, _first(head, kernel).strength)
    for _ in range(3):
        shape = light.tilt @ parts
        weight = _weights(head, shape, light.strength, spread)
        bottom = max(float((weight * shape) @ shape), 1e-12)
        light.strength = np.maximum((weight * shape) @ head.target / bottom, WEAKEST)
    weight = _weights(head, light.tilt @ parts, light.strength, spread)
    slopes = parts[1:] * weight
    left = head.target.mean(axis=1) / light.strength.mean() - parts[0]
    size = float((parts[0] * weight) @ parts[0])
    tilt = np.linalg.solve(slopes @ parts[1:].T + (1e-3 * size + 1e-12) * np.eye(2), slopes @ left)
    light.tilt[1:] = tilt * min(1, TILT / max(float(np.linalg.norm(tilt)), 1e-9))


def _weights(head: _Head, shape: _Floats, strength: _Floats, spread: float) -> _Floats:
    """Weights (n,) of squared residuals: relative, less where lamp light shows in any channel."""
    above = np.zeros(len(shape))
    for c in range(3):
        model = shape * strength[c]
        np.maximum(above, (head.target[:, c] - model) / (spread * (NOISE + model) + head.noise - NOISE), out=above)
    model = shape * strength.mean()
    mean = head.noise + model
    lit = head.others / (REACH * mean)
    above *= above
    lit *= lit
    above += 1
    return np.asarray((model > 2 * NOISE) / (mean * mean * above * above * (1 + lit)))


def _model(head: _Head, light: _Light, kernel: _Floats) -> _Field:
    """Glow of one head (h, w, 3), half-size."""
    source = np.tensordot(light.tilt.astype(np.float32), head.sources, 1)[..., None]
    shape = np.zeros_like(source)
    for part, sigma in zip(kernel, SIGMAS, strict=True):
        if part > 0:
            shape += np.float32(part) * _spread(source, sigma)
    return np.asarray(np.maximum(shape, 0) * light.strength.astype(np.float32))


def _rim(heads: Sequence[_Head], lights: Sequence[_Light], kernel: _Floats) -> _Floats:
    """Measure what the kernel leaves close to a head (its own soft edge), by distance in half-size pixels.

    The middle head's low quantile, in units of strength, for each distance; falls outwards, 0 at `RIM`.
    """
    rest = np.zeros(RIM + 1)

    def left_of(k: int) -> tuple[_Field, _Field]:
        head, distance = heads[k], heads[k].distance
        close = head.free & (distance < RIM)
        left = (head.near - _model(head, lights[k], kernel)[close]) / lights[k].strength
        return distance[close], np.asarray(left.mean(axis=1), np.float32)

    rings = parallel.each(left_of, range(len(heads)))
    for d in range(1, RIM):
        found, areas = [], []
        for head, (near, left_over) in zip(heads, rings, strict=True):
            left = left_over[np.abs(near - d) <= 0.75]
            if len(left) >= 8:
                found.append(np.quantile(left, RIM_QUANTILE))
                areas.append(head.area)
        rest[d] = max(_weighted_median(np.array(found), np.array(areas)), 0) if found else 0
    rest[0] = rest.max()
    return np.asarray(np.maximum.accumulate(rest[::-1])[::-1])


def _weighted_median(values: _Floats, weights: _Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    middle = np.searchsorted(total, 0.5 * total[-1])
    return float(values[order][min(int(middle), len(values) - 1)])


def _limited(model: _Field, head: _Head, excess: _Field, shape: tuple[int, int]) -> _Field:
    """Keep frame minus glow above the plate where that is seen; back to preview size."""
    free = head.free.astype(np.float32)
    ceiling = np.zeros_like(model)
    for sigma in CEILING_SIGMAS:
        weight = cv2.GaussianBlur(free, (0, 0), sigma)[..., None]
        seen = cv2.GaussianBlur(excess * free[..., None], (0, 0), sigma) / np.maximum(weight, 1e-3)
        ceiling = np.maximum(ceiling, np.where(weight > 1e-2, seen, np.float32(1)))
    field = np.minimum(model, ceiling).astype(np.float32)
    field[head.distance < CORE] = 1  # the head itself, also where the mask missed a piece of it
    return np.asarray(cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR))

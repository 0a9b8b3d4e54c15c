"""Glow: light that the lens scatters around a visible head.

The scattering belongs to the lens, not to the frame: one radial kernel is fitted to all heads of the series
together, and only a strength per channel to each frame. The fit is one from below: what lies above the
model is lamp light on the scene and loses its weight; what lies below it contradicts it, because light only
adds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import colour, parallel
from .drawer import Drawer, Kept, Row, Waiting
from .errors import WorksheetError
from .glowfit import NOISE, Floats, Light, Samples, fit, fit_one, weighted_median
from .light import halved, times
from .previews import Preview
from .recall import Recall, anew

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

DAYLIGHT = 0.06
"""Share of the daylight by which a pixel may be off: its level, its sharp edges and the alignment. Without it, before
a bright sky, the fit from below finds no glow at all (0.03 to 0.06 alike elsewhere)."""

AVERAGED = 4.0
"""Half-size pixels (sigma) over which light is averaged where a first strength is read off."""

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
_Place = tuple[int, int, int, int, int]
_Near = tuple[NDArray[np.bool_], NDArray[np.float32]]
"""Pixels close to a head that are seen (h, w), and frame minus plate there (m, 3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadFit:
    """What was found for one head.

    Attributes
    ----------
    place : (int, int, int, int, int)
        By which it is known again: preview pixels, and the box (top, left, bottom, right) that they lie in.
    strength : (float, float, float)
        Per channel, in units of the middle head.
    tilt : (float, float, float)
        Brightness across the head: 1, and its slopes in x and y.
    """

    place: _Place
    strength: tuple[float, ...]
    tilt: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What was found for a series; it holds as long as the heads are the same.

    Attributes
    ----------
    kernel : tuple of float
        Share of each Gaussian of `SIGMAS`.
    rim : tuple of float
        What a head's soft edge adds, in units of its strength, by distance in half-size pixels.
    heads : tuple of HeadFit or None
        By frame; None where no head is seen.
    """

    kernel: tuple[float, ...]
    rim: tuple[float, ...]
    heads: tuple[HeadFit | None, ...]

    def to_data(self, names: Sequence[str]) -> dict[str, Any]:
        """Give it as JSON data, heads by the names of their frames; floats keep all their digits."""
        heads = {name: asdict(head) for name, head in zip(names, self.heads, strict=True) if head is not None}
        return {"kernel": list(self.kernel), "rim": list(self.rim), "heads": heads}

    @classmethod
    def from_data(cls, data: Any, names: Sequence[str]) -> Fit:
        """Read what `to_data` gave.

        Raises
        ------
        WorksheetError
            It is not that.
        """
        try:
            kernel, rim, heads = _floats(data["kernel"], len(SIGMAS)), _floats(data["rim"], RIM + 1), data["heads"]
            found = {
                name: HeadFit(
                    place=_five(head["place"]),
                    strength=_floats(head["strength"], 3),
                    tilt=_floats(head["tilt"], 3),
                )
                for name, head in heads.items()
            }
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            remedy = "restore it, or delete it: the glow is then measured again"
            raise WorksheetError("merge.glow_fit cannot be used", remedy=remedy) from error
        return cls(kernel=kernel, rim=rim, heads=tuple(found.get(name) for name in names))

    def place(self, i: int) -> _Place | None:
        """Where a frame has its head, if it has one."""
        head = self.heads[i]
        return None if head is None else head.place

    def of(self, i: int) -> Light:
        """Strength and tilt of one head."""
        head = self.heads[i]
        assert head is not None
        return Light(np.array(head.strength), np.array(head.tilt))


def _floats(values: Any, count: int) -> tuple[float, ...]:
    """Read some finite numbers of at least -1; ValueError otherwise."""
    numbers = tuple(map(float, values))
    if len(numbers) != count or not all(-1 <= number < np.inf for number in numbers):
        raise ValueError(numbers)
    return numbers


def _five(values: Any) -> _Place:
    """Read five integers; ValueError otherwise."""
    pixels, top, left, bottom, right = map(int, values)
    return pixels, top, left, bottom, right


@dataclass(frozen=True, kw_only=True, eq=False)
class _Head:
    """A visible head in one frame, half-size."""

    drawer: Drawer
    area: float  # pixels
    source: Waiting = Waiting()  # (h, w) float32: the head's area
    distance: Waiting = Waiting()  # (h, w) float32: to the head, half-size pixels

    @classmethod
    def of(cls, source: NDArray[np.bool_], drawer: Drawer) -> _Head:
        """Take what is clipped (h, w), preview size, for a head."""
        area = halved(source.astype(np.float32))
        distance = cv2.distanceTransform((area < min(0.5, float(area.max()))).astype(np.uint8), cv2.DIST_L2, 5)
        return cls(drawer=drawer, area=float(area.sum()), source=area, distance=np.asarray(distance))

    @property
    def sources(self) -> _Field:
        """(3, h, w): the head's area, and its slopes in x and y (-1 to 1 across the head)."""
        source = self.source
        return np.stack([source, *(source * slope for slope in _slopes(source))])


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
    return tuple(parallel.each(one_by_one(previews, hidden, ambient)[0], range(len(previews))))


def one_by_one(
    previews: Sequence[Preview],
    hidden: Sequence[NDArray[np.uint8]],
    ambient: Sequence[bool],
    known: Fit | None = None,
    recall: Recall = anew,
) -> tuple[Callable[[int], _Field | None], Fit | None]:
    """Fit the glow of a series, and give that of any frame when asked, so that not all are held at once: see `estimate`.

    Parameters
    ----------
    previews, hidden, ambient
        As for `estimate`.
    known : Fit, optional
        What was found before. It is taken over as long as all its heads are there, so that a changed mask changes the glow
        of other frames nowhere; one more head is measured by the kernel that is known. Where a head has gone, it
        may never have been one: all is measured anew.
    recall : Recall

    Returns
    -------
    callable
        Takes the number of a frame.
    Fit or None
        What was found; None where no head is seen.
    """
    common = reduce(np.add, (p.clipped.view(np.uint8) for p in previews)) > 1

    def head(i: int) -> tuple[_Head, _Place] | None:
        source = None if ambient[i] else _source(previews[i], hidden[i], common)
        return None if source is None else (_Head.of(source, previews[i].drawer), _place(source))

    seen_heads = parallel.each(
        lambda i: recall(lambda: head(i), "head", ambient[i], previews[i], hidden[i], common), range(len(previews))
    )
    heads = {i: found[0] for i, found in enumerate(seen_heads) if found is not None}
    places = [None if found is None else found[1] for found in seen_heads]
    if not heads:
        return lambda _: None, None
    plate = _plate(previews, hidden, ambient)

    def sampler() -> Callable[[int], tuple[Samples, _Near]]:
        return _sampler(heads, previews, hidden, [i for i, flag in enumerate(ambient) if not flag], plate)

    if known is not None and _goes_on(known, places):
        found = _more(known, places, sampler)
    else:
        found = _found(heads, places, sampler())

    def field_of(i: int) -> _Field | None:
        if i not in heads:
            return None
        light, rim = found.of(i), np.array(found.rim)
        correction = np.interp(heads[i].distance, np.arange(len(rim)), rim)[..., None] * light.strength
        model = _model(heads[i], light, np.array(found.kernel))
        seen, free = _seen(previews[i], hidden[i])
        return _limited((model + correction).astype(np.float32), heads[i], seen - plate, free, previews[i].shape)

    return field_of, found


def _sampler(
    heads: Mapping[int, _Head],
    previews: Sequence[Preview],
    hidden: Sequence[NDArray[np.uint8]],
    lamps: Sequence[int],
    plate: _Field,
) -> Callable[[int], tuple[Samples, _Near]]:
    """Give the samples of any frame with a head when asked, beside the light of the other lamp frames."""

    def beyond_plate(i: int) -> Kept:
        return previews[i].drawer.put(colour.luminance(halved(previews[i].linear) - plate))

    added = dict(zip(lamps, parallel.each(beyond_plate, lamps), strict=True))

    def sampled(i: int) -> tuple[Samples, _Near]:
        others = Row([light for j, light in added.items() if j != i])
        seen, free = _seen(previews[i], hidden[i])
        excess, close = seen - plate, free & (heads[i].distance < RIM)
        return _samples(heads[i], excess, free, others, plate), (close, excess[close])

    return sampled


def _found(
    heads: Mapping[int, _Head], places: Sequence[_Place | None], sampled: Callable[[int], tuple[Samples, _Near]]
) -> Fit:
    """Fit all heads of a series."""
    taken = parallel.each(sampled, list(heads))
    kernel, lights = fit([samples for samples, _ in taken])
    rim = _rim(list(heads.values()), [near for _, near in taken], lights, kernel)
    light_of = dict(zip(heads, lights, strict=True))
    return Fit(
        kernel=tuple(kernel.tolist()),
        rim=tuple(rim.tolist()),
        heads=tuple(None if place is None else _kept(place, light_of[i]) for i, place in enumerate(places)),
    )


def _goes_on(known: Fit, places: Sequence[_Place | None]) -> bool:
    """Whether all heads of a fit are there still, or have become more."""
    for i, place in enumerate(places):
        before = known.place(i)
        if before is not None and (place is None or not _holds(place, before)):
            return False
    return True


def _holds(place: _Place, other: _Place) -> bool:
    """Whether a head is at least as large as another, and reaches as far to every side."""
    pixels, top, left, bottom, right = other
    return place[0] >= pixels and place[1] <= top and place[2] <= left and place[3] >= bottom and place[4] >= right


def _more(
    known: Fit, places: Sequence[_Place | None], sampler: Callable[[], Callable[[int], tuple[Samples, _Near]]]
) -> Fit:
    """Take a fit over, and measure by its kernel the heads that it does not know."""
    heads = list(known.heads)
    unknown = {i: place for i, place in enumerate(places) if place is not None and known.place(i) != place}
    if unknown:
        sampled = sampler()
        for i, place in unknown.items():
            heads[i] = _kept(place, fit_one(sampled(i)[0], np.array(known.kernel)))
    return replace(known, heads=tuple(heads))


def _kept(place: _Place, light: Light) -> HeadFit:
    return HeadFit(place=place, strength=tuple(light.strength.tolist()), tilt=tuple(light.tilt.tolist()))


def _place(source: NDArray[np.bool_]) -> _Place:
    """By what a head is known again: see `HeadFit`."""
    left, top, width, height = cv2.boundingRect(source.view(np.uint8))
    return int(np.count_nonzero(source)), top, left, top + height, left + width


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
    free = (mask <= 127) & ~preview.clipped & preview.valid
    share = halved(free.astype(np.float32))
    shown = halved(cv2.copyTo(preview.linear, free.view(np.uint8)))
    return times(shown, 1 / np.maximum(share, np.float32(1e-3))), share >= 0.25


def _samples(head: _Head, excess: _Field, free: NDArray[np.bool_], others: Sequence[_Field], plate: _Field) -> Samples:
    """Take the samples of one frame, dense near the head."""
    area, distance = head.source, head.distance
    rows, columns = np.indices(area.shape)
    step = np.select([distance < 8, distance < 24, distance < 80], [1, 2, 4], 8)
    taken = free & (rows % step == 0) & (columns % step == 0) & (distance < 4 * SIGMAS[-1])
    stacked = np.dstack([area, *(area * slope for slope in _slopes(area))])
    basis = np.stack([_spread(stacked, sigma)[taken] for sigma in SIGMAS])  # (k, n, 3)
    usual = np.median([light[taken] for light in others], axis=0) if others else np.zeros(np.count_nonzero(taken))
    return Samples(
        area=head.area,
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
    return times(cv2.GaussianBlur(times(light, weight), (0, 0), AVERAGED), 1 / bottom)


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


def _model(head: _Head, light: Light, kernel: Floats) -> _Field:
    """Glow of one head (h, w, 3), half-size."""
    source = np.tensordot(light.tilt.astype(np.float32), head.sources, 1)[..., None]
    shape = np.zeros_like(source)
    for part, sigma in zip(kernel, SIGMAS, strict=True):
        if part > 0:
            shape += np.float32(part) * _spread(source, sigma)
    return np.asarray(np.maximum(shape, 0) * light.strength.astype(np.float32))


def _rim(heads: Sequence[_Head], near: Sequence[_Near], lights: Sequence[Light], kernel: Floats) -> Floats:
    """Measure what the kernel leaves close to a head (its own soft edge), by distance in half-size pixels.

    The middle head's low quantile, in units of strength, for each distance; falls outwards, 0 at `RIM`.
    """
    rest = np.zeros(RIM + 1)

    def left_of(k: int) -> tuple[_Field, _Field]:
        close, excess = near[k]
        left = (excess - _model(heads[k], lights[k], kernel)[close]) / lights[k].strength
        return heads[k].distance[close], np.asarray(left.mean(axis=1), np.float32)

    rings = parallel.each(left_of, range(len(heads)))
    for d in range(1, RIM):
        found, areas = [], []
        for head, (distance, left_over) in zip(heads, rings, strict=True):
            left = left_over[np.abs(distance - d) <= 0.75]
            if len(left) >= 8:
                found.append(np.quantile(left, RIM_QUANTILE))
                areas.append(head.area)
        rest[d] = max(weighted_median(np.array(found), np.array(areas)), 0) if found else 0
    rest[0] = rest.max()
    return np.asarray(np.maximum.accumulate(rest[::-1])[::-1])


def _limited(model: _Field, head: _Head, excess: _Field, visible: NDArray[np.bool_], shape: tuple[int, int]) -> _Field:
    """Keep frame minus glow above the plate where that is seen; back to preview size."""
    free = visible.astype(np.float32)
    shown = times(excess, free)
    ceiling = np.zeros_like(model)
    for sigma in CEILING_SIGMAS:
        weight = cv2.GaussianBlur(free, (0, 0), sigma)
        seen = times(cv2.GaussianBlur(shown, (0, 0), sigma), 1 / np.maximum(weight, np.float32(1e-3)))
        seen[weight <= 1e-2] = 1
        ceiling = np.maximum(ceiling, seen)
    field = np.minimum(model, ceiling).astype(np.float32)
    field[head.distance < CORE] = 1  # the head itself, also where the mask missed a piece of it
    return np.asarray(cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR))

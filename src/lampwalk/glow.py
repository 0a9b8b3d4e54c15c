"""Glow: light that the lens scatters around a visible head.

The scattering belongs to the lens, not to the frame: one radial kernel is fitted to all heads of the series together,
and only a strength per channel to each frame. The fit is one from below: what lies above the model is lamp light on
the scene and loses its weight; what lies below it contradicts it, because light only adds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .previews import Preview

SHRINK = 2
"""Glow is smooth: it is fitted at half the preview's size."""

SIGMAS = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""Widths of the kernel's Gaussians in half-size pixels: a geometric row, the last a tenth of the picture. Wider ones
take the lamp's light on the scene for glow."""

HEAD_PX = 12
"""Size of a clipped blob, in preview pixels, from which on it counts as a head; smaller ones are glints on a stand."""

OWN_SHARE = 0.6
"""A clipped blob is a head when at least this share of it is hidden; one that goes on outside is lit ground."""

SPREAD = (1.5, 1.5, 1.5, 1.5, 1.0, 0.7, 0.5, 0.4, 0.3, 0.3)
"""Residual above the model, relative to it, at which a pixel's weight has fallen to a quarter, round by round of the
alternating fit: wide at first, so that the steep light close to a head is not taken for a lamp's on the scene."""

REACH = 0.3
"""Light of the other lamps, relative to the model, at which a pixel's weight has halved: pure glow is seen best where
no lamp lights the scene (sky, dark foliage, deep background)."""

NOISE = 0.0015
"""Noise of a half-size pixel in linear light; weaker glow does not enter the fit."""

STRONGEST = 1.6
"""No head is taken for more than this many times as strong as the middle one: small sources have badly known ones."""

RIM = 8
"""Half-size pixels round a head in which the head's soft edge adds to the kernel."""

RIM_QUANTILE = 0.6
"""Share of a ring's pixels that may lie below the rim light found in it."""

CORE = 1.5
"""Half-size pixels round a head within which all light is the head's own."""

CEILING_SIGMAS = (0.6, 1.5)
"""Blurs, half-size pixels, of the excess that limits the glow: the narrow one follows the steep light at a head's edge,
the wide one averages the noise."""

_Field = NDArray[np.float32]
_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Head:
    """What the fit needs of one frame with a visible head, half-size; samples are the pixels that enter the fit."""

    index: int
    area: float  # of the source, half-size pixels
    distance: _Field  # (h, w): to the source, half-size pixels
    basis: _Field  # (k, h, w): the head spread by each Gaussian
    excess: _Field  # (h, w, 3): frame minus plate
    free: NDArray[np.bool_]  # (h, w): neither hidden nor clipped nor outside the frame
    sample_basis: _Floats  # (n, k)
    sample_excess: _Floats  # (n, 3)
    sample_others: _Floats  # (n,): light of the other lamps


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
        Linear light, at least 0, smooth; limited so that frame minus glow, taken smoothly, does not fall below the
        ambient plate (below the darkest frame where there is no ambient frame). None where a frame shows no head.

    Notes
    -----
    The kernel is a non-negative sum of Gaussians, so it falls outwards everywhere. Light lost by lit ground through
    the same scattering is left alone: it would be there without the equipment, too.
    """
    sources = [None if a else _source(p, m) for p, m, a in zip(previews, hidden, ambient, strict=True)]
    fields: list[_Field | None] = [None] * len(previews)
    if all(s is None for s in sources):
        return tuple(fields)
    small = [_small(p.linear) for p in previews]
    plate = _plate(small, hidden, ambient)
    heads = []
    for i, source in enumerate(sources):
        if source is not None:
            others = [f for j, f in enumerate(small) if j != i and not ambient[j]]
            light, free = _seen(previews[i], hidden[i])
            heads.append(_head(i, source, light - plate, free, _light(others, plate)))
    kernel, strengths = _fit(heads)
    models = [np.einsum("k,khw->hw", kernel, h.basis)[..., None] * s for h, s in zip(heads, strengths, strict=True)]
    rim = _rim(heads, models, strengths)
    for head, strength, model in zip(heads, strengths, models, strict=True):
        model = model + np.interp(head.distance, np.arange(len(rim)), rim)[..., None] * strength
        fields[head.index] = _limited(model, head, previews[head.index].shape)
    return tuple(fields)


def _source(preview: Preview, mask: NDArray[np.uint8]) -> NDArray[np.bool_] | None:
    """The head as a light source (h, w): clipped blobs that lie in the mask; None where there are none."""
    count, label, stats, _ = cv2.connectedComponentsWithStats(preview.clipped.astype(np.uint8))
    area = stats[:, cv2.CC_STAT_AREA]
    inside = np.bincount(label[mask > 127], minlength=count)
    own = (inside >= OWN_SHARE * area) & (area >= HEAD_PX)
    own[0] = False
    return np.asarray(own[label]) if own.any() else None


def _plate(
    small: Sequence[_Field], hidden: Sequence[NDArray[np.uint8]], ambient: Sequence[bool]
) -> _Field:
    """Light without any flash, half-size: mean of the ambient frames, else the darkest visible frame."""
    chosen = [f for f, a in zip(small, ambient, strict=True) if a]
    if chosen:
        return np.mean(chosen, axis=0, dtype=np.float32)
    seen = [np.where((_small(m) > 0)[..., None], np.float32(1), f) for f, m in zip(small, hidden, strict=True)]
    return np.asarray(np.min(seen, axis=0))


def _light(others: Sequence[_Field], plate: _Field) -> _Field:
    """What lamps usually add at each pixel (h, w): the median of the other lamp frames over the plate."""
    if not others:
        return np.zeros(plate.shape[:2], np.float32)
    return np.asarray(np.median([(f - plate).mean(axis=2) for f in others], axis=0), np.float32)


def _seen(preview: Preview, mask: NDArray[np.uint8]) -> tuple[_Field, NDArray[np.bool_]]:
    """Half-size light (h, w, 3) of the pixels that show measured light only, and where there are any (h, w)."""
    free = ((mask <= 127) & ~preview.clipped & preview.valid).astype(np.float32)
    share = _small(free)
    light = _small(preview.linear * free[..., None]) / np.maximum(share, 1e-3)[..., None]
    return light, share >= 0.25


def _head(index: int, source: NDArray[np.bool_], excess: _Field, free: NDArray[np.bool_], others: _Field) -> _Head:
    """Spread one head by the kernel's Gaussians and take the samples, dense near the head."""
    light = _small(source.astype(np.float32))
    basis = np.stack([_spread(light, s) for s in SIGMAS])
    distance = cv2.distanceTransform((light < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    rows, columns = np.indices(light.shape)
    step = np.where(distance < 12, 1, np.where(distance < 40, 2, 4))
    taken = free & (rows % step == 0) & (columns % step == 0) & (distance < 4 * SIGMAS[-1])
    return _Head(
        index=index,
        area=float(light.sum()),
        distance=np.asarray(distance),
        basis=basis,
        excess=excess,
        free=free,
        sample_basis=basis[:, taken].T.astype(np.float64),
        sample_excess=excess[taken].astype(np.float64),
        sample_others=np.maximum(others[taken], 0).astype(np.float64),
    )


def _spread(light: _Field, sigma: float) -> _Field:
    """Gaussian blur; a head cut by the picture's edge goes on beyond it (mirrored)."""
    rim = light[0].any() or light[-1].any() or light[:, 0].any() or light[:, -1].any()
    border = cv2.BORDER_REFLECT if rim else cv2.BORDER_CONSTANT
    step = max(1, int(sigma / 4))
    h, w = light.shape
    pad = (-h % step, -w % step)
    grown = cv2.copyMakeBorder(light, 0, pad[0], 0, pad[1], border)
    small = cv2.resize(grown, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=border)
    return np.asarray(cv2.resize(blurred, (w + pad[1], h + pad[0]), interpolation=cv2.INTER_LINEAR)[:h, :w])


def _fit(heads: Sequence[_Head]) -> tuple[_Field, _Field]:
    """One kernel (k,) for the series and a strength (3,) for each head, alternating, from below."""
    from scipy.optimize import nnls

    areas = np.array([h.area for h in heads])
    kernel = np.full(len(SIGMAS), 0.2)
    strengths = np.stack([_lowest(h, kernel) for h in heads])
    for spread in SPREAD:
        lhs, rhs = 1e-12 * np.eye(len(SIGMAS)), np.zeros(len(SIGMAS))
        for j, head in enumerate(heads):
            strengths[j] = _strength(head, kernel, strengths[j], spread)
        middle = _weighted_median(strengths.mean(axis=1), areas)
        strengths *= np.minimum(1, STRONGEST * middle / strengths.mean(axis=1))[:, None]
        for head, strength in zip(heads, strengths, strict=True):
            weight = _weights(head, kernel, strength, spread)
            for c in range(3):
                scaled = head.sample_basis * (strength[c] * np.sqrt(weight[:, c : c + 1]))
                lhs += scaled.T @ scaled
                rhs += scaled.T @ (np.sqrt(weight[:, c]) * head.sample_excess[:, c])
        root = np.linalg.cholesky(lhs + 1e-9 * np.trace(lhs) * np.eye(len(SIGMAS)))
        kernel, _ = nnls(root.T, np.linalg.solve(root, rhs))
        kernel, strengths = kernel * middle, strengths / middle
    return kernel.astype(np.float32), strengths.astype(np.float32)


def _lowest(head: _Head, kernel: _Floats) -> _Floats:
    """First strength (3,): a low quantile of excess over shape near the head."""
    shape = head.sample_basis @ kernel
    near = shape > 0.1 * shape.max(initial=0)
    if not near.any():
        return np.full(3, 1e-3)
    return np.asarray(np.maximum(np.quantile(head.sample_excess[near] / shape[near, None], 0.1, axis=0), 1e-3))


def _strength(head: _Head, kernel: _Floats, strength: _Floats, spread: float) -> _Floats:
    """Weighted least squares for one head's strength (3,)."""
    shape = (head.sample_basis @ kernel)[:, None]
    for _ in range(3):
        weight = _weights(head, kernel, strength, spread)
        top, bottom = (weight * shape * head.sample_excess).sum(axis=0), (weight * shape**2).sum(axis=0)
        strength = np.maximum(top / np.maximum(bottom, 1e-12), 1e-3)
    return strength


def _weights(head: _Head, kernel: _Floats, strength: _Floats, spread: float) -> _Floats:
    """Weights (n, 3) of squared residuals: relative, less where lamp light shows in any channel."""
    model = (head.sample_basis @ kernel)[:, None] * strength
    scale = NOISE + model
    above = np.max((head.sample_excess - model) / (spread * scale), axis=1).clip(0)
    lit = head.sample_others / (REACH * scale.mean(axis=1))
    return np.asarray((model > NOISE) / scale**2 / ((1 + above**2) ** 2 * (1 + lit**2))[:, None])


def _rim(heads: Sequence[_Head], models: Sequence[_Field], strengths: _Field) -> _Floats:
    """What the kernel leaves close to a head (the head's own soft edge), by distance in half-size pixels.

    The middle head's low quantile, in units of strength, for each distance; falls outwards, 0 at `RIM`.
    """
    rest = np.zeros(RIM + 1)
    for d in range(1, RIM):
        found, areas = [], []
        for head, model, strength in zip(heads, models, strengths, strict=True):
            ring = head.free & (np.abs(head.distance - d) <= 0.75)
            if np.count_nonzero(ring) >= 8:
                left = ((head.excess[ring] - model[ring]) / strength).mean(axis=1)
                found.append(np.quantile(left, RIM_QUANTILE))
                areas.append(head.area)
        rest[d] = max(_weighted_median(np.array(found), np.array(areas)), 0) if found else 0
    rest[0] = rest.max()
    return np.asarray(np.maximum.accumulate(rest[::-1])[::-1])


def _weighted_median(values: _Floats, weights: _Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def _limited(model: _Field, head: _Head, shape: tuple[int, int]) -> _Field:
    """Keep frame minus glow above the plate where that is seen; back to preview size."""
    free = head.free.astype(np.float32)
    ceiling = np.zeros_like(model)
    for sigma in CEILING_SIGMAS:
        weight = cv2.GaussianBlur(free, (0, 0), sigma)[..., None]
        seen = cv2.GaussianBlur(head.excess * free[..., None], (0, 0), sigma) / np.maximum(weight, 1e-3)
        ceiling = np.maximum(ceiling, np.where(weight > 1e-2, seen, np.float32(1)))
    field = np.minimum(model, ceiling).astype(np.float32)
    field[head.distance < CORE] = 1  # the head itself, also where the mask missed a piece of it
    return np.asarray(cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR))


def _small(picture: NDArray[np.generic]) -> _Field:
    """Half-size mean (bool and uint8 become float32)."""
    h, w = picture.shape[:2]
    size = (max(1, -(-w // SHRINK)), max(1, -(-h // SHRINK)))
    return np.asarray(cv2.resize(picture.astype(np.float32), size, interpolation=cv2.INTER_AREA))

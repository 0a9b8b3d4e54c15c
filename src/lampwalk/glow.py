"""Glow: light that the lens scatters around a visible head.

The scattering belongs to the lens, not to the frame, so one radial kernel is fitted to all frames of the series
together, and only a strength and a colour to each frame. The fit is one from below: what lies above the model is
lamp light on the scene, what lies below it contradicts it, because light only adds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .previews import Preview

SHRINK = 4
"""Glow is smooth: it is fitted and kept at a quarter of the preview's size."""

SIGMAS = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Widths of the kernel's Gaussians in quarter pixels: a geometric row from the pixel to a tenth of the picture."""

OWN_SHARE = 0.6
"""A clipped blob is a head when at least this share of it is hidden; one that goes on outside is lit ground."""

HEAD_PX = 12
"""Clipped preview pixels inside a mask from which on a head counts as visible; fewer are glints on a stand."""

MARGIN_PX = 4
"""Distance from a mask, in preview pixels, within which pixels do not enter the fit (soft edges, resampling)."""

SPREAD = 0.2
"""Residual above the model, relative to it, at which a pixel's weight has fallen to a quarter: such pixels show lamp
light, not glow."""

ROUNDS = 12
"""Rounds of the alternating fit; it settles to three digits in about eight."""

NOISE = 0.0015
"""Noise of a quarter-size pixel, linear light: below it relative residuals count no more."""

_Field = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class _Head:
    """One frame with a visible head, at quarter size."""

    index: int
    basis: _Field  # (k, h, w): the head spread by each Gaussian
    excess: _Field  # (h, w, 3): frame minus plate
    others: _Field  # (h, w): light of the other lamps, for places that no lamp reaches
    usable: NDArray[np.bool_]  # (h, w)


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
        Linear light, at least 0, smooth; already limited so that frame minus glow does not fall below the ambient
        plate (below the darkest frame where there is no ambient frame). None where the frame shows no head.
    """
    plate = _plate(previews, hidden, ambient)
    sources = [None if a else _source(p, m) for p, m, a in zip(previews, hidden, ambient, strict=True)]
    if all(s is None for s in sources):
        return (None,) * len(previews)
    lit = np.stack([_small(p.linear).mean(axis=2) for p in previews]) - plate.mean(axis=2)
    lit[[bool(a) for a in ambient]] = np.nan
    heads = []
    for i, source in enumerate(sources):
        if source is not None:
            others = np.nanmedian(np.delete(lit, i, axis=0), axis=0) if len(lit) > 1 else np.zeros(lit.shape[1:])
            heads.append(_head(i, previews[i], hidden[i], plate, source, others))
    fields: list[_Field | None] = [None] * len(previews)
    kernel, strengths = _fit(heads)
    for head, strength in zip(heads, strengths, strict=True):
        model = np.einsum("k,khw->hw", kernel, head.basis)[..., None] * strength
        fields[head.index] = _limited(model, head, previews[head.index].shape)
    return tuple(fields)


def _plate(
    previews: Sequence[Preview], hidden: Sequence[NDArray[np.uint8]], ambient: Sequence[bool]
) -> _Field:
    """Light without any flash at quarter size: mean of the ambient frames, else the darkest visible frame."""
    chosen = [p for p, a in zip(previews, ambient, strict=True) if a]
    if chosen:
        return np.mean([_small(p.linear) for p in chosen], axis=0, dtype=np.float32)
    seen = [
        np.where((_small(m) > 0)[..., None], np.float32(1), _small(p.linear))
        for p, m in zip(previews, hidden, strict=True)
    ]
    return np.min(seen, axis=0)


def _small(picture: NDArray[np.generic]) -> _Field:
    h, w = picture.shape[:2]
    size = (max(1, -(-w // SHRINK)), max(1, -(-h // SHRINK)))
    return np.asarray(cv2.resize(picture.astype(np.float32), size, interpolation=cv2.INTER_AREA))


def _source(preview: Preview, mask: NDArray[np.uint8]) -> _Field | None:
    """The head as a light source (h/4, w/4): clipped blobs that lie in the mask, None where there are none."""
    count, label, stats, _ = cv2.connectedComponentsWithStats(preview.clipped.astype(np.uint8))
    inside = np.bincount(label[mask > 127].ravel(), minlength=count)
    own = inside >= OWN_SHARE * stats[:, cv2.CC_STAT_AREA]
    own &= stats[:, cv2.CC_STAT_AREA] >= HEAD_PX
    own[0] = False
    return _small(own[label].astype(np.float32)) if own.any() else None


def _head(index: int, preview: Preview, mask: NDArray[np.uint8], plate: _Field, source, others) -> _Head:
    """Gather what the fit needs of one frame."""
    basis = np.stack(
        [cv2.GaussianBlur(source, (0, 0), s, borderType=cv2.BORDER_CONSTANT) for s in SIGMAS]
    )
    side = 2 * MARGIN_PX + 1
    blocked = cv2.dilate(mask, np.ones((side, side), np.uint8)) > 0
    blocked |= cv2.dilate(preview.clipped.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    blocked |= ~preview.valid
    return _Head(index, basis, _small(preview.linear) - plate, others, _small(blocked.astype(np.uint8)) == 0)


def _fit(heads):
    """One kernel (k,) for the series and a strength (3,) for each head, alternating, from below."""
    from scipy.optimize import nnls

    basis = [h.basis[:, h.usable].T.astype(np.float64) for h in heads]
    excess = [h.excess[h.usable].astype(np.float64) for h in heads]
    others = [h.others[h.usable].astype(np.float64) for h in heads]
    kernel = np.array([0.3, 0.3, 0.2, 0.2, 0.2, 0.1])
    strengths = np.zeros((len(heads), 3))
    for j, (b, e) in enumerate(zip(basis, excess, strict=True)):
        shape = b @ kernel
        near = shape > 0.1 * shape.max()
        strengths[j] = np.maximum(np.quantile(e[near] / shape[near][:, None], 0.1, axis=0), 1e-3)
    for _ in range(ROUNDS):
        lhs = np.zeros((len(SIGMAS), len(SIGMAS)))
        rhs = np.zeros(len(SIGMAS))
        for j, (b, e, o) in enumerate(zip(basis, excess, others, strict=True)):
            shape = b @ kernel
            for c in range(3):
                for _ in range(3):
                    w = _weights(shape * strengths[j, c], e[:, c], o)
                    strengths[j, c] = max(float((w * shape) @ e[:, c] / max(float((w * shape) @ shape), 1e-12)), 1e-3)
                w = _weights(shape * strengths[j, c], e[:, c], o)
                scaled = b * strengths[j, c]
                lhs += (scaled * w[:, None]).T @ scaled
                rhs += (scaled * w[:, None]).T @ e[:, c]
        ridge = 1e-9 * np.trace(lhs) * np.eye(len(SIGMAS))
        root = np.linalg.cholesky(lhs + ridge)
        kernel, _ = nnls(root.T, np.linalg.solve(root, rhs))
        size = np.array([h.basis[0].sum() for h in heads])
        mid = _weighted_median(strengths.mean(axis=1), size)
        strengths *= np.minimum(1, 1.6 * mid / strengths.mean(axis=1))[:, None]
        mean = strengths.mean()
        kernel, strengths = kernel * mean, strengths / mean
    return kernel.astype(np.float32), strengths.astype(np.float32)


def _weighted_median(values, weights):
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return values[order][np.searchsorted(total, 0.5 * total[-1])]


def _weights(model, excess, others):
    """Relative residuals, those above the model light."""
    scale = NOISE + model
    above = np.maximum(excess - model, 0) / (SPREAD * scale)
    return (model > NOISE) / scale**2 / (1 + above**2) ** 2 / (1 + (np.maximum(others, 0) / (0.3 * scale)) ** 2)


def _limited(model: _Field, head: _Head, shape: tuple[int, int]) -> _Field:
    """Keep frame minus glow above the plate; back to preview size."""
    ceiling = cv2.GaussianBlur(np.maximum(head.excess, 0), (0, 0), 1.0)
    field = np.minimum(model, np.maximum(ceiling, 0)).astype(np.float32)
    return np.asarray(cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR))

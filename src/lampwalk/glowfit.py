"""The fit of glow: one kernel of the lens to all heads of a series, and a strength and a tilt to each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SPREAD = (1.5, 1.5, 1.5, 1.5, 1.0, 0.7, 0.5, 0.4, 0.3, 0.3)
"""Residual above the model, relative to it, at which a pixel's weight has fallen to a quarter, round by
round of the alternating fit: wide at first, so that the steep light close to a head is not taken for a
lamp's on the scene."""

REACH = 0.3
"""Light of the other lamps, relative to the model, at which a pixel's weight has halved: pure glow is seen
best where no lamp lights the scene (sky, dark foliage, deep background)."""

NOISE = 0.0015
"""Noise of a half-size pixel in linear light; glow weaker than twice that does not enter the fit."""

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

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """What the fit needs of one frame with a visible head: the pixels that it looks at, half-size.

    Attributes
    ----------
    area : float
        Pixels of the head.
    basis : (3, n, k) float64
        The head, and its slopes in x and y, spread by each Gaussian of the kernel, at the pixels.
    target : (n, 3) float64
        Frame minus plate there.
    others : (n,) float64
        Light of the other lamps there.
    smooth : (n, 3) float64
        Frame minus plate there, averaged.
    noise : (n,) float64
        What frame minus plate may be off by there.
    """

    area: float
    basis: Floats
    target: Floats
    others: Floats
    smooth: Floats
    noise: Floats


@dataclass(slots=True, eq=False)
class Light:
    """What is found for one head: strength per channel (3,), and how its brightness tilts across it (1, slope in x, in y)."""

    strength: Floats
    tilt: Floats

    def shape(self, samples: Samples, kernel: Floats) -> Floats:
        """Glow of strength 1 at the samples (n,)."""
        return np.asarray(np.tensordot(self.tilt, samples.basis, 1) @ kernel)


def fit(heads: Sequence[Samples]) -> tuple[Floats, list[Light]]:
    """Fit one kernel (k,) for the series and the light of each head, alternating, from below."""
    areas = np.array([h.area for h in heads])
    width = heads[0].basis.shape[2]
    kernel = np.full(width, 0.2)
    lights = [_first(h, kernel) for h in heads]
    for spread in SPREAD:
        lhs, rhs = 1e-12 * np.eye(width), np.zeros(width)
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
        kernel = _not_negative(lhs + 1e-9 * np.trace(lhs) * np.eye(width), rhs)
    return kernel, lights


def fit_one(head: Samples, kernel: Floats) -> Light:
    """Fit the light of one more head under a kernel (k,) that is known, in units of the heads that it was found from."""
    light = _first(head, kernel)
    for spread in SPREAD:
        _relight(light, head, kernel, spread)
    if head.area < SMALL:
        light.strength = light.strength * min(1, STRONGEST / light.strength.mean())
    return light


def _bounded(lights: Sequence[Light], areas: Floats) -> float:
    """Scale all strengths so that the middle one is 1, and return what it was; bound badly known ones.

    The middle is taken by light, not by area: a large dim softbox glows less than a small bare reflector.
    """
    strengths = np.array([light.strength for light in lights])
    weights = areas * strengths.mean(axis=1)
    middle = weighted_median(strengths.mean(axis=1), weights)
    hues = strengths / strengths.mean(axis=1, keepdims=True)
    hue = np.array([weighted_median(hues[:, c], weights) for c in range(3)])
    for light, area in zip(lights, areas, strict=True):
        strength = np.minimum(light.strength, HUE * hue * float(np.min(light.strength / hue)))
        most = (STRONGEST if area < SMALL else np.inf) * middle
        light.strength = strength * min(1, most / strength.mean()) / middle
    return middle


def _not_negative(gram: Floats, right: Floats) -> Floats:
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


def _first(head: Samples, kernel: Floats) -> Light:
    """Start: strength is a low quantile of excess over shape near the head."""
    shape = head.basis[0] @ kernel
    near = shape > 0.1 * shape.max(initial=0)
    strength = np.full(3, WEAKEST)
    if near.any():
        strength = np.maximum(np.quantile(head.smooth[near] / shape[near, None], 0.1, axis=0), WEAKEST)
    return Light(strength, np.array([1.0, 0.0, 0.0]))


def _relight(light: Light, head: Samples, kernel: Floats, spread: float) -> None:
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


def _weights(head: Samples, shape: Floats, strength: Floats, spread: float) -> Floats:
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


def weighted_median(values: Floats, weights: Floats) -> float:
    """Value (of n) below which half of the weight lies."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    middle = np.searchsorted(total, 0.5 * total[-1])
    return float(values[order][min(int(middle), len(values) - 1)])

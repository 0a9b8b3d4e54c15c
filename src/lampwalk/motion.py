"""How a camera on a tripod can move, and robust fits of such motions to the displacements of patches.

Four parameters describe a turn of the camera (right, down, about the axis) and a change of scale; four more make it a
general homography. Coordinates are normalised: origin in the middle, unit = half the long side.

A turn is not a similarity: towards the corners a wide lens moves the picture more. How much depends on the focal
length, which all frames of a series share, so `bend` = (half the long side / focal length in px)^2 is found from all
frames together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .geometry import Matrix, normalised

Floats = NDArray[np.float64]

BENDS = (0.0, 0.05, 0.1, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0)
"""From a very long lens to 18 mm at 36 mm width: (18 / focal length in mm at 36 mm width)^2."""
ROUNDS = 12
"""Reweightings of a robust fit; weights move by less than 1 % after eight."""
SOFTNESS = 4.0
"""Squared residual, in robust variances, at which a patch counts a quarter."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Displacements:
    """Where patches of the reference are found in a frame.

    Attributes
    ----------
    seen : (K, 2) float64
        Points of the frame, normalised.
    found : (K, 2) float64
        The same points in the reference, normalised.
    information : (K, 2, 2) float64
        Inverse covariance of ``found``; an edge says much across and nothing along.
    usable : (K,) bool
    """

    seen: Floats
    found: Floats
    information: Floats
    usable: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A motion, its weights and what it costs.

    Attributes
    ----------
    parameters : (8,) float64
    weights : (K,) float64, 0-1
    residuals : (K, 2) float64, normalised
    cost : float
        Robust sum over patches, in units of ``variance``.
    variance : float
        Robust mean of the squared residuals in units of their information.
    """

    parameters: Floats
    weights: Floats
    residuals: Floats
    cost: float
    variance: float


def matrix_of(parameters: Floats, bend: float) -> Matrix:
    """Homography of a motion in normalised coordinates."""
    right, down, roll, zoom, stretch, skew, tip_x, tip_y = parameters
    focal = 1 / np.sqrt(max(bend, 1e-4))
    yaw, pitch = np.arctan(right / focal), np.arctan(down / focal)
    cy, sy, cp, sp, cr, sr = np.cos(yaw), np.sin(yaw), np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_x = np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]])
    about_z = np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]])
    lens = np.diag([focal, focal, 1.0])
    rest = np.array([[1 + stretch, skew, 0], [skew, 1 - stretch, 0], [tip_x, tip_y, 1]])
    turn = lens @ about_y @ about_x @ about_z @ np.diag([1 / focal, 1 / focal, 1.0])
    return normalised(turn @ np.diag([1 + zoom, 1 + zoom, 1.0]) @ rest)


def moved(points: Floats, matrix: Matrix) -> Floats:
    """Points (K, 2) through a homography."""
    x, y, w = matrix @ np.vstack([points.T, np.ones(len(points))])
    return np.stack([x / w, y / w], axis=-1)


def fit(data: Displacements, free: int, bend: float, variance: float | None = None) -> Fit:
    """Robust fit of the first ``free`` parameters (0 identity, 2 shift, 3 turn, 4 turn and zoom, 8 homography).

    Parameters
    ----------
    data : Displacements
    free : int
    bend : float
        0 for a shift or similarity proper.
    variance : float, optional
        Keep this scale of the residuals, so that costs of several models can be compared.
    """
    theta = np.zeros(8)
    weights = data.usable.astype(np.float64)
    scale = variance if variance is not None else 1.0
    for _ in range(ROUNDS if free else 1):
        residuals = data.found - moved(data.seen, matrix_of(theta, bend))
        squared = np.einsum("ki,kij,kj->k", residuals, data.information, residuals)
        if variance is None:
            scale = float(max(np.median(squared[data.usable]) / 1.39, 1e-12)) if data.usable.any() else 1.0
        weights = data.usable / (1 + squared / (scale * SOFTNESS)) ** 2
        if not free:
            break
        slope = _slope(data.seen, theta, bend, free)
        weighted = np.einsum("k,kij,kjp->kip", weights, data.information, slope)
        normal = np.einsum("kip,kiq->pq", slope, weighted)
        right = np.einsum("kip,ki->p", weighted, residuals)
        step = np.linalg.lstsq(normal + 1e-9 * np.trace(normal) * np.eye(free), right, rcond=None)[0]
        theta[:free] += np.clip(step, -0.2, 0.2)
    residuals = data.found - moved(data.seen, matrix_of(theta, bend))
    squared = np.einsum("ki,kij,kj->k", residuals, data.information, residuals)
    reach = scale * SOFTNESS
    cost = float((data.usable * squared / (1 + squared / reach)).sum() / scale)
    return Fit(parameters=theta, weights=weights, residuals=residuals, cost=cost, variance=scale)


def common_bend(frames: list[Displacements]) -> float:
    """The bend that explains all frames best; a quarter (a normal wide lens) where nothing moved enough to tell."""
    if not frames:
        return 0.25
    costs = []
    scales = [fit(d, 8, 0.25).variance for d in frames]
    for bend in BENDS:
        costs.append(sum(fit(d, 3, bend, variance=s).cost for d, s in zip(frames, scales, strict=True)))
    best = int(np.argmin(costs))
    if max(costs) - costs[best] < 10:
        return 0.25
    if 0 < best < len(BENDS) - 1:
        curve = np.polyfit(BENDS[best - 1 : best + 2], costs[best - 1 : best + 2], 2)
        return float(np.clip(-curve[1] / (2 * curve[0]), BENDS[best - 1], BENDS[best + 1]))
    return BENDS[best]


def _slope(points: Floats, theta: Floats, bend: float, free: int) -> Floats:
    """Change of the moved points with each parameter: (K, 2, free)."""
    step = 1e-5
    out = np.empty((len(points), 2, free))
    for p in range(free):
        more, less = theta.copy(), theta.copy()
        more[p] += step
        less[p] -= step
        out[..., p] = (moved(points, matrix_of(more, bend)) - moved(points, matrix_of(less, bend))) / (2 * step)
    return out

"""How a camera on a tripod can move, and robust fits of such motions to the displacements of patches.

Four parameters describe a turn of the camera (right, down, about the axis) and a change of scale; four more
make it a general homography. Coordinates are normalised: origin in the middle, unit = half the long side.

A turn is not a similarity: towards the corners a wide lens moves the picture more. How much depends on the
focal length, which all frames of a series share, so `bend` = (half the long side / focal length in px)^2 is
found from all frames together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .geometry import Matrix, normalised

Floats = NDArray[np.float64]

BENDS = (0.0, 0.05, 0.1, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0)
"""From a very long lens to 18 mm at 36 mm width: (18 / focal length in mm at 36 mm width)^2."""
USUAL_BEND = 0.25
"""36 mm at 36 mm width: taken where nothing moved enough to tell."""
TELLING_FRAMES = 4
"""The frames that moved most tell; the others cost time."""
TELLING = 10.0
"""Robust cost between the best and the worst bend below which the frames do not tell."""
ROUNDS = 10
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
    right, down, roll, zoom, stretch, skew, tip_x, tip_y = (float(p) for p in parameters)
    focal = 1 / np.sqrt(max(bend, 1e-4))
    yaw, pitch = np.arctan(right / focal), np.arctan(down / focal)
    cy, sy, cp, sp, cr, sr = (
        np.cos(yaw),
        np.sin(yaw),
        np.cos(pitch),
        np.sin(pitch),
        np.cos(roll),
        np.sin(roll),
    )
    turn = np.array(
        [
            [cy * cr - sy * sp * sr, -cy * sr - sy * sp * cr, sy * cp * focal],
            [cp * sr, cp * cr, sp * focal],
            [(-sy * cr - cy * sp * sr) / focal, (sy * sr - cy * sp * cr) / focal, cy * cp],
        ]
    )
    rest = np.array([[1 + stretch, skew, 0], [skew, 1 - stretch, 0], [tip_x, tip_y, 1]])
    turn[:, :2] *= 1 + zoom
    return normalised(turn @ rest)


def moved(points: Floats, matrix: Matrix) -> Floats:
    """Points (K, 2) through a homography."""
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def fit(data: Displacements, free: int, bend: float, variance: float | None = None) -> Fit:
    """Fit the first ``free`` parameters robustly.

    0 is the identity, 2 a shift, 3 a turn, 4 a turn with zoom, 8 a homography.

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
    slope = _slope(data.seen, bend, free)
    for _ in range(ROUNDS if free else 1):
        residuals = data.found - moved(data.seen, matrix_of(theta, bend))
        squared = np.einsum("ki,kij,kj->k", residuals, data.information, residuals)
        if variance is None:
            scale = float(max(np.median(squared[data.usable]) / 1.39, 1e-12)) if data.usable.any() else 1.0
        weights = data.usable / (1 + squared / (scale * SOFTNESS)) ** 2
        if not free:
            break
        weighted = (weights[:, None, None] * data.information) @ slope
        flat = weighted.reshape(-1, free)
        normal = slope.reshape(-1, free).T @ flat + np.eye(free) * 1e-12
        step = np.linalg.lstsq(normal, flat.T @ residuals.ravel(), rcond=None)[0]
        theta[:free] += np.clip(step, -0.2, 0.2)
    residuals = data.found - moved(data.seen, matrix_of(theta, bend))
    squared = np.einsum("ki,kij,kj->k", residuals, data.information, residuals)
    reach = scale * SOFTNESS
    cost = float((data.usable * squared / (1 + squared / reach)).sum() / scale)
    return Fit(parameters=theta, weights=weights, residuals=residuals, cost=cost, variance=scale)


def common_bend(frames: Sequence[Displacements]) -> float:
    """Find the bend that explains all frames best; `USUAL_BEND` where nothing moved enough to tell."""
    if not frames:
        return USUAL_BEND
    fits = [fit(d, 8, USUAL_BEND) for d in frames]
    most = np.argsort([-float(np.abs(f.parameters[:2]).max()) for f in fits])[:TELLING_FRAMES]
    frames, scales = [frames[i] for i in most], [fits[i].variance for i in most]

    def costs(bends: Sequence[float] | Floats) -> Floats:
        return np.array(
            [sum(fit(d, 3, b, variance=s).cost for d, s in zip(frames, scales, strict=True)) for b in bends]
        )

    coarse = costs(BENDS)
    best = int(np.argmin(coarse))
    if coarse.max() - coarse[best] < TELLING:
        return USUAL_BEND
    finer = np.linspace(BENDS[max(best - 1, 0)], BENDS[min(best + 1, len(BENDS) - 1)], 11)
    return float(finer[int(np.argmin(costs(finer)))])


def _slope(points: Floats, bend: float, free: int) -> Floats:
    """Change of the points with each parameter: (K, 2, free); at rest, as motions are small."""
    out = np.empty((len(points), 2, free))
    for p, change in enumerate(np.eye(8)[:free] * 1e-5):
        out[..., p] = (moved(points, matrix_of(change, bend)) - moved(points, matrix_of(-change, bend))) / 2e-5
    return out

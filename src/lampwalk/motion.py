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

from .geometry import Matrix, moved, normalised

Floats = NDArray[np.float64]

BENDS = (0.0, 0.05, 0.1, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0)
"""From a very long lens to 18 mm at 36 mm width: (18 / focal length in mm at 36 mm width)^2."""
USUAL_BEND = 0.25
"""36 mm at 36 mm width: taken where it is not known."""
LEAST_VARIANCE = 0.5
"""Residuals are never believed to be smaller than this share of what the patches themselves expect, px^2 over px^2: where
they are, all patches err alike by a hundredth of a pixel, and costs would take that for knowledge."""
TELLING_FRAMES = 6
"""The frames that moved most tell; the others cost time."""
NARROWINGS = 2
"""Searches ever nearer to the best bend: to 0.003, a twentieth of a pixel where a frame moved by 20 px."""
TELLING = 40.0
"""Robust cost between the best and the worst bend below which the frames do not tell."""
SCALE_LIMIT = 0.03
TURN_LIMIT = np.deg2rad(2.5)
SHIFT_LIMIT = 0.06
"""Beyond these a tripod was not nudged but moved: share, radian, share of the long side."""
ROUNDS = 12
BOLD = 1.5
"""Steps are taken longer by this, as the weights of a robust fit lag behind: two thirds of the rounds."""
SETTLED = 3e-6
"""Reweightings of a robust fit end after so many, or when no parameter moves by more: a few thousandths of a pixel at 1000
px in all."""
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
    joint : bool
        Found from all frames at once.
    """

    seen: Floats
    found: Floats
    information: Floats
    usable: NDArray[np.bool_]
    joint: bool = False


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


def apart_px(one: Matrix, other: Matrix, shape: tuple[int, int]) -> float:
    """How far two motions are apart in the corner where they are most."""
    h, w = shape
    corners = np.array([[0, 0], [w - 1, 0], [0, h - 1], [w - 1, h - 1.0]])
    return float(np.abs(moved(corners, one) - moved(corners, other)).max())


def displaced(
    centres: Floats, displacements: Floats, matrix: Matrix, shape: tuple[int, int], *,
    usable: NDArray[np.bool_], information: Floats | None = None, joint: bool = False,
) -> Displacements:  # fmt: skip
    """Normalised displacements of patches that a matrix has brought near their places.

    Parameters
    ----------
    centres : (K, 2) float64
        Of the patches in the reference, px, xy.
    displacements : (K, 2) float64, px
        What they still lack.
    matrix : (3, 3) float64
        Frame to reference.
    shape : (height, width), px
    usable : (K,) bool
    information : (K, 2, 2) float64, 1/px^2, optional
        By default the same for all.
    joint : bool
        Found from all frames at once.
    """
    middle, unit = middle_and_unit(shape)
    seen = moved(centres, np.asarray(np.linalg.inv(matrix), np.float64))
    known = np.tile(np.eye(2), (len(centres), 1, 1)) if information is None else information
    return Displacements(
        seen=(seen - middle) / unit,
        found=(centres + displacements - middle) / unit,
        information=known * unit * unit,
        usable=usable,
        joint=joint,
    )


def fit(data: Displacements, free: int, bend: float, *, variance: float | None = None, start: Fit | None = None) -> Fit:
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
    start : Fit, optional
        One that cannot be far, from which fewer rounds are needed.
    """
    theta = np.zeros(8)
    if start is not None:
        theta[:free] = start.parameters[:free]
    scale = variance if variance is not None else 1.0
    slope = slopes(data.seen, bend)[:, :, :free]
    pull = slope.transpose(0, 2, 1) @ data.information
    normals = (pull @ slope).reshape(len(pull), free * free)
    flat = np.ascontiguousarray(pull.transpose(1, 0, 2)).reshape(free, 2 * len(pull))
    for _ in range(ROUNDS + 1):
        residuals = data.found - moved(data.seen, matrix_of(theta, bend))
        squared = squares(residuals, data.information)
        if variance is None:
            scale = float(max(np.median(squared[data.usable]) / 1.39, 1e-12)) if data.usable.any() else 1.0
        weights = data.usable / (1 + squared / (scale * SOFTNESS)) ** 2
        if not free:
            break
        normal = (weights @ normals).reshape(free, free) + np.eye(free) * 1e-9
        step = np.linalg.solve(normal, flat @ (weights[:, None] * residuals).ravel())
        if np.abs(step).max() < SETTLED:
            break
        theta[:free] += np.clip(BOLD * step, -0.2, 0.2)
    reach = scale * SOFTNESS
    cost = float((data.usable * squared / (1 + squared / reach)).sum() / scale)
    return Fit(parameters=theta, weights=weights, residuals=residuals, cost=cost, variance=scale)


def impossible(matrix: Matrix, shape: tuple[int, ...]) -> str:
    """Why a motion is none of a tripod; empty where it may be one."""
    h, w = shape[:2]
    corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]])
    possible = np.isfinite(matrix).all() and abs(np.linalg.det(matrix)) > 0.1
    if not possible or (matrix @ np.vstack([corners.T, np.ones(4)]))[2].min() < 0.5:
        return "no motion of a camera explains it"
    shift = np.abs(moved(np.array([[(w - 1) / 2, (h - 1) / 2]]), matrix)[0] - ((w - 1) / 2, (h - 1) / 2)).max()
    turn = np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1])
    if abs(scale_of(matrix, shape) - 1) > SCALE_LIMIT:
        return f"its scale differs by {abs(scale_of(matrix, shape) - 1):.1%}: zoom or focus was changed"
    if abs(turn) > TURN_LIMIT or shift > SHIFT_LIMIT * max(h, w):
        return f"the camera was moved ({shift:.0f} px, {np.rad2deg(abs(turn)):.1f} degrees)"
    return ""


def scale_of(matrix: Matrix, shape: tuple[int, ...]) -> float:
    """Change of scale in the middle of the picture."""
    h, w = shape[:2]
    x, y = (w - 1) / 2, (h - 1) / 2
    around = moved(np.array([[x - 1, y], [x + 1, y], [x, y - 1], [x, y + 1]]), matrix)
    across, along = around[1] - around[0], around[3] - around[2]
    return float(np.sqrt(abs(across[0] * along[1] - across[1] * along[0])) / 2)


def middle_and_unit(shape: tuple[int, int]) -> tuple[NDArray[np.float64], float]:
    """Origin (x, y) and unit of the normalised coordinates, px."""
    return np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2]), max(shape) / 2


def unit_matrix(shape: tuple[int, int]) -> Matrix:
    """Matrix from pixels to normalised coordinates."""
    (x, y), unit = middle_and_unit(shape)
    return np.array([[1 / unit, 0, -x / unit], [0, 1 / unit, -y / unit], [0, 0, 1]])


def squares(residuals: Floats, information: Floats) -> Floats:
    """Squared residuals in units of their information: (K,)."""
    x, y = residuals.T
    return np.asarray(x * x * information[:, 0, 0] + 2 * x * y * information[:, 0, 1] + y * y * information[:, 1, 1])


def common_bend(frames: Sequence[Displacements]) -> float | None:
    """Find the bend that explains all frames best; None where nothing moved enough to tell."""
    if not frames:
        return None
    fits = [fit(d, 8, USUAL_BEND) for d in frames]
    most = np.argsort([-float(np.abs(f.parameters[:2]).max()) for f in fits])[:TELLING_FRAMES]

    def costs(bends: Sequence[float] | Floats) -> Floats:
        total = np.zeros(len(bends))
        for i in most:
            variance, last = max(fits[i].variance, LEAST_VARIANCE), fits[i]
            for k, bend in enumerate(bends):
                last = fit(frames[i], 4, bend, variance=variance, start=last)
                total[k] += last.cost
        return total

    bends: Sequence[float] | Floats = BENDS
    found = costs(bends)
    if found.max() - found.min() < TELLING:
        return None
    for _ in range(NARROWINGS):
        best = int(np.argmin(found))
        bends = np.linspace(bends[max(best - 1, 0)], bends[min(best + 1, len(bends) - 1)], 7)
        found = costs(bends)
    best = int(np.clip(np.argmin(found), 1, len(bends) - 2))
    around, step = found[best - 1 : best + 2], bends[1] - bends[0]
    curve = around[0] - 2 * around[1] + around[2]
    vertex = bends[best] + (step * (around[0] - around[2]) / (2 * curve) if curve > 0 else 0)
    return float(np.clip(vertex, bends[0], bends[-1]))


def slopes(points: Floats, bend: float) -> Floats:
    """Change of the points with each parameter: (K, 2, 8); at rest, as motions are small."""
    x, y = points.T
    turns = (1 + bend * x * x, bend * x * y), (bend * x * y, 1 + bend * y * y), (-y, x)
    rest = (x, y), (x, -y), (y, x), (-x * x, -x * y), (-x * y, -y * y)
    return np.array([*turns, *rest]).transpose(2, 1, 0)

"""All frames of a series together: each as a mixture of the others.

What a matt surface sends to the camera under one lamp is a sum of three pictures (the components of its normal, times its
colour), each with a weight that only depends on where the lamp stands; light from all sides adds one more. So small tiles of
linear light, one of every frame, span four dimensions however many lamps there were and however rough the surface is. Light on
a relief looks like a motion in any two frames, but a real motion adds dimensions. All motions are sought at once so that least
light is left beyond these: the sum, over tiles, of the logarithms of the eigenvalues left. A flat surface needs one dimension
only, and one that is hardly there is not free.

That images of a matt surface span three dimensions: Shashua 1997 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from . import motion, parallel
from .geometry import Matrix, normalised
from .motion import Displacements, Floats, apart_px
from .patches import RELIGHTING_PX2, centres_of
from .sighting import Field, Sighting
from .tiles import ACROSS, RIM_PX, TILE_PX, Light, corners_of

LEAST_FRAMES = 3
"""Fewer frames say nothing together that pairs do not."""
MOST_FRAMES = 12
"""More are solved in groups, each with the reference: the work grows with the frames, not with their square."""
DIMENSIONS = 4
"""Of the light of a tile: three of the lamp's direction and one of light from all sides. Always two fewer than frames, but ..."""
LEAST_DIMENSIONS = 2
"""... so many, of three frames."""


@dataclass(frozen=True, slots=True)
class Stage:
    """How looks are taken.

    Attributes
    ----------
    dimensions : int
        Most dimensions of the light of a tile.
    slack : float
        Light beyond them that is no error yet, share of that of one frame, squared. With much the way is short, with little
        its end is right.
    faint : float
        Strength, likewise, at which half of the price of a dimension is due: a flat surface has one, and any shift of a frame
        would hide in the others if they were free. Those of a relief are a hundred times as strong. 0: all are free.
    looks : int
        At most.
    settled_px : float
        Least motion of a corner, px at working size.
    """

    dimensions: int
    slack: float
    faint: float
    looks: int
    settled_px: float


STAGES = Stage(3, 3e-2, 0.0, 6, 0.03), Stage(DIMENSIONS, 3e-4, 1e-3, 10, 0.01)
FLOOR = 0.003
"""Contrast that noise alone may have, linear light: a tile of less counts less."""
LEAST = 1e-3
"""Added to the strength of a dimension before anything is divided by it."""
OUTLYING = 1.0
"""Squared rest of a pixel, over its mean, at which it counts a quarter: edges of shadows, stands, highlights."""
BOLD = 1.6
"""Steps are taken longer by this, as the mixtures follow the motions."""
INDEPENDENT = TILE_PX**2 / 6.0
"""Independent values in a tile: the smoothing spreads each over about 6 pixels."""
BEND_ERROR = 0.3
"""What the bend that is given may err by: every lens from very long to 24 mm at 36 mm width."""
FAR_PX = 2.5
"""A displacement by more says nothing, px at working size."""
STRAYED_PX = 4.0
"""A frame that ends farther from where the reference alone has it was led astray, px at working size."""
BLOCK = 256
"""Tiles at a time: what fits into a processor's cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """How the light left over changes with the displacements of the tiles: half its slope and half its curvature."""

    slope: Floats
    """(K, 2, N)"""
    curvature: Floats
    """(K, 2, N, 2, N)"""


def solve(
    sightings: Mapping[int, Sighting], matrices: Mapping[int, Matrix], reference: int, bend: float
) -> dict[int, Displacements]:
    """Bring all frames to their places, and say what their patches lack there.

    Parameters
    ----------
    sightings : mapping of frame number to Sighting
        With the reference.
    matrices : mapping of frame number to (3, 3) float64
        Frame to reference, at working size, right to a pixel or two; the identity for the reference.
    reference : int
    bend : float
        Of the lens, see `motion`; bettered together with the motions.

    Returns
    -------
    dict of frame number to Displacements
        Of every frame but the reference; empty where there are too few.
    """
    others = [i for i in sorted(sightings) if i != reference]
    if len(others) + 1 < LEAST_FRAMES:
        return {}
    count = -(-len(others) // (MOST_FRAMES - 1))
    found: dict[int, Displacements] = {}
    for first in range(count):
        group = Group(sightings, matrices, [reference, *others[first::count]], bend)
        found |= group.settled()
    return found


class Group:
    """Frames that are solved at once.

    Parameters
    ----------
    sightings, matrices : mapping
        As `solve` takes them.
    numbers : list of int
        Of the frames; the reference first.
    bend : float
    """

    def __init__(
        self, sightings: Mapping[int, Sighting], matrices: Mapping[int, Matrix], numbers: list[int], bend: float
    ) -> None:
        self.sightings, self.numbers, self.bend = sightings, numbers, bend
        self.shape = sightings[numbers[0]].work_shape
        self.start = {i: matrices[i] for i in numbers}
        self.matrices = dict(self.start)
        self.lights: dict[int, Light] = {}
        middle, self.unit = motion.middle_and_unit(self.shape)
        centres = corners_of(self.shape) + (TILE_PX - 1) / 2
        # right, down, roll, zoom and the two tips that a bend brings
        self.slopes = motion.slopes((centres - middle) / self.unit, bend)[:, :, [0, 1, 2, 3, 6, 7]] * self.unit

    def settled(self) -> dict[int, Displacements]:
        """Take looks until nothing moves; what the patches of every frame but the first still lack then."""
        for stage in STAGES:
            for left in reversed(range(stage.looks)):
                look = self.look(stage)
                better = self.better(look)
                if stage is STAGES[-1] and (not left or self._apart(better, self.matrices) < stage.settled_px):
                    return self._lacking(look)
                settled = self._apart(better, self.matrices) < stage.settled_px
                self.matrices = better
                if settled:
                    break
        raise AssertionError("the last look of the last stage ends it")

    def look(self, stage: Stage) -> Look:
        """Compare all frames where they are."""
        stack = np.stack(parallel.each(self._brought, self.numbers), axis=1)
        blocks = [stack[k : k + BLOCK] for k in range(0, len(stack), BLOCK)]
        looks = parallel.each(lambda block: _compared(block, stage), blocks)
        return Look(np.concatenate([p.slope for p in looks]), np.concatenate([p.curvature for p in looks]))

    def _brought(self, number: int) -> Field:
        matrix = self.matrices[number]
        light = self.lights.get(number)
        if light is None or not light.serves(matrix):
            light = self.lights[number] = Light(self.sightings[number], matrix)
        return light.at(matrix)

    def better(self, look: Look) -> dict[int, Matrix]:
        """Motions after one step."""
        n, (k, _, free) = len(self.numbers), self.slopes.shape
        rows = (self.slopes.transpose(0, 2, 1) @ look.curvature.reshape(k, 2, -1)).reshape(k, free, n, 2, n)
        # not by matrix products: the order of their long sums depends on the number of threads
        normal = np.einsum("kpibj,kbq->ipjq", rows, self.slopes).reshape(n * free, n * free)
        right = np.einsum("kbi,kbp->ip", look.slope, self.slopes).ravel()
        to_unit = motion.unit_matrix(self.shape)
        units = [normalised(to_unit @ self.matrices[i] @ np.linalg.inv(to_unit)) for i in self.numbers]
        # every frame's own turn and zoom, and one bend for all: it tips a frame the more the more that one moved
        own = np.eye(n * free)[:, [free * i + p for i in range(1, n) for p in range(4)]]
        shared = np.concatenate([[0, 0, 0, 0, -u[0, 2], -u[1, 2]] for u in units])
        free_ = np.column_stack([own, shared])
        normal, right = free_.T @ normal @ free_, free_.T @ right
        normal += 1e-6 * np.diag(np.diag(normal)) + 1e-9 * np.eye(len(normal))
        normal[-1, -1] += 1 / (INDEPENDENT * BEND_ERROR**2)
        steps = (free_ @ (BOLD * np.linalg.solve(normal, right))).reshape(n, free)
        changed = dict(self.matrices)
        for number, unit, step in zip(self.numbers[1:], units[1:], steps[1:], strict=True):
            change = motion.matrix_of(np.array([*step[:4], 0, 0, *step[4:]]), self.bend)
            changed[number] = normalised(np.linalg.inv(to_unit) @ change @ unit @ to_unit)
        return changed

    def _apart(self, some: Mapping[int, Matrix], others: Mapping[int, Matrix]) -> float:
        return max(apart_px(some[i], others[i], self.shape) for i in self.numbers)

    def _lacking(self, look: Look) -> dict[int, Displacements]:
        """What the patches lack, by all their tiles."""
        centres = centres_of(self.shape)
        known = np.eye(2) / RELIGHTING_PX2
        found = {}
        for column, number in enumerate(self.numbers):
            matrix = self.matrices[number]
            if not column or apart_px(matrix, self.start[number], self.shape) > STRAYED_PX:
                continue
            slope = look.slope[:, :, column].reshape(len(centres), ACROSS**2, 2).sum(axis=1)
            bent = look.curvature[:, :, column, :, column].reshape(len(centres), ACROSS**2, 2, 2).sum(axis=1)
            information = bent * INDEPENDENT + 1e-6 * np.eye(2)
            lacking = np.linalg.solve(information, slope[..., None] * INDEPENDENT)[..., 0]
            found[number] = motion.displaced(
                centres, lacking, matrix, self.shape,
                usable=(np.abs(lacking).max(axis=1) < FAR_PX) & (np.trace(bent, axis1=1, axis2=2) > 1e-3),
                information=known - known @ np.linalg.inv(information + known) @ known, joint=True,
            )  # fmt: skip
        return found


def _compared(stack: Field, stage: Stage) -> Look:
    """Half the slope and half the curvature of the light left beyond some dimensions.

    Parameters
    ----------
    stack : (K, N, n, n) float32
        Tiles of all frames with their rim.
    stage : Stage
    """
    k, n = stack.shape[:2]
    dimensions, slack, faint = min(stage.dimensions, max(n - 2, LEAST_DIMENSIONS)), stage.slack, stage.faint
    inner = slice(RIM_PX, -RIM_PX)
    light = stack[:, :, inner, inner]
    across = (stack[:, :, inner, 2:] - stack[:, :, inner, :-2]) * np.float32(0.5)
    along = (stack[:, :, 2:, inner] - stack[:, :, :-2, inner]) * np.float32(0.5)
    values = np.stack([light, across, along], axis=1).reshape(k, 3 * n, -1)
    values -= values.mean(axis=2, keepdims=True)
    light = values[:, :n]
    scale, left, axes = _axes(light @ light.transpose(0, 2, 1) / light.shape[2])
    beyond = axes[:, :, dimensions:] / np.sqrt(left[:, None, dimensions:] + slack) * scale[:, :, None]
    rest = beyond.transpose(0, 2, 1).astype(np.float32) @ light
    weight = 1 / (1 + (rest * rest).mean(axis=1, keepdims=True) / np.float32(OUTLYING))
    weight *= weight
    total = weight.sum(axis=2, keepdims=True)
    products = ((values * weight) @ values.transpose(0, 2, 1) / total).astype(np.float64)
    scale, left, axes = _axes(products[:, :n, :n])
    scale = np.tile(scale, 3)
    products *= scale[:, :, None] * scale[:, None]
    seen, slopes = products[:, n:, :n], products[:, n:, n:]
    within = seen @ axes
    pull, curvature = np.zeros((k, n, n)), np.zeros((k, 2, n, 2, n))
    for first in range(1, dimensions + 1):
        # what the mixtures of the stronger dimensions follow is no change
        follow = within[:, :, first - 1 : first]
        slopes = slopes - follow / (left[:, None, first - 1 : first] + LEAST) @ follow.transpose(0, 2, 1)
        last = first == dimensions
        some, strength = (a[..., first:] if last else a[..., first : first + 1] for a in (axes, left[:, None]))
        price = 1 / (strength + slack) if last else faint / (strength + faint + 1e-9) ** 2
        own = (some * price) @ some.transpose(0, 2, 1)
        pull += own
        curvature += own[:, None, :, None] * slopes.reshape(k, 2, n, 2, n)
    slope = (pull[:, None] * seen.reshape(k, 2, n, n)).sum(axis=3)
    return Look(slope, curvature)


def _axes(products: Floats | Field) -> tuple[Floats, Floats, Floats]:
    """Scale of every frame, and eigenvalues (largest first) and eigenvectors of the frames so scaled."""
    scale = 1 / (np.sqrt(np.einsum("kii->ki", products)) + FLOOR)
    left, axes = np.linalg.eigh(products.astype(np.float64) * scale[:, :, None] * scale[:, None])
    return scale.astype(np.float64), np.maximum(left[:, ::-1], 0), axes[:, :, ::-1]

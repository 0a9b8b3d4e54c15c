"""All frames of a series together: every frame against every other, in the geometry of the reference.

Light on a relief displaces what is seen, alike over large parts, and looks like a motion. Two things tell it apart:

- it displaces edges with their sign otherwise than edges without (twice as much where shading is strong), while a motion
  displaces both alike. So the more both disagree, the less a patch is believed; the median error of the patches that
  agree to 0.03 px is 0.06 px in every series measured, whatever its relief;
- it is small between lamps that stand alike. So each frame is compared with all others instead of the reference alone, and
  all motions are found at once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import motion, parallel
from .geometry import Matrix, moved, normalised
from .motion import Displacements, Floats, apart_px
from .patches import ALIKE, Brought, Template, bring, centres_of
from .sighting import Sighting

DISAGREE = 2.0
"""Error of a patch along the line on which its two displacements differ, in units of this difference."""
DISAGREE_ACROSS = 1.0
"""The same across that line."""
LEAN = 0.8
"""Where both differ by more than noise, the place is sought beyond that of the edges without sign by this share of the
difference; where by noise, halfway between."""
LEAN_RELIEF = 2.5
"""The same where the whole series has a strong relief (`RELIEF_PX`): there edges without sign are displaced nearly as far as
those with it. From 0.8 to 2.5 the worst frame of five such series fell by .005 to .6 px."""
RELIEF_PX = 0.07
"""Median of the differences that noise does not explain, from which a series has a strong relief, px at working size: six
series .086 to .20, seven without .03 to .053. Where relief moves edges with and without sign alike it is not seen by this, and
nothing is changed (benchmarks/alignment.md)."""
SHARED = 0.1
"""Share of the variance of a displacement that the difference of the two has: they see the same noise."""
FAR_PX = 2.5
"""A displacement by more says nothing: frames have been brought within a pixel or two, px at working size."""
ALL = 12
"""Up to so many frames each is compared with every other; beyond, with the reference and with ..."""
STEPS = (1, 2, 3, 5, 8)
"""... those so many frames before and after it, round the walk: the work grows with the frames, not with their square."""
LEAST = 6
"""Patches that say how two frames lie."""
SETTLED_PX = 0.1
"""A frame is brought and compared anew where a corner moved by more, px at working size."""
ROUNDS = 14
WIDE, NARROWING, NARROW = 16.0, 0.6, 2.0
"""Softness of the robust weights (see `motion.SOFTNESS`): at first, from round to round, and at last. Narrow, since patches
that light displaces alike are many."""
BOLD = 1.3
"""Steps are taken longer by this, as the weights lag behind."""


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """What the patches of frame ``to`` lack against those of frame ``of``."""

    of: int
    to: int
    middle: Floats
    """Between the displacements of edges with and without their sign: (K, 2), px."""
    beyond: Floats
    """What noise does not explain of the difference of both: (K, 2), px."""
    information: Floats
    usable: NDArray[np.bool_]


class Together:
    """Frames that were brought near their places, and how far each pair of them is apart.

    Parameters
    ----------
    sightings : mapping of frame number to Sighting
    matrices : mapping of frame number to (3, 3) float64
        Frame to reference, at working size; the identity for the reference.
    reference : int
    brought : mapping of frame number to Brought
        What is known from before; taken over where it has settled.
    links : sequence of Link
        Between these.
    relief : bool, optional
        Whether the series has a strong relief; found from the patches where not known yet.
    """

    def __init__(
        self, sightings: Mapping[int, Sighting], matrices: Mapping[int, Matrix], reference: int,
        brought: Mapping[int, Brought], links: Sequence[Link] = (), relief: bool | None = None,
    ) -> None:  # fmt: skip
        self.numbers, self.reference = sorted(sightings), reference
        self.shape = sightings[reference].work_shape
        self.middle, self.unit = motion.middle_and_unit(self.shape)
        self.centres = centres_of(self.shape)
        self.brought = dict(brought)
        self.kept = [i for i in self.numbers if i in brought and self.settled(i, matrices[i])]
        new = [i for i in self.numbers if i not in self.kept]
        self.brought |= zip(new, parallel.each(lambda i: bring(sightings[i], matrices[i]), new), strict=True)
        self.links: list[Link] = [link for link in links if link.of in self.kept and link.to in self.kept]
        self.links += [link for made in parallel.each(self._links, self.numbers[:-1]) for link in made]
        self.relief = self._strong_relief() if relief is None else relief

    def _strong_relief(self) -> bool:
        """Whether light displaces edges with their sign otherwise than those without, in most of the picture."""
        lengths = [np.hypot(*link.beyond[link.usable].T) for link in self.links]
        return bool(lengths) and float(np.median(np.concatenate(lengths))) > RELIEF_PX

    def displacements(self, link: Link) -> Floats:
        """Where the patches of two frames lie but for the light: (K, 2), px."""
        return link.middle - ((LEAN_RELIEF if self.relief else LEAN) + 0.5) * link.beyond

    def settled(self, number: int, matrix: Matrix) -> bool:
        """Whether a frame need not be brought again, as it has hardly another place than where it was brought."""
        return apart_px(self.brought[number].matrix, matrix, self.shape) < SETTLED_PX

    def _links(self, of: int) -> list[Link]:
        """What all later frames lack against this one."""
        known = {link.to for link in self.links if link.of == of}
        new = [i for i in self.numbers if i > of and i not in known and self._compared(of, i)]
        if not new:
            return []
        one = self.brought[of]
        doubled, signed = Template(one.doubled, self.centres), Template(one.signed, self.centres, signed=True)
        links = []
        for to in new:
            other = self.brought[to]
            plain, information, alike = doubled.steps(other.doubled)
            turned, _, alike_signed = signed.steps(other.signed)
            near = np.maximum(np.abs(plain), np.abs(turned)).max(axis=1) < FAR_PX
            usable = near & one.reached & other.reached & (np.minimum(alike, alike_signed) > ALIKE)
            differ = turned - plain
            if int(usable.sum()) >= LEAST:
                beyond = _beyond_noise(information, differ) * differ
                links.append(Link(of, to, (plain + turned) / 2, beyond, _less_sure(information, differ), usable))
        return links

    def _compared(self, one: int, other: int) -> bool:
        n = len(self.numbers)
        apart = abs(self.numbers.index(one) - self.numbers.index(other))
        return n <= ALL or self.reference in (one, other) or min(apart, n - apart) in STEPS

    def solved(self, free: int, bend: float) -> dict[int, Matrix]:
        """Matrices of all frames at once, their first ``free`` parameters (see `motion.fit`) changed.

        Parameters
        ----------
        free : 3 or 4
        bend : float
        """
        if not self.links:
            return {i: self.brought[i].matrix for i in self.numbers}
        column = {number: k for k, number in enumerate(self.numbers)}
        slope = motion.slopes((self.centres - self.middle) / self.unit, bend)[:, :, :free]
        pulls = [slope.transpose(0, 2, 1) @ (link.information * self.unit**2) for link in self.links]
        normals = [pull @ slope for pull in pulls]
        theta = np.zeros((len(column), free))
        held = column[self.reference]
        for turn in range(ROUNDS):
            softness = max(NARROW, WIDE * NARROWING**turn)
            theta += BOLD * self._step(theta, slope, pulls, normals, softness, column, held)
        return {i: self._changed(self.brought[i].matrix, theta[column[i]], bend) for i in self.numbers}

    def _step(
        self, theta: Floats, slope: Floats, pulls: Sequence[Floats], normals: Sequence[Floats], softness: float,
        column: Mapping[int, int], held: int,
    ) -> Floats:  # fmt: skip
        rests = [
            self.displacements(link) / self.unit - slope @ (theta[column[link.to]] - theta[column[link.of]])
            for link in self.links
        ]
        squared = [
            motion.squares(rest, link.information * self.unit**2) for rest, link in zip(rests, self.links, strict=True)
        ]
        usable = np.concatenate([q[link.usable] for q, link in zip(squared, self.links, strict=True)])
        scale = max(float(np.median(usable)) / 1.39, motion.LEAST_VARIANCE)
        n, free = theta.shape
        normal, right = np.zeros((n, free, n, free)), np.zeros((n, free))
        for link, rest, q, pull, own in zip(self.links, rests, squared, pulls, normals, strict=True):
            weights = link.usable / (1 + q / (scale * softness)) ** 2
            block = np.tensordot(weights, own, 1)
            toward = np.einsum("k,kfa,ka->f", weights, pull, rest)
            of, to = column[link.of], column[link.to]
            normal[of, :, of] += block
            normal[to, :, to] += block
            normal[of, :, to] -= block
            normal[to, :, of] -= block
            right[to] += toward
            right[of] -= toward
        flat = normal.reshape(n * free, n * free) + 1e-6 * np.eye(n * free)
        moves = np.repeat(np.arange(n) != held, free)
        step = np.zeros(n * free)
        step[moves] = np.linalg.solve(flat[np.ix_(moves, moves)], right.ravel()[moves])
        return step.reshape(n, free)

    def _changed(self, matrix: Matrix, parameters: Floats, bend: float) -> Matrix:
        to_unit = motion.unit_matrix(self.shape)
        change = motion.matrix_of(np.pad(parameters, (0, 8 - len(parameters))), bend)
        return normalised(np.linalg.inv(to_unit) @ change @ to_unit @ matrix)

    def data(self, number: int, matrices: Mapping[int, Matrix], others: Collection[int]) -> Displacements | None:
        """Where other frames, brought by ``matrices``, say that the patches of a frame lie; None where none does."""
        brought = self.brought[number]
        own = moved(self.centres, np.asarray(np.linalg.inv(brought.matrix), np.float64))
        seen, found, information = [], [], []
        for link in self.links:
            if number not in (link.of, link.to):
                continue
            other, sign = (link.of, 1) if number == link.to else (link.to, -1)
            if other not in others:
                continue
            corrected = matrices[other] @ np.linalg.inv(self.brought[other].matrix)
            use = link.usable
            place = moved((self.centres + sign * self.displacements(link))[use], corrected)
            seen.append((own[use] - self.middle) / self.unit)
            found.append((place - self.middle) / self.unit)
            information.append(link.information[use] * self.unit**2)
        if not seen:
            return None
        return Displacements(
            seen=np.concatenate(seen), found=np.concatenate(found), information=np.concatenate(information),
            usable=np.ones(sum(map(len, seen)), bool), looks=len(seen),
        )  # fmt: skip


def _beyond_noise(information: Floats, differ: Floats) -> Floats:
    """Share of the difference of two displacements that noise does not explain: (K, 1)."""
    noise = np.trace(np.linalg.inv(information), axis1=1, axis2=2)
    square = (differ**2).sum(axis=1)
    return np.asarray(square / (square + SHARED * noise))[:, None]


def _less_sure(information: Floats, differ: Floats) -> Floats:
    """Information of patches whose two displacements differ by so much: (K, 2, 2)."""
    along = differ[:, :, None] * differ[:, None]
    across = (differ**2).sum(axis=1)[:, None, None] * np.eye(2)
    doubt = (DISAGREE**2 - DISAGREE_ACROSS**2) * along + DISAGREE_ACROSS**2 * across
    return np.asarray(np.linalg.inv(np.linalg.inv(information) + doubt))

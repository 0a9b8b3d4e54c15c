"""Where the lamp goes so that no strip stays dark, and what the camera sees of the stand.

The subject is a box on the ground, its front towards the camera. The origin lies on the ground under its
middle; x runs to the right and y away from the camera as seen by someone who faces the front, z up; all in
metres.

Notes
-----
The lamp is a point whose intensity falls as cos^n of the angle to its axis, n such that half the peak is left
at half the beam angle; the surface is matte (Lambert's cosine law), the distance counts by its square.
Everything else (reflector rings, gloss, shadows of the subject on itself) is left out: the number of places
is a plan, the first test frame decides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .errors import InputError
from .quantities import require_positive

DARKEST_EV = -1.0
"""Darkest a face may get between two places, in stops below the middle of a pool. A choice, no source: a
maximum keeps one lamp's light there, and a stop reads as modelling, two as a gap."""

DOWNWARD_DEG = 30.0
"""How far the head looks down where no height is given. Common practice, no source."""

FILL_EV = -1.0
"""The low front fill against the other places, stops. Common practice, no source."""
FILL_HEIGHT_M = 0.5
FILL_ASIDE_M = 0.7
"""The low fill's head above ground, and beside the camera: out of the picture, and out of the photographer's
way."""

MOST_PLACES = 60
"""More on one side is no walk: the beam is too narrow or the lamp too near."""

_HEIGHT_STEP_M = 0.01

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """The box that the subject fills: width along the front, depth behind it, height; metres, above 0."""

    width_m: float
    depth_m: float
    height_m: float

    def __post_init__(self) -> None:
        for name, value in (("width", self.width_m), ("depth", self.depth_m), ("height", self.height_m)):
            require_positive(value, f"the subject's {name}", "6 m x 2.2 m x 1.8 m")


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """What the camera sees. It looks at the middle of the subject.

    Attributes
    ----------
    focal_mm : float
        Focal length as engraved (not an equivalent), millimetres.
    distance_m : float
        Camera to the middle of the subject, over ground, metres.
    sensor_mm : (float, float)
        Width and height as the camera is held, millimetres.
    height_m : float
        Lens above ground, metres.
    angle_deg : float
        Round the subject from straight in front of it; positive to the right, -180 to 180.
    """

    focal_mm: float
    distance_m: float
    sensor_mm: tuple[float, float] = (36.0, 24.0)
    height_m: float = 1.5
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        for value, what, example in (
            (self.focal_mm, "focal length", "35 mm"),
            (self.distance_m, "camera distance", "9 m"),
            (self.height_m, "camera height", "1.5 m"),
            (min(self.sensor_mm), "sensor", "36 x 24 mm"),
            (max(self.sensor_mm), "sensor", "36 x 24 mm"),
        ):
            require_positive(value, what, example)
        if not -180 <= self.angle_deg <= 180:
            raise InputError(f"camera angle of {self.angle_deg:g} deg", remedy="expected -180 to 180 deg")

    @property
    def place(self) -> Vector:
        """(3,) float64, the lens in metres."""
        turn = math.radians(self.angle_deg)
        return np.array([self.distance_m * math.sin(turn), -self.distance_m * math.cos(turn), self.height_m])


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """One place of the lamp.

    Attributes
    ----------
    number : int
        In the order of the walk, from 1.
    side : str
        ``"front"``, ``"right"``, ``"behind"``, ``"left"`` or ``"low fill"``.
    x_m, y_m, height_m : float
        Where the head is.
    aim_m : (float, float, float)
        Where it looks.
    distance_m : float
        Head to where it looks, metres.
    power : float
        Fraction of full power.
    sees : str
        What the picture shows: ``"head"``, ``"stand"``, ``"hidden"`` (behind the subject) or ``"nothing"``.
    hidden_below_m : float
        The subject hides a head at this place up to this height, metres; 0 where it never does.
    legs_clear_m : float or None
        From the foot of the stand towards the subject: the beam meets the ground beyond this, metres; None
        where it meets no ground.
    """

    number: int
    side: str
    x_m: float
    y_m: float
    height_m: float
    aim_m: tuple[float, float, float]
    distance_m: float
    power: float
    sees: str
    hidden_below_m: float
    legs_clear_m: float | None

    @property
    def head(self) -> Vector:
        """(3,) float64, metres."""
        return np.array([self.x_m, self.y_m, self.height_m])


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Head and aim of a place before power and picture are known; metres."""

    side: str
    head: Vector
    aim: Vector

    @property
    def distance_m(self) -> float:
        """Head to aim."""
        return float(np.linalg.norm(self.aim - self.head))


def field_of_view_deg(sensor_mm: float, focal_mm: float) -> float:
    """Angle of view across one side of the sensor, focused far: 2 atan(sensor / (2 focal)); degrees."""
    return math.degrees(2 * math.atan(sensor_mm / (2 * focal_mm)))


def pool_m(distance_m: float, beam_deg: float) -> float:
    """Width in metres of the pool on a wall straight ahead, up to half the intensity: 2 d tan(beam / 2)."""
    return 2 * distance_m * math.tan(math.radians(beam_deg / 2))


def walk(subject: Subject, *, distance_m: float, beam_deg: float, height_m: float | None = None) -> list[Place]:
    """Find the places on all four sides, front first, then round by the right: few, but no strip dark.

    Parameters
    ----------
    subject : Subject
    distance_m : float
        Head to where it looks.
    beam_deg : float
    height_m : float or None
        Head above ground; None for a head that looks down by `DOWNWARD_DEG`.

    Raises
    ------
    InputError
        The distance is too short for the height, or the beam too narrow for the subject.
    """
    head = (distance_m, beam_deg, height_m)
    return [place for side, length in _sides(subject) for place in _light_face(side, length, subject, head)]


def low_fill(subject: Subject, camera: Camera, distance_m: float) -> Place:
    """Find the place of the low front fill: beside the camera, or nearer where it does not reach.

    Parameters
    ----------
    subject : Subject
    camera : Camera
    distance_m : float
        The farthest that the lamp reaches with the fill's exposure.
    """
    turn = math.radians(camera.angle_deg)
    aside = np.array([-math.cos(turn), -math.sin(turn), 0.0]) * FILL_ASIDE_M
    head = camera.place + aside
    head[2] = FILL_HEIGHT_M
    towards = np.array([0.0, 0.0, subject.height_m / 2])
    inside = _entry(head, towards, subject)
    aim = head + (towards - head) * (1.0 if inside is None else inside)
    span = float(np.linalg.norm(aim - head))
    if span > distance_m:
        head = aim + (head - aim) * (distance_m / span)
    return Place(side="low fill", head=head, aim=aim)


def level_ev(places: Sequence[Place], points: Vector, normal: Vector, beam_deg: float) -> Vector:
    """Light on points of a face, in stops against the middle of the pool of the place that lights them best.

    Parameters
    ----------
    places : sequence of Place
    points : (N, 3) float64
    normal : (3,) float64
        Outward, of the face.
    beam_deg : float

    Returns
    -------
    (N,) float64
        0 in the middle of a pool, -inf where no lamp reaches.
    """
    fall = math.log(0.5) / math.log(math.cos(math.radians(beam_deg / 2)))
    best = np.zeros(len(points))
    for place in places:
        best = np.maximum(best, _light(place, points, normal, fall) / _light(place, place.aim[None], normal, fall))
    with np.errstate(divide="ignore"):
        return np.asarray(np.log2(best), np.float64)


def darkest_ev(places: Sequence[Place], subject: Subject, beam_deg: float) -> float:
    """Find the darkest spot of the four faces, each lit by its own places; stops, as `level_ev`."""
    darkest = 0.0
    for side, length in _sides(subject):
        own = [place for place in places if place.side == side]
        across, up = np.meshgrid(np.linspace(-length / 2, length / 2, 41), np.linspace(0, subject.height_m, 9))
        points, normal = _on_face(side, across.ravel(), up.ravel(), subject)
        darkest = min(darkest, float(level_ev(own, points, normal, beam_deg).min()))
    return darkest


def what_camera_sees(camera: Camera, subject: Subject, head: Vector, head_radius_m: float) -> str:
    """Say what of a lamp the picture shows: ``"head"``, ``"stand"``, ``"hidden"`` or ``"nothing"``.

    Parameters
    ----------
    camera : Camera
    subject : Subject
    head : (3,) float64
        Metres.
    head_radius_m : float
        Half the width of head and reflector.
    """
    shown_head = in_picture(camera, subject, head, head_radius_m)
    if shown_head and not _covered(camera.place, head, subject, head_radius_m):
        return "head"
    heights = np.linspace(0.0, float(head[2]), 25)
    pole = [np.array([head[0], head[1], height]) for height in heights]
    shown = [point for point in pole if in_picture(camera, subject, point, 0.03)]
    if any(_entry(camera.place, point, subject) is None for point in shown):
        return "stand"
    return "hidden" if shown_head or shown else "nothing"


def hidden_below_m(camera: Camera, subject: Subject, head: Vector, head_radius_m: float) -> float:
    """Height up to which the subject hides a head at this place, metres; 0 where it never does."""
    low, high = head_radius_m, float(head[2])

    def hidden(height: float) -> bool:
        return _covered(camera.place, np.array([head[0], head[1], height]), subject, head_radius_m)

    if not hidden(low):
        return 0.0
    if hidden(high):
        return high
    while high - low > _HEIGHT_STEP_M:  # the box stands on the ground: what is hidden high up is hidden lower down
        middle = (low + high) / 2
        low, high = (middle, high) if hidden(middle) else (low, middle)
    return low


def legs_clear_m(place: Place, beam_deg: float) -> float | None:
    """From the foot of the stand, towards the subject: where the beam's lower edge meets the ground, metres.

    None where it meets no ground, 0 where it takes in the foot itself.
    """
    down = math.degrees(math.asin((place.head[2] - place.aim[2]) / place.distance_m)) + beam_deg / 2
    if down >= 90:
        return 0.0
    return None if down <= 0 else float(place.head[2] / math.tan(math.radians(down)))


def place_text(position: Position, subject: Subject) -> str:
    """Say where the stand goes, as paced out: ``"3.5 m from front, 1.5 m left of middle"``."""
    x, y = position.x_m, position.y_m
    if position.side in ("right", "left"):
        out, end, along, ways = abs(x) - subject.width_m / 2, f"{position.side} end", y, ("before", "behind")
    else:
        out, end, along, ways = (
            abs(y) - subject.depth_m / 2,
            "back" if y > 0 else "front",
            x,
            ("left of", "right of"),
        )
    if abs(along) < 0.05:
        return f"{out:.1f} m from {end}, at middle"
    return f"{out:.1f} m from {end}, {abs(along):.1f} m {ways[along > 0]} middle"


def _sides(subject: Subject) -> tuple[tuple[str, float], ...]:
    return (
        ("front", subject.width_m),
        ("right", subject.depth_m),
        ("behind", subject.width_m),
        ("left", subject.depth_m),
    )


def _on_face(side: str, across: Vector, up: Vector, subject: Subject) -> tuple[Vector, Vector]:
    """Points of a face, (N, 3), and its outward normal; `across` runs in the order of the walk."""
    half_width, half_depth = (
        np.full_like(across, subject.width_m / 2),
        np.full_like(across, subject.depth_m / 2),
    )
    points = {
        "front": (across, -half_depth, up),
        "right": (half_width, across, up),
        "behind": (-across, half_depth, up),
        "left": (-half_width, -across, up),
    }[side]
    normal = {"front": (0, -1, 0), "right": (1, 0, 0), "behind": (0, 1, 0), "left": (-1, 0, 0)}[side]
    return np.stack(points, axis=1), np.array(normal, np.float64)


def _light_face(side: str, length: float, subject: Subject, head: tuple[float, float, float | None]) -> list[Place]:
    """As few places as keep the middle line, and then the upright line, above `DARKEST_EV`."""
    distance_m, beam_deg, _ = head
    columns = rows = 1
    along, upright = np.linspace(-length / 2, length / 2, 121), np.linspace(0, subject.height_m, 61)
    while columns * rows <= MOST_PLACES:
        places = _grid(side, length, subject, (columns, rows), head)
        line, normal = _on_face(side, along, np.full_like(along, places[0].aim[2]), subject)
        if level_ev(places, line, normal, beam_deg).min() < DARKEST_EV:
            columns += 1
            continue
        line, _ = _on_face(side, np.full_like(upright, _across(length, columns)[0]), upright, subject)
        if level_ev(places, line, normal, beam_deg).min() >= DARKEST_EV:
            return places
        rows += 1
    raise InputError(
        f"a beam of {beam_deg:g} deg at {distance_m:.1f} m needs over {MOST_PLACES} places {side}",
        remedy="take a wider reflector, or a greater distance",
    )


def _across(length: float, count: int) -> Vector:
    return np.asarray((np.arange(count) + 0.5) * length / count - length / 2, np.float64)


def _grid(
    side: str,
    length: float,
    subject: Subject,
    count: tuple[int, int],
    head: tuple[float, float, float | None],
) -> list[Place]:
    distance_m, _, height_m = head
    columns, rows = count
    places = []
    for row in range(rows):
        aim_height = subject.height_m * (row + 0.5) / rows
        rise = distance_m * math.sin(math.radians(DOWNWARD_DEG)) if height_m is None else height_m - aim_height
        if abs(rise) >= distance_m:
            raise InputError(
                f"a head {abs(rise):.1f} m above where it looks cannot be {distance_m:.1f} m away from it",
                remedy="lower the head, or give a greater distance",
            )
        out = math.sqrt(distance_m**2 - rise**2)
        aims, normal = _on_face(side, _across(length, columns), np.full(columns, aim_height), subject)
        for aim in aims:
            places.append(Place(side=side, head=aim + out * normal + np.array([0.0, 0.0, rise]), aim=aim))
    return places


def _light(place: Place, points: Vector, normal: Vector, fall: float) -> Vector:
    """Illuminance on points of a face, in any unit."""
    ray = points - place.head
    distance = np.linalg.norm(ray, axis=1)
    axis = (place.aim - place.head) / place.distance_m
    beam = np.maximum(ray @ axis / distance, 0.0) ** fall
    incidence = np.maximum(-(ray @ normal) / distance, 0.0)
    return np.asarray(beam * incidence / distance**2, np.float64)


def in_picture(camera: Camera, subject: Subject, point: Vector, radius_m: float) -> bool:
    """Whether a ball shows in the frame (a pinhole that looks at the middle of the subject, held level)."""
    forward = np.array([0.0, 0.0, subject.height_m / 2]) - camera.place
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, forward)
    ray = point - camera.place
    depth = float(ray @ forward)
    if depth <= 0.05:
        return False
    half_width, half_height = (depth * side / (2 * camera.focal_mm) + radius_m for side in camera.sensor_mm)
    return bool(abs(ray @ right) < half_width and abs(ray @ up) < half_height)


def _covered(eye: Vector, head: Vector, subject: Subject, radius_m: float) -> bool:
    """Whether the subject stands before the whole head."""
    ends = [head + np.array([0.0, 0.0, radius_m]), head - np.array([0.0, 0.0, radius_m]), head]
    aside = np.cross(head - eye, [0.0, 0.0, 1.0])
    aside *= radius_m / max(float(np.linalg.norm(aside)), 1e-9)
    return all(_entry(eye, end, subject) is not None for end in [*ends, head + aside, head - aside])


def _entry(start: Vector, end: Vector, subject: Subject) -> float | None:
    """Share of the way at which it enters the subject's box, None where it does not (slab test)."""
    low = np.array([-subject.width_m / 2, -subject.depth_m / 2, 0.0])
    high = np.array([subject.width_m / 2, subject.depth_m / 2, subject.height_m])
    way = end - start
    way = np.where(np.abs(way) < 1e-9, 1e-9, way)  # along a face: never quite parallel
    first, second = (low - start) / way, (high - start) / way
    enters, leaves = float(np.minimum(first, second).max()), float(np.maximum(first, second).min())
    return enters if enters < leaves and 0 < enters < 1 else None

"""Places round the subject: no strip dark, as few as that takes; what the picture shows of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lampwalk.errors import InputError
from lampwalk.positions import (
    DARKEST_EV,
    FILL_ASIDE_M,
    FILL_HEIGHT_M,
    Camera,
    Place,
    Subject,
    darkest_ev,
    hidden_below_m,
    legs_clear_m,
    level_ev,
    low_fill,
    pool_m,
    walk,
    what_camera_sees,
)

BOAT = Subject(width_m=6, depth_m=2.2, height_m=1.8)
CAMERA = Camera(focal_mm=35, distance_m=9)


def light_by_hand(place: Place, x: float, z: float, beam_deg: float) -> float:
    """Light on the point (x, z) of the boat's front, written out without arrays."""
    hx, hy, hz = (float(v) for v in place.head)
    ax, ay, az = (float(v) for v in place.aim)
    rx, ry, rz = x - hx, -BOAT.depth_m / 2 - hy, z - hz
    distance = math.sqrt(rx * rx + ry * ry + rz * rz)
    axis = math.sqrt((ax - hx) ** 2 + (ay - hy) ** 2 + (az - hz) ** 2)
    off_axis = (rx * (ax - hx) + ry * (ay - hy) + rz * (az - hz)) / (distance * axis)
    fall = math.log(0.5) / math.log(math.cos(math.radians(beam_deg / 2)))
    return off_axis**fall * (ry / distance) / distance**2


@pytest.mark.parametrize("beam_deg", [30.0, 65.0, 110.0])
@pytest.mark.parametrize("distance_m", [2.0, 4.0, 7.0])
def test_no_strip_of_the_front_stays_dark(distance_m: float, beam_deg: float) -> None:
    places = [p for p in walk(BOAT, distance_m=distance_m, beam_deg=beam_deg) if p.side == "front"]
    middle = light_by_hand(places[0], float(places[0].aim[0]), float(places[0].aim[2]), beam_deg)
    for x in np.linspace(-3, 3, 61):
        best = max(light_by_hand(place, float(x), float(places[0].aim[2]), beam_deg) for place in places)
        assert math.log2(best / middle) >= DARKEST_EV - 1e-6


def test_one_place_fewer_leaves_a_strip_dark() -> None:
    """Two places light the front of the boat at 4 m and 65 deg; a single one in the middle does not."""
    places = [p for p in walk(BOAT, distance_m=4, beam_deg=65) if p.side == "front"]
    assert len(places) == 2
    shift = np.array([places[0].aim[0], 0.0, 0.0])
    alone = Place(side="front", head=places[0].head - shift, aim=places[0].aim - shift)
    ends = np.array([[-3.0, -1.1, 0.9], [3.0, -1.1, 0.9]])
    assert (level_ev([alone], ends, np.array([0.0, -1.0, 0.0]), 65) < DARKEST_EV).all()


def test_light_is_the_inverse_square_straight_ahead() -> None:
    """A wall point on the axis, twice as far: two stops."""
    near = Place(side="front", head=np.array([0.0, -3.1, 0.9]), aim=np.array([0.0, -1.1, 0.9]))
    level = level_ev([near], np.array([[0.0, 0.9, 0.9]]), np.array([0.0, -1.0, 0.0]), 65)
    assert level[0] == pytest.approx(-2.0)


def test_half_the_light_at_half_the_beam() -> None:
    """By definition of the beam angle, on a surface turned to the lamp at the same distance."""
    lamp = Place(side="front", head=np.array([0.0, -4.0, 1.0]), aim=np.array([0.0, 0.0, 1.0]))
    turn = math.radians(30)
    point = np.array([[4 * math.sin(turn), -4 + 4 * math.cos(turn), 1.0]])
    facing = np.array([-math.sin(turn), -math.cos(turn), 0.0])
    ahead = level_ev([lamp], np.array([[0.0, 0.0, 1.0]]), np.array([0.0, -1.0, 0.0]), 60)[0]
    incidence_of_aim = math.log2(math.cos(turn))  # the aim's own level is taken with the tilted normal
    assert level_ev([lamp], point, facing, 60)[0] - ahead == pytest.approx(-1.0 - incidence_of_aim)


def test_every_head_has_the_distance_asked_for_and_stands_outside() -> None:
    for place in walk(BOAT, distance_m=4, beam_deg=65):
        assert place.distance_m == pytest.approx(4)
        assert abs(place.head[0]) > 3 or abs(place.head[1]) > 1.1


def test_walk_goes_round_once() -> None:
    sides = [place.side for place in walk(BOAT, distance_m=4, beam_deg=65)]
    assert sides == ["front", "front", "right", "behind", "behind", "left"]
    turns = [math.atan2(p.head[1], p.head[0]) % (2 * math.pi) for p in walk(BOAT, distance_m=4, beam_deg=65)]
    steps = np.diff([*turns, turns[0]]) % (2 * math.pi)
    assert steps.sum() == pytest.approx(2 * math.pi)


def test_a_tall_subject_gets_two_rows() -> None:
    mast = Subject(width_m=1, depth_m=1, height_m=8)
    heights = {round(float(p.aim[2]), 2) for p in walk(mast, distance_m=4, beam_deg=65) if p.side == "front"}
    assert len(heights) >= 2
    assert darkest_ev(walk(mast, distance_m=4, beam_deg=65), mast, 65) > -2


def test_wide_beam_needs_fewer_places() -> None:
    narrow, wide = (len(walk(BOAT, distance_m=4, beam_deg=beam)) for beam in (20, 110))
    assert wide < narrow


@pytest.mark.parametrize(
    ("distance_m", "beam_deg", "height_m", "words"),
    [(0.3, 5, None, "needs over 60 places"), (1.0, 65, 3.0, "lower the head")],
)
def test_walk_refuses(distance_m: float, beam_deg: float, height_m: float | None, words: str) -> None:
    with pytest.raises(InputError) as caught:
        walk(BOAT, distance_m=distance_m, beam_deg=beam_deg, height_m=height_m)
    assert words in str(caught.value)


def test_low_fill_stands_beside_the_camera_and_out_of_the_picture() -> None:
    for angle in (-40.0, 0.0, 25.0):
        camera = Camera(focal_mm=24, distance_m=9, angle_deg=angle)
        fill = low_fill(BOAT, camera, distance_m=20)
        assert fill.head[2] == FILL_HEIGHT_M
        assert np.hypot(*(fill.head - camera.place)[:2]) == pytest.approx(FILL_ASIDE_M)
        assert what_camera_sees(camera, BOAT, fill.head, 0.15) == "nothing"


def test_low_fill_comes_nearer_where_the_lamp_does_not_reach() -> None:
    fill = low_fill(BOAT, CAMERA, distance_m=3)
    assert fill.distance_m == pytest.approx(3)
    assert fill.head[1] < -1.1


def test_camera_sees_by_hand() -> None:
    """35 mm on 36 x 24 mm from 9 m, lens 1.5 m up: half the picture is 4.6 m by 3.1 m there."""
    see = {
        name: what_camera_sees(CAMERA, BOAT, np.array(head), 0.15)
        for name, head in {
            "over the boat": (0.0, 0.0, 2.5),
            "far above": (0.0, 0.0, 8.0),
            "far right": (8.0, 0.0, 2.0),
            "low behind": (0.0, 3.0, 0.8),
            "behind the camera": (0.0, -12.0, 1.5),
        }.items()
    }
    assert see == {
        "over the boat": "head",
        "far above": "stand",
        "far right": "nothing",
        "low behind": "hidden",
        "behind the camera": "nothing",
    }


def test_a_pole_that_crosses_the_picture_shows_without_its_head() -> None:
    assert what_camera_sees(CAMERA, BOAT, np.array([0.0, -4.0, 4.5]), 0.15) == "stand"


def test_height_that_hides_a_head_hides_it() -> None:
    head = np.array([1.5, 4.5, 2.9])
    below = hidden_below_m(CAMERA, BOAT, head, 0.15)
    assert 1.0 < below < 2.9
    assert what_camera_sees(CAMERA, BOAT, np.array([1.5, 4.5, below]), 0.15) == "hidden"
    assert what_camera_sees(CAMERA, BOAT, np.array([1.5, 4.5, below + 0.1]), 0.15) == "head"


def test_legs_by_hand() -> None:
    """3 m up, looking down 30 deg, beam 60 deg: lower edge 60 deg down, ground at 3 / tan 60 = 1.732 m."""
    aim = np.array([0.0, 0.0, 1.0])
    head = aim + 4 * np.array([0.0, -math.cos(math.radians(30)), math.sin(math.radians(30))])
    assert legs_clear_m(Place(side="front", head=head, aim=aim), 60) == pytest.approx(1.732, abs=0.001)
    level = Place(side="front", head=np.array([0.0, -4.0, 1.0]), aim=aim)
    assert legs_clear_m(level, 60) == pytest.approx(1 / math.tan(math.radians(30)))
    up = Place(side="front", head=np.array([0.0, -1.0, 0.2]), aim=np.array([0.0, 0.0, 3.0]))
    assert legs_clear_m(up, 60) is None
    assert legs_clear_m(Place(side="front", head=np.array([0.0, -1.0, 3.0]), aim=aim), 80) == 0


def test_pool_by_hand() -> None:
    """90 deg at 2 m: 4 m wide."""
    assert pool_m(2, 90) == pytest.approx(4)


@pytest.mark.parametrize(
    "wrong",
    [
        {"focal_mm": 0.0},
        {"distance_m": -9.0},
        {"sensor_mm": (36.0, 0.0)},
        {"height_m": math.nan},
        {"angle_deg": 300.0},
    ],
)
def test_camera_refuses(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError):
        Camera(**({"focal_mm": 35.0, "distance_m": 9.0} | wrong))  # type: ignore[arg-type]


def test_subject_refuses() -> None:
    with pytest.raises(InputError, match="depth must be above 0"):
        Subject(width_m=6, depth_m=0, height_m=1.8)

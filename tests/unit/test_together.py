"""All frames as mixtures of each other, on made series."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import geometry, motion, parallel, together
from lampwalk.alignment import solve
from lampwalk.sighting import Sighting, observe
from lampwalk.tiles import TILE_PX, Light, corners_of

SIZE = 640, 427


def under_lamps(
    directions: list[tuple[float, float]], relief: float, shifts: list[tuple[float, float]], *, flat: bool = True
) -> list[Sighting]:
    """Series of a texture whose bright parts stand out, lit along directions: light displaces it by up to ``relief`` px.

    The slope along the light is that of the logarithm of the texture, as where stones are bright and gaps are dark. The left
    half is flat unless told otherwise.
    """
    w, h = SIZE
    rng = np.random.default_rng(3)
    layers = [cv2.GaussianBlur(rng.normal(0, s, (h, w)), (0, 0), s) * s for s in (1.0, 2.0, 5.0)]
    log = (0.45 * sum(layers) / np.std(sum(layers)) - 1.2).astype(np.float32)
    rough = np.clip((np.arange(w, dtype=np.float32) - w / 2) / 20, 0, 1)[None] if flat else 1
    across, along = (cv2.Sobel(log, cv2.CV_32F, *d, scale=1 / 8) for d in ((1, 0), (0, 1)))
    sightings = []
    for number, ((x, y), (right, down)) in enumerate(zip(directions, shifts, strict=True)):
        shading = np.clip(1 + relief * rough * (x * across + y * along), 0.02, None)
        light = np.exp(log) * (0.25 + 0.75 * shading)
        moved = cv2.warpAffine(
            light, np.array([[1, 0, right], [0, 1, down]]), SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
        noisy = np.clip(moved + np.random.default_rng(100 + number).normal(0, 0.002, (h, w)), 0, 1)
        sightings.append(observe(np.rint(noisy ** (1 / 2.2) * 255).astype(np.uint8)))
    return sightings


def error(matrix: np.ndarray, right: float, down: float) -> float:
    true = np.array([[1, 0, right], [0, 1, down], [0, 0, 1.0]])
    grid = np.stack(np.meshgrid(*(np.linspace(0, n - 1, 5) for n in SIZE)), -1).reshape(-1, 2)
    return float(np.sqrt(((geometry.moved(grid, matrix) - geometry.moved(grid, true)) ** 2).sum(axis=-1).mean()))


def errors(sightings: list[Sighting], shifts: list[tuple[float, float]]) -> list[float]:
    found = solve(sightings, reference=0)
    # frame pixel -> reference pixel: the way back
    return [error(f.frame_to_reference, -x, -y) for f, (x, y) in zip(found, shifts, strict=True)]


WALK = [(1.0, 0.0), (0.7, -0.7), (0.0, -1.0), (-0.7, -0.7), (-1.0, 0.0)]
MOVED = [(0.0, 0.0), (0.6, -0.3), (-0.4, 0.5), (0.3, 0.2), (-0.5, -0.4)]


@pytest.mark.parametrize("frames", [3, 4, 5])
def test_frames_are_solved_all_at_once(frames):
    sightings = dict(enumerate(under_lamps(WALK, 0.0, MOVED)[:frames]))
    found = together.solve(sightings, {i: np.eye(3) for i in sightings}, 0, 0.0)
    assert sorted(found) == list(range(1, frames))
    for i, data in found.items():
        fit = motion.fit(data, 4, 0.0)
        unit = motion.unit_matrix(SIZE[::-1])
        matrix = np.linalg.inv(unit) @ motion.matrix_of(fit.parameters, 0.0) @ unit
        assert error(matrix, -MOVED[i][0], -MOVED[i][1]) < 0.03


def test_too_few_frames_say_nothing_together():
    sightings = dict(enumerate(under_lamps(WALK, 0.0, MOVED)[:2]))
    assert together.solve(sightings, {i: np.eye(3) for i in range(2)}, 0, 0.0) == {}


def test_a_rough_half_under_lamps_from_opposite_sides_is_no_motion():
    found = errors(under_lamps(WALK, 0.5, MOVED), MOVED)
    # the rough half alone is displaced by up to a pixel; against the reference alone the worst frame is .74 px off
    assert max(found) < 0.25
    assert np.median(found) < 0.2


def test_a_relief_all_over_that_is_the_brightness_keeps_frames_that_lie_right():
    """Every patch is displaced alike in every frame; only what is finer than the displacement tells it from a motion."""
    lamps = [(0.2, 0.1), (1.0, 0.0), (0.5, -0.5), (0.0, -1.0), (-0.6, -0.3), (-1.0, 0.0), (-0.4, 0.5), (0.3, 0.8)]
    shifts = [(0.0, 0.0), *MOVED[1:], (0.2, 0.6), (-0.3, -0.1), (0.5, 0.1)]
    sightings = under_lamps(lamps, 1.5, shifts, flat=False)
    near = {i: np.array([[1, 0, -0.85 * x], [0, 1, -0.85 * y], [0, 0, 1.0]]) for i, (x, y) in enumerate(shifts)}
    unit = motion.unit_matrix(SIZE[::-1])
    for i, data in together.solve(dict(enumerate(sightings)), near, 0, 0.25).items():
        matrix = np.linalg.inv(unit) @ motion.matrix_of(motion.fit(data, 4, 0.25).parameters, 0.25) @ unit
        assert error(matrix, -shifts[i][0], -shifts[i][1]) < 0.15
    # against the reference alone
    pairs = [solve([sightings[0], s], reference=0)[1].frame_to_reference for s in sightings[1:]]
    assert min(error(m, -x, -y) for m, (x, y) in zip(pairs, shifts[1:], strict=True)) > 0.3


@pytest.mark.parametrize("relief", [0.0, 0.5])
def test_a_tripod_that_stood_still_is_left_alone_under_lamps_from_all_sides(relief):
    found = solve(under_lamps(WALK, relief, [(0.0, 0.0)] * 5), reference=2)
    assert [f.model for f in found] == ["identity"] * 5
    assert all(np.array_equal(f.frame_to_reference, np.eye(3)) for f in found)


def test_the_threads_change_nothing():
    sightings = under_lamps(WALK, 0.5, MOVED)
    with parallel.limited(1):
        one = solve(sightings, reference=0)
    with parallel.limited(4):
        four = solve(sightings, reference=0)
    assert all(np.array_equal(a.frame_to_reference, b.frame_to_reference) for a, b in zip(one, four, strict=True))


def test_a_long_series_is_solved_in_groups(monkeypatch):
    n, sizes = 24, []
    usual = together.Group.settled

    def counted(group: together.Group) -> object:
        sizes.append(len(group.numbers))
        return usual(group)

    monkeypatch.setattr(together.Group, "settled", counted)
    directions = [(float(np.cos(a)), float(np.sin(a))) for a in np.linspace(0, np.pi, n)]
    shifts = [(0.0, 0.0)] + [(0.3 * (k % 3 - 1), 0.2 * (k % 4 - 1.5)) for k in range(1, n)]
    assert max(errors(under_lamps(directions, 0.0, shifts), shifts)) < 0.01
    assert len(sizes) == 3
    assert max(sizes) <= together.MOST_FRAMES
    assert sum(sizes) == n + 2  # the reference is in all


def test_frames_that_have_nothing_in_common_lead_none_astray():
    rng = np.random.default_rng(8)
    noise = {i: observe(rng.integers(0, 256, SIZE[::-1], dtype=np.uint8)) for i in range(5)}
    for data in together.solve(noise, {i: np.eye(3) for i in range(5)}, 0, 0.25).values():
        unit = motion.unit_matrix(SIZE[::-1])
        still = np.linalg.inv(unit) @ motion.matrix_of(motion.fit(data, 4, 0.25).parameters, 0.25) @ unit
        assert error(still, 0, 0) < together.STRAYED_PX


def test_a_tile_holds_the_light_of_its_place_less_the_mean_around():
    w, h = SIZE
    picture = np.zeros((h, w), np.uint8)
    x, y = corners_of((h, w))[700]
    picture[y + 4, x + 6] = 255
    light = Light(observe(np.maximum(picture, np.arange(w, dtype=np.uint8)[None] // 8)), np.eye(3))
    tile = light.at(np.eye(3))[700, 1:-1, 1:-1]
    assert tile.shape == (TILE_PX, TILE_PX)
    assert np.unravel_index(tile.argmax(), tile.shape) == (4, 6)
    # frame pixel -> reference pixel: two to the right
    moved = light.at(np.array([[1, 0, 2], [0, 1, 0], [0, 0, 1.0]]))[700, 1:-1, 1:-1]
    assert np.unravel_index(moved.argmax(), moved.shape) == (4, 8)
    assert np.allclose(moved[:, 2:], tile[:, :-2], atol=1e-6)


def test_tiles_beyond_the_frame_are_empty():
    light = Light(under_lamps(WALK[:1], 0.0, MOVED[:1])[0], np.eye(3))
    away = light.at(np.array([[1, 0, 60], [0, 1, 0], [0, 0, 1.0]]))
    empty = (away == 0).all(axis=(1, 2))
    left = corners_of(SIZE[::-1])[:, 0]
    assert empty[left < 50].all()
    assert not empty[left > 80].any()


def test_tiles_of_crops_are_those_of_the_whole_picture():
    rng = np.random.default_rng(4)
    picture = cv2.GaussianBlur(rng.random((1400, 2100), np.float32), (0, 0), 1.2)
    sighting = observe(np.rint(255 * cv2.normalize(picture, None, 0, 1, cv2.NORM_MINMAX)).astype(np.uint8))
    assert sighting.crops is not None
    matrix = np.array([[1.0002, 0.0001, 1.0], [-0.0001, 1.0002, -0.8], [0, 0, 1.0]])
    light = Light(sighting, np.eye(3))
    assert light.serves(matrix)
    small = Light(sighting, matrix).at(matrix)
    assert np.abs(light.at(matrix) - small).max() < 1e-3
    assert (small != 0).any(axis=(1, 2)).mean() > 0.95

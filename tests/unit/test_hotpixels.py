"""Hot pixels: found by sitting still on the sensor while the light changes; real small lights stay."""

from __future__ import annotations

import numpy as np
import pytest

from lampwalk import hotpixels
from lampwalk.errors import InputError
from lampwalk.hotpixels import HotPixels


def frames(n: int = 4, *, bits: int = 8) -> np.ndarray:
    """A textured ground; the light grows from frame to frame."""
    rng = np.random.default_rng(0)
    ground = rng.integers(30, 50, (1, 80, 100, 3))
    stack = ground * np.linspace(1, 3, n)[:, None, None, None] + rng.normal(0, 1, (n, 80, 100, 3))
    return (stack * (257 if bits == 16 else 1)).astype(np.uint16 if bits == 16 else np.uint8)


def find(stack: np.ndarray) -> list[list[int]]:
    hot = HotPixels()
    for frame in stack:
        hot.add(frame)
    return [[int(v) for v in point] for point in hot.found()]


@pytest.mark.parametrize("bits", [8, 16])
def test_a_steady_bright_point_is_found(bits: int) -> None:
    stack = frames(bits=bits)
    stack[:, 20, 30] = 250 * (257 if bits == 16 else 1)
    stack[:, 60, 70, 0] = 240 * (257 if bits == 16 else 1)
    assert find(stack) == [[20, 30], [60, 70]]


def test_a_glint_that_follows_the_light_stays() -> None:
    stack = frames()
    for i, value in enumerate(np.linspace(110, 250, 4)):
        stack[i, 20, 30] = value
    assert find(stack) == []


def test_a_light_that_moves_with_the_scene_stays() -> None:
    stack = frames()
    for i in range(4):
        stack[i, 20, 30 + 2 * i] = 250
    assert find(stack) == []


def test_two_frames_prove_nothing() -> None:
    stack = frames(2)
    stack[:, 20, 30] = 250
    assert find(stack) == []


def test_texture_is_no_sensor_fault() -> None:
    stack = frames()
    stack[:, ::8, ::8] = 250
    assert find(stack) == []


def test_removed_points_look_like_their_surroundings_and_nothing_else_changes() -> None:
    frame = frames(1)[0]
    clean = frame.copy()
    frame[20, 30] = 250
    out = hotpixels.remove(frame.copy(), np.array([[20, 30]]))
    assert 25 <= out[20, 30].min() <= out[20, 30].max() <= 55
    changed = (out != clean).any(axis=2)
    changed[19:22, 29:32] = False
    assert not changed.any()
    assert frame[20, 30, 0] == 250


def test_nothing_to_remove_copies_nothing() -> None:
    frame = frames(1)[0]
    assert hotpixels.remove(frame, np.zeros((0, 2), np.intp)) is frame


def test_points_at_the_border_are_handled() -> None:
    frame = frames(1)[0]
    assert hotpixels.remove(frame, np.array([[0, 0], [79, 99]])).shape == frame.shape


def test_bad_input_is_refused() -> None:
    hot = HotPixels()
    hot.add(frames(1)[0])
    with pytest.raises(InputError, match="one size"):
        hot.add(frames(1)[0][:40])
    with pytest.raises(InputError, match="uint8"):
        hot.add(np.zeros((5, 5)))
    with pytest.raises(InputError, match="outside"):
        hotpixels.remove(frames(1)[0], np.array([[80, 0]]))

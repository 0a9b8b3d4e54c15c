"""Hot pixels: found by sitting still on the sensor while the light changes; real small lights stay."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import hotpixels
from lampwalk.colour import to_encoded
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


def demosaiced(light: np.ndarray) -> np.ndarray:
    """Picture of an RGGB sensor, bilinear: (H, W, 3) uint8, encoded."""
    masks = np.zeros_like(light)
    masks[::2, ::2, 0], masks[::2, 1::2, 1], masks[1::2, ::2, 1], masks[1::2, 1::2, 2] = 1, 1, 1, 1
    wide, cross = np.float32([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4, np.float32([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    channels = [cv2.filter2D((light * masks)[..., c], -1, k) for c, k in enumerate((wide, cross, wide))]
    return (to_encoded(np.stack(channels, axis=2)) / 257 + 0.5).astype(np.uint8)


def unlit(spot: np.ndarray, seed: int) -> np.ndarray:
    """Dim even ground whose light never changes, with noise, and a spot of light: (60, 60, 3)."""
    rng = np.random.default_rng(seed)
    return (0.02 + rng.normal(0, 0.0008, (60, 60, 3)) + spot[..., None] * [1.0, 0.05, 0.02]).astype(np.float32)


def test_one_photosite_is_found_where_the_light_never_changes() -> None:
    site = np.zeros((60, 60))
    site[30, 20] = 0.2  # behind a red filter
    hot = HotPixels()
    for seed in range(4):
        hot.add(demosaiced(unlit(site, seed)))
    assert hot.found().tolist() == [[30, 20]]


@pytest.mark.parametrize("at", [(30.3, 20.5), (30.4, 20.3), (29.6, 20.8)])
def test_a_small_red_lamp_that_a_lens_has_drawn_is_kept(at: tuple[float, float]) -> None:
    """Spread with a sigma of 0.8 photosites, on a tripod that gives by a quarter of one. (Centred on a photosite, it would be
    taken for a hot pixel: there is no difference.)"""
    y, x = np.mgrid[:60, :60]
    hot = HotPixels()
    for seed in range(4):
        dx = at[1] + 0.25 * (seed % 2)
        hot.add(demosaiced(unlit(0.3 * np.exp(-((y - at[0]) ** 2 + (x - dx) ** 2) / (2 * 0.8**2)), seed)))
    assert len(hot.found()) == 0

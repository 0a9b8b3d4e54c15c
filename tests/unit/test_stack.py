from __future__ import annotations

import numpy as np
import pytest

from lampwalk import InputError, Stack, colour


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_stack_is_the_exact_maximum(dtype):
    rng = np.random.default_rng(3)
    frames = [(rng.random((50, 70, 3)) * 250).astype(dtype) for _ in range(5)]
    stack = Stack((50, 70))
    for frame in frames:
        stack.add(frame)
    assert stack.pixels().dtype == dtype
    assert np.array_equal(stack.pixels(), np.maximum.reduce(frames))


def test_a_hidden_pixel_takes_no_part_and_a_soft_one_partly():
    stack = Stack((1, 3))
    stack.add(np.full((1, 3, 3), 10, np.uint8))
    stack.add(np.full((1, 3, 3), 200, np.uint8), np.array([[255, 0, 128]], np.uint8))
    half = colour.to_encoded(colour.to_linear(np.uint8([200])) * np.float32(127 / 255)) / 257
    assert stack.pixels()[0, :, 0].tolist() == [10, 200, round(float(half[0]))]
    assert stack.coverage().tolist() == [[1, 2, 2]]


def test_strips_equal_the_whole_frame():
    rng = np.random.default_rng(4)
    frames = [rng.integers(0, 65535, (20, 9, 3), np.uint16) for _ in range(3)]
    whole, strips = Stack((20, 9)), Stack((20, 9), np.uint16)
    for number, frame in enumerate(frames, start=1):
        whole.add(frame)
        for top in (14, 0, 7):
            strips.add_strip(top, frame[top : top + (7 if top < 14 else 6)], number)
    assert np.array_equal(whole.pixels(), strips.pixels())
    assert np.array_equal(whole.coverage(), strips.coverage())


def test_wrong_shape_and_type_are_named():
    stack = Stack((2, 2))
    with pytest.raises(InputError, match="shape"):
        stack.add(np.zeros((3, 2, 3), np.uint8))
    stack.add(np.zeros((2, 2, 3), np.uint8))
    with pytest.raises(InputError, match="type"):
        stack.add(np.zeros((2, 2, 3), np.uint16))
    with pytest.raises(InputError, match="nothing"):
        Stack((2, 2)).pixels()

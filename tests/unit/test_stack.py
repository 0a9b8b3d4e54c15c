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


@pytest.mark.parametrize("rule", ["lighten", "brightest", "sum"])
def test_a_part_of_a_picture_is_stacked_like_the_whole(rule):
    rng = np.random.default_rng(8)
    whole, part = Stack((40, 60), np.uint16, rule=rule), Stack((20, 30), np.uint16, rule=rule, first=(10, 20))
    rows, cols = slice(10, 30), slice(20, 50)
    for number in (1, 2, 3):
        frame = rng.integers(0, 65535, (40, 60, 3), np.uint16)
        whole.add(frame, number=number, ambient=number == 1)
        part.add_strip(10, frame[rows, cols], number, left=20, ambient=number == 1)
    for a, b in zip(whole.part(rows, cols), part.part(rows, cols), strict=True):
        assert np.array_equal(a, b)
    assert np.array_equal(part.pixels(), whole.pixels()[rows, cols])
    if rule == "sum":
        assert np.array_equal(part.daylight(rows, cols), whole.daylight(rows, cols))

"""What must hold for a stack of any frames."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from lampwalk import Choices, Stack, merge
from lampwalk.stack import weaken

SHAPE = (5, 7)
frames8 = arrays(np.uint8, (*SHAPE, 3))
frames = st.one_of(frames8, arrays(np.uint16, (*SHAPE, 3)))
masks = arrays(np.uint8, SHAPE)


def stacked(*several: np.ndarray) -> np.ndarray:
    stack = Stack(several[0].shape[:2])
    for one in several:
        stack.add(one)
    return stack.pixels().copy()


@given(frames)
def test_a_frame_over_itself_changes_nothing(a):
    assert (stacked(a, a) == a).all()


@given(st.lists(frames8, min_size=2, max_size=5), st.randoms())
def test_the_order_of_frames_does_not_matter(several, random):
    before = stacked(*several)
    random.shuffle(several)
    assert (stacked(*several) == before).all()


@given(frames8, frames8, frames8)
def test_another_frame_never_darkens_and_grouping_does_not_matter(a, b, c):
    assert (stacked(a, b, c) >= stacked(a, b)).all()
    assert (stacked(stacked(a, b), c) == stacked(a, stacked(b, c))).all()


@given(frames8, frames8, arrays(np.uint8, (*SHAPE, 3), elements=st.integers(0, 40)))
def test_more_light_in_a_frame_never_darkens_the_result(a, b, more):
    brighter = np.minimum(b.astype(int) + more, 255).astype(np.uint8)
    assert (stacked(a, brighter) >= stacked(a, b)).all()


@given(frames, masks)
def test_a_mask_only_lowers(frame, mask):
    lowered = weaken(frame, mask)
    assert (lowered <= frame).all()
    assert (lowered[mask == 0] == frame[mask == 0]).all()
    assert (lowered[mask == 255] == 0).all()


@given(frames, masks, masks)
def test_a_stronger_mask_lowers_more(frame, mask, other):
    assert (weaken(frame, np.maximum(mask, other)) <= weaken(frame, mask)).all()


@given(st.lists(arrays(np.uint16, (*SHAPE, 3)), min_size=1, max_size=4), st.integers(1, SHAPE[0]))
def test_strips_equal_the_whole(several, rows):
    stack = Stack(SHAPE, np.uint16)
    for number, one in enumerate(several):
        for top in range(0, SHAPE[0], rows):
            stack.add_strip(top, one[top : top + rows], number + 1)
    assert (stack.pixels() == stacked(*several)).all()


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 2**32 - 1))
@pytest.mark.filterwarnings("default")
def test_threads_equal_one(seed):
    rng = np.random.default_rng(seed)
    scene = np.kron(rng.integers(20, 120, (30, 40, 3)), np.ones((10, 4, 1))).astype(np.uint8)
    lit = [np.clip(scene * g, 0, 255).astype(np.uint8) for g in np.linspace(1, 1.8, 3)]
    quick = Choices(hide=False, glow=False, fill=False)
    one, three = (merge(lit, choices=quick, threads=n) for n in (1, 3))
    assert (one.pixels == three.pixels).all()
    assert (one.coverage == three.coverage).all()

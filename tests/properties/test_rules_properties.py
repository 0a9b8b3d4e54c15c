"""What must hold for any frames under the merge rules."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from lampwalk import colour, rules

FRAMES = hnp.arrays(np.uint16, st.tuples(st.integers(1, 5), st.just(4), st.just(3), st.just(3)))
NAMES = [rule.name for rule in rules.RULES]


def merged(name: str, frames: np.ndarray, strips: int = 1) -> np.ndarray:
    rule = rules.get(name)
    state = rule.start(frames.shape[1:3])
    for i, frame in enumerate(frames):
        for rows in np.array_split(np.arange(frame.shape[0]), strips):
            strip = slice(rows[0], rows[-1] + 1)
            rule.fold(tuple(part[strip] for part in state), frame[strip], ambient=i == 0)
    return state[0]


@pytest.mark.parametrize("name", NAMES)
@given(frames=FRAMES)
@settings(max_examples=40, deadline=None)
def test_strips_equal_the_whole(name: str, frames: np.ndarray) -> None:
    assert np.array_equal(merged(name, frames), merged(name, frames, strips=4))


@given(frames=FRAMES, data=st.data())
@settings(max_examples=40, deadline=None)
def test_lighten_is_the_maximum_in_any_order(frames: np.ndarray, data: st.DataObject) -> None:
    order = data.draw(st.permutations(range(len(frames))))
    assert np.array_equal(merged("lighten", frames[order]), frames.max(axis=0))


@given(frames=FRAMES)
@settings(max_examples=40, deadline=None)
def test_the_maximum_commutes_with_the_transfer_curve(frames: np.ndarray) -> None:
    linear = colour.to_linear(frames).max(axis=0)
    assert np.array_equal(colour.to_linear(merged("lighten", frames)), linear)


@pytest.mark.parametrize("name", NAMES)
@given(frames=FRAMES)
@settings(max_examples=40, deadline=None)
def test_the_same_frame_again_changes_nothing_in_a_maximum(name: str, frames: np.ndarray) -> None:
    if name == "sum":
        again = np.concatenate([frames[:1], frames[:1], frames[1:]])  # daylight again adds no lamp light
    else:
        again = np.concatenate([frames, frames[-1:]])
    assert np.array_equal(merged(name, again), merged(name, frames))


@given(frames=FRAMES)
@settings(max_examples=40, deadline=None)
def test_brightest_gives_every_pixel_whole_from_one_frame(frames: np.ndarray) -> None:
    result = merged("brightest", frames)
    assert (frames == result).all(axis=-1).any(axis=0).all()


@given(frames=FRAMES)
@settings(max_examples=40, deadline=None)
def test_sum_is_at_least_the_maximum_where_light_only_adds(frames: np.ndarray) -> None:
    lit = np.maximum(frames, frames[:1])
    assert (merged("sum", lit).astype(int) >= lit.max(axis=0).astype(int) - len(frames)).all()

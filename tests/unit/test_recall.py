"""What is recalled is what was made of the very same inputs."""

from __future__ import annotations

import numpy as np
import pytest

from lampwalk.recall import Memory, anew, watched


class Thing:
    """Known by identity only."""


@pytest.fixture
def made():
    return []


@pytest.fixture
def step(made):
    """Make a new object each time that it is asked to."""

    def make():
        made.append(Thing())
        return made[-1]

    return make


def test_the_same_inputs_give_the_same_object(step, made):
    recall, thing, values = Memory(), Thing(), np.arange(6.0).reshape(2, 3)
    first = recall(step, "step", thing, values, 1.5, None)
    assert recall(step, "step", thing, values.copy(), 1.5, None) is first
    assert recall(step, "step", thing, np.asfortranarray(values), 1.5, None) is first
    assert made == [first]


def test_anything_else_is_made_anew(step, made):
    recall, thing, values = Memory(), Thing(), np.arange(6.0).reshape(2, 3)
    recall(step, "step", thing, values)
    other = values.copy()
    other[1, 2] += 1e-12
    keys = [
        ("another", thing, values),
        ("step", Thing(), values),
        ("step", thing, other),
        ("step", thing, values.reshape(3, 2)),
        ("step", thing, values.view(np.int64)),
        ("step", thing),
        ("step", thing, values, None),
    ]
    for key in keys:
        recall(step, *key)
    assert len(made) == 1 + len(keys)
    assert len(set(map(id, made))) == len(made)


def test_what_a_round_has_no_use_for_is_forgotten(step, made):
    recall = Memory()
    used, unused = (recall(step, name) for name in ("used", "unused"))
    recall.turn()
    assert recall(step, "used") is used
    recall.turn()
    assert recall(step, "used") is used
    assert recall(step, "unused") is not unused
    recall.clear()
    assert recall(step, "used") is not used


def test_what_has_failed_is_tried_again(step, made):
    recall = Memory()

    def fail():
        raise ValueError("not now")

    with pytest.raises(ValueError, match="not now"):
        recall(fail, "step")
    assert recall(step, "step") is made[0]


def test_nothing_is_an_answer_too():
    recall, asked = Memory(), []
    assert recall(lambda: asked.append(1), "nothing") is None
    assert recall(lambda: asked.append(1), "nothing") is None
    assert asked == [1]


def test_anew_recalls_nothing(step, made):
    assert anew(step, "step", np.zeros(3)) is not anew(step, "step", np.zeros(3))
    assert len(made) == 2


def test_watched_it_may_be_given_up_and_what_was_made_stays_known(step, made):
    memory, told = Memory(), []

    def progress(*stage):
        told.append(stage)
        if len(told) == 2:
            raise InterruptedError

    recall = watched(memory, progress)
    first = recall(step, "one", 1)
    with pytest.raises(InterruptedError):
        recall(step, "two", 2)
    assert recall(step, "one", 1) is first
    assert made == [first]
    assert told == [("deciding", 0, 1)] * 3

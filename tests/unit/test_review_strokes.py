"""Strokes on masks: what they cover, and where."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampwalk.errors import InputError
from lampwalk.review import strokes
from lampwalk.review.strokes import Stroke, hide_more, moved, paint, show

EMPTY = np.zeros((120, 160), np.uint8)
STAYS = np.eye(3)


def stroke(*points, radius=10.0, soft=0.0, hide=True):
    return Stroke(points=points, radius_px=radius, soft=soft, hide=hide)


def test_a_dab_has_the_area_of_a_circle():
    mask, _ = paint(EMPTY, stroke((80, 60), radius=20.0), STAYS)
    assert mask.sum() / 255 == pytest.approx(math.pi * 20**2, rel=0.01)
    assert mask[60, 80] == 255
    assert mask[60, 102] == 0


def test_a_line_is_straight_and_as_wide_as_the_brush():
    mask, _ = paint(EMPTY, stroke((20, 60), (140, 60), radius=5.0), STAYS)
    hidden = mask[:, 80] > 127
    assert hidden.sum() in (10, 11)
    assert (mask[60, 20:141] == 255).all()


def test_a_soft_edge_falls_evenly_from_the_middle_outwards():
    mask, _ = paint(EMPTY, stroke((80, 60), radius=30.0, soft=1.0), STAYS)
    out = mask[60, 80:115].astype(int)
    assert out[0] == 255
    assert (np.diff(out) <= 0).all()
    assert 100 < out[15] < 155


def test_erasing_where_was_painted_leaves_nothing():
    way = ((30, 30), (90, 70), (120, 40))
    mask, _ = paint(EMPTY, stroke(*way, radius=8.0), STAYS)
    mask, _ = paint(mask, stroke(*way, radius=9.0, hide=False), STAYS)
    assert not mask.any()


def test_a_stroke_lies_in_the_frame_where_it_was_drawn_on_the_result():
    shift = np.array([[1, 0, 12.0], [0, 1, -7.0], [0, 0, 1]])  # frame -> reference
    mask, _ = paint(EMPTY, stroke((80, 60)), shift)
    rows, cols = np.nonzero(mask)
    assert (rows.mean(), cols.mean()) == (pytest.approx(67, abs=0.5), pytest.approx(68, abs=0.5))


@given(
    st.lists(st.tuples(st.floats(-50, 220), st.floats(-50, 180)), min_size=1, max_size=6),
    st.floats(0.5, 60),
    st.floats(0, 1),
    st.booleans(),
)
def test_nothing_changes_outside_the_box(points, radius, soft, hide):
    before = np.full_like(EMPTY, 0 if hide else 255)
    after, (r0, c0, r1, c1) = paint(before, stroke(*points, radius=radius, soft=soft, hide=hide), STAYS)
    changed = after != before
    changed[r0:r1, c0:c1] = False
    assert not changed.any()
    assert (after >= before).all() if hide else (after <= before).all()


@pytest.mark.parametrize(
    "bad",
    [
        stroke(),
        stroke((float("nan"), 1)),
        stroke((1e9, 1)),
        stroke((5, 5), radius=0.0),
        stroke((5, 5), radius=1e6),
        stroke((5, 5), soft=2.0),
        stroke(*[(1, 1)] * (strokes.MOST_POINTS + 1)),
    ],
)
def test_strokes_that_are_none_are_refused(bad):
    with pytest.raises(InputError):
        paint(EMPTY, bad, STAYS)


def test_a_stroke_beside_the_frame_changes_nothing():
    mask, box = paint(EMPTY, stroke((500, 500)), STAYS)
    assert not mask.any()
    assert box == (0, 0, 0, 0)


def test_show_and_hide_more_act_in_their_box_only():
    mask = np.zeros_like(EMPTY)
    mask[40:50, 40:50] = mask[40:50, 100:110] = 255
    shown = show(mask, (35, 35, 55, 55))
    assert not shown[:, :80].any()
    assert np.array_equal(shown[:, 80:], mask[:, 80:])
    wider, box = hide_more(mask, (35, 35, 55, 55))
    assert (wider[:, :80] > 0).sum() > 1.5 * (mask[:, :80] > 0).sum()
    assert np.array_equal(wider[:, 80:], mask[:, 80:])
    assert box == (31, 31, 59, 59)


def test_a_box_is_moved_with_the_picture_and_stays_inside():
    shift = np.array([[1, 0, 5.0], [0, 1, 3.0], [0, 0, 1]])
    assert moved((10, 20, 30, 40), shift, (120, 160), margin=0) == (13, 25, 33, 45)
    r0, c0, r1, c1 = moved((100, 150, 119, 159), np.diag([3.0, 3.0, 1.0]), (120, 160))
    assert 0 <= r0 <= r1 <= 120
    assert 0 <= c0 <= c1 <= 160

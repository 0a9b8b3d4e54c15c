"""Frames merged side by side: a row goes when no strip needs it any more, in whatever order the strips are merged."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lampwalk import passing
from lampwalk.geometry import STRIP_ROWS, strips
from lampwalk.passing import Passing
from lampwalk.resampling import source_boxes

SHAPE = (4 * STRIP_ROWS + 50, 40)


def turned(degrees: float) -> np.ndarray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    x, y = SHAPE[1] / 2, SHAPE[0] / 2
    there = np.array([[1, 0, x], [0, 1, y], [0, 0, 1]])
    return there @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.linalg.inv(there)


@pytest.fixture
def given(monkeypatch) -> list[int]:
    """Rows that were given back, in order; a frame holds the numbers of its rows."""
    rows: list[int] = []
    monkeypatch.setattr(passing.memory, "give_back", lambda part: rows.extend(part[:, 0, 0].tolist()))
    return rows


@pytest.mark.parametrize("order", [[0, 1, 2, 3, 4], [1, 0, 3, 2, 4], [4, 3, 2, 1, 0]])
@pytest.mark.parametrize(
    "homography", [np.eye(3), turned(3), turned(180), np.array([[1, 0, 0], [0, 1, 90.5], [0, 0, 1]])]
)
def test_rows_go_once_and_only_when_no_strip_needs_them(order, homography, given):
    frame = np.repeat(np.arange(SHAPE[0], dtype=np.uint16), SHAPE[1] * 3).reshape(*SHAPE, 3)
    through = Passing([(SimpleNamespace(frame_to_reference=homography), frame)], SHAPE)
    left = set(order)
    for i in order:
        through.done(strips(SHAPE[0])[i])
        left.remove(i)
        needed = [source_boxes(SHAPE, homography, strips(SHAPE[0])[k], [slice(0, SHAPE[1])])[0][0] for k in left]
        assert not any(rows.start <= row < rows.stop for rows in needed for row in given)
    assert given == list(range(SHAPE[0]))


@pytest.mark.parametrize("homography", [np.eye(3), turned(1)])
def test_in_order_rows_go_on_the_way(homography, given):
    frame = np.repeat(np.arange(SHAPE[0], dtype=np.uint16), SHAPE[1] * 3).reshape(*SHAPE, 3)
    through = Passing([(SimpleNamespace(frame_to_reference=homography), frame)], SHAPE)
    for rows in strips(SHAPE[0])[:2]:
        through.done(rows)
    assert given == list(range(len(given)))
    assert 2 * STRIP_ROWS - 10 < len(given) <= 2 * STRIP_ROWS

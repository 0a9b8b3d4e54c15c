"""History: every change can be taken back, also by a later session."""

from __future__ import annotations

import json

import numpy as np
import pytest

from lampwalk.errors import WorksheetError
from lampwalk.review.history import History, patch, patched

SHEET = b'{"format": 1}'


def filled(n: int) -> History:
    history = History()
    for i in range(n):
        history.add(f"change {i}", {"finish": {"at": i}}, {"finish": {"at": i + 1}})
    return history


def test_undo_goes_to_the_first_change_and_redo_back_to_the_last():
    history = filled(50)
    befores = []
    while (step := history.to_undo) is not None:
        befores.append(step.before["finish"]["at"])
        history.step(-1)
    assert befores == list(range(49, -1, -1))
    assert history.here == 0
    while history.to_redo is not None:
        history.step(1)
    assert history.here == 50


def test_a_new_change_forgets_what_was_taken_back():
    history = filled(3)
    history.step(-1)
    history.step(-1)
    history.add("other", {}, {})
    assert history.to_redo is None
    assert history.to_undo.what == "other"
    assert history.here == 4  # a serial is never given twice


def test_it_outlives_the_session(tmp_path):
    history = filled(4)
    history.step(-1)
    history.merged = history.here
    history.save(tmp_path, SHEET)
    again = History.load(tmp_path, SHEET)
    assert (again.here, again.merged, again.to_redo.what) == (3, 3, "change 3")
    again.add("new", {}, {"finish": {}})
    again.save(tmp_path, SHEET)
    assert sorted(p.name for p in (tmp_path / "history").iterdir()) == [
        "000001.json", "000002.json", "000003.json", "000005.json", "now.json",
    ]  # fmt: skip


def test_it_is_dropped_where_it_belongs_to_another_worksheet(tmp_path):
    filled(2).save(tmp_path, SHEET)
    assert History.load(tmp_path, b"edited").to_undo is None


@pytest.mark.parametrize("damage", ["", "{", "[]", '{"worksheet": 1}', '{"changes": ["x"]}'])
def test_a_damaged_history_is_no_history(tmp_path, damage):
    filled(2).save(tmp_path, SHEET)
    (tmp_path / "history" / "now.json").write_text(damage, "utf-8")
    assert History.load(tmp_path, SHEET).to_undo is None


def test_a_dragged_slider_is_one_change():
    history = History()
    for i in range(5):
        history.add("stops", {"at": i}, {"at": i + 1}, gesture="drag 1")
    history.add("stops", {"at": 5}, {"at": 6}, gesture="drag 2")
    history.step(-1)
    assert (history.to_undo.before, history.to_undo.after) == ({"at": 0}, {"at": 5})
    history.step(-1)
    assert history.to_undo is None


def test_a_patch_puts_back_exactly_what_was_there():
    mask = np.random.default_rng(1).integers(0, 256, (40, 60), np.uint8)
    part = patch(mask, (5, 7, 25, 50))
    out, box = patched(np.zeros_like(mask), json.loads(json.dumps(part)))
    assert box == (5, 7, 25, 50)
    assert np.array_equal(out[5:25, 7:50], mask[5:25, 7:50])
    assert out.sum() == mask[5:25, 7:50].sum(dtype=int)
    with pytest.raises(WorksheetError):
        patched(np.zeros((10, 10), np.uint8), part)

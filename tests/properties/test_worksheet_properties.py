"""What must hold for any worksheet."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lampwalk import worksheet
from lampwalk.errors import WorksheetError

names = st.text(st.characters(codec="utf-8", exclude_characters="/\\\0"), min_size=1, max_size=12).filter(
    lambda n: n not in (".", "..")
)
numbers = st.floats(-6, 6, allow_nan=False)
matrices = st.lists(st.floats(-1e-3, 1e-3), min_size=9, max_size=9).map(lambda v: np.eye(3) + np.reshape(v, (3, 3)))
anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=8,
)


@st.composite
def sheets(draw):
    files = draw(st.lists(names, min_size=1, max_size=4, unique=True))
    records = tuple(
        worksheet.FrameRecord(
            file=f, role=draw(st.sampled_from(["ambient", "lamp"])), homography=draw(matrices), gain_ev=draw(numbers),
            ambient_ev=draw(numbers), warmth=draw(st.floats(-300, 300)), on=draw(st.booleans()), why=draw(st.text(max_size=20)),
        )
        for f in files
    )  # fmt: skip
    return worksheet.Worksheet(reference=files[0], frames=records, folder=draw(names))


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("sheets") / "worksheet.json"


def remedy_of(path) -> str:
    """Remedy that the refusal names; any other error goes through."""
    try:
        worksheet.load(path)
    except WorksheetError as error:
        return error.remedy
    return "none needed"


@given(sheet=sheets())
def test_written_and_read_it_is_the_same(path, sheet):
    text = worksheet.to_json(sheet)
    path.write_text(text, "utf-8")
    again = worksheet.load(path)
    assert worksheet.to_json(again) == text
    assert all((a.homography == b.homography).all() for a, b in zip(again.frames, sheet.frames, strict=True))


@given(
    sheet=sheets(),
    key=st.sampled_from(["format", "folder", "reference", "frames", "merge", "finish", "findings"]),
    value=anything,
)
def test_any_value_in_any_field_is_read_or_refused_in_words(path, sheet, key, value):
    data = json.loads(worksheet.to_json(sheet))
    data[key] = value
    path.write_text(json.dumps(data), "utf-8")
    assert remedy_of(path)


@given(
    sheet=sheets(),
    key=st.sampled_from(["file", "role", "homography", "mask", "gain_ev", "warmth", "on", "why", "notes"]),
    value=anything,
)
def test_any_value_in_any_record_is_read_or_refused_in_words(path, sheet, key, value):
    data = json.loads(worksheet.to_json(sheet))
    data["frames"][0][key] = value
    path.write_text(json.dumps(data), "utf-8")
    assert remedy_of(path)


@pytest.mark.parametrize("name", ["../a.jpg", "/etc/a.jpg", "a/../../b.jpg", "a\\..\\b.jpg", "a\0.jpg"])
@pytest.mark.parametrize("key", ["file", "mask"])
def test_no_path_leaves_its_folder(path, key, name):
    record = {"file": "a.jpg", "role": "lamp", "homography": np.eye(3).tolist(), key: name}
    path.write_text(json.dumps({"format": 1, "reference": record["file"], "frames": [record]}))
    with pytest.raises(WorksheetError, match="leaves its folder"):
        worksheet.load(path)

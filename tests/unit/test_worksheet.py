from __future__ import annotations

import json

import numpy as np
import pytest

from lampwalk import WorksheetError, worksheet
from lampwalk.worksheet import FrameRecord, Worksheet


def a_sheet() -> Worksheet:
    matrix = np.array([[1, 0.1, 2], [0, 1, 1 / 3], [1e-7, 0, 1]])
    return Worksheet(
        reference="a.jpg",
        frames=(
            FrameRecord(file="a.jpg", role="ambient", homography=np.eye(3)),
            FrameRecord(
                file="Boot ü 2.jpg", role="lamp", homography=matrix, ambient_ev=0.1, mask="masks/b.png", gain_ev=-1.5
            ),
            FrameRecord(file="c.jpg", role="left out", why="another scene"),
        ),
    )


def data_of(tmp_path, change):
    data = json.loads(worksheet.to_json(a_sheet()))
    change(data)
    path = tmp_path / "worksheet.json"
    path.write_text(json.dumps(data), "utf-8")
    return path


def test_what_is_written_is_read_back_to_the_last_digit(tmp_path):
    path = data_of(tmp_path, lambda data: None)
    assert worksheet.to_json(worksheet.load(path)) == worksheet.to_json(a_sheet())
    assert np.array_equal(worksheet.load(path).frames[1].homography, a_sheet().frames[1].homography)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda d: d.pop("reference"), "reference"),
        (lambda d: d.update(reference="x.jpg"), "reference"),
        (lambda d: d.update(format=99), "newer"),
        (lambda d: d.update(frames={}), "frames"),
        (lambda d: d["frames"][0].update(role="sun"), r"frames\[0\].role"),
        (lambda d: d["frames"][1].update(gain_ev="a lot"), r"frames\[1\].gain_ev"),
        (lambda d: d["frames"][1].update(gain_ev=float("nan")), r"frames\[1\].gain_ev"),
        (lambda d: d["frames"][1].update(homography=[[1, 2], [3, 4]]), r"frames\[1\].homography"),
        (lambda d: d["frames"][1].update(homography=[[0] * 3] * 3), r"frames\[1\].homography"),
        (lambda d: d["frames"][1].update(homography=None), r"frames\[1\].homography"),
        (lambda d: d["frames"][1].update(mask="../../etc/passwd"), r"frames\[1\].mask"),
        (lambda d: d["frames"][1].update(file="/a.jpg"), r"frames\[1\].file"),
        (lambda d: d["frames"].append(d["frames"][0]), "twice"),
    ],
)
def test_errors_name_the_field(tmp_path, change, named):
    with pytest.raises(WorksheetError, match=named) as caught:
        worksheet.load(data_of(tmp_path, change))
    assert caught.value.remedy
    assert caught.value.file


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '"x"', "[" * 5000])
def test_no_worksheet_is_an_error_not_a_traceback(tmp_path, text):
    path = tmp_path / "worksheet.json"
    path.write_text(text)
    with pytest.raises(WorksheetError):
        worksheet.load(path)


def test_a_missing_worksheet_is_named(tmp_path):
    with pytest.raises(WorksheetError, match=r"none\.json"):
        worksheet.load(tmp_path / "none.json")

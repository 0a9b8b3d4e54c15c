"""`lampwalk plan` from its arguments to its files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lampwalk.cli import main
from lampwalk.planning import read_plan

BOAT = [
    "plan", "--meter", "1/30 f/5.6 ISO 100", "--guide-number", "60 m", "--beam", "65 deg",
    "--distance", "4 m", "--subject", "6 m x 2.2 m x 1.8 m", "--focal", "35 mm", "--camera-distance", "9 m",
]  # fmt: skip


def replaced(option: str, value: str) -> list[str]:
    arguments = list(BOAT)
    arguments[arguments.index(option) + 1] = value
    return arguments


def test_writes_three_files_and_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*BOAT, "--output", str(tmp_path / "plan")]) == 0
    assert sorted(path.name for path in (tmp_path / "plan").iterdir()) == [
        "field_sheet.html",
        "field_sheet.md",
        "plan.json",
    ]
    said = capsys.readouterr()
    assert said.out == ""
    assert "1/125 s at f/5.6, ISO 100: daylight 2.0 stops down" in said.err


def test_json_on_standard_output_is_the_plan_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main([*BOAT, "--json", "--output", str(tmp_path)])
    assert json.loads(capsys.readouterr().out) == json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))


def test_status_1_where_the_lamp_is_too_weak(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = [*replaced("--meter", "1/125 f/8 ISO 100"), "--aperture", "f/4", "--sink", "3"]
    assert main([*arguments, "--output", str(tmp_path)]) == 1
    assert read_plan(tmp_path / "plan.json").exposure.setting.shutter_s == 1 / 4000
    assert "the lamp lacks" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--meter", "1/30 f/0 ISO 100", "aperture must be above 0"),
        ("--meter", "1/30 f/5.6", "lacks the sensitivity"),
        ("--distance", "4", "expected such as 4 m"),
        ("--distance", "-4 m", "must be above 0"),
        ("--guide-number", "60", "expected such as"),
        ("--subject", "6 x 2.2 x 1.8", "has no unit"),
        ("--focal", "35", "expected such as 35 mm"),
        ("--beam", "200 deg", "expected 5 to 150 deg"),
        ("--meter", "1/4000 f/5.6 ISO 100", "the fastest is 1/8000 s"),
        ("--guide-number", "32 m at 300 Ws", "--energy"),
    ],
)
def test_bad_input_says_what_was_expected_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, value: str, words: str
) -> None:
    assert main([*replaced(option, value), "--output", str(tmp_path / "plan")]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "plan").exists()


def test_energy_beside_a_measured_pair(tmp_path: Path) -> None:
    """32 m at 300 Ws is 64 m at 1200 Ws."""
    arguments = [*replaced("--guide-number", "32 m at 300 Ws"), "--energy", "1200 Ws"]
    assert main([*arguments, "--output", str(tmp_path)]) == 0
    assert read_plan(tmp_path / "plan.json").lamp.guide_number_m == pytest.approx(64)


def test_power_gives_the_distance(tmp_path: Path) -> None:
    """Guide number 60 at f/5.6 (2^2.5), a quarter of the power: 60 / 2 / 5.657 = 5.30 m."""
    arguments = list(BOAT)
    start = arguments.index("--distance")
    arguments[start : start + 2] = ["--power", "1/4"]
    assert main([*arguments, "--output", str(tmp_path)]) == 0
    assert read_plan(tmp_path / "plan.json").flash.distance_m == pytest.approx(5.303, abs=0.001)


def test_plans_again_into_its_own_folder_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*BOAT, "--output", str(tmp_path)]) == 0
    assert main([*replaced("--distance", "3 m"), "--output", str(tmp_path)]) == 0
    assert read_plan(tmp_path / "plan.json").flash.distance_m == 3
    (tmp_path / "plan.json").write_text("my own notes", encoding="utf-8")
    assert main([*BOAT, "--output", str(tmp_path)]) == 2
    assert (tmp_path / "plan.json").read_text(encoding="utf-8") == "my own notes"
    assert "--overwrite" in capsys.readouterr().err
    assert main([*BOAT, "--overwrite", "--output", str(tmp_path)]) == 0


def test_output_that_is_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plan").write_text("", encoding="utf-8")
    assert main([*BOAT, "--output", str(tmp_path / "plan")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_same_arguments_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        main([*BOAT, "--output", str(tmp_path / name), "--quiet"])
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()

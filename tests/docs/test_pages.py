"""Commands and code on the pages of docs/ run, and the pages build without a warning."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from lampwalk.cli import main

DOCS = Path(__file__).parents[2] / "docs"


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (DOCS / page).read_text("utf-8"), re.S)


def test_the_commands_of_the_planning_page_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = blocks("planning.md", "sh")
    assert found
    for block in found:
        for line in block.replace("\\\n", " ").strip().splitlines():
            assert main(shlex.split(line, comments=True)[1:]) in (0, 1), line


def test_the_python_of_the_planning_page_runs(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    found = blocks("planning.md", "python")
    assert found
    for block in found:
        exec(compile(block, "planning.md", "exec"), names)  # our own text


def test_the_commands_of_the_batch_page_run(tmp_path, monkeypatch, small_scene, capsys):
    """All but `watch`, which runs until it is stopped (its test is tests/unit/test_watching.py)."""
    monkeypatch.chdir(tmp_path)
    series = tmp_path / "season" / "boat"
    series.mkdir(parents=True)
    for name in ("00", "06", "07"):
        shutil.copy(small_scene / "frames" / f"{name}.jpg", series)
    lines = re.findall(r"^    (lampwalk batch .*)$", (DOCS / "batch.md").read_text("utf-8"), re.M)
    assert len(lines) >= 3
    for line in lines:
        command, _, target = re.split(r"\s{3,}", line)[0].partition(" > ")
        if "ADDRESS" in command:
            continue
        capsys.readouterr()
        assert main(shlex.split(command)[1:]) in (0, 1), line
        if target:
            (tmp_path / target).write_text(capsys.readouterr().out)
    assert (tmp_path / "runs" / "summary.csv").is_file()


def test_the_pages_build_without_a_warning(tmp_path):
    pytest.importorskip("sphinx")
    pytest.importorskip("myst_parser")
    command = [sys.executable, "-m", "sphinx", "-W", "-q", str(DOCS), str(tmp_path)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    assert "merge_folder" in (tmp_path / "api.html").read_text("utf-8")

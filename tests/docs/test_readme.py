"""What README and guide tell people to type must work."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from lampwalk.cli import main

ROOT = Path(__file__).parents[2]


@pytest.fixture
def clone(tmp_path, monkeypatch, small_scene):
    """A folder like a clone, with half of the sample series at a quarter of its pixels."""
    series = tmp_path / "sample_data" / "slipway"
    series.mkdir(parents=True)
    for name in ("00", "01", "03", "06", "07"):
        shutil.copy(small_scene / "frames" / f"{name}.jpg", series)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_python_of_the_readme_runs(clone):
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.S)
    assert blocks
    for block in blocks:
        exec(compile(block, "README.md", "exec"), {})  # our own text
    assert (clone / "run" / "picture.jpg").is_file()


def commands(path: Path) -> list[str]:
    lines = re.findall(r"^    (lampwalk .*)$", path.read_text("utf-8"), re.M)
    return [line for line in lines if not re.search(r"[A-Z]{3,}|\.\.\.", line)]


def test_the_commands_of_the_guide_run(clone):
    found = commands(ROOT / "docs" / "guide.md")
    assert len(found) >= 4
    for line in found:
        assert main(shlex.split(line)[1:]) in (0, 1), line


def test_the_readme_opens_with_the_job_and_has_the_two_commands():
    text = (ROOT / "README.md").read_text("utf-8")
    first = text.split("\n\n")[1]
    assert first.startswith("A photographer puts a camera on a tripod")
    two = [line for line in text.splitlines() if line.startswith("    python3 -m venv")]
    assert len(two) == 2
    assert "lampwalk merge sample_data/slipway" in two[0]
    assert two[1].endswith("pytest -q")
    assert "python -m pytest -q" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_pictures_and_pages_that_the_docs_name_are_there():
    for page in [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]:
        for target in re.findall(r"\]\(([^)#:]+?)(?:#[^)]*)?\)", page.read_text("utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"

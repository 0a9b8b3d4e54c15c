"""Files that once were not refused or read properly; found by benchmarks/fuzz.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from lampwalk import LampwalkError, worksheet
from lampwalk.files import read_facts, read_pixels

FILES = sorted((Path(__file__).parent / "regressions").iterdir())


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_it_is_read_as_its_header_says_or_refused_in_words(path):
    try:
        if path.suffix == ".json":
            assert worksheet.load(path).frames
            return
        facts = read_facts(path)
        pixels = read_pixels(path, facts.orientation)
    except LampwalkError as error:
        remedy = error.remedy
    else:
        assert pixels.shape == (facts.height, facts.width, 3)
        return
    assert remedy

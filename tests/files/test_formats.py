"""Every format tried gives the picture, or a clear refusal; docs/formats.md says so."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from files.samples import READ, REFUSED, RGB16, SMOOTH8, outcome, table
from lampwalk import files

DOCS = Path(__file__).parents[2] / "docs" / "formats.md"


@pytest.mark.parametrize("sample", READ, ids=lambda sample: sample.name)
def test_a_file_made_by_another_library_is_read_right(sample, tmp_path):
    result, detail = outcome(sample, tmp_path)
    assert result == "read", detail


@pytest.mark.parametrize("sample", REFUSED, ids=lambda sample: sample.name)
def test_a_file_that_cannot_be_used_is_refused_in_words(sample, tmp_path):
    result, detail = outcome(sample, tmp_path)
    assert result == "refused"
    assert sample.words in detail
    assert str(tmp_path) not in detail  # the error names the file once, apart from its message


@pytest.mark.parametrize("sample", READ + REFUSED, ids=lambda sample: sample.name)
def test_reading_leaves_the_file_as_it_was(sample, tmp_path):
    outcome(sample, tmp_path)
    path = tmp_path / f"sample{sample.ending}"
    before, touched = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o444)
    try:
        facts = files.read_facts(path)
        files.read_pixels(path, facts.orientation)
    except files.FrameError:
        pass
    assert path.read_bytes() == before
    assert path.stat().st_mtime_ns == touched


def test_the_table_in_the_docs_is_what_comes_out():
    def results(text: str) -> list[list[str]]:
        return [line.split(" | ")[:2] for line in text.splitlines() if line.startswith("| ")]

    assert results(DOCS.read_text(encoding="utf-8")) == results(table())


WITHOUT_EXTRAS = """
import json, sys
for name in ("imagecodecs", "simplejpeg", "rawpy"):
    sys.modules[name] = None
import numpy as np
from pathlib import Path
from lampwalk import files
from lampwalk.errors import LampwalkError
said = {}
for path in map(Path, sys.argv[1:]):
    try:
        files.read_facts(path)
        np.save(path.with_suffix(".npy"), files.read_pixels(path))
        said[path.stem] = "read"
    except LampwalkError as error:
        said[path.stem] = error.remedy
print(json.dumps(said))
"""


def test_without_the_extras_the_pixels_are_the_same_or_the_remedy_is_named(tmp_path):
    names = {"JPEG, 4:2:0": "jpeg", "TIFF, LZW": "lzw", "TIFF, deflate and predictor": "deflate",
             "TIFF, PackBits": "packbits", "TIFF, big-endian": "big", "TIFF, zstd": "zstd",
             "DNG, Bayer mosaic": "dng"}  # fmt: skip
    paths = []
    for sample in READ:
        if sample.name in names:
            paths.append(tmp_path / (names[sample.name] + sample.ending))
            sample.make(paths[-1])
    run = subprocess.run(
        [sys.executable, "-c", WITHOUT_EXTRAS, *map(str, paths)], capture_output=True, text=True, check=True
    )
    said = json.loads(run.stdout)
    assert said.pop("dng") == 'pip install "lampwalk[raw]"'
    assert said.pop("zstd") == 'pip install "lampwalk[fast]"'
    assert set(said.values()) == {"read"}
    for path in paths:
        if path.stem in said:
            assert np.array_equal(np.load(path.with_suffix(".npy")), files.read_pixels(path)), path.stem


def test_pixels_arrive_in_rgb_order(tmp_path):
    import tifffile

    red = np.zeros((16, 16, 3), np.uint8)
    red[..., 0] = 200
    from PIL import Image

    for name in ("a.png", "a.jpg"):
        Image.fromarray(red).save(tmp_path / name)
    tifffile.imwrite(tmp_path / "a.tif", red, photometric="rgb")
    for name in ("a.png", "a.jpg", "a.tif"):
        pixels = files.read_pixels(tmp_path / name)
        assert pixels[8, 8, 0] > 190, name
        assert pixels[8, 8, 1:].max() < 10, name


def test_samples_are_not_flat():
    assert RGB16.std() > 5000
    assert SMOOTH8.std() > 20


FUZZED = ["JPEG, 4:2:0", "PNG, 16 bits", "TIFF, deflate and predictor", "TIFF, LZW", "TIFF, planar",
          "TIFF, tiled", "DNG, Bayer mosaic", "AVIF"]  # fmt: skip


@pytest.mark.parametrize("name", FUZZED)
def test_changed_bytes_give_a_picture_or_an_error_in_words_and_nothing_else(name, tmp_path, capfd):
    """Seeded damage all over the file, the header most: what comes is a picture or a refusal."""
    sample = next(sample for sample in READ if sample.name == name)
    path = tmp_path / f"sample{sample.ending}"
    sample.make(path)
    whole, rng = path.read_bytes(), np.random.default_rng(11)
    refused = 0
    for turn in range(30):
        damaged = bytearray(whole)
        reach = len(whole) if turn % 2 else min(len(whole), 600)
        for where in rng.integers(4, reach, rng.integers(1, 6)):
            damaged[where] = rng.integers(256)
        path.write_bytes(damaged)
        try:
            facts = files.read_facts(path)
            pixels = files.read_pixels(path, facts.orientation)
        except files.FrameError:
            refused += 1
        else:
            assert pixels.ndim == 3
            assert pixels.shape[2] == 3
            assert pixels.dtype in (np.uint8, np.uint16)
    assert refused > 0
    capfd.readouterr()  # the decoders below write their own remarks

"""Memory of a long series: what is held of the frames must not grow with their number."""

from __future__ import annotations

import tracemalloc

import imageio.v3 as iio
import numpy as np
import pytest

import lampwalk
from lampwalk import decisions, looking
from lampwalk.composite import execute
from lampwalk.frames import as_series
from lampwalk.shelf import Shelf
from lampwalk.together import MOST_FRAMES


@pytest.fixture(scope="module")
def walk(small_scene):
    """One frame without flash and 19 with: the same lamps again and again, each time a little weaker."""
    day, *lamps = [iio.imread(p) for p in sorted((small_scene / "frames").glob("*.jpg"))]
    weaker = [np.rint(lamps[i % len(lamps)] * (1 - i / 200)).astype(np.uint8) for i in range(19)]
    return [day, *weaker]


def peaks(frames, folder):
    """Bytes of arrays held at most while a series is decided, and while that is carried out, on one thread."""
    series = as_series(frames)  # arrays, which were there before
    shelf = Shelf(folder)
    tracemalloc.start()
    try:
        found = decisions.decide(series, shelf=shelf, threads=1)
        first = tracemalloc.get_traced_memory()[1]
        tracemalloc.reset_peak()
        execute(found, shelf=shelf, threads=1)
        return first, tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        shelf.close()


def test_what_is_held_does_not_grow_with_the_number_of_frames(walk, tmp_path, monkeypatch):
    monkeypatch.setattr(looking, "MEMORY_BYTES", 0)
    monkeypatch.setattr(decisions, "FIELD_BYTES", 0)
    peaks(walk[:3], tmp_path)  # tables and the net are made once
    few, many = peaks(walk[:MOST_FRAMES], tmp_path), peaks(walk, tmp_path)  # so many are aligned in one group
    assert many[0] < 1.05 * few[0]
    assert many[1] < 1.05 * few[1]
    assert list(tmp_path.iterdir()) == []


def test_where_it_waits_changes_nothing(walk, tmp_path, monkeypatch):
    held = lampwalk.merge(walk[:6])
    monkeypatch.setattr(looking, "MEMORY_BYTES", 0)
    monkeypatch.setattr(decisions, "FIELD_BYTES", 0)
    filed = lampwalk.merge(walk[:6])
    np.testing.assert_array_equal(filed.pixels, held.pixels)
    np.testing.assert_array_equal(filed.coverage, held.coverage)
    for name, mask in held.masks.items():
        np.testing.assert_array_equal(filed.masks[name], mask)


def test_a_merge_tells_how_far_it_is_also_where_all_frames_wait_in_memory(small_scene, tmp_path):
    told: list[tuple[int, int]] = []

    def progress(step: str, done: int, total: int) -> None:
        if step == "merging":
            told.append((done, total))

    choices = lampwalk.Choices(hide=False, glow=False, fill=False, level=False)
    lampwalk.merge_folder(
        small_scene / "frames", tmp_path / "run", choices=choices, memory_bytes=4_000_000_000, progress=progress
    )
    done = [d for d, _ in told]
    assert done == sorted(done)
    assert told[-1] == (10, 10)
    assert len({d for d in done if 0 < d < 10}) > 1

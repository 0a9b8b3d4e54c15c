"""Frames compared with the first one before all are there give what they give afterwards."""

from __future__ import annotations

import threading

import cv2
import numpy as np
import pytest

from lampwalk import comparing, parallel
from lampwalk.alignment import solve
from lampwalk.comparing import Comparing
from lampwalk.previews import make_preview
from lampwalk.sighting import observe

SIZE = 480, 320


def walk() -> list[np.ndarray]:
    """Daylight, and two lamps from the left and the right, moved by some pixels."""
    rng = np.random.default_rng(4)
    w, h = SIZE
    scene = sum(cv2.GaussianBlur(rng.normal(0, s, (h, w)), (0, 0), s) * s for s in (1.2, 3, 8))
    scene = np.clip(0.4 + 0.15 * scene / scene.std(), 0.02, 1)
    across = np.linspace(0, 1, w)[None]
    frames = []
    for light, x in ((0.1, 0), (0.1 + 0.8 * across, 2.3), (0.1 + 0.8 * (1 - across), -1.6)):
        shift = np.array([[1, 0, x], [0, 1, 0.4 * x]], np.float64)
        moved = cv2.warpAffine(scene, shift, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        values = 255 * np.clip(moved * light + rng.normal(0, 0.004, scene.shape), 0, 1) ** (1 / 2.2)
        frames.append(np.repeat(np.rint(values).astype(np.uint8)[..., None], 3, axis=2))
    return frames


@pytest.fixture
def compared(monkeypatch):
    """Number every comparison, and note the thread that makes it."""
    made = []
    real = comparing.compare

    def counted(base, sighting, decode):
        made.append(threading.current_thread().name)
        return real(base, sighting, decode)

    monkeypatch.setattr(comparing, "compare", counted)
    return made


def never() -> np.ndarray:
    return pytest.fail("so small a motion needs no frame again")


def solved(frames: list[np.ndarray], order: list[int], reference: int) -> list[np.ndarray]:
    """Homographies, with all frames shown to `Comparing` in some order first."""
    sightings = [observe(pixels) for pixels in frames]
    with parallel.aside() as aside:
        early = Comparing(aside)
        for i in order:
            early.saw(make_preview(str(i), frames[i]), sightings[i], never, first=i == 0)
        aside(lambda: None).result()  # all that was begun is done
        found = solve(sightings, reference=reference, pixels=lambda i: frames[i], comparing=early)
    return [a.frame_to_reference for a in found]


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0], [1, 0, 2]])
def test_frames_are_compared_once_and_early_whatever_comes_first(compared, order):
    frames = walk()
    plain = [a.frame_to_reference for a in solve([observe(p) for p in frames], reference=0)]
    compared.clear()
    early = solved(frames, order, 0)
    assert len(compared) == 2
    assert all(name.startswith("aside") for name in compared)
    assert all(np.array_equal(a, b) for a, b in zip(plain, early, strict=True))
    assert np.allclose(early[1][:2, 2], (-2.3, -0.92), atol=0.1)


def test_another_reference_than_the_first_frame_is_compared_anew(compared):
    frames = walk()
    plain = [a.frame_to_reference for a in solve([observe(p) for p in frames], reference=1)]
    early = solved(frames, [0, 1, 2], 1)
    assert all(np.array_equal(a, b) for a, b in zip(plain, early, strict=True))


def test_a_first_frame_with_a_lamp_in_it_is_not_taken_for_the_reference(compared):
    frames = walk()[1:]
    sightings = [observe(p) for p in frames]
    early = Comparing(lambda job: pytest.fail("nothing should be compared yet"))
    for i, pixels in enumerate(frames):
        early.saw(make_preview(str(i), pixels), sightings[i], never, first=i == 0)
    assert compared == []


def test_what_has_not_begun_is_compared_by_whoever_asks(compared):
    frames = walk()
    sightings = [observe(p) for p in frames]
    go_on = threading.Event()
    with parallel.aside() as aside:
        aside(lambda: go_on.wait(30))  # the thread aside is busy
        early = Comparing(aside)
        for i, pixels in enumerate(frames):
            early.saw(make_preview(str(i), pixels), sightings[i], never, first=i == 0)
        solve(sightings, reference=0, comparing=early)
        made = list(compared)
        go_on.set()
    assert len(made) == len(compared) == 2
    assert not any(name.startswith("aside") for name in made)

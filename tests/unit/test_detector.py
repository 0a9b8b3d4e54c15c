"""The detector finds a drawn stand, leaves a bare scene blank, and does not depend on the number of threads."""

from __future__ import annotations

from importlib import resources

import cv2
import numpy as np
import pytest

from lampwalk import detector
from lampwalk.previews import Preview


def series(*, stand: bool, n: int = 5, shape: tuple[int, int] = (400, 600)) -> list[Preview]:
    """A textured wall and ground, a lamp that walks, and in frame 1 a black stand with a bright head."""
    h, w = shape
    rng = np.random.default_rng(4)
    albedo = np.exp(0.4 * cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 2) / 0.14) * 0.15
    y, x = np.mgrid[:h, :w]
    result = []
    for k in range(n):
        light = 0.08 if k == 0 else 0.08 + 1.5 / (1 + ((x - w * k / n) ** 2 + (y - h * 0.6) ** 2) / (0.25 * w) ** 2)
        linear = np.repeat((albedo * light)[..., None], 3, axis=2)
        if stand and k == 1:
            for end in ((300, 350), (240, 370), (360, 370)):
                cv2.line(linear, (300, 290), end, (0.004,) * 3, 5)
            cv2.line(linear, (300, 110), (300, 350), (0.004,) * 3, 5)
            cv2.circle(linear, (300, 100), 22, (4.0,) * 3, -1)
            linear = linear + 0.05 * cv2.GaussianBlur(np.where(linear > 1, linear, 0), (0, 0), 12)
        linear = np.clip(linear + rng.normal(0, 0.002, linear.shape), 0, 1).astype(np.float32)
        whole = np.ones(shape, bool)
        result.append(Preview(name=str(k), linear=linear, clipped=linear.max(2) >= 0.96, valid=whole, full_shape=shape))
    return result


def test_a_stand_is_found_in_its_frame_and_nowhere_else() -> None:
    found = detector.probability(series(stand=True), [True, False, False, False, False])
    assert found[1][95:106, 290:310].mean() > 0.5
    assert found[1][150:280, 298:303].mean() > 0.5
    assert np.mean(found[1] > 0.5) < 0.05
    assert max(float(np.mean(p > 0.5)) for k, p in enumerate(found) if k != 1) < 0.002


def test_a_long_series_is_compared_in_groups_and_no_frame_is_lost(monkeypatch) -> None:
    monkeypatch.setattr(detector, "MOST_COMPARED", 4)
    found = detector.probability(series(stand=True, n=9), [True] + [False] * 8)
    assert len(found) == 9
    assert found[1][95:106, 290:310].mean() > 0.5
    assert max(float(np.mean(p > 0.5)) for k, p in enumerate(found) if k != 1) < 0.002


def test_a_frame_without_flash_holds_no_equipment_whatever_it_shows() -> None:
    frames = series(stand=True, n=4)
    found = detector.probability(frames, [True, True, False, False])
    assert not found[0].any()
    assert not found[1].any()


def test_a_bare_scene_stays_blank() -> None:
    for p in detector.probability(series(stand=False), [True, False, False, False, False]):
        assert p.dtype == np.float32
        assert np.mean(p > 0.5) < 0.001


def test_same_bytes_for_any_number_of_threads() -> None:
    frames = series(stand=True, n=3)
    before = cv2.getNumThreads()
    try:
        cv2.setNumThreads(1)
        one = detector.probability(frames, [True, False, False])
        cv2.setNumThreads(4)
        four = detector.probability(frames, [True, False, False])
    finally:
        cv2.setNumThreads(before)
    assert all(np.array_equal(a, b) for a, b in zip(one, four, strict=True))


def test_a_file_that_opencv_cannot_open_by_name_is_read_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    frames = series(stand=True, n=3)
    by_name = detector.probability(frames, [True, False, False])
    read = cv2.dnn.readNetFromONNX

    def only_from_memory(source: object, *engine: int) -> object:
        if isinstance(source, str):
            raise cv2.error("can't open it")
        return read(source, *engine)

    monkeypatch.setattr(cv2.dnn, "readNetFromONNX", only_from_memory)
    from_memory = detector.probability(frames, [True, False, False])
    assert max(float(np.abs(a - b).max()) for a, b in zip(by_name, from_memory, strict=True)) < 0.01


def test_one_frame_gives_a_blank_map_and_a_gap_stays_blank() -> None:
    frames = series(stand=True, n=3)
    assert not detector.probability(frames[:1], [False])[0].any()
    valid = np.ones(frames[1].shape, bool)
    valid[:, 290:] = False
    cut = Preview(name="1", linear=frames[1].linear, clipped=frames[1].clipped, valid=valid, full_shape=valid.shape)
    assert not detector.probability([frames[0], cut, frames[2]], [True, False, False])[1][~valid].any()


def test_the_weights_are_small_enough_to_ship() -> None:
    """At most 2 MB, the budget set for this package."""
    data = resources.files("lampwalk").joinpath("weights", detector.WEIGHTS).read_bytes()
    assert 100_000 < len(data) <= 2_000_000

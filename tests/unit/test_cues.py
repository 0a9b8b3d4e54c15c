"""Cues: what a patch in front of the scene does to them, and what a change of light does not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lampwalk import cues
from lampwalk.previews import Preview

UNEXPLAINED = 15
"""Coarse channel: contrast that the best of the other frames leaves unexplained, coarse comparison."""


def preview(linear: np.ndarray, valid: np.ndarray | None = None) -> Preview:
    shape = linear.shape[:2]
    return Preview(
        name="x",
        linear=linear.astype(np.float32),
        clipped=linear.max(axis=2) >= 0.98,
        valid=np.ones(shape, bool) if valid is None else valid,
        full_shape=shape,
    )


def textured(seed: int = 0, shape: tuple[int, int] = (300, 450)) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(shape)
    albedo = np.exp(0.5 * cv2.GaussianBlur(noise, (0, 0), 1.5) / 0.2)
    return np.clip(0.05 * albedo, 0.003, 0.9)[..., None].repeat(3, axis=2)


def lit(scene: np.ndarray, gains: tuple[float, ...]) -> list[Preview]:
    ramp = np.linspace(0.5, 1.5, scene.shape[1])[None, :, None]
    return [preview(np.clip(scene * g * ramp**k, 0, 1)) for k, g in enumerate(gains)]


def test_shapes_and_finite_values_for_any_number_of_frames() -> None:
    for n in (2, 3, 9):
        frames = lit(textured(), tuple(1 + 0.2 * k for k in range(n)))
        for found in cues.measure(frames, [False] * n):
            h, w = (s + -s % cues.MULTIPLE for s in cues.working_shape((300, 450)))
            assert found.coarse.shape == (cues.COARSE_CHANNELS, h // 4, w // 4)
            assert found.fine.shape == (cues.FINE_CHANNELS, h // 2, w // 2)
            assert found.detail.shape == (cues.DETAIL_CHANNELS, h, w)
            for channels in (found.coarse, found.fine, found.detail):
                assert channels.dtype == np.float32
                assert np.isfinite(channels).all()


def test_a_pole_is_unexplained_and_the_same_scene_under_another_light_is_not() -> None:
    frames = lit(textured(), (1.0, 2.0, 3.0, 1.5))
    with_pole = frames[1].linear.copy()
    with_pole[40:280, 200:206] = 0.6
    frames[1] = preview(with_pole)
    unexplained = cues.measure(frames, [False] * 4)[1].coarse[UNEXPLAINED]
    scale = cues.working_shape((300, 450))[1] / 450 / 4
    row, column = slice(int(60 * scale), int(260 * scale)), round(202 * scale)
    on_pole = unexplained[row, column - 1 : column + 2].mean()
    elsewhere = np.median(unexplained[:, : column - 40])
    assert on_pole > 5 * elsewhere


def test_gaps_at_the_edge_bring_no_edges() -> None:
    frames = lit(textured(), (1.0, 1.0, 1.0))
    valid = np.ones((300, 450), bool)
    valid[:, :30] = False
    gap = preview(np.where(valid[..., None], frames[0].linear, 0), valid)
    whole = cues.measure(frames, [False] * 3)
    holed = cues.measure([gap, *frames[1:]], [False] * 3)
    assert np.abs(holed[1].coarse[UNEXPLAINED] - whole[1].coarse[UNEXPLAINED]).max() < 0.2


def test_one_frame_cannot_be_compared() -> None:
    with pytest.raises(ValueError, match="at least two"):
        cues.measure(lit(textured(), (1.0,)), [False])


def test_the_ambient_frame_is_always_among_the_compared() -> None:
    frames = lit(textured(shape=(120, 180)), tuple(1 + 0.1 * k for k in range(12)))
    small = [cues._read(f, cues.working_shape(f.shape)) for f in frames]
    ambient = [k == 11 for k in range(12)]
    for i in range(11):
        chosen = cues._choose_others(small, ambient, i)
        assert 11 in chosen
        assert i not in chosen
        assert len(set(chosen)) == len(chosen) == cues.COMPARED


def test_frames_are_sorted_per_pixel_as_numpy_sorts_them() -> None:
    rng = np.random.default_rng(1)
    for n in range(2, 20):
        maps = [rng.integers(0, 7, (40, 9)).astype(np.float32) for _ in range(n)]
        ranked = cues._sorted(maps)
        assert np.array_equal(np.stack(ranked), np.sort(np.stack(maps), axis=0))
        for mine, k in ((maps[0], 0), (maps[-1], -1), (maps[n // 2], (n - 2) // 2)):
            others = np.sort(np.stack([m for m in maps if m is not mine]), axis=0)
            assert np.array_equal(cues._of_others(ranked, mine, k), others[k])


def test_highest_and_lowest_of_the_others_as_numpy_finds_them() -> None:
    rng = np.random.default_rng(2)
    for n in (2, 3, 8):
        maps = [rng.standard_normal((50, 11)).astype(np.float32) for _ in range(n)]
        extremes = cues._extremes(maps)
        for i, mine in enumerate(maps):
            others = np.stack(maps[:i] + maps[i + 1 :])
            found = cues._detail(mine, extremes) / 2
            outside = np.maximum(mine - others.max(0), 0) - np.maximum(others.min(0) - mine, 0)
            assert np.allclose(found[0], mine)
            assert np.allclose(found[1], outside, atol=1e-6)
            assert np.allclose(found[2], mine - (others.max(0) + others.min(0)) / 2, atol=1e-6)

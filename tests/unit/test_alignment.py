"""Alignment of small made pairs, and of frames that cannot be aligned."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lampwalk import alignment, motion
from lampwalk.alignment import align, best_connected, lens_findings, solve
from lampwalk.files import Facts
from lampwalk.frames import Frame
from lampwalk.models import Lens, simplest
from lampwalk.sighting import observe, sites

SIZE = 480, 320


def texture(seed: int, size: tuple[int, int] = SIZE) -> np.ndarray:
    """Grey noise of three grain sizes, 0-1."""
    rng = np.random.default_rng(seed)
    w, h = size
    layers = [cv2.GaussianBlur(rng.normal(0, s, (h, w)), (0, 0), s) * s for s in (1.2, 3, 8)]
    total = sum(layers)
    return np.clip(0.4 + 0.15 * total / total.std(), 0.02, 1).astype(np.float32)


def frame(picture: np.ndarray, gain: float = 1.0, seed: int = 0, dtype: type = np.uint8) -> np.ndarray:
    noisy = picture * gain + np.random.default_rng(seed).normal(0, 0.004, picture.shape)
    top = np.iinfo(dtype).max
    return np.repeat(np.rint(np.clip(noisy, 0, 1) * top).astype(dtype)[..., None], 3, axis=2)


def seen(picture: np.ndarray, frame_to_reference: np.ndarray) -> np.ndarray:
    h, w = picture.shape
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpPerspective(picture, frame_to_reference, (w, h), flags=flags, borderMode=cv2.BORDER_REFLECT)


def rms(found: np.ndarray, true: np.ndarray, size: tuple[int, int] = SIZE) -> float:
    grid = np.stack(np.meshgrid(*(np.linspace(0, n - 1, 5) for n in size)), -1).reshape(-1, 1, 2)
    apart = cv2.perspectiveTransform(grid, found) - cv2.perspectiveTransform(grid, true)
    return float(np.sqrt((apart**2).sum(-1).mean()))


def pair(matrix: np.ndarray, dtype: type = np.uint8) -> list[np.ndarray]:
    scene = texture(1)
    light = np.linspace(0.3, 1.2, SIZE[0], dtype=np.float32)[None]
    return [frame(scene, 0.5, 1, dtype), frame(seen(scene, matrix) * light, 0.9, 2, dtype)]


def test_a_frame_that_did_not_move_gets_exactly_the_identity():
    _, found = solve([observe(p) for p in pair(np.eye(3))], reference=0)
    assert np.array_equal(found.frame_to_reference, np.eye(3))
    assert (found.model, found.verdict) == ("identity", "aligned")


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_shift_of_a_third_of_a_pixel_is_found_as_a_shift(dtype):
    true = np.array([[1, 0, 0.33], [0, 1, -0.2], [0, 0, 1]])
    _, found = solve([observe(p) for p in pair(true, dtype)], reference=0)
    assert found.model == "shift"
    assert rms(found.frame_to_reference, true) < 0.05


def test_a_knocked_tripod_is_mended():
    true = np.array([[0.9995, 0.004, 9.0], [-0.004, 0.9995, -6.0], [4e-6, -2e-6, 1]])
    _, found = solve([observe(p) for p in pair(true)], reference=0)
    assert found.verdict == "aligned"
    assert found.model in ("similarity", "homography")
    assert rms(found.frame_to_reference, true) < 0.1


def test_large_frames_are_matched_in_crops_and_decoded_again_when_they_moved_far():
    size = 2400, 1600
    scene = cv2.resize(texture(3, (1200, 800)), size, interpolation=cv2.INTER_CUBIC)
    scene += cv2.resize(texture(4, (4000, 2667)), size) * 0.3 - 0.15
    true = np.array([[1, 0.001, 31.4], [-0.001, 1, -12.7], [0, 0, 1]])
    pictures = [frame(scene, 0.6, 1), frame(seen(scene, true), 0.8, 2)]
    sightings = [observe(p) for p in pictures]
    assert sightings[0].crops is not None
    decoded = []
    found = solve(sightings, reference=0, pixels=lambda i: decoded.append(i) or pictures[i])[1]
    assert decoded == [1]
    assert rms(found.frame_to_reference, true, size) < 0.1
    without = solve(sightings, reference=0)[1]
    assert without.verdict == "weak"
    assert rms(without.frame_to_reference, true, size) < 1.0


@pytest.mark.parametrize(
    "bad",
    [
        np.zeros((320, 480, 3), np.uint8),
        np.full((320, 480, 3), 255, np.uint8),
        np.full((320, 480, 3), 90, np.uint8),
        np.random.default_rng(5).integers(0, 256, (320, 480, 3), dtype=np.uint8),
        np.ascontiguousarray(pair(np.eye(3))[1][:, ::-1]),
        frame(texture(9)),
        frame(cv2.GaussianBlur(texture(1), (0, 0), 12)),
        np.zeros((1, 1, 3), np.uint8),
        np.zeros((20, 480, 3), np.uint16),
        frame(texture(1))[:200],
    ],
    ids=["black", "white", "grey", "noise", "mirrored", "another", "defocused", "1x1", "strip", "size"],
)
def test_what_cannot_be_aligned_is_refused_with_a_reason(bad):
    reference, found = solve([observe(frame(texture(1), 0.5)), observe(bad)], reference=0)
    assert reference.reason == "reference"
    assert found.verdict == "refused"
    assert found.frame_to_reference is None
    assert found.reason


def test_a_black_reference_refuses_all_others():
    sightings = [observe(np.zeros((320, 480, 3), np.uint8)), *(observe(p) for p in pair(np.eye(3)))]
    assert [a.verdict for a in solve(sightings, reference=0)[1:]] == ["refused", "refused"]
    assert best_connected(sightings) in (1, 2)


@pytest.mark.parametrize("size", [(64, 64), (96, 64), (128, 100)])
def test_small_pictures_are_aligned_or_refused_but_never_wrong(size):
    scene = texture(7, size)
    true = np.array([[1, 0, 0.6], [0, 1, 0.4], [0, 0, 1]])
    found = solve([observe(frame(scene)), observe(frame(seen(scene, true)))], reference=0)[1]
    assert found.verdict == "refused" or rms(found.frame_to_reference, true, size) < 0.3


def test_the_same_frames_give_the_same_bits():
    true = np.array([[1, 0.002, 4.0], [-0.002, 1, 3.0], [0, 0, 1]])
    runs = [solve([observe(p) for p in pair(true)], reference=0)[1].frame_to_reference for _ in range(2)]
    assert np.array_equal(*runs)


def test_a_fraction_of_a_pixel_is_found_where_the_patches_are_reduced():
    size = 4800, 1200
    true = np.array([[1, 0, 0.5], [0, 1, -0.37], [0, 0, 1]])
    inner = np.array([[1, 0, 20], [0, 1, 20], [0, 0, 1.0]])
    errors = []
    for seed in (11, 12, 13):
        rng = np.random.default_rng(seed)
        fine = cv2.GaussianBlur(rng.normal(0, 1, (size[1] + 40, size[0] + 40)).astype(np.float32), (0, 0), 2.0)
        scene = np.clip(0.4 + 0.15 * fine / fine.std(), 0.02, 1).astype(np.float32)
        # Lanczos, as the patches must not find back what their own interpolation did
        flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
        pictures = [cv2.warpPerspective(scene, inner @ m, size, flags=flags) for m in (np.eye(3), true)]
        sightings = [observe(frame(p, g, i)) for i, (p, g) in enumerate(zip(pictures, (0.6, 0.8), strict=True))]
        assert sightings[0].step == 2
        errors.append(rms(solve(sightings, reference=0)[1].frame_to_reference, true, size))
    assert np.mean(errors) < 0.05


@pytest.mark.parametrize("apart_px", [4, 9])
def test_a_part_that_moved_otherwise_is_refused(apart_px):
    """A nearer thing before a far wall, seen by a camera that was carried sideways."""
    size = 900, 600
    scene = texture(21, size)
    near = np.zeros(size[::-1], np.float32)
    cv2.ellipse(near, (300, 330), (170, 150), 0, 0, 360, float(apart_px), -1)
    y, x = np.mgrid[: size[1], : size[0]].astype(np.float32)
    carried = cv2.remap(scene, x + cv2.GaussianBlur(near, (0, 0), 3), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    found = solve([observe(frame(scene, 0.6)), observe(frame(carried, 0.8, 1))], reference=0)[1]
    assert found.verdict == "refused"
    assert "moved otherwise" in found.reason


def test_what_moved_far_in_a_large_picture_is_noticed_too():
    size = 2400, 1600
    scene = cv2.resize(texture(3, (1200, 800)), size, interpolation=cv2.INTER_CUBIC)
    scene += cv2.resize(texture(4, (4000, 2667)), size) * 0.3 - 0.15
    carried = scene.copy()
    carried[500:1200, 700:1700] = scene[500:1200, 660:1660]
    found = solve([observe(frame(scene, 0.6)), observe(frame(carried, 0.8, 1))], reference=0)[1]
    assert found.verdict == "refused"


def test_a_lens_that_breathes_in_some_frames_does_in_all():
    scene = texture(1, (720, 480))
    middle = np.array([[1, 0, -359.5], [0, 1, -239.5], [0, 0, 1]])
    true = [np.linalg.inv(middle) @ np.diag([z, z, 1]) @ middle for z in (1, 1.003, 0.997, 1.0009)]
    # noise of other seeds than the texture, of which it would be a part that does not move
    found = solve([observe(frame(seen(scene, t), 0.7, 10 + i)) for i, t in enumerate(true)], reference=0)
    for one, want in zip(found[1:], true[1:], strict=True):
        assert rms(one.frame_to_reference, want, (720, 480)) < 0.06


def test_align_takes_arrays_and_a_name():
    found = align(pair(np.eye(3)), reference="array 01")
    assert found[1].reason == "reference"
    assert found[0].verdict == "aligned"


def test_sites_lie_within_the_picture():
    for shape in ((48, 48), (64, 900), (800, 1200), (4000, 4600)):
        at = sites(shape)
        assert at.min() >= 0
        assert len(at) <= 600


def test_a_turn_at_the_focal_length_of_the_lens_is_no_similarity():
    """Camera turned by R: homography K R K^-1 (textbook projective geometry)."""
    focal, yaw = 400.0, 0.01
    lens = np.array([[focal, 0, 0], [0, focal, 0], [0, 0, 1]])
    turn = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    want = lens @ turn @ np.linalg.inv(lens)
    unit = np.diag([240.0, 240.0, 1.0])
    right = focal * np.tan(yaw) / 240
    got = unit @ motion.matrix_of(np.array([right, 0, 0, 0, 0, 0, 0, 0]), (240 / focal) ** 2) @ np.linalg.inv(unit)
    np.testing.assert_allclose(got / got[2, 2], want / want[2, 2], atol=1e-9)


def test_focus_breathing_is_told():
    scene = texture(1)
    middle = np.array([[1, 0, -(SIZE[0] - 1) / 2], [0, 1, -(SIZE[1] - 1) / 2], [0, 0, 1]])
    true = np.linalg.inv(middle) @ np.diag([1.006, 1.006, 1]) @ middle
    pictures = [frame(scene, 0.5), frame(seen(scene, true), 0.8)]
    found = solve([observe(p) for p in pictures], reference=0)
    frames = [Frame(name=f"{i}.jpg", facts=Facts(height=SIZE[1], width=SIZE[0])) for i in range(2)]
    assert [f.code for f in lens_findings(frames, found)] == ["focus-moved"]
    assert rms(found[1].frame_to_reference, true) < 0.1


@pytest.mark.parametrize(("right", "verdict"), [(2.2, "aligned"), (60.0, "refused")])
def test_light_may_displace_what_is_seen_from_where_all_frames_together_have_it(right, verdict):
    """The pair alone says that it is the same scene; no tripod is nudged by 60 of 480 px, whoever says so."""
    reference, other = (observe(p) for p in pair(np.eye(3)))
    match = alignment.compare(alignment.Base(reference), other, None)
    lens = Lens(bend=None, breathes=False)
    alone = alignment._concluded(match, lens, None)
    assert alone.reason == "did not move"
    off = np.array([[1, 0, right / 240], [0, 1, 0], [0, 0, 1]])
    told = replace(simplest(match.data, lens, 240), model="shift", matrix=off)
    found = alignment._concluded(match, lens, told)
    assert found.verdict == verdict
    if verdict == "aligned":
        assert np.allclose(found.frame_to_reference, [[1, 0, right], [0, 1, 0], [0, 0, 1]])
        assert found.inliers == alone.inliers

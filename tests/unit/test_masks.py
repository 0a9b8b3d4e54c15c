"""Masks: from the probability of equipment to what is hidden."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import ndimage

from lampwalk import cues, detector, masks, regions
from lampwalk.errors import InputError
from lampwalk.masks import Mask
from lampwalk.previews import Preview

H, W = 240, 360
HEAD, FOOT = (200, 60), (200, 200)  # x, y


def preview(name: str, linear: np.ndarray) -> Preview:
    lit = np.clip(linear, 0, 1).astype(np.float32)
    return Preview(
        name=name,
        linear=lit,
        clipped=lit.max(axis=2) >= 0.96,
        valid=np.ones(lit.shape[:2], bool),
        full_shape=lit.shape[:2],
    )


def drawn(gap: bool = False) -> np.ndarray:
    """A stand: head of 10 px radius, pole of 3 px, two legs; with a gap of 4 px in the pole where wanted."""
    area = np.zeros((H, W), np.uint8)
    cv2.circle(area, HEAD, 10, 1, -1)
    cv2.line(area, HEAD, FOOT, 1, 3)
    cv2.line(area, FOOT, (180, 215), 1, 3)
    cv2.line(area, FOOT, (222, 215), 1, 3)
    if gap:
        area[120:124] = 0
    return area > 0


@pytest.fixture
def ground() -> np.ndarray:
    grain = ndimage.gaussian_filter(np.random.default_rng(3).random((H, W)), 1.0)
    return (0.2 + 0.6 * (grain - grain.min()) / np.ptp(grain))[..., None] * np.array([1.0, 0.95, 0.9])


@pytest.fixture
def series(ground: np.ndarray) -> list[Preview]:
    """A daylight frame and five lamp frames; a stand with its head on in frame 2."""
    frames = [0.05 * ground]
    for k in range(5):
        spread = np.exp(-((np.arange(W) - 60 * (k + 1)) ** 2) / 3000)[None, :, None]
        frames.append(0.05 * ground + 0.5 * ground * spread)
    stand = drawn()
    frames[2] = np.where(stand[..., None], 0.1, frames[2])
    cv2.circle(frames[2], HEAD, 10, (1.0, 1.0, 1.0), -1)
    return [preview(f"{k:02d}", f) for k, f in enumerate(frames)]


def likely(series: list[Preview], frame: int, area: np.ndarray, value: float = 0.95) -> list[np.ndarray]:
    p = [np.full(q.shape, 0.01, np.float32) for q in series]
    p[frame][area] = value
    return p


def found(series: list[Preview], probability: list[np.ndarray], monkeypatch: pytest.MonkeyPatch) -> tuple[Mask, ...]:
    monkeypatch.setattr(detector, "each", lambda previews, ambient, use: [use(i, p) for i, p in enumerate(probability)])
    return masks.find_in_previews(series, [k == 0 for k in range(len(series))])


def test_stand_is_hidden_whole_and_little_else(series, monkeypatch):
    stand = drawn()
    mask = found(series, likely(series, 2, stand), monkeypatch)[2]
    assert (mask.hidden[stand] == 255).all()
    far = ndimage.distance_transform_edt(~stand) > 12
    far[:, HEAD[0] - 12 : HEAD[0] + 13] = False  # below its foot a pole may be taken for a little longer
    assert not mask.hidden[far].any()


def test_gap_in_a_pole_is_bridged(series, monkeypatch):
    """What hangs together over a short gap is one thing, and the gap is hidden too."""
    mask = found(series, likely(series, 2, drawn(gap=True)), monkeypatch)[2]
    assert (mask.hidden[drawn()] > 127).mean() > 0.99


def test_moderately_likely_blob_is_left(series, monkeypatch):
    p = likely(series, 2, drawn())
    p[2][20:40, 20:40] = 0.7
    mask = found(series, p, monkeypatch)[2]
    assert not mask.hidden[20:40, 20:40].any()


def test_cast_shadow_is_left(series, monkeypatch):
    """A likely area that equals daylight and outshines no other frame takes nothing away from a maximum."""
    shade = box(150, 20, 190, 80)
    linear = series[1].linear.copy()
    linear[shade] = series[0].linear[shade]
    series[1] = preview("01", linear)
    p = likely(series, 1, shade)
    assert not found(series, p, monkeypatch)[1].hidden.any()
    linear[shade] *= 0.5  # darker than daylight: something stands there
    series[1] = preview("01", linear)
    assert (found(series, p, monkeypatch)[1].hidden[shade] == 255).all()


def test_lit_ground_is_left(series, monkeypatch):
    """What outshines all other frames everywhere, without a head, is lit by the beam, not a stand."""
    lit = box(150, 20, 190, 80)
    linear = series[1].linear.copy()
    linear[lit] *= 1.6
    series[1] = preview("01", linear)
    assert not found(series, likely(series, 1, lit, 0.9), monkeypatch)[1].hidden.any()
    linear[150:160, 20:80] = 0.001  # partly darker than daylight: an assistant in dark trousers
    series[1] = preview("01", linear)
    assert (found(series, likely(series, 1, lit, 0.9), monkeypatch)[1].hidden[lit] == 255).all()


@pytest.mark.parametrize(
    ("seen", "light", "gone"), [(0.05, 0.9, True), (0.01, 0.9, False), (0.05, 0.04, False)], ids=str
)
def test_the_rest_of_a_thing_half_found_goes_with_it(series, monkeypatch, seen, light, gone):
    """A helper's face, cut off from the body by leaves: hardly likely, but thick, near and brighter than all other frames."""
    body, face = box(120, 20, 190, 60), box(96, 28, 115, 52)
    linear = series[4].linear.copy()
    linear[body] = 0.002  # darker than daylight
    linear[face] = light
    series[4] = preview("04", linear)
    p = likely(series, 4, body)
    p[4][face] = seen
    hidden = found(series, p, monkeypatch)[4].hidden
    assert (hidden[body] == 255).all()
    assert (hidden[98:113, 30:50] == 255).all() == gone
    p[4][box(60, 20, 90, 60)] = 0.05  # lit, too, but as other frames are
    assert not found(series, p, monkeypatch)[4].hidden[60:85, 20:60].any()


def test_head_is_found_by_shape_alone(series, monkeypatch):
    """Convex, burnt out in one frame, dark close beside it; the pole that hangs at it comes with it."""
    nothing = [np.zeros(q.shape, np.float32) for q in series]
    mask = found(series, nothing, monkeypatch)[2]
    head = cv2.circle(np.zeros((H, W), np.uint8), HEAD, 10, 1, -1) > 0
    assert (mask.hidden[head] == 255).all()
    assert (mask.hidden[drawn()] > 127).mean() > 0.8


def test_lit_ground_that_burns_out_is_left(series, monkeypatch):
    """A pool of light that clips in one frame has the outline of the ground's texture and a soft edge."""
    y, x = np.mgrid[:H, :W]
    pool = np.exp(-((x - 60) ** 2 + (y - 180) ** 2) / 3000)[..., None]
    series[1] = preview("01", series[1].linear + 2.5 * series[0].linear / 0.05 * pool)
    assert series[1].clipped.sum() > masks.regions.PLAIN_HEAD * H * W
    nothing = [np.zeros(q.shape, np.float32) for q in series]
    assert not found(series, nothing, monkeypatch)[1].hidden.any()


def test_extremes_agree_with_sorting():
    """The running two highest and two lowest against `numpy.sort`."""
    maps = np.random.default_rng(2).random((7, 20, 30)).astype(np.float32)
    ranked = np.sort(maps, axis=0)
    for got, expected in zip(cues.extremes(list(maps)), ranked[[-1, -2, 1, 0]], strict=True):
        assert np.array_equal(got, expected)


def test_glow_core_is_hidden(series, monkeypatch):
    """The glare close round a head is hidden, too; farther out it is left for the glow's correction."""
    y, x = np.mgrid[:H, :W]
    r = np.hypot(x - HEAD[0], y - HEAD[1])
    linear = series[2].linear + 0.5 * np.exp(-np.maximum(r - 10, 0) / 8)[..., None]
    series[2] = preview("02", linear)
    mask = found(series, likely(series, 2, drawn()), monkeypatch)[2]
    assert (mask.hidden[(r < 14) & (y < HEAD[1])] == 255).all()
    assert not mask.hidden[(r > 26) & (y < HEAD[1])].any()


def test_daylight_frame_is_never_masked(series, monkeypatch):
    p = likely(series, 0, drawn())
    assert not found(series, p, monkeypatch)[0].hidden.any()


def test_nothing_likely_nothing_hidden(series, monkeypatch):
    """Where there is no burnt-out head either."""
    p = likely(series, 2, drawn(), value=0.3)
    del series[2], p[2]
    p[1] = p[0] + np.where(drawn(), np.float32(0.3), np.float32(0))
    for mask in found(series, p, monkeypatch):
        assert not mask.hidden.any()
        assert mask.regions == ()


def test_edge_is_soft_over_few_pixels(series, monkeypatch):
    mask = found(series, likely(series, 2, drawn()), monkeypatch)[2]
    row = mask.hidden[60].astype(int)
    between = np.count_nonzero((row > 8) & (row < 247))
    assert 2 <= between <= 8  # two edges, 1-4 px each
    assert np.abs(np.diff(row)).max() < 200


def test_regions_say_what_and_where(series, monkeypatch):
    stand = drawn()
    mask = found(series, likely(series, 2, stand), monkeypatch)[2]
    (region,) = mask.regions
    rows, columns = np.flatnonzero(stand.any(axis=1)), np.flatnonzero(stand.any(axis=0))
    assert region.box == (rows[0], columns[0], rows[-1] + 1, columns[-1] + 1)
    assert region.area_px == stand.sum()
    assert "head" in region.why
    assert region.confidence > 0.8
    assert not region.unsure


def test_same_again(series, monkeypatch):
    p = likely(series, 2, drawn(gap=True))
    first, second = found(series, p, monkeypatch), found(series, p, monkeypatch)
    assert all(
        np.array_equal(a.hidden, b.hidden) and a.regions == b.regions for a, b in zip(first, second, strict=True)
    )


def test_flags_and_sizes_must_fit(series):
    with pytest.raises(InputError, match="flags"):
        masks.find_in_previews(series, [True])
    small = preview("x", np.zeros((10, 10, 3)))
    with pytest.raises(InputError, match="size"):
        masks.find_in_previews([*series, small], [False] * 7)


def codes(masks_: list[Mask], series: list[Preview]) -> list[tuple[str, str | None]]:
    ambient = [k == 0 for k in range(len(series))]
    return [(f.code, f.frame) for f in masks.findings(masks_, series, ambient)]


def empty(series: list[Preview]) -> list[Mask]:
    return [Mask(name=p.name, hidden=np.zeros(p.shape, np.uint8)) for p in series]


def hide(mask: Mask, area: np.ndarray, unsure: bool = False) -> Mask:
    rows, columns = np.flatnonzero(area.any(axis=1)), np.flatnonzero(area.any(axis=0))
    box = (int(rows[0]), int(columns[0]), int(rows[-1]) + 1, int(columns[-1]) + 1)
    region = regions.Region(box=box, area_px=int(area.sum()), why="test", confidence=0.5, unsure=unsure)
    return Mask(name=mask.name, hidden=area.astype(np.uint8) * 255, regions=(region,))


def box(r0: int, c0: int, r1: int, c1: int) -> np.ndarray:
    area = np.zeros((H, W), bool)
    area[r0:r1, c0:c1] = True
    return area


def test_no_masks_no_findings(series):
    assert codes(empty(series), series) == []
    assert masks.findings([], [], []) == []


def test_hidden_light_is_found_where_only_this_lamp_lights(series):
    """Lamp 5 alone lights the right edge; the left edge is dark in frame 5."""
    where = empty(series)
    where[5] = hide(where[5], box(100, 310, 200, 340))
    assert ("stand-hides-light", "05") in codes(where, series)
    where[5] = hide(where[5], box(100, 10, 200, 40))
    assert codes(where, series) == []


def test_stand_before_the_subject_is_found(series):
    """A stand in the middle of its own light; the same stand far from it is no matter."""
    where = empty(series)
    where[2] = hide(where[2], box(60, 110, 200, 130))
    assert ("stand-hides-subject", "02") in codes(where, series)
    where[2] = hide(where[2], box(60, 320, 200, 340))
    assert codes(where, series) == []


def test_single_frame_is_left_alone(series):
    (mask,) = masks.find_in_previews(series[2:3], [False])
    assert not mask.hidden.any()
    assert masks.find_in_previews([], []) == ()


def test_place_that_no_frame_shows_is_found(series):
    area = box(100, 100, 130, 140)
    everywhere = [hide(m, area) for m in empty(series)]
    assert ("never-seen", None) in codes(everywhere, series)


def test_head_before_bright_sky_is_found(ground):
    for daylight, expected in ((0.4, True), (0.02, False)):
        sky = np.full((H, W, 3), daylight)
        lamp = sky.copy()
        cv2.circle(lamp, HEAD, 10, (1.0, 1.0, 1.0), -1)
        series = [preview("00", sky), preview("01", lamp)]
        where = empty(series)
        where[1] = hide(where[1], drawn())
        assert (("head-before-sky", "01") in codes(where, series)) is expected


def test_large_unsure_region_is_listed(series):
    where = empty(series)
    where[1] = hide(where[1], box(10, 300, 40, 340), unsure=True)
    assert ("unsure-mask", "01") in codes(where, series)
    where[1] = hide(where[1], box(10, 300, 18, 308), unsure=True)
    assert codes(where, series) == []

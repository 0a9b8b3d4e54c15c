"""Finish: off by default, exact in 16 bits, every field of the worksheet checked by name."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lampwalk import finish
from lampwalk.colour import to_encoded, to_linear
from lampwalk.errors import InputError, WorksheetError
from lampwalk.previews import make_preview

WHOLE = {"polygon": [[-1, -1], [2, -1], [2, 2], [-1, 2]]}


def ramp(h: int = 40, w: int = 4096) -> np.ndarray:
    return np.repeat(np.broadcast_to(np.linspace(0, 65535, w), (h, w))[..., None], 3, axis=2).round().astype(np.uint16)


def done(pixels: np.ndarray, **spec: Any) -> np.ndarray:
    return finish.apply(pixels, finish.from_json(spec))


def test_nothing_asked_for_is_the_same_picture() -> None:
    pixels = ramp()
    assert done(pixels) is pixels
    assert np.array_equal(done(pixels, lift=[{"region": WHOLE, "soft": 0}]), pixels)


def test_lift_is_the_curve_it_says() -> None:
    pixels = ramp()
    out = done(pixels, lift=[{"region": WHOLE, "black": 0.1, "white": 0.8, "gamma": 1.5, "soft": 0}])
    v = pixels / 65535
    wanted = np.clip((v - 0.1) / 0.7, 0, 1) ** (1 / 1.5) * 65535
    assert np.abs(out - wanted).max() <= 1


def test_a_ramp_stays_a_ramp_without_bands() -> None:
    """Most of the 65 536 levels stay distinct, none out of order, no step larger than the curve's slope."""
    pixels = ramp(1, 65536)
    lift = [{"region": WHOLE, "gamma": 1.2, "soft": 0}]
    out = done(pixels, lift=lift, burn={"opacity": 0})[0, :, 0].astype(int)
    steps = np.diff(out)
    assert steps.min() >= 0
    assert len(np.unique(out)) > 0.85 * 65536
    assert steps[2000:].max() <= 3


def test_lift_acts_in_its_region_and_fades_softly() -> None:
    flat = np.full((300, 400, 3), 20000, np.uint16)
    out = done(flat, lift=[{"region": {"ellipse": [0.5, 0.5, 0.2, 0.2]}, "gamma": 1.5, "soft": 0.1}])[..., 0].astype(
        int
    )
    assert out[0, 0] == 20000
    assert out[150, 200] > 24000
    assert np.abs(np.diff(out[150])).max() < 300


def test_strips_leave_no_seam() -> None:
    flat = np.full((600, 500, 3), 20000, np.uint16)
    out = done(flat, lift=[{"region": {"ellipse": [0.5, 0.45, 0.3, 0.3]}, "gamma": 1.4}], burn={})[..., 0].astype(int)
    second = np.abs(np.diff(out, n=2, axis=0))
    assert second[254:258].max() <= second[200:250].max() + 3


def test_a_mask_file_is_a_region() -> None:
    flat = np.full((100, 100, 3), 20000, np.uint16)
    half = np.zeros((50, 50), np.uint8)
    half[:, 25:] = 255
    spec = finish.from_json({"lift": [{"region": {"mask": "hull.png"}, "gamma": 2, "soft": 0}]})
    out = finish.apply(flat, spec, {"hull.png": half})
    assert (out[:, :48] == 20000).all()
    assert (out[:, 52:] > 30000).all()
    with pytest.raises(InputError, match=r"hull\.png"):
        finish.apply(flat, spec)


def test_burn_darkens_the_border_in_stops_and_spares_the_middle() -> None:
    light = to_encoded(np.full((300, 400, 3), 0.4, np.float32))
    out = done(light, burn={"opacity": 0.5, "inset": 0.05, "soft": 0.2})
    assert np.array_equal(out[150, 200], light[150, 200])
    assert to_linear(out)[0, 0] == pytest.approx(0.4 * 2 ** (-finish.BURN_STOPS * 0.5), rel=1e-3)
    assert (np.diff(out[150, :200, 0].astype(int)) >= 0).all()


@pytest.mark.parametrize(("ratio", "shape"), [([16, 9], (225, 400)), ([1, 1], (300, 300)), ([4, 5], (300, 240))])
def test_crop_is_as_large_as_fits(ratio: list[float], shape: tuple[int, int]) -> None:
    assert done(np.zeros((300, 400, 3), np.uint16), crop={"ratio": ratio}).shape[:2] == shape


def test_crop_follows_the_focus_and_stays_where_all_frames_cover() -> None:
    rows, cols = finish.crop_box(
        finish.from_json({"crop": {"ratio": [1, 1], "focus": [0.95, 0.5], "inside": [0.05, 0.1, 0.95, 0.9]}}).crop,  # type: ignore[arg-type]
        (1000, 2000),
    )
    assert (rows.start, rows.stop) == (100, 900)
    assert (cols.start, cols.stop) == (1100, 1900)


def test_crop_comes_from_the_right_pixels() -> None:
    pixels = np.arange(60 * 80 * 3, dtype=np.uint16).reshape(60, 80, 3)
    out = done(pixels, crop={"ratio": [1, 1], "focus": [0, 0.5], "scale": 0.5})
    assert np.array_equal(out, pixels[15:45, :30])


@pytest.mark.parametrize(
    ("spec", "field"),
    [
        ({"lift": [{"region": {"ellipse": [2, 0.5, 0.1, 0.1]}}]}, r"finish\.lift\[0\]\.region\.ellipse"),
        (
            {"lift": [{"region": {"polygon": [[2, 2], [3, 2], [3, 3]]}}]},
            r"finish\.lift\[0\]\.region\.polygon",
        ),
        ({"lift": [{"region": {"polygon": [[0, 0], [1, 1]]}}]}, r"finish\.lift\[0\]\.region\.polygon"),
        ({"lift": [{"region": {}}]}, r"finish\.lift\[0\]\.region"),
        ({"lift": [{"region": WHOLE, "gamma": 0}]}, r"finish\.lift\[0\]\.gamma"),
        ({"lift": [{"region": WHOLE, "black": 0.5, "white": 0.5}]}, r"finish\.lift\[0\]\.white"),
        ({"lift": {"region": WHOLE}}, r"finish\.lift"),
        ({"burn": {"opacity": 1.2}}, r"finish\.burn\.opacity"),
        ({"burn": {"opactiy": 0.7}}, r"finish\.burn\.opactiy"),
        ({"crop": {}}, r"finish\.crop\.ratio"),
        ({"crop": {"ratio": [16, 0]}}, r"finish\.crop\.ratio"),
        ({"crop": {"ratio": [16, 9], "focus": [1.5, 0]}}, r"finish\.crop\.focus"),
        ({"crop": {"ratio": [16, 9], "inside": [0, 0, 1.2, 1]}}, r"finish\.crop\.inside"),
        ({"crop": {"ratio": [16, 9], "scale": True}}, r"finish\.crop\.scale"),
        ({"sharpen": 1}, r"finish\.sharpen"),
    ],
)
def test_a_bad_field_is_named(spec: dict[str, Any], field: str) -> None:
    with pytest.raises(WorksheetError, match=field):
        finish.from_json(spec)


def test_json_round_trip() -> None:
    spec = finish.from_json(
        {
            "lift": [
                {"region": {"ellipse": [0.5, 0.5, 0.2, 0.1, 20]}, "gamma": 1.2},
                {"region": {"mask": "a.png"}},
            ],
            "burn": {"opacity": 0.73},
            "crop": {"ratio": [16, 9], "focus": [0.4, 0.6]},
        }
    )
    assert finish.from_json(finish.to_json(spec)) == spec
    assert finish.to_json(finish.Finish()) == {}


def test_other_pixels_are_refused() -> None:
    with pytest.raises(InputError, match="uint16"):
        finish.apply(np.zeros((4, 4, 3), np.uint8), finish.Finish())  # type: ignore[arg-type]


def test_the_default_region_lies_on_what_the_lamps_lit() -> None:
    day = np.full((120, 160, 3), 0.05, np.float32)
    lit = day.copy()
    lit[60:100, 90:130] += 0.4
    frames = [make_preview(str(i), to_encoded(f)) for i, f in enumerate((day, lit, lit))]
    lit = frames[1].linear.copy()
    lit[5:15, 5:15] = 1.0  # a head, in one frame only
    frames[1] = replace(frames[1], linear=lit)
    region = finish.lit_subject(frames, day, [True, False, False])
    assert region.ellipse is not None
    cx, cy, rx, ry, _ = region.ellipse
    assert (cx, cy) == pytest.approx((110 / 160, 80 / 120), abs=0.03)
    assert 0.05 < rx < 0.3
    assert 0.05 < ry < 0.4
    with pytest.raises(InputError, match="lamp"):
        finish.lit_subject(frames[:1], day, [True])

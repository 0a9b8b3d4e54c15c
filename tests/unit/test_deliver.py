"""Copies for the client and clips; layers are checked in tests/external/test_openraster.py."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from lampwalk import colour, deliver, profiles
from lampwalk.errors import InputError
from lampwalk.metadata import Metadata

RNG = np.random.default_rng(9)
PIXELS = RNG.integers(0, 65536, (90, 120, 3)).astype(np.uint16)


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "A.JPEG"])
def test_a_delivery_has_the_side_asked_for_eight_bits_and_srgb(name, tmp_path):
    deliver.write_delivery(tmp_path / name, PIXELS, long_side=60)
    with Image.open(tmp_path / name) as image:
        assert image.size == (60, 45)
        assert image.mode == "RGB"
        assert profiles.recognise(image.info["icc_profile"]).name == "sRGB"
        assert image.getexif().get_ifd(0x8769)[40962] == 60


def test_a_delivery_is_never_enlarged(tmp_path):
    deliver.write_delivery(tmp_path / "a.png", PIXELS, long_side=5000)
    with Image.open(tmp_path / "a.png") as image:
        assert image.size == (120, 90)
        assert np.array_equal(np.asarray(image), np.rint(PIXELS / 257))


def test_scaling_down_keeps_the_light():
    """A lit point in the dark: averaging encoded values would lose most of its light."""
    points = np.zeros((80, 80, 3), np.uint16)
    points[::4, ::4] = 65535
    small = deliver.shrunk(points, 20)
    assert colour.to_linear(small).mean() == pytest.approx(1 / 16, rel=1e-3)


def test_a_picture_of_another_profile_is_delivered_in_srgb(tmp_path):
    """A grey of Adobe RGB (1998), gamma 563/256, is that grey in sRGB; the formulas are published."""
    icc = profiles.make_icc("A", profiles.known("Adobe RGB (1998)").to_xyz, (563 / 256,))
    grey = np.full((40, 40, 3), 30_000, np.uint16)
    light = (30_000 / 65535) ** (563 / 256)
    wanted = 255 * (1.055 * light ** (1 / 2.4) - 0.055)
    for long_side in (None, 20):
        deliver.write_delivery(tmp_path / "a.png", grey, carried=Metadata(icc=icc), long_side=long_side)
        with Image.open(tmp_path / "a.png") as image:
            assert np.abs(np.asarray(image) - wanted).max() <= 0.6


@pytest.mark.parametrize(("name", "side"), [("a.bmp", 10), ("a", 10), ("a.jpg", 0)])
def test_what_cannot_be_delivered_is_refused(name, side, tmp_path):
    with pytest.raises(InputError):
        deliver.write_delivery(tmp_path / name, PIXELS, long_side=side)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.webp", "a.gif"])
def test_a_clip_shows_every_picture_and_stays_on_the_last(name, tmp_path):
    steps = [np.full((60, 80, 3), level, np.uint8) for level in (0, 60, 120, 240)]
    deliver.write_clip(tmp_path / name, iter(steps), long_side=40)
    with Image.open(tmp_path / name) as clip:
        assert clip.n_frames == 4
        assert clip.size == (40, 30)
        assert clip.info.get("loop", 0) == 0
        durations, levels = [], []
        for index in range(4):
            clip.seek(index)
            clip.load()
            durations.append(clip.info["duration"])
            levels.append(int(np.asarray(clip.convert("RGB")).mean()))
    assert np.abs(np.array(levels) - [0, 60, 120, 240]).max() <= 3
    assert durations == [600, 600, 600, 2500]


def test_a_clip_of_nothing_or_of_another_kind_is_refused(tmp_path):
    with pytest.raises(InputError, match="no pictures"):
        deliver.write_clip(tmp_path / "a.gif", [])
    with pytest.raises(InputError, match=r"\.webp or \.gif"):
        deliver.write_clip(tmp_path / "a.mp4", [PIXELS])


def test_a_mask_makes_a_layer_transparent():
    mask = np.zeros((90, 120), np.uint8)
    mask[10:20], mask[20:30] = 255, 100
    made = deliver.layer(PIXELS, mask)
    assert np.array_equal(made[..., :3], PIXELS)
    assert set(np.unique(made[..., 3])) == {0, 65535 - 257 * 100, 65535}
    assert deliver.layer(PIXELS.astype(np.uint8), mask)[25, 0, 3] == 155

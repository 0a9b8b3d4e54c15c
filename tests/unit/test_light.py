from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from lampwalk import colour, light


def test_the_table_encodes_like_the_formula():
    """Within two levels of 65 535 of IEC 61966-2-1 over the whole range."""
    linear = np.linspace(0, 1, 300_000, dtype=np.float32).reshape(1, -1, 3)
    difference = light.encode(linear).astype(int) - colour.to_encoded(linear).astype(int)
    assert np.abs(difference).max() <= 2


def test_every_16_bit_value_survives_unchanged_light():
    values = np.arange(65536, dtype=np.uint16).reshape(1, -1, 1).repeat(3, 2)
    got = light.relight(values)
    assert np.abs(got.astype(int) - values).max() <= 2


def test_one_stop_doubles_linear_light():
    value = colour.to_encoded(np.full((1, 1, 3), 0.2, np.float32))
    up = light.relight(value, np.full((1, 1, 3), round(2**0.5 * light.UNITY), np.uint16))
    assert colour.to_linear(up) == pytest.approx(0.4, abs=2e-4)


def test_what_an_8_bit_file_holds_comes_back_bit_for_bit():
    values = np.arange(256, dtype=np.uint8).reshape(1, -1, 1).repeat(3, 2)
    assert np.array_equal(light.relight(values), values.astype(np.uint16) * 257)


def test_gain_stray_light_and_mask_are_what_the_formula_says():
    """encode((decode(v) g - s) (1 - m / 255)), by IEC 61966-2-1 in double precision."""
    rng = np.random.default_rng(3)
    values = rng.integers(0, 256, (4, 5000, 3), np.uint8)
    factor = np.rint(np.sqrt(rng.uniform(0.3, 4, values.shape)) * light.UNITY).astype(np.uint16)
    stray = rng.integers(0, 3000, values.shape, np.uint16)
    mask = rng.integers(0, 256, values.shape[:2], np.uint8)
    v = values / 255
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    lit = np.clip(np.clip(linear * (factor / light.UNITY) ** 2, 0, 1) - stray / 65535, 0, 1)
    lit *= 1 - mask[..., None] / 255
    want = np.where(lit <= 0.0031308, 12.92 * lit, 1.055 * lit ** (1 / 2.4) - 0.055) * 65535
    got = light.weakened(light.relight(values, factor, stray), mask)
    assert np.abs(got - want).max() < 65535 / 255 / 10  # a tenth of an 8-bit level


def test_a_field_at_scale_one_is_itself_and_is_smooth_when_enlarged():
    values = np.ones((40, 60, 3), np.float32)
    values[10:20, 20:30] = 2
    same = light.crop_field(values, (40, 60), neutral=1)
    assert same is not None
    rows, cols = same.window(slice(0, 40))
    assert np.array_equal(same.render(rows, cols), values[rows, cols])

    large = light.crop_field(values, (400, 600), neutral=1)
    rows, cols = large.window(slice(0, 400))
    got = large.render(rows, cols)
    assert got.max() == pytest.approx(2)
    assert got[150 - rows.start, 250 - cols.start, 0] == pytest.approx(2)
    assert np.abs(np.diff(got[..., 0], axis=1)).max() <= 0.11  # a tenth of the step per full-size pixel


def test_strips_of_a_field_equal_the_whole():
    values = np.random.default_rng(5).random((30, 40, 3), np.float32) + 0.5
    field = light.crop_field(values, (333, 444), neutral=1)
    rows, cols = field.window(slice(0, 333))
    whole = field.render(rows, cols)
    parts = [field.render(*field.window(slice(t, min(t + 64, 333)))) for t in range(0, 333, 64)]
    assert np.abs(np.vstack(parts) - whole).max() < 1e-5


@pytest.mark.parametrize("channels", [(), (3,)])
def test_any_window_of_a_field_has_the_bits_of_the_whole(channels):
    values = np.random.default_rng(6).integers(0, 65535, (70, 90, *channels), np.uint16)
    field = light.crop_field(values, (523, 1201))
    assert field is not None
    whole = field.pick(slice(0, 523), slice(0, 1201))
    for rows, cols in (
        (slice(3, 9), slice(500, 530)),
        (slice(250, 520), slice(1, 1200)),
        (slice(512, 523), slice(0, 4)),
    ):
        assert np.array_equal(field.pick(rows, cols), whole[rows, cols])


def test_a_field_is_enlarged_bilinearly():
    """A slope stays the slope that it is, wherever the pixels of the picture lie among those of the preview."""
    y, x = np.mgrid[0:70, 0:90]
    field = light.crop_field((1000 + 300 * y + 200 * x).astype(np.uint16), (523, 1201))
    assert field is not None
    got = field.render(slice(256, 512), slice(512, 1024)).astype(float)
    rows, cols = np.mgrid[256:512, 512:1024]
    want = 1000 + 300 * ((rows + 0.5) * 70 / 523 - 0.5) + 200 * ((cols + 0.5) * 90 / 1201 - 0.5)
    assert np.abs(got - want).max() <= 2


def test_a_neutral_field_is_nothing():
    assert light.crop_field(np.ones((5, 5), np.float32), (50, 50), neutral=1) is None
    assert light.crop_field(None, (50, 50)) is None


def test_where_a_field_matters_is_wherever_it_changes_anything():
    values = np.full((40, 60), 7, np.uint8)
    values[11:13, 20:22] = 9
    field = light.crop_field(values, (403, 611), neutral=7)
    edges = np.array([0, 100, 190, 200, 250, 611])
    for rows in (slice(0, 32), slice(96, 128), slice(128, 160), slice(384, 403)):
        whole = field.render(rows, slice(0, 611))
        changed = [bool((whole[:, a:b] != 7).any()) for a, b in pairwise(edges)]
        told = field.matters(rows, edges)
        assert all(t or not c for t, c in zip(told, changed, strict=True))  # nothing is missed
        if not any(changed):
            assert not told[0]  # and far from it nothing is told
            assert not told[-1]

from __future__ import annotations

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
    got = light.relight(values, np.ones(3, np.float32), None)
    assert np.abs(got.astype(int) - values).max() <= 2


def test_one_stop_doubles_linear_light():
    value = colour.to_encoded(np.full((1, 1, 3), 0.2, np.float32))
    up = light.relight(value, np.full(3, 2, np.float32), None)
    assert colour.to_linear(up) == pytest.approx(0.4, abs=1e-4)


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


def test_a_neutral_field_is_nothing():
    assert light.crop_field(np.ones((5, 5), np.float32), (50, 50), neutral=1) is None
    assert light.crop_field(None, (50, 50)) is None

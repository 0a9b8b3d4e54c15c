from __future__ import annotations

import numpy as np
import pytest

from lampwalk.errors import InputError
from lampwalk.fullmask import FullMask


def test_a_painted_mask_comes_back_bit_for_bit_in_any_rows():
    mask = np.random.default_rng(6).integers(0, 256, (700, 90), np.uint8)
    full = FullMask.painted(mask)
    assert np.array_equal(full.whole(), mask)
    for rows in (slice(0, 1), slice(255, 257), slice(300, 700), slice(699, 700)):
        assert np.array_equal(full.part(rows, slice(0, full.shape[1])), mask[rows])


def test_a_painted_mask_is_kept_as_far_as_it_reaches():
    mask = np.zeros((700, 90), np.uint8)
    mask[300:520, 40:47] = np.random.default_rng(7).integers(0, 256, (220, 7), np.uint8)
    full = FullMask.painted(mask)
    assert np.array_equal(full.whole(), mask)
    for rows, cols in (((290, 530), (0, 90)), ((0, 700), (44, 60)), ((500, 600), (60, 90)), ((310, 311), (45, 46))):
        rows, cols = slice(*rows), slice(*cols)
        assert np.array_equal(full.part(rows, cols), mask[rows, cols])
    down, across = full.window(slice(256, 512))
    assert not np.delete(mask[256:512], np.s_[across], axis=1).any()
    assert across.start >= 40
    assert across.stop <= 47
    assert down == slice(256, 512)
    assert full.window(slice(0, 256)) is None


@pytest.mark.parametrize("window", [np.s_[250:520, 10:60], np.s_[0:0, 0:0], np.s_[0:700, 0:90], np.s_[600:601, 89:90]])
@pytest.mark.parametrize("made", [FullMask.painted, lambda mask: FullMask.found(mask, mask.shape)])
def test_a_repainted_mask_is_what_it_was_but_for_a_window(made, window):
    before = np.zeros((700, 90), np.uint8)
    before[300:520, 40:47] = np.random.default_rng(7).integers(0, 256, (220, 7), np.uint8)
    values = np.random.default_rng(8).integers(0, 256, before[window].shape, np.uint8)
    after = made(before).repainted(window, values)
    before[window] = values
    assert np.array_equal(after.whole(), before)


@pytest.mark.parametrize("mask", [np.zeros((9, 9), bool), np.zeros((9, 9, 3), np.uint8)])
def test_what_is_no_mask_is_refused(mask):
    with pytest.raises(InputError, match="uint8"):
        FullMask.painted(mask)


def test_a_found_mask_is_smooth_at_full_size_and_strips_equal_the_whole():
    hidden = np.zeros((800, 1200), np.uint8)
    hidden[200:300, 500:520] = 255
    full = FullMask.found(hidden, (2400, 3600))
    whole = full.whole()
    assert whole[750, 1530] == 255
    assert abs(int((whole > 127).sum()) - 100 * 20 * 9) < 400
    parts = np.vstack([full.part(slice(t, min(t + 256, 2400)), slice(0, full.shape[1])) for t in range(0, 2400, 256)])
    assert np.abs(parts.astype(int) - whole).max() <= 1
    assert np.abs(full.small().astype(int) - hidden).max() < 90  # only the edge has become softer


def test_no_mask_is_empty():
    assert not FullMask.found(np.zeros((10, 10), np.uint8), (10, 10)).whole().any()

from __future__ import annotations

import numpy as np

from lampwalk.fullmask import FullMask


def test_a_painted_mask_comes_back_bit_for_bit_in_any_rows():
    mask = np.random.default_rng(6).integers(0, 256, (700, 90), np.uint8)
    full = FullMask.painted(mask)
    assert np.array_equal(full.whole(), mask)
    for rows in (slice(0, 1), slice(255, 257), slice(300, 700), slice(699, 700)):
        assert np.array_equal(full.part(rows, slice(0, full.shape[1])), mask[rows])


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

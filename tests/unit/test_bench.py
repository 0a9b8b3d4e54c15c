from __future__ import annotations

import numpy as np

from lampwalk.bench import Bench


def test_one_name_is_one_memory_and_another_name_another():
    bench = Bench()
    first = bench.array("a", (2, 3), np.uint8)
    other = bench.array("b", (2, 3), np.uint8)
    assert np.shares_memory(first, bench.array("a", (3, 1), np.uint16))
    assert not np.shares_memory(first, other)


def test_a_larger_array_than_before_has_all_its_elements():
    bench = Bench()
    bench.array("a", (2, 2), np.uint8)[:] = 1
    large = bench.array("a", (500, 400, 4), np.float32)
    large[:] = 7
    assert (large == 7).all()
    assert np.shares_memory(large, bench.array("a", (2, 2), np.uint8))

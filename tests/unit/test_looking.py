"""The first look: what it leaves in memory."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from lampwalk.frames import as_series
from lampwalk.looking import LONG_SERIES, Looker
from lampwalk.shelf import HELD, Shelf


@pytest.mark.parametrize(("count", "held"), [(3, HELD), (LONG_SERIES + 1, 0)])
def test_last_frames_wait_decoded_only_in_a_short_series(tmp_path: Path, count: int, held: int) -> None:
    rng = np.random.default_rng(0)
    for k in range(count):
        cv2.imwrite(str(tmp_path / f"{k:02}.jpg"), rng.integers(0, 256, (48, 64, 3), np.uint8))
    shelf = Shelf()
    series, previews, _ = Looker(as_series(tmp_path), None, shelf, None).look(observe=True)
    assert [p.name for p in previews] == [f.name for f in series.frames]
    assert len(shelf._held) == held
    assert shelf.pixels(series.frames[-1]).shape == (48, 64, 3)  # decoded again where it did not wait

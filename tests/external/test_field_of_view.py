"""Field of view against published tables (read 2026-11); the formula 2 atan(d / 2f) is geometry."""

from __future__ import annotations

import pytest

from lampwalk.positions import field_of_view_deg

# A published table for 36 x 24 mm in whole degrees, rounded loosely (28 mm: 64 for 65.5): focal length,
# corner to corner, across, upright. A travel site's page on lenses.
TABLE = (
    (20, 94, 83, 61), (24, 84, 74, 53), (28, 74, 64, 45), (35, 62, 53, 37), (50, 46, 39, 26),
    (85, 29, 24, 16), (105, 23, 20, 13), (135, 18, 15, 10), (200, 12, 10, 7), (300, 8, 7, 5), (500, 5, 4, 3),
)  # fmt: skip


@pytest.mark.parametrize(("focal_mm", "corner", "across", "upright"), TABLE)
def test_table_in_whole_degrees(focal_mm: float, corner: float, across: float, upright: float) -> None:
    """Within the table's own looseness of one and a half degrees."""
    for side_mm, degrees in ((43.267, corner), (36, across), (24, upright)):
        assert field_of_view_deg(side_mm, focal_mm) == pytest.approx(degrees, abs=1.5)


@pytest.mark.parametrize(("side_mm", "degrees"), [(36, 39.6), (24, 27.0), (43.267, 46.8)])
def test_fifty_millimetres_in_tenths(side_mm: float, degrees: float) -> None:
    """50 mm on 36 x 24 mm: 39.6 across, 27.0 upright, 46.8 corner to corner (a public wiki)."""
    assert field_of_view_deg(side_mm, 50) == pytest.approx(degrees, abs=0.05)


def test_worked_example() -> None:
    """30 mm on a sensor 22.5 mm wide: 41.1 degrees (a public science wiki's worked example)."""
    assert field_of_view_deg(22.5, 30) == pytest.approx(41.1, abs=0.05)

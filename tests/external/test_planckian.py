"""Lamp colours against the reference library colour-science (BSD-3-Clause).

Its Planckian radiator (Planck's law integrated with the CIE 1931 2 degree observer) is independent of the
approximation used here; its own implementation of the same approximation guards against a wrong digit.
Illuminant A (CIE 15: 2 856 K on the Planckian locus, x 0.44757, y 0.40745) is a published point.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from lampwalk import lamps

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns of plotting libraries that it cannot find
    colour = pytest.importorskip("colour")

ACCURACY_UV = 1.5e-4
"""The approximation is published as within 8e-5 in u and 9e-5 in v (CIE 1960; from memory) for the second
radiation constant of its day; today's (14 388 um K) and the 4-digit matrix of sRGB add up to 2e-5 as measured
here."""

KELVIN = [2000, 2856, 3200, 4300, 5500, 6500, 9000, 15000]


def uv(xy: np.ndarray) -> np.ndarray:
    """CIE 1960 (u, v)."""
    x, y = xy
    return np.array([4 * x, 6 * y]) / (-2 * x + 12 * y + 3)


def xy(rgb: np.ndarray) -> np.ndarray:
    xyz = np.linalg.solve(lamps.XYZ_TO_RGB, rgb)
    return xyz[:2] / xyz.sum()


@pytest.mark.parametrize("kelvin", KELVIN)
def test_the_locus_is_planck(kelvin: float) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xyz = colour.sd_to_XYZ(colour.sd_blackbody(kelvin, colour.SpectralShape(360, 830, 1)))
    assert uv(xy(lamps.planckian_rgb(kelvin))) == pytest.approx(uv(xyz[:2] / xyz.sum()), abs=ACCURACY_UV)


@pytest.mark.parametrize("kelvin", KELVIN)
def test_the_digits_are_krysteks(kelvin: float) -> None:
    uv = colour.temperature.CCT_to_uv_Krystek1985(kelvin)
    assert xy(lamps.planckian_rgb(kelvin)) == pytest.approx(colour.UCS_uv_to_xy(uv), abs=1e-9)


def test_illuminant_a() -> None:
    assert uv(xy(lamps.planckian_rgb(2856))) == pytest.approx(uv(np.array([0.44757, 0.40745])), abs=ACCURACY_UV)


@pytest.mark.parametrize("mired", [-100, -30, 25, 131, 250])
def test_a_warmed_flash_has_the_shifted_colour(mired: float) -> None:
    """Mired = 10^6 / K: 5 500 K and +131 mired (a full orange gel, common practice, no source) give 3 197
    K."""
    rgb = lamps.planckian_rgb(lamps.FLASH_K) * lamps.warm(mired)
    kelvin = 1e6 / (1e6 / lamps.FLASH_K + mired)
    found = colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv(xy(rgb)))[0]
    assert found == pytest.approx(kelvin, rel=0.005)
    assert rgb @ [0.2126, 0.7152, 0.0722] == pytest.approx(
        lamps.planckian_rgb(lamps.FLASH_K) @ lamps.LUMINANCE, rel=0.06
    )

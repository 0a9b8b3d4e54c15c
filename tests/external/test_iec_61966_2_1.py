"""IEC 61966-2-1:1999 (sRGB): the transfer curve and what follows from it.

Two constants are printed in the standard (0.04045 and 0.0031308, slope 12.92); the values between come from
colour-science, an independent implementation.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from lampwalk import colour

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns that it cannot plot
    reference = pytest.importorskip("colour", reason="colour-science is not installed")

PUBLISHED = [
    # encoded, linear; IEC 61966-2-1, 5.2: both parts of the curve meet here
    (0.0, 0.0),
    (0.04045, 0.0031308),
    (1.0, 1.0),
    # 8-bit codes and linear light, as printed in many tables of the standard's formula (from memory)
    (10 / 255, 0.0030353),
    (128 / 255, 0.2158605),
    (188 / 255, 0.5028865),
]


@pytest.mark.parametrize(("encoded", "linear"), PUBLISHED)
def test_published_pairs(encoded, linear):
    assert colour.to_linear(np.array([encoded], np.float32))[0] == pytest.approx(linear, abs=2e-7)
    assert colour.to_encoded(np.array([linear], np.float32))[0] == pytest.approx(encoded * 65535, abs=1.01)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_every_code_has_the_light_of_the_independent_implementation(dtype):
    codes = np.arange(np.iinfo(dtype).max + 1).astype(dtype)
    wanted = reference.models.eotf_sRGB(codes / np.iinfo(dtype).max)
    assert np.abs(colour.to_linear(codes) - wanted).max() < 1e-7


def test_there_and_back_gives_every_code():
    codes = np.arange(65536, dtype=np.uint16)
    assert np.array_equal(colour.to_encoded(colour.to_linear(codes)), codes)


def test_encoding_agrees_with_the_independent_implementation():
    linear = np.linspace(0, 1, 100_001, dtype=np.float32)
    wanted = reference.models.eotf_inverse_sRGB(linear.astype(np.float64)) * 65535
    assert np.abs(colour.to_encoded(linear) - wanted).max() <= 0.51


def test_luminance_weights_are_those_of_the_primaries():
    """ITU-R BT.709-6, 3.2: 0.2126, 0.7152, 0.0722; they are the Y row of the matrix, to four decimals."""
    row = reference.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ[1]
    assert np.abs(colour.LUMINANCE - row).max() < 1e-4
    assert colour.luminance(np.ones((1, 3), np.float32))[0] == pytest.approx(1)

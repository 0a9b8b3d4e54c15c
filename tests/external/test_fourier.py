"""Fourier transforms of patches against a reference library: `scipy.fft`, in double precision."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from lampwalk import patches


@pytest.mark.parametrize("n", [8, 31, 32, 64])
def test_transforms_agree_with_scipy(n):
    rng = np.random.default_rng(n)
    fields = (rng.normal(size=(5, n, n)) + 1j * rng.normal(size=(5, n, n))).astype(np.complex64)
    spectra = patches._fft(fields)
    assert spectra.dtype == np.complex64
    expected = scipy.fft.fft2(fields.astype(complex))
    np.testing.assert_allclose(spectra, expected, atol=2e-6 * np.abs(expected).max())
    np.testing.assert_allclose(patches._ifft(spectra), fields, atol=2e-6 * np.abs(fields).max())

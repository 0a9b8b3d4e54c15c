"""Displacements of many patches at once: by correlation (far, coarse) and by least squares (near, precise)."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import Matrix
from .sighting import Field, Sighting, crop_fields, light_insensitive, patch_side, sites

ALIKE = 0.25
"""Correlation of two patches below which their least-squares displacement is not used (noise reaches 0.2)."""
CORRELATED_PX = 16.0
"""Neighbouring pixels that carry one independent value after the smoothing of the representation."""
RELIGHTING_PX2 = 0.02**2
"""Variance that even the best patch keeps: light moves what is seen by some hundredths of a pixel, px^2."""


class Patches:
    """One frame's representation, cut at the sites of the reference.

    Parameters
    ----------
    sighting : Sighting
    small : bool
        Cut from the small picture instead of the crops.
    """

    def __init__(self, sighting: Sighting, *, small: bool) -> None:
        self.whole = small or sighting.crops is None
        self.corners = sighting.corners
        self.shape = (sighting.small.shape[0], sighting.small.shape[1]) if self.whole else sighting.work_shape
        self.fields = light_insensitive(sighting.small) if self.whole else crop_fields(sighting)
        self.side = patch_side(self.shape)
        self.sites = sites(self.shape)

    @property
    def centres(self) -> NDArray[np.float64]:
        """Middle of every patch, xy: (K, 2)."""
        return self.sites + (self.side - 1) / 2

    def at(self, frame_to_reference: Matrix) -> Field:
        """Patches in the reference's geometry: (K, side, side, 2); 0 where the frame does not reach."""
        n = self.side
        if self.whole:
            h, w = self.shape
            warped = cv2.warpPerspective(self.fields, frame_to_reference, (w, h), flags=cv2.INTER_CUBIC)
            return np.stack([warped[y : y + n, x : x + n] for x, y in self.sites])
        assert self.corners is not None
        out = np.empty((len(self.sites), n, n, 2), np.float32)
        for patch, crop, site, corner in zip(out, self.fields, self.sites, self.corners, strict=True):
            local = frame_to_reference @ np.array([[1, 0, corner[0]], [0, 1, corner[1]], [0, 0, 1.0]])
            local = np.array([[1, 0, -site[0]], [0, 1, -site[1]], [0, 0, 1.0]]) @ local
            cv2.warpPerspective(crop, local, (n, n), dst=patch, flags=cv2.INTER_CUBIC)
        return out


def normalised_patches(patches: Field) -> tuple[Field, NDArray[np.float64]]:
    """Patches without mean and with unit energy, and the share of each that holds texture (0-1)."""
    textured = (patches != 0).any(axis=-1).mean(axis=(1, 2))
    centred = patches - patches.mean(axis=(1, 2), keepdims=True)
    energy = np.einsum("kyxc,kyxc->k", centred, centred) / centred[0].size
    centred *= (1 / (np.sqrt(energy) + 1e-6)).astype(np.float32)[:, None, None, None]
    return centred, textured


def small_steps(
    template: Field, patches: Field
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Displacement that each patch still needs, by one robust least-squares step.

    Parameters
    ----------
    template, patches : (K, n, n, 2) float32, from `normalised_patches`

    Returns
    -------
    displacements : (K, 2), px, xy
    information : (K, 2, 2), 1/px^2
    alike : (K,) correlation, -1 to 1
    """
    mean = (template + patches) * np.float32(0.5)
    gx = (mean[:, 1:-1, 2:] - mean[:, 1:-1, :-2]) * np.float32(0.5)
    gy = (mean[:, 2:, 1:-1] - mean[:, :-2, 1:-1]) * np.float32(0.5)
    rest = (patches - template)[:, 1:-1, 1:-1]
    size = np.abs(rest).sum(axis=-1)
    typical = 1.2 * size.mean(axis=(1, 2), keepdims=True) + np.float32(1e-6)
    weight = 1 / (1 + (size / (2 * typical)) ** 2)  # moving shadows and equipment inside a patch count less
    a = np.empty((len(mean), 2, 2))
    wx, wy = gx * weight[..., None], gy * weight[..., None]
    a[:, 0, 0] = np.einsum("kyxc,kyxc->k", wx, gx)
    a[:, 1, 1] = np.einsum("kyxc,kyxc->k", wy, gy)
    a[:, 0, 1] = a[:, 1, 0] = np.einsum("kyxc,kyxc->k", wx, gy)
    b = np.stack([np.einsum("kyxc,kyxc->k", wx, rest), np.einsum("kyxc,kyxc->k", wy, rest)], axis=-1)
    noise = np.einsum("kyx,kyxc,kyxc->k", weight, rest, rest) / np.maximum(weight.sum(axis=(1, 2)), 1e-6)
    alike = np.einsum("kyxc,kyxc->k", template, patches) / template[0].size
    ridge = 1e-3 * float(np.trace(a, axis1=1, axis2=2).mean()) + 1e-6
    a += ridge * np.eye(2)
    displacements = np.linalg.solve(a, b[..., None])[..., 0]
    covariance = np.linalg.inv(a) * (np.maximum(noise, 1e-3) * CORRELATED_PX)[:, None, None]
    information = np.linalg.inv(covariance + RELIGHTING_PX2 * np.eye(2))
    return displacements, information, alike


def correlation_peaks(
    template: Field, patches: Field
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Displacement of each patch by its best correlation within a quarter of its side.

    Returns
    -------
    displacements : (K, 2) whole px, xy
    peak : (K,) correlation there
    here : (K,) best correlation within 1 px of no displacement
    """
    n = template.shape[1]
    taper = np.hanning(n + 2)[1:-1].astype(np.float32)
    window = (taper[:, None] * taper)[None, :, :, None]
    t, p = normalised_patches(template * window)[0], normalised_patches(patches * window)[0]
    product = np.zeros((len(t), n, n // 2 + 1), np.complex64)
    for c in range(t.shape[-1]):
        product += np.conj(np.fft.rfft2(p[..., c])) * np.fft.rfft2(t[..., c])
    surface = np.fft.irfft2(product, s=(n, n)) / t[0].size
    reach = n // 4
    surface = np.roll(surface, (reach, reach), axis=(1, 2))[:, : 2 * reach + 1, : 2 * reach + 1]
    flat = surface.reshape(len(t), -1)
    best = flat.argmax(axis=1)
    dy, dx = np.unravel_index(best, surface.shape[1:])
    here = surface[:, reach - 1 : reach + 2, reach - 1 : reach + 2].reshape(len(t), -1).max(axis=1)
    return np.stack([dx - reach, dy - reach], axis=-1).astype(np.float64), flat.max(axis=1), here

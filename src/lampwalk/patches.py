"""Displacements of many patches at once: by correlation (far) and by least squares (precise)."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import Matrix
from .sighting import Field, Sighting, crop_fields, light_insensitive, patch_side, sites

Floats = NDArray[np.float64]

MANY = 100
"""More patches than this need not all judge: every second one does."""
RIM_PX = 4
"""Rim of a crop that its neighbours in memory disturb, px."""
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
        return np.asarray(self.sites + (self.side - 1) / 2, np.float64)

    def at(self, frame_to_reference: Matrix, flags: int = cv2.INTER_CUBIC) -> Field:
        """Patches in the reference's geometry: (K, 2, side, side); 0 where the frame does not reach."""
        n = self.side
        out = np.empty((len(self.sites), 2, n, n), np.float32)
        if self.whole:
            h, w = self.shape
            warped = cv2.warpPerspective(self.fields, frame_to_reference, (w, h), flags=flags)
            planes = np.ascontiguousarray(warped.transpose(2, 0, 1))
            for patch, (x, y) in zip(out, self.sites, strict=True):
                patch[...] = planes[:, y : y + n, x : x + n]
            return out
        assert self.corners is not None
        for patch, crop, site, corner in zip(out, self.fields, self.sites, self.corners, strict=True):
            local = frame_to_reference @ np.array([[1, 0, corner[0]], [0, 1, corner[1]], [0, 0, 1.0]])
            local = np.array([[1, 0, -site[0]], [0, 1, -site[1]], [0, 0, 1.0]]) @ local
            patch[...] = cv2.warpPerspective(crop, local, (n, n), flags=flags).transpose(2, 0, 1)
        return out

    def reached(self, frame_to_reference: Matrix) -> NDArray[np.bool_]:
        """Which patches lie wholly within the frame (or its crops): (K,)."""
        back = np.linalg.inv(frame_to_reference)
        inside = np.ones(len(self.sites), bool)
        first = 0 if self.whole or self.corners is None else self.corners + RIM_PX
        size = np.array(self.shape[::-1]) if self.whole else self.fields.shape[1] - 2 * RIM_PX
        for corner in ((0, 0), (self.side - 1, 0), (0, self.side - 1), (self.side - 1, self.side - 1)):
            x, y, w = back @ np.vstack([(self.sites + corner).T, np.ones(len(self.sites))])
            at = np.stack([x / w, y / w], axis=-1) - first
            inside &= ((at >= 0) & (at <= size - 1)).all(axis=1)
        return inside


class Template:
    """Patches of the reference with what every comparison needs of them."""

    def __init__(self, patches: Patches) -> None:
        self.centres = patches.centres
        self.values = unit_energy(patches.at(np.eye(3)))
        v = self.values
        self.gx = (v[:, :, 1:-1, 2:] - v[:, :, 1:-1, :-2]) * np.float32(0.5)
        self.gy = (v[:, :, 2:, 1:-1] - v[:, :, :-2, 1:-1]) * np.float32(0.5)
        self.squares = np.stack([(a * b).sum(axis=1) for a, b in _pairs(self.gx, self.gy)], axis=1)
        self.judges = np.arange(0, len(v), 2 if len(v) > MANY else 1)
        self.spectra = _spectra(v[self.judges])

    def steps(self, patches: Field) -> tuple[Floats, Floats, Floats]:
        """Displacement that each patch still needs, by one robust least-squares step.

        Parameters
        ----------
        patches : (K, 2, n, n) float32

        Returns
        -------
        displacements : (K, 2), px, xy
        information : (K, 2, 2), 1/px^2
        alike : (K,) correlation, -1 to 1
        """
        values = unit_energy(patches)
        k = len(values)
        rest = (values - self.values)[:, :, 1:-1, 1:-1]
        square = rest[:, 0] ** 2 + rest[:, 1] ** 2
        typical = square.reshape(k, -1).mean(axis=1).astype(np.float32)[:, None, None] + np.float32(1e-6)
        # moving shadows and equipment within a patch count less
        weight = 1 / (1 + square / (typical * np.float32(2)))
        weight *= weight
        flat = weight.reshape(k, -1)
        xx, yy, xy = np.moveaxis(np.einsum("kp,kcp->kc", flat, self.squares.reshape(k, 3, -1)), 1, 0)
        a = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2).astype(np.float64)
        rest *= weight[:, None]
        flat_rest = rest.reshape(k, -1)
        b = np.stack([np.einsum("kp,kp->k", flat_rest, g.reshape(k, -1)) for g in (self.gx, self.gy)], axis=-1).astype(
            np.float64
        )
        noise = np.einsum("kp,kp->k", flat, square.reshape(k, -1)) / np.maximum(flat.sum(axis=1), 1e-6)
        alike = np.einsum("kp,kp->k", values.reshape(k, -1), self.values.reshape(k, -1)) / values[0].size
        a += (1e-3 * float(np.trace(a, axis1=1, axis2=2).mean()) + 1e-6) * np.eye(2)
        displacements = np.linalg.solve(a, b[..., None])[..., 0]
        covariance = np.linalg.inv(a) * (np.maximum(noise, 1e-3) * CORRELATED_PX)[:, None, None]
        information = np.linalg.inv(covariance + RELIGHTING_PX2 * np.eye(2))
        return np.asarray(displacements), np.asarray(information, np.float64), alike.astype(np.float64)

    def peaks(self, patches: Field) -> tuple[Floats, Floats]:
        """Where the patches ``judges`` correlate best, within a quarter of their side.

        Returns
        -------
        displacements : (J, 2) whole px, xy
        peak : (J,) correlation there
        """
        surface, reach = _surface(self.spectra, _spectra(patches[self.judges]))
        flat = surface.reshape(len(surface), -1)
        dy, dx = np.unravel_index(flat.argmax(axis=1), surface.shape[1:])
        return np.stack([dx - reach, dy - reach], axis=-1).astype(np.float64), flat.max(axis=1)


def unit_energy(patches: Field) -> Field:
    """Patches (K, 2, n, n) without mean and with unit energy."""
    k = len(patches)
    flat = patches.reshape(k, 2, -1)
    centred = flat - flat.mean(axis=2, keepdims=True)
    energy = np.einsum("kp,kp->k", centred.reshape(k, -1), centred.reshape(k, -1)) / centred[0].size
    centred *= (1 / (np.sqrt(energy) + 1e-6)).astype(np.float32)[:, None, None]
    return np.asarray(centred.reshape(patches.shape), np.float32)


def _pairs(x: Field, y: Field) -> tuple[tuple[Field, Field], ...]:
    return (x, x), (y, y), (x, y)


def _surface(template: NDArray[np.complex64], patches: NDArray[np.complex64]) -> tuple[NDArray[np.float32], int]:
    """Correlations within a quarter of the side, (J, 2 reach + 1, 2 reach + 1), and the reach."""
    n = template.shape[-1]
    surface = np.fft.ifft2(np.conj(patches) * template).real * (n * n)
    reach = n // 4
    return np.roll(surface, (reach, reach), axis=(1, 2))[:, : 2 * reach + 1, : 2 * reach + 1], reach


def _spectra(patches: Field) -> NDArray[np.complex64]:
    """Spectra of unit length of the tapered patches, both channels as one complex field."""
    n = patches.shape[-1]
    taper = np.hanning(n + 2)[1:-1].astype(np.float32)
    values = unit_energy(patches) * (taper[:, None] * taper)
    spectra = np.fft.fft2(values[:, 0] + np.complex64(1j) * values[:, 1])
    length = np.sqrt(np.einsum("kp,kp->k", *2 * (np.abs(spectra).reshape(len(spectra), -1),)))
    return np.asarray(spectra / (length[:, None, None] + 1e-6), np.complex64)

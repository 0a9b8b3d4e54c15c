"""Displacements of many patches at once: by correlation (far) and by least squares (precise).

The representation is smooth, so every second pixel says all: patches are sampled at these only.
"""

from __future__ import annotations

from functools import cache, cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import Matrix
from .sighting import PATCH_PX, Field, Gradient, Grey, Sighting, patch_side, sites, windows

Floats = NDArray[np.float64]
Spectra = NDArray[np.complex64]

EVERY = 2
"""A patch is sampled at every second pixel, each way. The smoothing leaves nothing finer than about 4 px."""
WINDOW_PX = 10
"""Rim of a window round a patch of a frame: for the filters, and for what the motion found so far may be off, px."""
RIM_PX = 4
"""Rim of a window that its neighbours in memory disturb, px."""
ALIKE = 0.25
"""Correlation of two patches below which their least-squares displacement is not used (noise reaches 0.2)."""
CORRELATED_PX = 16.0
"""Neighbouring pixels that carry one independent value after the smoothing of the representation."""
RELIGHTING_PX2 = 0.02**2
"""Variance that even the best patch keeps: light moves what is seen by some hundredths of a pixel, px^2."""

_SAMPLES = np.diag([1 / EVERY, 1 / EVERY, 1.0])


class Whole:
    """A frame's representation, made of the whole picture.

    Parameters
    ----------
    picture : (h, w) uint8
    full_size : bool
        Its pixels are those of the frame.
    """

    def __init__(self, picture: Grey, *, full_size: bool) -> None:
        self.interpolation = interpolation_of(full_size)
        self.shape = (picture.shape[0], picture.shape[1])
        self.gradient = Gradient.of(picture)
        self.side = patch_side(self.shape)
        self.sites = sites(self.shape)

    @cached_property
    def doubled(self) -> Field:
        """Representation of the picture in which edges have no sign: (h, w, 2)."""
        return self.gradient.doubled()

    @cached_property
    def signed(self) -> Field:
        """Representation of the picture in which edges have their sign: (h, w, 2)."""
        return self.gradient.signed()

    def at(self, frame_to_reference: Matrix, *, signed: bool = False) -> Field:
        """Patches in the reference's geometry: (K, 2, n, n); 0 where the frame does not reach."""
        h, w = self.shape
        size = -(-w // EVERY), -(-h // EVERY)
        warped = cv2.warpPerspective(
            self.signed if signed else self.doubled, _SAMPLES @ frame_to_reference, size, flags=self.interpolation
        )
        n = self.side // EVERY
        out = np.empty((len(self.sites), 2, n, n), np.float32)
        for channel, plane in enumerate(cv2.split(warped)):
            for patch, (x, y) in zip(out[:, channel], self.sites // EVERY, strict=True):
                patch[...] = plane[y : y + n, x : x + n]
        return out

    def reached(self, frame_to_reference: Matrix) -> NDArray[np.bool_]:
        """Which patches lie wholly within the frame: (K,)."""
        return _within(self, frame_to_reference, np.zeros(2), np.array(self.shape[::-1]))


class Windows:
    """A frame's representation, made of windows in its crops, where a homography sends the patches.

    Parameters
    ----------
    sighting : Sighting
        With crops.
    frame_to_reference : (3, 3) float64
        At working size; right to about 4 px.
    """

    def __init__(self, sighting: Sighting, frame_to_reference: Matrix) -> None:
        self.interpolation = interpolation_of(sighting.step == 1)
        self.shape, self.side = sighting.work_shape, PATCH_PX
        self.sites = sites(self.shape)
        n = self.window = PATCH_PX + 2 * WINDOW_PX
        self.corners, cut = windows(sighting, frame_to_reference, n)
        self.gradient = Gradient.of(np.concatenate(cut))

    @cached_property
    def doubled(self) -> Field:
        """Representation of the windows in which edges have no sign: (K, n, n, 2)."""
        return self._apart(self.gradient.doubled())

    @cached_property
    def signed(self) -> Field:
        """Representation of the windows in which edges have their sign: (K, n, n, 2)."""
        return self._apart(self.gradient.signed())

    def _apart(self, tall: Field) -> Field:
        fields = tall.reshape(-1, self.window, self.window, 2)
        fields[:, :3] = fields[:, -3:] = 0  # where two windows meet there is an edge that is none
        return fields

    def at(self, frame_to_reference: Matrix, *, signed: bool = False) -> Field:
        """Patches in the reference's geometry: (K, 2, n, n); 0 where the windows do not reach."""
        n = self.side // EVERY
        out = np.empty((len(self.sites), 2, n, n), np.float32)
        local = np.broadcast_to(np.eye(3), (len(out), 3, 3)).copy()
        local[:, :2, 2] = self.corners
        local = frame_to_reference @ local
        local[:, :2] -= self.sites[..., None] * local[:, 2:]
        for patch, field, matrix in zip(out, self.signed if signed else self.doubled, _SAMPLES @ local, strict=True):
            patch[...] = cv2.warpPerspective(field, matrix, (n, n), flags=self.interpolation).transpose(2, 0, 1)
        return out

    def reached(self, frame_to_reference: Matrix) -> NDArray[np.bool_]:
        """Which patches lie wholly within the windows: (K,)."""
        size = np.full(2, self.window - 2 * RIM_PX)
        return _within(self, frame_to_reference, self.corners + RIM_PX, size)


View = Whole | Windows


def interpolation_of(full_size: bool) -> int:
    """Choose the one of the merge, or where pixels are larger than the frame's, one that displaces nothing.

    OpenCV's cubic (a = -0.75) displaces a ramp by up to 0.048 px at a quarter of a pixel. At full size this cancels when
    patches are fetched by the same; in pixels that are larger it would be an error of as much of these.
    """
    return cv2.INTER_CUBIC if full_size else cv2.INTER_LINEAR


def _within(view: View, frame_to_reference: Matrix, first: NDArray[Any], size: NDArray[np.int64]) -> NDArray[np.bool_]:
    back = np.linalg.inv(frame_to_reference)
    inside = np.ones(len(view.sites), bool)
    last = view.side - 1
    for corner in ((0, 0), (last, 0), (0, last), (last, last)):
        x, y, w = back @ np.vstack([(view.sites + corner).T, np.ones(len(view.sites))])
        at = np.stack([x / w, y / w], axis=-1) - first
        inside &= ((at >= 0) & (at <= size - 1)).all(axis=1)
    return inside


def view_of(sighting: Sighting, frame_to_reference: Matrix) -> View:
    """A frame's representation at working size, as large as a homography (right to about 4 px) needs it."""
    if sighting.corners is None:
        return Whole(sighting.small, full_size=sighting.step == 1)
    return Windows(sighting, frame_to_reference)


def centres_of(shape: tuple[int, int]) -> Floats:
    """Middles of the patches of a picture, xy: (K, 2)."""
    return np.asarray(sites(shape) + (patch_side(shape) - 1) / 2, np.float64)


class Template:
    """Patches of the reference with what every comparison needs of them; of edges with or without their sign."""

    def __init__(self, patches: Field, centres: Floats, *, signed: bool = False) -> None:
        self.centres, self.signed = centres, signed
        patches = unit_energy(patches)
        self.values = patches
        k = len(patches)
        slopes = np.zeros((k, 2, *patches.shape[1:]), np.float32)  # per px, 0 at the rim
        slopes[:, 0, :, :, 1:-1] = (patches[..., 2:] - patches[..., :-2]) * np.float32(0.5 / EVERY)
        slopes[:, 1, :, 1:-1] = (patches[:, :, 2:] - patches[:, :, :-2]) * np.float32(0.5 / EVERY)
        slopes[..., 0, :] = slopes[..., -1, :] = slopes[..., 0] = slopes[..., -1] = 0
        gx, gy = slopes[:, 0], slopes[:, 1]
        self.slopes = slopes.reshape(k, 2, -1)
        self.squares = np.stack([(a * b).sum(axis=1).reshape(k, -1) for a, b in ((gx, gx), (gy, gy), (gx, gy))], axis=1)

    @classmethod
    def of(cls, view: View, *, signed: bool = False) -> Template:
        """Patches of the reference itself."""
        return cls(view.at(np.eye(3), signed=signed), centres_of(view.shape), signed=signed)

    @cached_property
    def spectra(self) -> Spectra:
        """What `peaks` correlates with."""
        return _spectra(self.values)

    def alike(self, patches: Field) -> Floats:
        """Correlation of each patch as it lies, -1 to 1: (K,)."""
        return np.asarray(_dots(unit_energy(patches), self.values) / self.values[0].size, np.float64)

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
        alike = _dots(values, self.values) / values[0].size
        rest = values - self.values
        square = (rest[:, 0] * rest[:, 0] + rest[:, 1] * rest[:, 1]).reshape(k, -1)
        typical = square.mean(axis=1, keepdims=True) + np.float32(1e-6)
        # moving shadows and equipment within a patch count less
        weight = 1 / (1 + square / (typical * np.float32(2)))
        weight *= weight
        noise = _dots(weight, square) / np.maximum(weight.sum(axis=1), 1e-6)
        weighted = (rest.reshape(k, 2, -1) * weight[:, None]).reshape(k, -1, 1)
        b = (self.slopes @ weighted).astype(np.float64)
        xx, yy, xy = (self.squares @ weight[..., None])[..., 0].T.astype(np.float64)
        a = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)
        a += (1e-3 * float((xx + yy).mean()) + 1e-6) * np.eye(2)
        displacements = np.linalg.solve(a, b)[..., 0]
        independent = CORRELATED_PX / EVERY**2
        covariance = np.linalg.inv(a) * (np.maximum(noise, 1e-3) * independent)[:, None, None]
        information = np.linalg.inv(covariance + RELIGHTING_PX2 * np.eye(2))
        return displacements, information, alike.astype(np.float64)

    def peaks(self, patches: Field) -> tuple[Floats, Floats]:
        """Where each patch correlates best, within a quarter of its side.

        Returns
        -------
        displacements : (K, 2) px, xy, to about half a pixel
        peak : (K,) correlation there
        """
        n = patches.shape[-1]
        surface = _ifft(np.conj(_spectra(patches)) * self.spectra).real * np.float32(n * n)
        reach = n // 4
        near = np.arange(-reach, reach + 1)
        surface = surface[:, near[:, None], near]
        k = np.arange(len(surface))
        rows, cols = np.unravel_index(surface.reshape(len(k), -1).argmax(axis=1), surface.shape[1:])
        top = surface[k, rows, cols]
        rows_in, cols_in = np.clip(rows, 1, 2 * reach - 1), np.clip(cols, 1, 2 * reach - 1)
        along = _vertex(surface[k, rows_in - 1, cols], surface[k, rows_in, cols], surface[k, rows_in + 1, cols])
        across = _vertex(surface[k, rows, cols_in - 1], surface[k, rows, cols_in], surface[k, rows, cols_in + 1])
        at = np.stack([cols_in + across - reach, rows_in + along - reach], axis=-1)
        return np.asarray(at * EVERY, np.float64), top.astype(np.float64)


def unit_energy(patches: Field) -> Field:
    """Patches (K, 2, n, n) without mean and with unit energy."""
    k = len(patches)
    flat = patches.reshape(k, 2, -1)
    centred = flat - flat.mean(axis=2, keepdims=True)
    energy = _dots(centred, centred) / centred[0].size
    centred *= (1 / (np.sqrt(energy) + 1e-6)).astype(np.float32)[:, None, None]
    return np.asarray(centred.reshape(patches.shape), np.float32)


def _dots(a: Field, b: Field) -> NDArray[np.float32]:
    """Sum of products, patch by patch."""
    k = len(a)
    return np.asarray((a.reshape(k, 1, -1) @ b.reshape(k, -1, 1))[:, 0, 0])


def _vertex(before: Field, top: Field, after: Field) -> NDArray[np.float32]:
    """Where a parabola through three values is highest, -1 to 1."""
    bend = 2 * top - before - after
    return np.clip(np.where(bend > 1e-6, (after - before) / np.maximum(2 * bend, 1e-6), 0), -1, 1)


def _spectra(patches: Field) -> Spectra:
    """Spectra of unit length of the tapered patches, both channels as one complex field."""
    n = patches.shape[-1]
    taper = np.hanning(n + 2)[1:-1].astype(np.float32)
    values = unit_energy(patches) * (taper[:, None] * taper)
    both = np.empty((len(values), n, n), np.complex64)
    both.real, both.imag = values[:, 0], values[:, 1]
    spectra = _fft(both)
    parts = spectra.view(np.float32)
    return np.asarray(spectra / (np.sqrt(_dots(parts, parts)) + np.float32(1e-6))[:, None, None])


def _fft(fields: Spectra) -> Spectra:
    """Discrete Fourier transform of small squares, (K, n, n), by its matrix: sooner done than a library for it is loaded.

    Square by square, as the linear algebra below NumPy puts threads of its own to larger products.
    """
    matrix = _fourier(fields.shape[-1])
    return np.asarray(matrix @ fields @ matrix)


def _ifft(spectra: Spectra) -> Spectra:
    """Undo `_fft`."""
    n = spectra.shape[-1]
    matrix = _fourier(n).conj() / np.float32(n)
    return np.asarray(matrix @ spectra @ matrix)


@cache
def _fourier(n: int) -> Spectra:
    k = np.arange(n)
    matrix: Spectra = np.exp(-2j * np.pi / n * (k[:, None] * k % n)).astype(np.complex64)
    matrix.setflags(write=False)
    return matrix

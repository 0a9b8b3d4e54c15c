"""Modes of many measured stops: the value that many places share, though most places say something else."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

BIN_EV = 0.005
"""Width of a bin, stops: a quarter of what is to be told apart."""

RANGE_EV = 4.0
"""Stops looked at, up and down; more is no drift."""

FEWEST = 40
"""Values below which there is no mode."""


def highest_mode(
    values: NDArray[np.floating[Any]], width: float, weights: NDArray[np.floating[Any]] | None = None
) -> tuple[float, float]:
    """Most frequent value, and the share of values within `width` of it; (0, 0) without values."""
    if len(values) == 0:
        return 0.0, 0.0
    density = _density(values, width / 2 if weights is None else width, weights)
    mode = _centre(int(density.argmax()))
    return mode, float((np.abs(values - mode) < width).mean())


def lowest_mode(values: NDArray[np.floating[Any]]) -> tuple[float, float]:
    """Find the lowest value that many places share, and their share; (0, 0) where there are too few."""
    if len(values) < FEWEST:
        return 0.0, 0.0
    density = _density(values, 0.02)
    peak = (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:]) & (density[1:-1] >= 0.12 * density.max())
    mode = _centre(int(np.flatnonzero(peak)[0]) + 1) if peak.any() else 0.0
    for _ in range(5):
        near = np.abs(values - mode) < 0.03
        if not near.any():
            return 0.0, 0.0
        mode = float(np.median(values[near]))
    return mode, float((np.abs(values - mode) < 0.06).mean())


def _centre(at: int) -> float:
    return (at + 0.5) * BIN_EV - RANGE_EV


def _density(
    values: NDArray[np.floating[Any]], width: float, weights: NDArray[np.floating[Any]] | None = None
) -> NDArray[np.float64]:
    bins = round(2 * RANGE_EV / BIN_EV)
    at = np.floor((values + RANGE_EV) / BIN_EV).astype(np.intp)
    inside = (at >= 0) & (at < bins)
    counts = np.bincount(at[inside], None if weights is None else weights[inside], minlength=bins)
    t = np.arange(-round(3 * width / BIN_EV), round(3 * width / BIN_EV) + 1) * BIN_EV
    return np.convolve(counts, np.exp(-0.5 * (t / width) ** 2), "same")

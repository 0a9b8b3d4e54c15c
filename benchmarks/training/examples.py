"""Training examples: crops of cues with truth, from generated series."""

from __future__ import annotations

from pathlib import Path

import camera
import cv2
import numpy as np
import photos
import rendered
import torch

from lampwalk import cues

CROP = 256
"""Half-size pixels of a crop's side: most of a picture, so that a head and its stand are seen together."""

RENDERED_SHARE = 0.62


def make(seed: int, cutouts: Path, target: Path, *, largest: float = 1200) -> int:
    """Generate series number `seed` and store one crop per frame; returns how many."""
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    rng = np.random.default_rng(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    if rng.random() < RENDERED_SHARE:
        with torch.no_grad():
            light = rendered.scene(rng, cutouts, device, largest=largest)
    else:
        light = photos.scene(rng, cutouts)
    series = camera.shoot(light, rng)
    coarse, detail, truth = [], [], []
    for k, (c, d) in enumerate(cues.measure(series.previews, series.ambient)):
        parts = crop(rng, c, d, series.equipment[k], series.weight[k])
        for store, part in zip((coarse, detail, truth), parts, strict=True):
            store.append(part)
    stacked = {"coarse": np.stack(coarse), "detail": np.stack(detail), "truth": np.stack(truth)}
    for name, values in stacked.items():
        np.save(target / f"{seed:06d}_{name}.npy", values)
    return len(coarse)


def crop(
    rng: np.random.Generator, coarse: np.ndarray, detail: np.ndarray, truth: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One crop of a frame, mostly with equipment in it where there is some; truth and weight as bytes."""
    h, w = coarse.shape[1:]
    size = (2 * w, 2 * h)
    full = [cv2.resize(x.astype(np.float32), size, interpolation=cv2.INTER_AREA) for x in (truth, weight)]
    y, x = rng.integers(0, max(1, h - CROP + 1)), rng.integers(0, max(1, w - CROP + 1))
    found = np.argwhere(full[0] > 0.5)
    if len(found) and rng.random() < 0.7:
        centre = found[rng.integers(len(found))] // 2 + rng.integers(-90, 90, 2)
        y, x = (int(np.clip(c - CROP // 2, 0, max(0, n - CROP))) for c, n in zip(centre, (h, w), strict=True))
    part = coarse[:, y : y + CROP, x : x + CROP]
    gap = [(0, CROP - part.shape[1]), (0, CROP - part.shape[2])]
    twice = [(0, 2 * g[1]) for g in gap]
    window = np.s_[2 * y : 2 * (y + CROP), 2 * x : 2 * (x + CROP)]
    part = np.pad(part, [(0, 0), *gap], mode="reflect")
    fine = np.pad(detail[(slice(None), *window)], [(0, 0), *twice], mode="reflect")
    label = np.pad(full[0][window] > 0.5, twice, mode="reflect")
    counts = np.pad(full[1][window], twice, mode="reflect")
    bytes_ = np.stack([label, np.clip(counts * 50, 0, 255)]).astype(np.uint8)
    return part.astype(np.float16), fine.astype(np.float16), bytes_

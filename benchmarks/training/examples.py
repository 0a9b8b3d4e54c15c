"""Training examples: crops of cues with truth, from generated series."""

from __future__ import annotations

from pathlib import Path

import camera
import cv2
import numpy as np
import photos
import rendered
import torch

from lampwalk import cues, parallel

CROP = 128
"""Quarter-size pixels of a crop's side: most of a picture, so that a head and its stand are seen together."""

AGAIN = 0.5
"""Chance of a second crop of a frame with equipment."""

RENDERED_SHARE = 0.6

SIZES = {"coarse": 1, "fine": 2, "detail": 4, "truth": 4}
"""What is stored of an example, and its pixels per quarter-size pixel."""


def make(seed: int, cutouts: Path, target: Path, *, largest: float = 1200) -> int:
    """Generate series number `seed` and store crops of its frames; returns how many."""
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
    parts = []
    with parallel.limited(1):
        measured = cues.measure(series.previews, series.ambient)
    for k, found in enumerate(measured):
        for _ in range(1 + (series.equipment[k].any() and rng.random() < AGAIN)):
            parts.append(crop(rng, found, series.equipment[k], series.weight[k]))
    store(parts, seed, target)
    if device.type == "cuda":
        torch.cuda.empty_cache()  # many processes share a card
    return len(parts)


def store(parts: list[dict[str, np.ndarray]], seed: int, target: Path) -> None:
    """Write the examples of one series."""
    for name in SIZES:
        np.save(target / f"{seed:06d}_{name}.npy", np.stack([part[name] for part in parts]))


def crop(rng: np.random.Generator, found: cues.Cues, truth: np.ndarray, weight: np.ndarray) -> dict[str, np.ndarray]:
    """One crop of a frame, mostly with equipment in it where there is some; truth and weight as bytes."""
    h, w = cues.working_shape(truth.shape)
    full = [cv2.resize(x.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA) for x in (truth, weight)]
    h, w = h // 4, w // 4
    y, x = rng.integers(0, max(1, h - CROP + 1)), rng.integers(0, max(1, w - CROP + 1))
    places = np.argwhere(full[0] > 0.5)
    if len(places) and rng.random() < 0.7:
        centre = places[rng.integers(len(places))] // 4 + rng.integers(-45, 45, 2)
        y, x = (int(np.clip(c - CROP // 2, 0, max(0, n - CROP))) for c, n in zip(centre, (h, w), strict=True))
    label = np.stack([(full[0] > 0.5) * 1.0, np.clip(full[1] * 50, 0, 255)])
    whole = {"coarse": found.coarse, "fine": found.fine, "detail": found.detail, "truth": label}
    result = {}
    for name, side in SIZES.items():
        part = whole[name][:, side * y : side * min(y + CROP, h), side * x : side * min(x + CROP, w)]
        gap = [(0, side * CROP - n) for n in part.shape[1:]]
        part = np.pad(part, [(0, 0), *gap], mode="reflect")
        result[name] = part.astype(np.uint8 if name == "truth" else np.float16)
    return result

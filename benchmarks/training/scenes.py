"""Examples from rendered scenes with truth on disk: frames/NN.jpg, truth/equipment_NN.png, homographies.json, meta.json."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import examples
import numpy as np
from camera import Series

from lampwalk import cues, geometry
from lampwalk.previews import Preview, align_preview, make_preview

CROPS = 8
"""Crops of each frame."""


def read(folder: Path) -> Series:
    """One scene, aligned and levelled by its truth; frame 00 is the one without flash where there is one."""
    matrices = {k: np.array(v, float) for k, v in json.loads((folder / "truth/homographies.json").read_text()).items()}
    meta = json.loads((folder / "truth/meta.json").read_text())["frames"]
    drift = {f["frame"]: f["ambient_drift_ev"] for f in meta}
    series, plate = Series([], []), None
    for path in sorted((folder / "frames").glob("*.jpg")):
        k = path.stem
        matrix = matrices.get(k, np.eye(3))
        p = align_preview(make_preview(k, np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])), matrix)
        plate = p.linear if k == "00" else plate
        linear = p.linear if plate is None else np.clip(p.linear - plate * np.float32(2 ** drift[k] - 1), 0, 1)
        series.previews.append(
            Preview(name=k, linear=linear, clipped=p.clipped, valid=p.valid, full_shape=p.full_shape)
        )
        series.ambient.append(k == "00")
        truth = cv2.imread(str(folder / f"truth/equipment_{k}.png"), cv2.IMREAD_GRAYSCALE)
        truth = np.zeros(p.full_shape, np.uint8) if truth is None else truth
        series.equipment.append((geometry.warp(truth, matrix, linear=True) > 127).astype(np.float32))
        series.weight.append(p.valid.astype(np.float32))
    return series


def make(seed: int, folder: Path, target: Path) -> int:
    """Store crops of a scene, with the ambient frame and without it, of all frames and of some; returns how many."""
    rng = np.random.default_rng(seed)
    whole = read(folder)
    parts: list[dict[str, np.ndarray]] = []
    for _ in range(CROPS):
        keep = [k for k in range(len(whole.previews)) if rng.random() < rng.uniform(0.6, 1.3)]
        if rng.random() < 0.4:
            keep = [k for k in keep if not whole.ambient[k]]
        if len(keep) < 3:
            continue
        found = cues.measure([whole.previews[k] for k in keep], [whole.ambient[k] for k in keep])
        parts += [examples.crop(rng, c, whole.equipment[k], whole.weight[k]) for k, c in zip(keep, found, strict=True)]
    examples.store(parts, seed, target)
    return len(parts)

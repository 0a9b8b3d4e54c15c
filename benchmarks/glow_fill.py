"""Glow and fill alone, on scenes with known truth: true masks, true alignment, true daylight drift.

    python benchmarks/glow_fill.py SCENES SCORER > table.md

SCENES holds one folder a scene (frames/, truth/), SCORER is the script that scores a composite against a
scene. Each step is merged by the formula of the execution and scored; masks once as they should be (3 px
wider than the equipment) and once as they may be found (2 to 10 px wider, pieces missing).
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import tifffile

from lampwalk import colour, fill, geometry, glow
from lampwalk.previews import Preview, align_preview, make_preview

FIGURES = ("ghost_ppm", "ghost_largest", "hole_ppm", "hole_largest", "veil_p95", "de_mean")


def load(scene: Path) -> tuple[list[Preview], list[np.ndarray], list[bool]]:
    """Aligned, levelled previews, equipment (255) in the same geometry, and which frames are ambient."""
    truth = scene / "truth"
    matrices = json.loads((truth / "homographies.json").read_text())
    facts = {f["frame"]: f for f in json.loads((truth / "meta.json").read_text())["frames"]}
    previews, equipment, ambient = [], [], []
    for path in sorted((scene / "frames").glob("*.jpg")):
        matrix = np.array(matrices.get(path.stem, np.eye(3)), np.float64)
        pixels = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
        previews.append(align_preview(make_preview(path.stem, pixels), matrix))
        seen = cv2.imread(str(truth / f"equipment_{path.stem}.png"), cv2.IMREAD_GRAYSCALE)
        seen = np.zeros(pixels.shape[:2], np.uint8) if seen is None else geometry.warp(seen, matrix, linear=True)
        equipment.append(np.where(seen > 127, 255, 0).astype(np.uint8))
        ambient.append(facts.get(path.stem, {}).get("kind") == "base")
    if any(ambient):
        plate = cv2.GaussianBlur(previews[ambient.index(True)].linear, (0, 0), 1.0)
        for i, p in enumerate(previews):
            if not ambient[i]:
                drift = 2 ** facts[p.name].get("ambient_drift_ev", 0.0) - 1
                previews[i] = replace(p, linear=np.clip(p.linear - drift * plate, 0, 1))
    return previews, equipment, ambient


def true_mask(equipment: np.ndarray, seed: int) -> np.ndarray:
    grown = cv2.dilate(equipment, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    return cv2.GaussianBlur(grown, (0, 0), 1.0)


def perturbed_mask(equipment: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    h, w = equipment.shape

    def field(cell: int) -> np.ndarray:
        coarse = rng.random((max(2, h // cell), max(2, w // cell))).astype(np.float32)
        return cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC)

    away = cv2.distanceTransform(255 - equipment, cv2.DIST_L2, 5)
    mask = np.where(away <= 2 + 8 * np.clip(field(60), 0, 1), 255, 0).astype(np.uint8)
    mask[field(25) > 0.93] = 0
    return cv2.GaussianBlur(mask, (0, 0), 1.0)


def merge(previews, hidden, fields):
    """Maximum of the frames that are not hidden, times the fill."""
    best, ratio = 0.0, 1.0
    for p, mask, field in zip(previews, hidden, fields, strict=True):
        out = (mask > 127)[..., None]
        best = np.maximum(best, np.where(out | ~p.valid[..., None], 0, p.linear))
        if field is not None:
            ratio = np.where(out, np.maximum(ratio, field), ratio)
    return best * ratio


def steps(previews, hidden, ambient):
    """Name, picture and seconds a frame of each step."""
    none = (None,) * len(previews)
    yield "masks only", merge(previews, hidden, none), 0.0
    yield "fill only", merge(previews, hidden, fill.estimate(previews, hidden, ambient)), 0.0
    start = time.process_time()
    stray = glow.estimate(previews, hidden, ambient)
    middle = time.process_time()
    clean = [
        p if s is None else replace(p, linear=np.maximum(p.linear - s, 0)) for p, s in zip(previews, stray, strict=True)
    ]
    yield "glow only", merge(clean, hidden, none), (middle - start) / len(previews)
    middle = time.process_time()
    ratios = fill.estimate(clean, hidden, ambient)
    yield "glow and fill", merge(clean, hidden, ratios), (time.process_time() - middle) / len(previews)


def score(picture: np.ndarray, scene: Path, scorer: Path) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "composite.tif"
        tifffile.imwrite(path, colour.to_encoded(picture.astype(np.float32)), photometric="rgb")
        run = subprocess.run([sys.executable, scorer, scene, path], capture_output=True, text=True, check=True)
    return {k: float(v) for k, v in re.findall(r"^(\w+): ([\d.]+)", run.stdout, re.M)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", type=Path)
    parser.add_argument("scorer", type=Path)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    print("| scene | masks | step | " + " | ".join(FIGURES) + " | s/frame |")
    print("|---|---|---|" + "---|" * (len(FIGURES) + 1))
    for scene in sorted(p.parent for p in arguments.scenes.glob("*/truth")):
        previews, equipment, ambient = load(scene)
        for kind, widen in (("true", true_mask), ("perturbed", perturbed_mask)):
            hidden = [widen(e, i) for i, e in enumerate(equipment)]
            for step, picture, seconds in steps(previews, hidden, ambient):
                figures = score(picture, scene, arguments.scorer)
                cells = " | ".join(f"{figures[k]:.2f}" if figures[k] < 10 else f"{figures[k]:.0f}" for k in FIGURES)
                print(f"| {scene.name} | {kind} | {step} | {cells} | {seconds:.2f} |", flush=True)


if __name__ == "__main__":
    main()

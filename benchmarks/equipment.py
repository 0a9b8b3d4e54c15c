"""How well masks hide the equipment of scenes with known truth, and what each structural cue contributes.

    python benchmarks/equipment.py SCENE_FOLDER [SCENE_FOLDER ...] [--ablation] [--report FILE.md]

A scene folder holds frames/ and truth/ (see heldout.py, which makes such folders). Frames are aligned and
levelled by the truth, so that only the masks are measured. Figures, at preview size:

recall    share of the harmful equipment pixels that are hidden; harmful = more than 4 L* brighter than the
ideal excess    hidden pixels farther than 12 px from equipment, share of the picture, mean over frames
largest   largest connected harmful patch that is left, pixels
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from skimage.color import rgb2lab
from skimage.measure import label

from lampwalk import colour, detector, masks, regions
from lampwalk.previews import Preview, align_preview, make_preview

HARMFUL, FAR_PX, BORDER_PX = 4.0, 12, 24


@dataclass
class Scene:
    name: str
    previews: list[Preview]
    ambient: list[bool]
    harmful: list[NDArray[np.bool_]]
    far: list[NDArray[np.bool_]]
    probability: list[NDArray[np.float32]]


def lightness(encoded: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(rgb2lab(encoded)[..., 0], np.float32)


def read_scene(folder: Path) -> Scene:
    truth = folder / "truth"
    matrices = {k: np.array(v, float) for k, v in json.loads((truth / "homographies.json").read_text()).items()}
    facts = {f["frame"]: f for f in json.loads((truth / "meta.json").read_text())["frames"]}
    previews = []
    for path in sorted((folder / "frames").glob("*.jpg")):
        pixels = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
        previews.append(align_preview(make_preview(path.stem, pixels), matrices.get(path.stem, np.eye(3))))
    ambient = [facts[p.name].get("kind") == "base" for p in previews]
    if any(ambient):
        plate = previews[ambient.index(True)].linear
        previews = [levelled(p, plate, 2.0 ** facts[p.name]["ambient_drift_ev"]) for p in previews]
    h, w = previews[0].shape
    ideal = tifffile.imread(truth / "ideal.tif").astype(np.float32) / 65535
    wanted = lightness(cv2.resize(ideal, (w, h), interpolation=cv2.INTER_AREA))
    harmful, far = [], []
    for p in previews:
        thing = equipment(truth / f"equipment_{p.name}.png", p, matrices.get(p.name, np.eye(3)))
        got = lightness(colour.to_encoded(p.linear).astype(np.float32) / 65535)
        bad = thing & (cv2.medianBlur(got - wanted, 3) > HARMFUL)
        bad[:BORDER_PX] = bad[-BORDER_PX:] = bad[:, :BORDER_PX] = bad[:, -BORDER_PX:] = False
        harmful.append(bad)
        side = 2 * FAR_PX + 1
        far.append(cv2.dilate(thing.astype(np.uint8), np.ones((side, side), np.uint8)) == 0)
    return Scene(folder.name, previews, ambient, harmful, far, detector.probability(previews, ambient))


def levelled(preview: Preview, plate: NDArray[np.float32], gain: float) -> Preview:
    drift = np.where(preview.clipped[..., None], 0, plate * np.float32(gain - 1))
    return replace(preview, linear=np.clip(preview.linear - drift, 0, 1).astype(np.float32))


def equipment(path: Path, preview: Preview, matrix: NDArray[np.float64]) -> NDArray[np.bool_]:
    h, w = preview.shape
    if not path.exists():
        return np.zeros((h, w), bool)
    full = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    full = cv2.warpPerspective(full, matrix, full.shape[::-1], flags=cv2.INTER_NEAREST)
    return cv2.resize(full, (w, h), interpolation=cv2.INTER_AREA) > 127


def measure(scene: Scene) -> dict[str, float]:
    with given(scene.probability):
        start = time.perf_counter()
        found = masks.find_in_previews(scene.previews, scene.ambient)
        seconds = (time.perf_counter() - start) / len(found)
    hidden = [m.hidden > 127 for m in found]
    left = [bad & ~m for bad, m in zip(scene.harmful, hidden, strict=True)]
    total = sum(int(bad.sum()) for bad in scene.harmful)
    return {
        "recall": 1 - sum(int(a.sum()) for a in left) / total if total else float("nan"),
        "excess_%": 100 * float(np.mean([(m & far).mean() for m, far in zip(hidden, scene.far, strict=True)])),
        "hidden_%": 100 * float(np.mean([m.mean() for m in hidden])),
        "largest": max(largest(a) for a in left),
        "s/frame": seconds,
    }


def largest(area: NDArray[np.bool_]) -> int:
    sizes = np.bincount(label(area).ravel())[1:]
    return int(sizes.max()) if sizes.size else 0


@contextmanager
def given(probability: list[NDArray[np.float32]]) -> Iterator[None]:
    """Use a probability that is known already: regions are measured, not the detector's speed."""
    own = detector.each
    detector.each = lambda previews, ambient, use: [use(i, chance) for i, chance in enumerate(probability)]
    try:
        yield
    finally:
        detector.each = own


def no_heads(p: Any, *_: Any) -> Any:
    return np.zeros(p.shape, bool), np.zeros(p.shape, bool)


def all_parts(parts: Any, size: int) -> Any:
    """Every part with enough sure pixels: what hysteresis alone would do."""
    chosen = parts.sure > regions.SMALLEST * size
    chosen[0] = False
    return chosen


def no_pole(heads: Any, upright: Any) -> Any:
    return np.zeros(heads.shape, bool)


ABLATIONS: dict[str, tuple[str, Any]] = {
    "without burnt-out heads": ("_bright_heads", no_heads),
    "without heads by shape alone": ("PLAIN_HEAD", 1.0),
    "without 'no shadow, no lit ground'": ("_stands_in_front", lambda parts: np.ones(parts.area.shape, bool)),
    "without 'no lit ground'": ("BEAM", 2.0),
    "without 'darker than daylight'": ("BELOW", 99.0),
    "without joining over gaps": ("_joined", lambda parts, chosen: chosen),
    "without upright lines": ("_poles", no_pole),
    "without what is faint beside": ("_beside", lambda area, p, louder: np.zeros_like(area)),
    "without the glow's core": ("_glow_core", lambda heads, mine, louder: np.zeros_like(heads)),
    "hysteresis only": ("_judge", all_parts),
}


@contextmanager
def without(name: str, substitute: Callable[..., Any] | float) -> Iterator[None]:
    own = getattr(regions, name)
    setattr(regions, name, substitute)
    try:
        yield
    finally:
        setattr(regions, name, own)


def table(rows: list[tuple[str, str, dict[str, float]]]) -> str:
    lines = [
        "| cues | scene | recall | excess % | hidden % | largest left px | s/frame |",
        "|---|---|---|---|---|---|---|",
    ]
    for cues, name, f in rows:
        lines.append(
            f"| {cues} | {name} | {f['recall']:.3f} | {f['excess_%']:.2f} | {f['hidden_%']:.2f} "
            f"| {f['largest']:.0f} | {f['s/frame']:.3f} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", type=Path, nargs="+")
    parser.add_argument("--ablation", action="store_true")
    parser.add_argument("--report", type=Path)
    args = parser.parse_args()
    rows = []
    for folder in args.scenes:
        scene = read_scene(folder)
        rows.append(("all", scene.name, measure(scene)))
        for name, substitute in ABLATIONS.items() if args.ablation else ():
            with without(*substitute):
                rows.append((name, scene.name, measure(scene)))
    rows.sort(key=lambda r: r[0] != "all")
    print(table(rows))
    if args.report:
        args.report.write_text(table(rows) + "\n")

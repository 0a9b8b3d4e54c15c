"""Compare interpolations: error against the truth, sharpness, overshoot, processor time; prints the tables of resampling.md.

    python benchmarks/resampling.py [PICTURE ...]

The truth: a picture is softened as by a lens and averaged 4 to 1, once as it stands and once moved by 1 to 3 of its own
pixels; the second is what the first, moved by quarters of a pixel, should be. Without PICTURE, photographs that
scikit-image ships are taken.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from skimage import data

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "src"))

from lampwalk import geometry, resampling
from lampwalk.bench import Bench
from lampwalk.decode import read_pixels

MOVES = ((1, 0), (2, 0), (3, 0), (1, 1), (2, 2), (1, 2))
"""Quarters of a pixel."""

LENS = 1.2
"""Softness (sigma) of the lens, pixels of the large picture."""

Picture = np.ndarray
Warp = Callable[[Picture, np.ndarray], Picture]


def ours(strength: float) -> Warp:
    """Interpolate as `resampling` does, with any strength."""

    def warp(picture: Picture, motion: np.ndarray) -> Picture:
        usual, resampling.STRENGTH = resampling.STRENGTH, strength
        try:
            height, width = picture.shape[:2]
            grid, bench = geometry.tiles(slice(0, width), width), Bench()
            return np.vstack(
                [
                    np.hstack([tile.copy() for tile in resampling.warp_tiles(picture, motion, rows, grid, bench)])
                    for rows in geometry.strips(height)
                ]
            )
        finally:
            resampling.STRENGTH = usual

    return warp


def by_opencv(flag: int) -> Warp:
    """Interpolate by OpenCV."""
    return lambda picture, motion: cv2.warpPerspective(picture, motion, picture.shape[1::-1], flags=flag)


WAYS: dict[str, Warp] = {
    "linear": by_opencv(cv2.INTER_LINEAR),
    "OpenCV's cubic (a = -3/4)": by_opencv(cv2.INTER_CUBIC),
    "Lanczos 4": by_opencv(cv2.INTER_LANCZOS4),
} | {f"sharpened and linear, strength {s}": ours(s) for s in (0.5, 0.6, 0.7, 0.8, 1.0)}


def moved(dx: float, dy: float) -> np.ndarray:
    """Motion that shows a picture as if the camera had moved by (dx, dy)."""
    return np.array([[1, 0, -dx], [0, 1, -dy], [0, 0, 1.0]])


def averaged(large: Picture, dx: int, dy: int) -> Picture:
    """Four to one, from a place on: uint16."""
    h, w = ((n - 4) // 4 * 4 for n in large.shape[:2])
    small = cv2.resize(large[dy : dy + h, dx : dx + w], (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    return np.rint(small * 257).clip(0, 65535).astype(np.uint16)


def errors(large: Picture) -> dict[str, float]:
    """Rms error of every way, in 8-bit levels."""
    soft = cv2.GaussianBlur(large.astype(np.float32), (0, 0), LENS)
    start = averaged(soft, 0, 0)
    result = {}
    for name, warp in WAYS.items():
        squares = []
        for dx, dy in MOVES:
            off = warp(start, moved(dx / 4, dy / 4)).astype(float) - averaged(soft, dx, dy)
            squares.append((off[6:-6, 6:-6] ** 2).mean())
        result[name] = float(np.sqrt(np.mean(squares)) / 257)
    return result


def edge_and_noise(warp: Warp) -> tuple[float, float]:
    """Overshoot of a slanted edge, in % of its step, and share of white noise that is kept."""
    x = np.arange(512, dtype=np.float32)[None] - 256 + 0.1 * np.arange(512, dtype=np.float32)[:, None]
    edge = 16000 + 32000 / (1 + np.exp(np.clip(-x / 0.35, -50, 50)))
    noise = np.random.default_rng(1).normal(32000, 6000, (512, 512))
    over, kept = [], []
    for d in (0.2, 0.35, 0.5, 0.65):
        a, b = (warp(np.dstack([p] * 3).astype(np.uint16), moved(d, d / 2))[8:-8, 8:-8] for p in (edge, noise))
        over.append((float(a.max()) - float(edge.max())) / 32000)
        kept.append(b.std() / 6000)
    return 100 * max(over), float(np.mean(kept))


def cost(warp: Warp) -> float:
    """Processor time for a turned frame of 12 megapixels and 8 bits, ns a pixel."""
    picture = np.random.default_rng(2).integers(0, 255, (2832, 4256, 3), np.uint8)
    c, s = np.cos(3e-4), np.sin(3e-4)
    least = np.inf
    for _ in range(3):
        start = time.process_time()
        warp(picture, np.array([[c, -s, 2.3], [s, c, -1.7], [0, 0, 1.0]]))
        least = min(least, time.process_time() - start)
    return least * 1e9 / (picture.shape[0] * picture.shape[1])


def main() -> None:
    cv2.setNumThreads(1)
    pictures = {Path(p).name: read_pixels(Path(p)) for p in sys.argv[1:]}
    pictures = pictures or {name: getattr(data, name)() for name in ("astronaut", "coffee", "chelsea", "rocket")}
    found = {name: errors(picture) for name, picture in pictures.items()}
    print(f"| interpolation | {' | '.join(found)} | overshoot, % | noise kept | ns a pixel |")
    print("|---|" + "---|" * (len(found) + 3))
    for way, warp in WAYS.items():
        over, kept = edge_and_noise(warp)
        levels = " | ".join(f"{e[way]:.2f}" for e in found.values())
        print(f"| {way} | {levels} | {over:.2f} | {kept:.2f} | {cost(warp):.1f} |", flush=True)


if __name__ == "__main__":
    main()

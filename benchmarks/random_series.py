"""Make series with lamps drawn at random, from the worlds of heldout.py.

    python benchmarks/random_series.py OUTPUT_FOLDER shop shop2 dock dock2 dock3 desk desk2

The number at the end of a name shifts all seeds by so many thousands. Layout as in heldout.py.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import skimage.data
from heldout import decode, launch_world, make_series
from relight import Rig, World
from scipy.ndimage import distance_transform_edt

KINDS = ["dish", "dish", "softbox", "umbrella", "tube", "flash", "back"]
CARRIERS = ["stand", "stand", "stand", "boom", "person"]


def rigs(
    rng: np.random.Generator, shape: tuple[int, int], far: tuple[float, float], power: float, count: int
) -> list[Rig | None]:
    """Draw lamps: where they stand, what they are and what carries them."""
    h, w = shape
    out: list[Rig | None] = []
    for _ in range(count):
        kind, carrier = str(rng.choice(KINDS)), str(rng.choice(CARRIERS))
        if carrier == "person":
            kind = "flash"
        x, y, z = float(rng.uniform(0.04, 0.96) * w), float(rng.uniform(0.06, 0.55) * h), float(rng.uniform(*far))
        if carrier != "boom":
            foot_x = x + float(rng.normal(0, 0.02) * w)
        else:
            foot_x = x + float(rng.choice([-1, 1]) * rng.uniform(0.2, 0.35) * w)
        foot_y = float(min(h * 1.05, max(y + 0.25 * h, rng.uniform(0.72, 0.98) * h)))
        size = float(rng.uniform(0.016, 0.03) * w * (1.8 if kind == "softbox" else 1))
        extras = tuple(e for e in ("sandbag", "cable") if rng.random() < 0.35)
        pole = str(rng.choice(["black", "chrome", "white", "grey"]))
        strength = float(power * rng.uniform(0.6, 1.4) * z * z)
        r, g, b = rng.uniform(0.04, 0.6, 3)
        aim = (float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.5, 0.85)))
        out.append(
            Rig(
                (x, y), (foot_x, foot_y), z, kind, carrier, pole, size, strength,
                extras=extras, clothes=(float(r), float(g), float(b)), aim=aim,
            )
        )  # fmt: skip
    return out


def shop(folder: Path) -> None:
    """Upright, indoors, real depth."""
    left, _, disparity = skimage.data.stereo_motorcycle()
    nearest = distance_transform_edt(~np.isfinite(disparity), return_distances=False, return_indices=True)
    depth = (193.001e-3 * 994.978) / (disparity[tuple(nearest)].astype(np.float32) + 31.086)
    depth = cv2.bilateralFilter(cv2.medianBlur(depth.astype(np.float32), 5), 7, 0.08, 3)
    depth = cv2.resize(depth, (1482, 1000))
    albedo = decode(cv2.resize(left, (1482, 1000), interpolation=cv2.INTER_CUBIC)) * 0.9
    depth, albedo = (np.ascontiguousarray(a[:, 520:1240][:, ::-1]) for a in (depth, albedo))
    h, w = depth.shape
    day = np.linspace(0.7, 1.2, h, dtype=np.float32)[:, None, None] * np.array([1.1, 0.97, 0.85], np.float32) * 0.09
    world = World(albedo, depth, albedo * day, np.zeros((h, w), np.float32), 994.978 * 2)
    make_series(world, [None, *rigs(np.random.default_rng(91), (h, w), (1.7, 3.2), 0.5, 8)], folder, 9101, 0)


def dock(folder: Path) -> None:
    """Outdoors at dusk, leaves in front."""
    world = launch_world()
    h, w = world.shape
    assert world.leaves is not None
    leaves = world.leaves.copy()
    leaves[:, 0] = w - leaves[:, 0]
    albedo, depth, ambient, sky = (
        np.ascontiguousarray(a[:, ::-1]) for a in (world.albedo, world.depth, world.ambient, world.sky)
    )
    albedo = albedo * np.array([0.9, 1, 1.1], np.float32)
    mirrored = World(albedo, depth, ambient * 1.6, sky, world.focal_px, leaves)
    make_series(mirrored, [None, *rigs(np.random.default_rng(92), (h, w), (3.6, 5.8), 0.42, 11)], folder, 9102, 0)


def desk(folder: Path) -> None:
    """A table top without an ambient frame."""
    w, h = 1100, 800
    albedo = decode(cv2.resize(skimage.data.coffee()[:, ::-1], (w, h), interpolation=cv2.INTER_CUBIC)) * 0.9
    down = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    depth = np.broadcast_to(1.2 - 0.5 * down, (h, w)).astype(np.float32).copy()
    world = World(albedo, depth, albedo * np.array([0.06, 0.07, 0.09]), np.zeros((h, w), np.float32), 1.1 * w)
    make_series(world, [*rigs(np.random.default_rng(93), (h, w), (0.65, 0.95), 0.5, 7)], folder, 9103, 0)


def shifted(by: int) -> Any:
    """A maker of random numbers whose seeds are shifted, but for the 5 that the leaves' places come from."""
    own = np.random.default_rng
    return lambda seed: own(seed if seed == 5 else seed + by)


if __name__ == "__main__":
    for name in sys.argv[2:]:
        kind = name.rstrip("0123456789")
        make = np.random.default_rng
        np.random.default_rng = shifted(1000 * int(name[len(kind) :] or 0))
        try:
            {"shop": shop, "dock": dock, "desk": desk}[kind](Path(sys.argv[1]) / name)
        finally:
            np.random.default_rng = make

"""More series for the alignment alone: quay and loft were made after all frames were aligned together, pier and shed after
strong relief was told from weak, kiln and weir after frames were taken for mixtures of each other; none was looked at before.

    python benchmarks/alignment_series.py OUTPUT_FOLDER [quay loft pier shed kiln weir]

Made with the parts of heldout.py, so the relief goes with the brightness everywhere, which is the hardest case: light then
displaces what is seen exactly as a motion would. Pictures: `skimage.data` gravel, brick, grass, astronaut, coins, page, moon, camera, coffee.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import skimage.data
from heldout import Picture, column, dim, floor, grey_photo, make_series, walled
from relight import Rig, decode

MOODY = (0.05, 0.055, 0.07)


def bollards(depth: Picture, albedo: Picture, places: Iterable[tuple[tuple[int, int, int, int], float]]) -> None:
    """Put columns of one skin into the world: their boxes in pixels and the distances of their axes."""
    for box, metres in places:
        column(depth, albedo, box, metres, np.repeat(grey_photo("coins", 200)[..., None], 3, 2))


def hang(albedo: Picture, depth: Picture, picture: Picture, corner: tuple[int, int], metres: float) -> None:
    """Put a flat picture (n, m, 3) into the world, its first pixel at (x, y), so far from the camera."""
    x, y = corner
    there = np.s_[y : y + picture.shape[0], x : x + picture.shape[1]]
    albedo[there], depth[there] = picture, metres


def quay(folder: Path) -> None:
    """Six lamps and an ambient frame: a brick quay on gravel, a painted board, two bollards."""
    w, h, edge = 1200, 800, 430
    focal = 1.05 * w
    wall = np.tile(grey_photo("brick", 400), (2, 3))[:edge, :w, None] * np.array([0.9, 0.85, 0.8], np.float32)
    ground, z = floor(grey_photo("gravel", 512), h - edge, w, 260, focal, 1.2)
    albedo, depth = walled(wall, ground[..., None] * np.array([0.9, 0.85, 0.75], np.float32), z)
    board = decode(cv2.resize(skimage.data.astronaut(), (260, 260), interpolation=cv2.INTER_AREA))
    hang(albedo, depth, board, (430, 220), 3.8)
    bollards(depth, albedo, (((180, 380, 260, 600), 3.2), ((900, 360, 990, 590), 3.3)))
    world = dim(albedo, depth, MOODY, focal)
    rigs = [
        None,
        Rig((150, 250), (140, 640), 3.0, pole="black", size=20, power=6, aim=(0.4, 0.5)),
        Rig((420, 180), (300, 660), 3.0, "dish", pole="grey", size=18, power=6, aim=(0.45, 0.6)),
        Rig((780, 200), (800, 640), 3.1, "umbrella", pole="chrome", size=30, power=5, aim=(0.5, 0.6)),
        Rig((1080, 280), (1090, 650), 2.9, "softbox", pole="black", size=36, power=5, aim=(0.6, 0.6)),
        Rig((600, 420), (640, 720), 2.6, "flash", "person", size=13, power=3, aim=(0.5, 0.6)),
        Rig((320, 300), (330, 560), 4.0, "back", pole="black", size=14, power=6, aim=(0.5, 0.4)),
    ]
    make_series(world, rigs, folder, 9101, 0)


def loft(folder: Path) -> None:
    """Seven lamps, no ambient frame: printed cloth on the wall, grass matting, a pile of boxes."""
    w, h, edge = 1340, 900, 500
    focal = 0.9 * w
    print_ = np.tile(grey_photo("page", 384), (3, 4))[:edge, :w, None] * np.array([0.8, 0.85, 0.95], np.float32)
    matting, z = floor(grey_photo("grass", 512), h - edge, w, 280, focal, 1.2)
    albedo, depth = walled(print_, matting[..., None] * np.array([0.9, 0.8, 0.5], np.float32), z)
    rocket = decode(skimage.data.rocket())[60:260, 220:420]
    for box, metres in (((520, 300, 700, 660), 3.4), ((690, 420, 840, 690), 3.0), ((400, 450, 530, 680), 3.2)):
        column(depth, albedo, box, metres, rocket)
    world = dim(albedo, depth, MOODY, focal)
    rigs = [
        Rig((120, 300), (110, 700), 3.2, pole="black", size=20, power=6, aim=(0.45, 0.6)),
        Rig((330, 200), (250, 720), 3.2, "dish", "boom", "grey", 18, 6, aim=(0.45, 0.6)),
        Rig((600, 160), (560, 760), 3.0, "dish", pole="white", size=20, power=5, aim=(0.5, 0.6)),
        Rig((860, 220), (900, 740), 3.1, "umbrella", pole="chrome", size=30, power=5, aim=(0.5, 0.6)),
        Rig((1100, 260), (1110, 720), 3.0, "softbox", pole="black", size=38, power=5, aim=(0.55, 0.6)),
        Rig((1260, 420), (1270, 780), 2.7, "flash", "person", size=14, power=4, aim=(0.55, 0.6)),
        Rig((980, 380), (990, 600), 4.2, "back", pole="grey", size=14, power=6, aim=(0.6, 0.4)),
    ]
    make_series(world, rigs, folder, 9102, 1)


def gravel_wall(folder: Path, seed: int, *, ambient: bool) -> None:
    """Six lamps: a wall of gravel over paving, a picture on it, two bollards."""
    w, h, edge = 1280, 860, 470
    focal = 1.0 * w
    wall = np.tile(grey_photo("gravel", 460), (2, 3))[:edge, :w, None] * np.array([0.85, 0.8, 0.75], np.float32)
    ground, z = floor(grey_photo("brick", 512), h - edge, w, 270, focal, 1.2)
    albedo, depth = walled(wall, ground[..., None] * np.array([0.8, 0.75, 0.7], np.float32), z)
    picture = decode(cv2.resize(skimage.data.chelsea(), (280, 240), interpolation=cv2.INTER_AREA))
    hang(albedo, depth, picture, (480, 250), 3.7)
    bollards(depth, albedo, (((220, 400, 300, 630), 3.2), ((940, 380, 1030, 620), 3.3)))
    world = dim(albedo, depth, MOODY, focal)
    rigs = [
        Rig((180, 280), (160, 690), 3.0, pole="black", size=20, power=6, aim=(0.4, 0.5)),
        Rig((460, 200), (340, 710), 3.1, "dish", pole="grey", size=18, power=6, aim=(0.45, 0.6)),
        Rig((760, 230), (800, 700), 3.0, "umbrella", pole="chrome", size=30, power=5, aim=(0.5, 0.6)),
        Rig((1130, 300), (1140, 690), 2.9, "softbox", pole="black", size=36, power=5, aim=(0.6, 0.6)),
        Rig((640, 440), (680, 770), 2.6, "flash", "person", size=13, power=3, aim=(0.5, 0.6)),
        Rig((1000, 220), (1040, 720), 3.2, "dish", "boom", "grey", 18, 6, aim=(0.55, 0.6)),
    ]
    make_series(world, [None, *rigs] if ambient else rigs, folder, seed, 0 if ambient else 1)


def kiln(folder: Path) -> None:
    """Five lamps and an ambient frame: a pocked wall over grass, a page pinned to it, three grey pillars."""
    w, h, edge = 1360, 900, 520
    focal = 0.9 * w
    wall = np.tile(grey_photo("moon", 380), (2, 4))[:edge, :w, None] * np.array([0.9, 0.75, 0.65], np.float32)
    ground, z = floor(grey_photo("grass", 512), h - edge, w, 260, focal, 1.25)
    albedo, depth = walled(np.clip(wall, 0.02, 0.9), ground[..., None] * np.array([0.6, 0.7, 0.4], np.float32), z)
    sheet = np.repeat(grey_photo("camera", 260)[..., None], 3, 2) * np.array([0.9, 0.9, 0.8], np.float32)
    hang(albedo, depth, sheet, (560, 200), 4.0)
    bollards(depth, albedo, (((150, 330, 260, 660), 3.4), ((900, 360, 1000, 650), 3.2), ((1120, 300, 1240, 640), 3.6)))
    world = dim(albedo, depth, MOODY, focal)
    rigs = [
        None,
        Rig((110, 260), (100, 720), 3.1, pole="grey", size=20, power=6, aim=(0.4, 0.5)),
        Rig((400, 150), (330, 740), 3.2, "dish", "boom", "black", 18, 6, aim=(0.5, 0.5)),
        Rig((840, 190), (860, 720), 3.0, "umbrella", pole="white", size=30, power=5, aim=(0.5, 0.6)),
        Rig((1250, 330), (1260, 760), 2.8, "softbox", pole="black", size=36, power=5, aim=(0.6, 0.6)),
        Rig((700, 470), (720, 800), 2.6, "flash", "person", size=14, power=3, aim=(0.5, 0.5)),
    ]
    make_series(world, rigs, folder, 9471, 0)


def weir(folder: Path) -> None:
    """Seven lamps, no ambient frame: small bricks on coarse gravel, a cup on a poster, one pillar."""
    w, h, edge = 1240, 820, 440
    focal = 1.1 * w
    wall = np.tile(grey_photo("brick", 300), (2, 5))[:edge, :w, None] * np.array([0.95, 0.9, 0.85], np.float32)
    ground, z = floor(grey_photo("gravel", 400), h - edge, w, 250, focal, 1.15)
    albedo, depth = walled(wall, ground[..., None] * np.array([0.7, 0.75, 0.8], np.float32), z)
    poster = decode(cv2.resize(skimage.data.coffee(), (300, 200), interpolation=cv2.INTER_AREA))
    hang(albedo, depth, poster, (700, 180), 4.2)
    bollards(depth, albedo, (((330, 340, 430, 600), 3.1),))
    world = dim(albedo, depth, MOODY, focal)
    rigs = [
        Rig((140, 220), (150, 660), 3.2, pole="black", size=20, power=6, aim=(0.45, 0.5)),
        Rig((350, 120), (250, 670), 3.4, "dish", "boom", "grey", 18, 7, aim=(0.5, 0.5)),
        Rig((600, 260), (620, 680), 3.0, "dish", pole="chrome", size=18, power=5, aim=(0.5, 0.6)),
        Rig((820, 150), (840, 690), 3.1, "umbrella", pole="black", size=28, power=5, aim=(0.5, 0.6)),
        Rig((1090, 240), (1100, 680), 3.0, "softbox", pole="grey", size=34, power=5, aim=(0.55, 0.6)),
        Rig((1180, 430), (1190, 740), 2.6, "flash", "person", size=13, power=3, aim=(0.55, 0.6)),
        Rig((480, 400), (500, 600), 4.1, "back", pole="black", size=14, power=6, aim=(0.4, 0.4)),
    ]
    make_series(world, rigs, folder, 9472, 1)


SERIES = {
    "quay": quay,
    "loft": loft,
    "pier": partial(gravel_wall, seed=9311, ambient=True),
    "shed": partial(gravel_wall, seed=9312, ambient=False),
    "kiln": kiln,
    "weir": weir,
}

if __name__ == "__main__":
    cv2.setNumThreads(1)
    for name in sys.argv[2:] or SERIES:
        SERIES[name](Path(sys.argv[1]) / name)

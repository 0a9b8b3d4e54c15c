"""Make held-out scenes: photographs from scikit-image, relit, with drawn equipment.

    python benchmarks/heldout.py OUTPUT_FOLDER [garage launch table yard cellar]

Nothing here shares code, pictures or equipment with the training data of the detector: the geometry is a
measured or made-up depth map, light and hard shadows are traced through it, the equipment is drawn from
lines, ellipses and capsules. Writes per scene frames/NN.jpg and truth/ (ideal.tif, ambient.tif,
equipment_NN.png, homographies.json, meta.json). Never tune on these scenes.

Pictures: `skimage.data.stereo_motorcycle` with its disparity (focal length, baseline and offset from its
docstring), `rocket`, `coffee`, `gravel`, `grass`, `brick`, `moon`, `chelsea`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import skimage.data
import tifffile
from relight import (
    Picture,
    Rig,
    World,
    decode,
    encode,
    expose,
    lamp_light,
    leaf_layer,
    normals,
    nudge,
    render_rig,
    scatter,
)
from scipy.ndimage import distance_transform_edt


def make_series(world: World, rigs: list[Rig | None], folder: Path, seed: int, first: int) -> None:
    rng = np.random.default_rng(seed)
    (folder / "frames").mkdir(parents=True, exist_ok=True)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    h, w = world.shape
    normal = normals(world, 0.35)
    ideal = np.zeros((h, w, 3), np.float32)
    matrices, facts = {}, []
    for number, rig in enumerate(rigs, start=first):
        name = f"{number:02d}"
        leaf_alpha, leaf_body = leaf_layer(world, np.random.default_rng(seed * 100 + number))
        gain = 1.0 if number == first else float(2 ** rng.normal(0, 0.08))
        light = np.zeros((h, w, 3), np.float32) if rig is None else lamp_light(world, normal, rig)
        leaf_light = 0.02 if rig is None else 0.02 + 0.5 * light.mean()
        leaves = leaf_body * leaf_light * 5

        def seen(
            ambient_gain: float, light: Picture = light, a: Picture = leaf_alpha, leaves: Picture = leaves
        ) -> Picture:
            plain = ambient_gain * world.ambient + world.albedo * light
            return plain * (1 - a[..., None]) + leaves

        ideal = np.maximum(ideal, seen(1.0))
        frame = seen(gain)
        d, visible = render_rig(world, rig, rng)
        alpha = np.zeros((h, w), np.float32)
        if d is not None and rig is not None:
            yy, xx = np.mgrid[:h, :w].astype(np.float32)
            near = np.hypot(xx - rig.head[0], yy - rig.head[1]) / max(rig.size, 8)
            spill = rig.power * 0.5 / (1 + near / 2.5) ** 1.6 + 0.35 * world.ambient.mean() / 0.2
            keep = visible * (1 - leaf_alpha)
            alpha = d.alpha * keep
            frame = frame * (1 - alpha[..., None]) + d.body * (spill * keep)[..., None]
            emitted = d.emitted * keep
            frame += emitted[..., None] * np.array(rig.colour, np.float32) * 1.0
            frame += scatter(emitted)[..., None] * np.array(rig.colour, np.float32)
        m = nudge(rng, (h, w), number == first)
        back = np.linalg.inv(m)
        framed = cv2.warpPerspective(frame, back, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        mask = cv2.warpPerspective(alpha, back, (w, h), flags=cv2.INTER_LINEAR) > 0.4
        cv2.imwrite(
            str(folder / "frames" / f"{name}.jpg"),
            expose(framed, rng)[..., ::-1],
            [cv2.IMWRITE_JPEG_QUALITY, 93],
        )
        if mask.any():
            cv2.imwrite(str(folder / "truth" / f"equipment_{name}.png"), mask.astype(np.uint8) * 255)
        matrices[name] = m.tolist()
        facts.append(
            {
                "frame": name,
                "ambient_drift_ev": float(np.log2(gain)),
                "kind": "base" if rig is None else rig.kind,
            }
        )
    tifffile.imwrite(folder / "truth" / "ideal.tif", np.rint(encode(ideal) * 65535).astype(np.uint16))
    tifffile.imwrite(folder / "truth" / "ambient.tif", np.rint(encode(world.ambient) * 65535).astype(np.uint16))
    (folder / "truth" / "homographies.json").write_text(json.dumps(matrices))
    (folder / "truth" / "meta.json").write_text(json.dumps({"scene": folder.name, "frames": facts}))


def garage(folder: Path) -> None:
    """Indoors, real depth, chrome: six stands, one held flash, a head half out of the picture, one behind
    the subject."""
    left, _, disparity = skimage.data.stereo_motorcycle()
    valid = np.isfinite(disparity)
    nearest = distance_transform_edt(~valid, return_distances=False, return_indices=True)
    filled = disparity[tuple(nearest)].astype(np.float32)
    w, h = 1482, 1000
    depth = (193.001e-3 * 994.978) / (filled + 31.086)
    depth = cv2.bilateralFilter(cv2.medianBlur(depth.astype(np.float32), 5), 7, 0.08, 3)
    depth = cv2.resize(depth, (w, h), interpolation=cv2.INTER_LINEAR)
    albedo = decode(cv2.resize(left, (w, h), interpolation=cv2.INTER_CUBIC)) * 0.9
    window = np.linspace(1.3, 0.7, w, dtype=np.float32)[None, :, None] * np.array([0.85, 0.97, 1.15], np.float32)
    world = World(albedo, depth, albedo * window * 0.11, np.zeros((h, w), np.float32), 994.978 * 2)
    rigs: list[Rig | None] = [
        None,
        Rig(
            (250, 330),
            (235, 830),
            2.5,
            pole="black",
            size=26,
            power=3.5,
            aim=(0.45, 0.7),
            extras=("sandbag",),
        ),
        Rig((1180, 240), (1205, 900), 1.9, "softbox", pole="chrome", size=55, power=2.4, aim=(0.6, 0.6)),
        Rig((700, 90), (420, 700), 2.8, "dish", "boom", "grey", 24, 5.0, aim=(0.5, 0.8)),
        Rig(
            (560, 430),
            (640, 960),
            1.7,
            "flash",
            "person",
            size=15,
            power=1.6,
            clothes=(0.55, 0.5, 0.1),
            aim=(0.75, 0.5),
        ),
        Rig((10, 520), (-30, 930), 2.2, "dish", pole="white", size=34, power=1.6, aim=(0.4, 0.75)),
        Rig((900, 330), (900, 620), 4.0, "back", pole="black", size=22, power=5, aim=(0.85, 0.4)),
        Rig(
            (1330, 420),
            (1340, 960),
            2.0,
            "tube",
            pole="black",
            size=26,
            power=1.4,
            aim=(0.6, 0.85),
            extras=("cable",),
        ),
        Rig((-150, -100), None, 2.0, carrier="none", power=2.5, aim=(0.3, 0.9)),
    ]
    make_series(world, rigs, folder, 7001, 0)


def launch_world() -> World:
    w, h = 1200, 860
    horizon = 560
    top = decode(cv2.resize(skimage.data.rocket(), (w, 800), interpolation=cv2.INTER_CUBIC))[800 - horizon :]
    sky_picture = np.clip(top * 1.3, 0, 0.95)
    grain = decode(np.repeat(np.hstack([skimage.data.gravel(), skimage.data.grass()[::-1]])[..., None], 3, 2))
    focal = 0.95 * w
    v = np.arange(h - horizon, dtype=np.float32)[:, None]
    z = np.minimum(0.8 * focal / (v + 30), 40)  # a low camera, 0.8 m, horizon 30 rows above the edge of the gravel
    x = (np.arange(w, dtype=np.float32)[None] - w / 2) * z / focal
    tile_x, tile_y = np.mod(x * 300, 1023), np.mod(np.broadcast_to(z * 300, x.shape), 511)
    ground = cv2.remap(grain, tile_x.astype(np.float32), tile_y.astype(np.float32), cv2.INTER_AREA)
    ground = cv2.GaussianBlur(ground, (0, 0), 0.6) * np.array([1.0, 0.92, 0.8], np.float32)
    depth = np.vstack([np.full((horizon, w), 60, np.float32), np.broadcast_to(z, (h - horizon, w)).astype(np.float32)])
    body = np.zeros((h, w), np.uint8)  # crates in the foreground as subject
    for x0, y0, x1, y1, metres in (
        (430, 470, 610, 690, 5.6),
        (600, 540, 740, 700, 5.2),
        (520, 380, 600, 470, 5.7),
    ):
        depth[y0:y1, x0:x1] = metres
        body[y0:y1, x0:x1] = 1
    wood = cv2.resize(skimage.data.coffee()[:180, 380:], (w, h), interpolation=cv2.INTER_CUBIC)
    albedo = np.vstack([np.full((horizon, w, 3), 0.1, np.float32), ground * 0.7])
    albedo = np.where(body[..., None] == 1, decode(wood) * 0.9, albedo)
    sky = (depth > 45).astype(np.float32)
    ambient = np.where(
        sky[..., None] == 1,
        np.vstack([sky_picture, np.zeros_like(ground)]),
        albedo * np.array([0.07, 0.08, 0.11]),
    )
    rng = np.random.default_rng(5)
    n = 420
    where = [rng.normal(1010, 110, n), rng.normal(190, 80, n)]
    shape = [rng.uniform(6, 14, n), rng.uniform(2, 5, n), rng.uniform(0, 180, n), rng.uniform(0.5, 1.5, n)]
    leaves = np.column_stack(where + shape)
    return World(albedo.astype(np.float32), depth, ambient.astype(np.float32), sky, focal, leaves)


def launch(folder: Path) -> None:
    """Outdoors at dusk: heads before a bright sky, stands on gravel, leaves in front, an assistant in dark
    clothes."""
    world = launch_world()
    rigs: list[Rig | None] = [
        None,
        Rig((200, 330), (190, 720), 4.6, pole="black", size=20, power=9, aim=(0.4, 0.75), extras=("sandbag",)),
        Rig((1000, 300), (985, 740), 4.4, pole="chrome", size=22, power=9, aim=(0.5, 0.75)),
        Rig((770, 200), (860, 730), 4.8, "umbrella", "boom", "black", 28, 8, aim=(0.5, 0.8)),
        Rig((330, 480), (250, 800), 4.0, "flash", "person", size=11, power=7, aim=(0.45, 0.7)),
        Rig((640, 250), (650, 640), 6.6, "back", pole="black", size=20, power=9, aim=(0.75, 0.75)),
        Rig(
            (870, 520),
            (880, 760),
            4.2,
            "dish",
            pole="white",
            size=18,
            power=5,
            aim=(0.7, 0.85),
            extras=("cable",),
        ),
        Rig((560, 420), (545, 830), 3.6, "softbox", pole="black", size=34, power=4, aim=(0.3, 0.85)),
        Rig((1190, 420), (1215, 800), 3.9, "dish", pole="grey", size=24, power=6, aim=(0.75, 0.8)),
    ]
    make_series(world, rigs, folder, 7002, 0)


def table(folder: Path) -> None:
    """A table top without an ambient frame: small lamps, a hand, a tube, overlapping stands."""
    w, h = 1050, 700
    picture = skimage.data.coffee()
    albedo = decode(cv2.resize(picture, (w, h), interpolation=cv2.INTER_CUBIC)) * 0.95
    v = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    depth = np.broadcast_to(1.1 - 0.45 * v, (h, w)).astype(np.float32).copy()
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    saucer = np.clip(1 - np.hypot((xx - 480) / 365, (yy - 375) / 290) ** 6, 0, 1)
    cup = (
        (np.hypot((xx - 505) / 205, (yy - 200) / 165) < 1) | (np.hypot((xx - 495) / 170, (yy - 300) / 200) < 1)
    ).astype(np.float32)
    depth -= 0.03 * saucer + 0.13 * cv2.GaussianBlur(cup, (0, 0), 6)
    world = World(
        albedo,
        depth,
        albedo * np.array([0.10, 0.085, 0.07], np.float32),
        np.zeros((h, w), np.float32),
        1.1 * w,
    )
    rigs: list[Rig | None] = [
        Rig((880, 150), (885, 610), 0.75, pole="black", size=26, power=0.29, aim=(0.5, 0.5)),
        Rig((820, 330), (800, 640), 0.7, "softbox", pole="chrome", size=44, power=0.27, aim=(0.45, 0.6)),
        Rig((150, 230), (130, 600), 0.8, "dish", pole="white", size=22, power=0.32, aim=(0.4, 0.5)),
        Rig((90, 420), (60, 640), 0.7, "tube", pole="black", size=22, power=0.22, aim=(0.4, 0.7)),
        Rig((300, 90), (180, 420), 0.9, "dish", "boom", "grey", 18, 0.36, aim=(0.5, 0.4)),
        Rig(
            (700, 60),
            (930, 560),
            0.8,
            "flash",
            "person",
            size=16,
            power=0.29,
            clothes=(0.6, 0.6, 0.62),
            aim=(0.5, 0.5),
        ),
        Rig((-200, 300), None, 0.6, carrier="none", power=0.45, aim=(0.3, 0.6)),
    ]
    make_series(world, rigs, folder, 7003, 1)


def grey_photo(name: str, side: int) -> Picture:
    """A grey photograph that scikit-image ships, linear light, (side, side)."""
    return decode(cv2.resize(getattr(skimage.data, name)(), (side, side), interpolation=cv2.INTER_AREA))


def floor(texture: Picture, rows: int, w: int, first: float, focal: float, metres: float) -> tuple[Picture, Picture]:
    """Level ground below a wall: texture (rows, w) and depth; `first` rows below the horizon, camera `metres` high."""
    z = metres * focal / (first + np.arange(rows, dtype=np.float32)[:, None])
    z = np.broadcast_to(z, (rows, w)).astype(np.float32)
    x = (np.arange(w, dtype=np.float32)[None] - w / 2) * z / focal
    side = texture.shape[0] - 1
    return cv2.remap(texture, np.mod(x * 260, side), np.mod(z * 260, side), cv2.INTER_LINEAR), z


def walled(wall: Picture, ground: Picture, z: Picture) -> tuple[Picture, Picture]:
    """Albedo and depth of an upright wall (n, w, 3) on the far end of level ground (m, w, 3) of depth z (m, w)."""
    albedo = np.vstack([wall, ground]).astype(np.float32)
    return albedo, np.vstack([np.full(wall.shape[:2], z[0, 0], np.float32), z])


def dim(albedo: Picture, depth: Picture, day: tuple[float, float, float], focal: float) -> World:
    """A world without sky in which daylight is even: albedo (h, w, 3), depth (h, w), share of each channel."""
    return World(albedo, depth, albedo * np.array(day, np.float32), np.zeros(depth.shape, np.float32), focal)


def column(depth: Picture, albedo: Picture, box: tuple[int, int, int, int], metres: float, skin: Picture) -> None:
    """Put an upright cylinder into the world: box (x0, y0, x1, y1) in pixels, distance of its axis."""
    x0, y0, x1, y1 = box
    across = np.linspace(-1, 1, x1 - x0, dtype=np.float32)[None]
    radius = metres * (x1 - x0) / 2 / (0.95 * depth.shape[1])
    depth[y0:y1, x0:x1] = metres - radius * np.sqrt(1 - 0.98 * across**2)
    albedo[y0:y1, x0:x1] = cv2.resize(skin, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)


def yard(folder: Path) -> None:
    """Five frames without an ambient one: grass before a brick wall, barrels, bags and a long boom, a helper."""
    w, h, edge = 1280, 854, 470
    focal = 0.95 * w
    bricks = np.tile(grey_photo("brick", 320), (2, 4))[:edge, :w, None] * np.array([1.0, 0.72, 0.58], np.float32)
    grass, z = floor(grey_photo("grass", 512), h - edge, w, 250, focal, 1.1)
    albedo, depth = walled(bricks, grass[..., None] * np.array([0.75, 0.95, 0.45], np.float32), z)
    coffee = decode(skimage.data.coffee())
    for box, metres in (((500, 330, 640, 620), 3.5), ((650, 400, 780, 660), 3.1), ((560, 250, 620, 330), 3.6)):
        column(depth, albedo, box, metres, coffee[20:180, 380:560])
    world = dim(albedo, depth, (0.03, 0.035, 0.05), focal)
    earth = (0.2, 0.25, 0.12)
    rigs: list[Rig | None] = [
        Rig((260, 260), (250, 690), 3.3, pole="black", size=24, power=6, aim=(0.45, 0.6), extras=("sandbag", "cable")),
        Rig((1010, 230), (1190, 640), 3.8, "dish", "boom", "grey", 20, 7, aim=(0.5, 0.6), extras=("sandbag",)),
        Rig((840, 330), (900, 730), 2.9, "flash", "person", size=13, power=4, clothes=earth, aim=(0.5, 0.65)),
        Rig((395, 420), (400, 600), 4.2, "back", pole="black", size=18, power=6, aim=(0.3, 0.5), extras=("sandbag",)),
        Rig((1255, 380), (1290, 800), 2.6, "softbox", pole="chrome", size=46, power=4, aim=(0.6, 0.7)),
    ]
    make_series(world, rigs, folder, 7004, 1)


def cellar(folder: Path) -> None:
    """A dark cellar at another size: columns that cast broad shadows, a cloth, thin poles far away, a tilted head."""
    w, h, edge = 1600, 1066, 600
    focal = 0.95 * w
    stains = np.tile(grey_photo("moon", 800), (1, 2))[:edge, :w, None] * np.array([1.5, 1.4, 1.2], np.float32)
    stones, z = floor(grey_photo("gravel", 512), h - edge, w, 290, focal, 1.3)
    albedo, depth = walled(np.clip(stains, 0.02, 0.9), stones[..., None] * np.array([0.8, 0.76, 0.7], np.float32), z)
    plaster = np.repeat(grey_photo("brick", 400)[..., None], 3, 2)
    for box, metres in (((330, 40, 450, 800), 4.0), ((1120, 40, 1250, 840), 3.8)):
        column(depth, albedo, box, metres, plaster)
    cloth = decode(skimage.data.chelsea())
    albedo[180:640, 640:930] = cv2.resize(cloth, (290, 460), interpolation=cv2.INTER_AREA)
    folds = 0.05 * np.sin(np.linspace(0, 22, 290, dtype=np.float32))[None]
    depth[180:640, 640:930] = 4.6 + folds
    world = dim(albedo, depth, (0.02, 0.018, 0.014), focal)
    rigs: list[Rig | None] = [
        None,
        Rig((210, 430), (205, 800), 4.0, pole="black", size=15, power=9, aim=(0.45, 0.5)),
        Rig((1400, 330), (1390, 850), 3.6, "umbrella", pole="chrome", size=34, power=8, aim=(0.5, 0.5)),
        Rig((1010, 300), (1050, 700), 4.8, "back", pole="grey", size=12, power=8, aim=(0.75, 0.3)),
        Rig((560, 200), (520, 900), 3.3, "dish", "boom", "black", 22, 8, aim=(0.5, 0.8), extras=("sandbag",)),
        Rig((760, 700), (770, 960), 2.9, "tube", pole="white", size=20, power=3, aim=(0.5, 0.5), extras=("cable",)),
        Rig((1530, 500), (1500, 1000), 2.7, "flash", "person", size=16, power=4, aim=(0.55, 0.6)),
    ]
    make_series(world, rigs, folder, 7005, 0)


SCENES = {"garage": garage, "launch": launch, "table": table, "yard": yard, "cellar": cellar}

if __name__ == "__main__":
    cv2.setNumThreads(1)
    for scene in sys.argv[2:] or SCENES:
        SCENES[scene](Path(sys.argv[1]) / scene)

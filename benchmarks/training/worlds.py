"""Scenes for the ray tracer: places, subjects made of primitives, and equipment with its lamp."""

from __future__ import annotations

import numpy as np
import torch
from textures import Rng, colour
from torch import Tensor
from tracer import Lamp, Shape, place


class Workbench:
    """Makes shapes on one device, with random materials of one series."""

    def __init__(self, rng: Rng, device: torch.device, textures: int) -> None:
        self.rng, self.device, self.textures = rng, device, textures
        self.ground: dict[str, object] = {}
        self.contacts: list[tuple[np.ndarray, float]] = []

    def like_ground(self) -> dict[str, object]:
        """The ground's own material, a little brighter or darker: sand on sand, a grey pole over grey stone."""
        factor = float(np.exp(self.rng.normal(0, 0.25)))
        return self.ground | {"albedo": self.ground["albedo"] * factor, "mirror": 0.0}

    def touches(self, at: object, radius: float) -> None:
        """Something stands here: the sky reaches the ground beside it less."""
        self.contacts.append((np.asarray(at, float), radius))

    def tensor(self, values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values, np.float32), device=self.device)

    def material(self, *, chrome: float = 0.1, saturation: float = 0.5) -> dict[str, object]:
        """A texture and a finish shared by the parts of one thing."""
        r = self.rng
        result: dict[str, object] = {
            "albedo": self.tensor(colour(r, saturation=saturation)),
            "texture": int(r.integers(self.textures)),
            "zoom": float(np.exp(r.uniform(np.log(0.15), np.log(2.5)))),
            "gloss": float(r.choice([0, 0, 0.05, 0.3])),
            "sharpness": float(np.exp(r.uniform(np.log(8), np.log(300)))),
        }
        if r.random() < chrome:
            result |= {"albedo": self.tensor([0.08] * 3), "mirror": float(r.uniform(0.3, 0.85)), "gloss": 0.4}
        return result

    def shape(self, kind: str, centre: object, half: object, axes: object = None, **material: object) -> Shape:
        a = np.eye(3) if axes is None else np.asarray(axes)
        return Shape(kind, place(self.tensor(centre), self.tensor(a), self.tensor(half)), **material)

    def rod(
        self, a: object, b: object, radius: float, *, taper: float = 1.0, kind: str = "cylinder", **material: object
    ) -> Shape:
        """A cylinder (or cone, or ball) stretched from a to b."""
        a, b = np.asarray(a, float), np.asarray(b, float)
        length = max(1e-4, float(np.linalg.norm(b - a)))
        return self.shape(
            kind, (a + b) / 2, [radius, radius, length / 2], frame((b - a) / length), taper=taper, **material
        )


def frame(z: np.ndarray) -> np.ndarray:
    """Three orthogonal unit rows, the last along z."""
    z = np.asarray(z, float) / np.linalg.norm(z)
    x = np.cross([0, 0, 1] if abs(z[2]) < 0.9 else [1, 0, 0], z)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def turn(angle: float, tilt: float = 0.0) -> np.ndarray:
    c, s, ct, st = np.cos(angle), np.sin(angle), np.cos(tilt), np.sin(tilt)
    return np.array([[c, s, 0], [-s * ct, c * ct, st], [s * st, -c * st, ct]])


def surroundings(w: Workbench, *, table: bool) -> list[Shape]:
    """Ground, and walls, a hedge, a fence, a ceiling or nothing behind."""
    r = w.rng
    ground = w.material(chrome=0, saturation=0.3)
    if r.random() < 0.3:
        ground["mirror"] = float(r.uniform(0.03, 0.35))
        ground["gloss"] = 0.1
    w.ground = ground
    result = [w.shape("box", [0, 10, -0.5], [40, 40, 0.5], **ground)]
    back = float(r.uniform(1.2, 9))
    if table:  # things on a table before a plain wall
        wall = w.material(chrome=0, saturation=0.3) | {"texture": 0, "zoom": float(r.uniform(0.05, 0.3))}
        result.append(w.shape("box", [0, r.uniform(0.35, 1.2) + 0.1, 2], [10, 0.1, 4], **wall))
        return result
    if r.random() < 0.25:
        result += _branches(w, back)
    kind = r.choice(["room", "wall", "hedge", "fence", "open"], p=[0.34, 0.22, 0.16, 0.1, 0.18])
    if kind == "room":
        side = float(r.uniform(2.2, 5))
        wall = w.material(chrome=0)
        result.append(w.shape("box", [0, back + 0.1, 2], [10, 0.1, 4], **wall))
        for x in (-1, 1):
            result.append(
                w.shape("box", [x * (side + 0.1), 0, 2], [0.1, 10, 4], **(wall if r.random() < 0.6 else w.material()))
            )
        if r.random() < 0.6:
            result.append(w.shape("box", [0, 0, r.uniform(2.3, 3.6) + 0.1], [10, 10, 0.1], **w.material(chrome=0)))
        for _ in range(int(r.integers(0, 6))):  # cupboards, boards, pictures
            size = r.uniform(0.15, 0.9, 3)
            at = [r.uniform(-side, side), back - size[1] * 0.3, r.uniform(0.2, 2)]
            result.append(w.shape("box", at, size * [1, 0.3, 1], **w.material()))
    elif kind == "wall":
        tall = r.uniform(0.4, 5)
        result.append(w.shape("box", [0, back + 0.2, tall / 2], [15, 0.2, tall / 2], **w.material(chrome=0)))
    elif kind == "hedge":
        leaf = w.material(chrome=0) | {"albedo": w.tensor([0.03, 0.06, 0.02])}
        for _ in range(int(r.integers(8, 24))):
            at = [r.uniform(-9, 9), back + r.uniform(0, 2), r.uniform(0.2, 2.8)]
            result.append(w.shape("ball", at, r.uniform(0.3, 1.4, 3), **leaf))
    elif kind == "fence":
        post = w.material()
        for k in range(-7, 8):
            result.append(
                w.rod([k * 0.8, back, 0], [k * 0.8 + r.normal(0, 0.02), back, r.uniform(1, 1.3)], 0.04, **post)
            )
        for z in (0.5, 1.0):
            result.append(w.rod([-7, back, z], [7, back, z], 0.03, **post))
    return result


def _branches(w: Workbench, back: float) -> list[Shape]:
    """Foliage at the height of the heads, before and behind the subject: clumps of leaves, bright and dark."""
    r = w.rng
    leaf = w.material(chrome=0) | {"albedo": w.tensor(np.array([0.05, 0.09, 0.03]) * r.uniform(0.5, 2))}
    centre = np.array([r.choice([-1, 1]) * r.uniform(0.5, 3), r.uniform(-1, back), r.uniform(1, 2.8)])
    result = []
    for _ in range(int(r.integers(20, 70))):
        at = centre + r.normal(0, 1, 3) * [0.9, 0.6, 0.5]
        size = np.exp(r.uniform(np.log(0.03), np.log(0.25)))
        clump = w.shape("ball", at, size * r.uniform(0.3, 1, 3), turn(r.uniform(0, 6), r.normal(0, 0.6)), **leaf)
        result.append(clump)
    result.append(w.rod([centre[0], centre[1], 0], centre, 0.07, **w.material(chrome=0)))
    return result


def subject(w: Workbench) -> list[Shape]:
    """What the picture is of: a few things near the origin."""
    r = w.rng
    makers = (_boat, _machine, _pile, _block, _figure, _plants, _wheels, _cloth)
    result: list[Shape] = []
    for k in range(int(r.integers(1, 4))):
        at = np.array([r.normal(0, 0.25 if k == 0 else 1.3), r.normal(0, 0.3 if k == 0 else 0.9), 0])
        result += makers[int(r.integers(len(makers)))](w, at)
    for _ in range(int(r.integers(0, 7))):  # things lying about
        radius = r.uniform(0.04, 0.25)
        at = [r.normal(0, 1.6), r.normal(0, 1.2), radius]
        kind = r.choice(["ball", "box", "cylinder"])
        result.append(
            w.shape(kind, at, radius * r.uniform(0.5, 1.2, 3), turn(r.uniform(0, 6), r.normal(0, 0.3)), **w.material())
        )
    return result


def _boat(w: Workbench, at: np.ndarray) -> list[Shape]:
    r = w.rng
    hull, wood = w.material(chrome=0), w.material(chrome=0)
    length, width, height = r.uniform(0.8, 1.6), r.uniform(0.25, 0.5), r.uniform(0.25, 0.5)
    axes = turn(r.uniform(-0.6, 0.6))
    result = []
    for x in (-1, 1):
        for k in range(5):  # planks, splayed and bent
            z = 0.12 + height * (k + 0.5) / 5
            for end in (-1, 1):
                a = np.array([0, x * (0.5 + 0.5 * k / 4) * width, z]) @ axes + at
                b = np.array([end * length * (0.85 + 0.15 * k / 4), 0, z + 0.08]) @ axes + at
                result.append(w.rod(a, b, height / 9, **hull))
    for k in np.linspace(-0.5, 0.5, int(r.integers(2, 6))):
        a, b = (np.array([k * length, y * width * 0.7, height]) @ axes + at for y in (-1, 1))
        result.append(w.rod(a, b, 0.04, **wood))
    result.append(w.shape("box", at + [0, 0, 0.1], [length * 0.7, width * 0.3, 0.1], axes, **wood))
    return result


def _machine(w: Workbench, at: np.ndarray) -> list[Shape]:
    r = w.rng
    paints = [w.material(chrome=0.4) for _ in range(4)]
    result = [w.shape("box", at + [0, 0, 0.45], r.uniform(0.2, 0.45, 3), turn(r.uniform(0, 3)), **paints[0])]
    for _ in range(int(r.integers(8, 22))):
        p = at + np.array([r.normal(0, 0.45), r.normal(0, 0.25), r.uniform(0.1, 1.1)])
        paint = paints[int(r.integers(4))]
        kind = r.random()
        if kind < 0.45:
            q = p + r.normal(0, 0.3, 3)
            q[2] = max(q[2], 0.05)
            result.append(w.rod(p, q, float(np.exp(r.uniform(np.log(0.01), np.log(0.09)))), **paint))
        elif kind < 0.7:
            result.append(w.shape("ball", p, r.uniform(0.04, 0.2, 3), turn(r.uniform(0, 3)), **paint))
        else:
            result.append(w.shape("box", p, r.uniform(0.03, 0.25, 3), turn(r.uniform(0, 3), r.normal(0, 0.3)), **paint))
    return result + _wheels(w, at)


def _wheels(w: Workbench, at: np.ndarray) -> list[Shape]:
    r = w.rng
    rubber, metal = w.material(chrome=0), w.material(chrome=0.6)
    result = []
    angle = r.uniform(-0.5, 0.5)
    for x in (-1, 1):
        radius = r.uniform(0.2, 0.4)
        centre = at + turn(angle).T @ np.array([x * r.uniform(0.5, 0.8), 0, radius])
        hub = turn(angle).T @ np.array([0, 1.0, 0])
        for k in range(10):
            a, b = (
                centre + radius * (turn(angle).T @ [np.cos(t), 0, np.sin(t)])
                for t in np.array([k, k + 1]) * 0.2 * np.pi
            )
            result.append(w.rod(a, b, 0.045, **rubber))
        result.append(w.rod(centre - hub * 0.06, centre + hub * 0.06, 0.07, **metal))
        for t in r.uniform(0, 3, 4):
            d = radius * (turn(angle).T @ [np.cos(t), 0, np.sin(t)])
            result.append(w.rod(centre - d, centre + d, 0.006, **metal))
    return result


def _pile(w: Workbench, at: np.ndarray) -> list[Shape]:
    r = w.rng
    result = []
    for _ in range(int(r.integers(3, 9))):
        size = r.uniform(0.08, 0.35, 3)
        p = at + np.array([r.normal(0, 0.5), r.normal(0, 0.4), size[2] + (r.random() < 0.3) * 0.4])
        result.append(w.shape(r.choice(["box", "cylinder"]), p, size, turn(r.uniform(0, 3)), **w.material()))
    return result


def _cloth(w: Workbench, at: np.ndarray) -> list[Shape]:
    """Hanging cloths and straps of all brightnesses: flat, upright, belonging to the scene."""
    r = w.rng
    high = r.uniform(0.8, 2.2)
    rail = turn(r.uniform(-0.6, 0.6))
    ends = [at + np.array([x * r.uniform(0.5, 1.2), 0, high]) @ rail for x in (-1, 1)]
    result = [w.rod(*ends, 0.012, **w.material())]
    for _ in range(int(r.integers(1, 5))):
        t, drop = r.uniform(0.05, 0.95), r.uniform(0.2, 0.95) * high
        top = ends[0] + (ends[1] - ends[0]) * t
        half = [np.exp(r.uniform(np.log(0.015), np.log(0.4))), 0.006, drop / 2]
        axes = turn(r.normal(0, 0.5), r.normal(0, 0.05))
        cloth = w.material(chrome=0, saturation=0.9)
        result.append(w.shape("box", top - [0, 0, drop / 2], half, axes, **cloth))
    return result


def _block(w: Workbench, at: np.ndarray) -> list[Shape]:
    """A large thing with panels and glossy windows: a van, a shed, a cupboard."""
    r = w.rng
    size = np.array([r.uniform(0.5, 1.3), r.uniform(0.3, 0.6), r.uniform(0.35, 0.9)])
    axes = turn(r.uniform(-0.7, 0.7))
    base = at + [0, 0, size[2] + r.uniform(0, 0.25)]
    result = [w.shape("box", base, size, axes, **w.material(chrome=0.05))]
    glass = w.material(chrome=1) | {"mirror": float(r.uniform(0.05, 0.5)), "texture": 0}
    for _ in range(int(r.integers(2, 8))):
        x, z = r.uniform(-0.8, 0.8) * size[0], r.uniform(-0.7, 0.8) * size[2]
        p = base + np.array([x, -size[1], z]) @ axes
        panel = glass if r.random() < 0.5 else w.material()
        result.append(w.shape("box", p, [r.uniform(0.05, 0.3), 0.015, r.uniform(0.05, 0.2)], axes, **panel))
    return result


def _figure(w: Workbench, at: np.ndarray) -> list[Shape]:
    """A statue or a sitter: belongs to the scene."""
    return person(w, at, float(w.rng.uniform(0.6, 1.8)), float(w.rng.uniform(0, 6)))[0]


def _plants(w: Workbench, at: np.ndarray) -> list[Shape]:
    r = w.rng
    leaf = w.material(chrome=0) | {"albedo": w.tensor([0.06, 0.12, 0.03])}
    result = []
    for _ in range(int(r.integers(10, 36))):
        foot = at + np.array([r.normal(0, 0.7), r.normal(0, 0.5), 0])
        tip = foot + np.array([r.normal(0, 0.12), r.normal(0, 0.12), r.uniform(0.15, 0.8)])
        result.append(w.rod(foot, tip, r.uniform(0.004, 0.02), kind="cone", taper=0.1, **leaf))
    return result


def person(w: Workbench, at: np.ndarray, tall: float, facing: float) -> tuple[list[Shape], np.ndarray]:
    """A figure of rods and balls; returns the shapes and where its raised hand is."""
    r = w.rng
    shirt, trousers = w.material(chrome=0, saturation=0.9), w.material(chrome=0, saturation=0.7)
    skin = w.material(chrome=0) | {"albedo": w.tensor(np.array([0.5, 0.32, 0.24]) * r.uniform(0.3, 1.2)), "texture": 0}
    ahead = np.array([np.cos(facing), np.sin(facing), 0])
    side = np.array([-ahead[1], ahead[0], 0])
    up = np.array([0, 0, 1.0])
    hip, neck = at + up * 0.5 * tall, at + up * 0.82 * tall
    result = [w.rod(hip - up * 0.03 * tall, neck, 0.11 * tall, kind="cone", taper=0.9, **shirt)]
    result.append(w.shape("ball", at + up * 0.92 * tall, np.array([0.065, 0.065, 0.085]) * tall, **skin))
    for s in (-1, 1):
        knee = at + up * 0.27 * tall + side * s * 0.07 * tall + ahead * r.normal(0, 0.05) * tall
        toe = at + side * s * r.uniform(0.06, 0.13) * tall + up * 0.03 * tall
        w.touches(toe, 0.09 * tall)
        result += [
            w.rod(hip + side * s * 0.05 * tall, knee, 0.06 * tall, **trousers),
            w.rod(knee, toe, 0.045 * tall, **trousers),
        ]
        result.append(
            w.shape("ball", toe + ahead * 0.05 * tall, np.array([0.07, 0.07, 0.035]) * tall, **w.material(chrome=0))
        )
    hand = neck + ahead * r.uniform(0.1, 0.3) * tall + side * r.normal(0, 0.1) * tall + up * r.uniform(-0.2, 0.2) * tall
    for s in (-1, 1):
        shoulder = neck + side * s * 0.12 * tall - up * 0.03 * tall
        end = hand if s > 0 or r.random() < 0.5 else hip + side * s * 0.17 * tall
        elbow = (shoulder + end) / 2 - up * 0.06 * tall + side * s * 0.04 * tall
        result += [w.rod(shoulder, elbow, 0.035 * tall, **shirt), w.rod(elbow, end, 0.03 * tall, **shirt)]
    return result, hand


def rig(w: Workbench, lamp: Lamp, at: np.ndarray, aim: np.ndarray) -> list[Shape]:
    """Head, and what carries it, for a lamp at `at` that looks along `aim`."""
    r = w.rng
    w.contacts = []
    paint = w.material(chrome=0, saturation=0)
    tone = r.choice([0.015, 0.03, 0.06, 0.3, 0.7])
    paint |= {"albedo": w.tensor([tone] * 3), "gloss": float(r.choice([0.02, 0.1, 0.4])), "texture": 0}
    if r.random() < 0.25:
        paint |= {"albedo": w.tensor([0.1] * 3), "mirror": 0.6, "gloss": 0.6}
    elif r.random() < 0.2:
        paint |= {"albedo": w.like_ground()["albedo"]}
    result, tail = _head(w, lamp, at, aim, paint)
    kind = r.choice(["stand", "boom", "person", "none"], p=[0.55, 0.2, 0.2, 0.05])
    thick = float(np.exp(r.uniform(np.log(0.0035), np.log(0.02))))
    if kind == "none":
        return result
    if kind == "person":
        foot = np.array([tail[0], tail[1], 0]) - np.array([aim[0], aim[1], 0]) * r.uniform(0.1, 0.5)
        tall = r.uniform(1.5, 1.95)
        body, hand = person(w, foot, tall, float(np.arctan2(aim[1], aim[0])) + r.normal(0, 0.4))
        return result + body + [w.rod(hand, tail, thick, **paint)]
    top = tail
    if kind == "boom":
        away = r.uniform(0.5, 2.4) * np.array([np.cos(a := r.uniform(0, 6.28)), np.sin(a), r.uniform(-0.3, 0.3)])
        top = tail + away
        top[2] = max(top[2], 0.4)
        end = top + (top - tail) * r.uniform(0.1, 0.5)
        result.append(w.rod(top, tail, thick * 0.8, kind="cone", taper=float(r.uniform(0.4, 1)), **paint))
        result.append(w.rod(top, end, thick * 0.8, **paint))
        if r.random() < 0.6:
            result.append(w.shape("ball", end, r.uniform(0.04, 0.11, 3), **w.material(chrome=0)))
    return result + _stand(w, top, thick, paint)


def _head(
    w: Workbench, lamp: Lamp, at: np.ndarray, aim: np.ndarray, paint: dict[str, object]
) -> tuple[list[Shape], np.ndarray]:
    r = w.rng
    size = float(np.exp(r.uniform(np.log(0.05), np.log(0.4))))
    kind = r.choice(["dish", "box", "bare", "umbrella", "tube"], p=[0.45, 0.27, 0.1, 0.12, 0.06])
    bright = lamp.power / (3.14 * size * size) * float(np.exp(r.uniform(np.log(0.3), np.log(3))))
    glow = {"albedo": w.tensor([0.6] * 3), "emission": bright}
    face = at - aim * 0.03
    if kind == "box":
        axes = frame(aim)
        half = [size, size * r.uniform(0.4, 1.5), 0.01]
        tail = face - aim * size * r.uniform(0.5, 1.2)
        parts = [
            w.shape("box", face, half, axes, **glow),
            w.rod(tail, face - aim * 0.012, 0.08, kind="cone", taper=size / 0.08 * 0.9, **paint),
        ]
        return parts, tail
    if kind == "bare":
        tail = face - aim * 0.15
        return [
            w.rod(tail, face - aim * 0.02, 0.06, **paint),
            w.shape("ball", face, [0.02] * 3, frame(aim), **glow),
        ], tail
    if kind == "tube":
        across = frame(aim)[0] * r.uniform(0.3, 0.7)
        return [w.rod(face - across - aim * 0.03, face + across - aim * 0.03, 0.025, **glow)], face - aim * 0.06
    if kind == "umbrella":
        size = float(r.uniform(0.3, 0.6))
        tail = face - aim * 0.3
        cloth = {"albedo": w.tensor([r.choice([0.03, 0.7])] * 3), "emission": bright * float(r.uniform(0.02, 0.5))}
        parts = [
            w.rod(face - aim * 0.06, face - aim * 0.01, size * 0.8, kind="cone", taper=1.2, **cloth),
            w.rod(tail, face, 0.01, **paint),
        ]
        return [*parts, w.rod(tail - aim * 0.1, tail, 0.06, **paint)], tail
    size = min(size, 0.2)
    back = face - aim * size * r.uniform(0.8, 1.5)
    tail = back - aim * r.uniform(0.15, 0.35)
    dish = w.rod(back, face - aim * 0.01, size * 0.45, kind="cone", taper=2.2, **paint)
    front = w.rod(face - aim * 0.009, face, size * 0.95, **glow)
    return [dish, front, w.rod(tail, back, size * 0.5, **paint)], tail + aim * 0.1


def _stand(w: Workbench, top: np.ndarray, thick: float, paint: dict[str, object]) -> list[Shape]:
    r = w.rng
    foot = np.array([top[0], top[1], 0.0])
    tall = max(0.15, float(top[2]))
    result = []
    for k, (a, b) in enumerate(((0.0, 0.45), (0.45, 0.75), (0.75, 1.0))):
        result.append(w.rod(foot + [0, 0, tall * a + 0.03], foot + [0, 0, tall * b], thick * (1.3 - 0.3 * k), **paint))
    spread, knot = min(0.6, tall * r.uniform(0.25, 0.5)), min(0.9, tall * r.uniform(0.35, 0.6))
    turn0 = r.uniform(0, 2)
    for k in range(3):
        d = np.array([np.cos(turn0 + k * 2.094), np.sin(turn0 + k * 2.094), 0]) * spread
        w.touches(foot + d, 0.04)
        result.append(w.rod(foot + [0, 0, knot], foot + d + [0, 0, 0.01], thick * 0.8, **paint))
        result.append(w.rod(foot + [0, 0, knot * 0.3], foot + d * 0.5 + [0, 0, knot * 0.5], thick * 0.5, **paint))
    for _ in range(int(r.choice([0, 1, 2], p=[0.55, 0.3, 0.15]))):
        result += _sandbag(w, foot + np.array([r.normal(0, 0.2), r.normal(0, 0.2), 0]), spread)
    if r.random() < 0.25:  # a cable on the ground
        points = [foot + [0, 0, 0.01]]
        for _ in range(5):
            points.append(points[-1] + np.array([r.normal(0, 0.3), r.normal(0, 0.3), 0]))
        result += [w.rod(a, b, 0.008, **paint) for a, b in zip(points, points[1:], strict=False)]
    return result


def _sandbag(w: Workbench, foot: np.ndarray, spread: float) -> list[Shape]:
    """Two full lobes and the strap between them, on the ground or hung over a leg; often the colour of its ground."""
    r = w.rng
    bag = w.like_ground() if r.random() < 0.4 else w.material(chrome=0, saturation=0.9)
    size = r.uniform(0.07, 0.17)
    along = turn(r.uniform(0, 6.28))[0]
    lift = size * 0.75 if r.random() < 0.75 else r.uniform(0.1, 0.3)
    centre = foot + along * r.uniform(0, 0.4) * spread + [0, 0, lift]
    axes = frame(along)
    lobes = [centre + along * s * size * r.uniform(0.8, 1.1) for s in (-1, 1)]
    for lobe in lobes:
        w.touches([lobe[0], lobe[1], 0], size * 1.2)
    half = size * np.array([r.uniform(0.6, 0.9), r.uniform(0.7, 1), r.uniform(0.8, 1.2)])
    result = [w.shape(r.choice(["ball", "ball", "cylinder"]), lobe, half, axes, **bag) for lobe in lobes]
    return [*result, w.rod(*lobes, size * 0.25, **bag)]

"""A ray tracer for boxes, cylinders, cones and ellipsoids: every primitive is a unit shape under an affine map."""

from __future__ import annotations

from dataclasses import dataclass, field

import cuda_rays
import torch
from torch import Tensor

FAR = 1e9
KINDS = {"box": 0, "ball": 1, "cylinder": 2, "cone": 2}


@dataclass
class Shape:
    """One primitive. `inverse` (3, 4) maps the world onto the unit shape; a texture is looked up in world units.

    kind: 'box' and 'cylinder' fill -1..1, 'ball' has radius 1, 'cone' narrows from radius 1 at z = -1 to `taper` at z = 1.
    """

    kind: str
    inverse: Tensor
    albedo: Tensor  # (3,)
    texture: int = 0
    zoom: float = 1.0  # texture repeats per metre
    gloss: float = 0.0
    sharpness: float = 30.0
    mirror: float = 0.0
    emission: Tensor | None = None  # (3,) only the side towards +z shines
    taper: float = 1.0


def place(centre: Tensor, axes: Tensor, half: Tensor) -> Tensor:
    """Inverse map of a unit shape at `centre`, along the rows of `axes` (3, 3), half sizes `half` (3,)."""
    rotate = axes / half[:, None]
    return torch.cat([rotate, -(rotate @ centre)[:, None]], dim=1)


def intersect(shape: Shape, origin: Tensor, ray: Tensor) -> Tensor:
    """Distance along each ray (n, 3) to the shape, FAR where it misses. `origin` is (3,) or (n, 3)."""
    o = origin @ shape.inverse[:, :3].T + shape.inverse[:, 3]
    d = ray @ shape.inverse[:, :3].T
    if shape.kind == "box":
        inverse = 1 / torch.where(d.abs() < 1e-9, 1e-9, d)
        a, b = (-1 - o) * inverse, (1 - o) * inverse
        near = torch.minimum(a, b).amax(-1)
        far = torch.maximum(a, b).amin(-1)
        near = torch.where(near > 1e-4, near, far)
        return torch.where((far >= near - 1e-6) & (near > 1e-4), near, FAR)
    if shape.kind == "ball":
        return _quadratic((d * d).sum(-1), (o * d).sum(-1), (o * o).sum(-1) - 1, None, o, d)
    slope = (shape.taper - 1) / 2  # radius = 1 + slope (z + 1)
    oz, dz = o[..., 2], d[..., 2]
    r, dr = 1 + slope * (oz + 1), slope * dz
    a = d[..., 0] ** 2 + d[..., 1] ** 2 - dr * dr
    b = o[..., 0] * d[..., 0] + o[..., 1] * d[..., 1] - r * dr
    c = o[..., 0] ** 2 + o[..., 1] ** 2 - r * r
    side = _quadratic(a, b, c, 1.0, o, d)
    best = side
    for z in (-1.0, 1.0):  # the two caps
        t = (z - oz) / torch.where(dz.abs() < 1e-9, 1e-9, dz)
        limit = 1 if z < 0 else shape.taper**2
        rr = (o[..., 0] + t * d[..., 0]) ** 2 + (o[..., 1] + t * d[..., 1]) ** 2
        best = torch.where((t > 1e-4) & (rr < limit) & (t < best), t, best)
    return best


def _quadratic(a: Tensor, b: Tensor, c: Tensor, cap: float | None, o: Tensor, d: Tensor) -> Tensor:
    """Nearest positive root of a t^2 + 2 b t + c, between the caps if any."""
    root = torch.sqrt(torch.clamp(b * b - a * c, min=0))
    hit = b * b - a * c > 0
    a = torch.where(a.abs() < 1e-12, 1e-12, a)
    result = torch.full_like(a, FAR)
    for t in ((-b + root) / a, (-b - root) / a):
        good = hit & (t > 1e-4) & (t < result)
        if cap is not None:
            good &= (o[..., 2] + t * d[..., 2]).abs() < cap
        result = torch.where(good, t, result)
    return result


def table(shapes: list[Shape], device: torch.device) -> Tensor:
    """The shapes as rows of 14 numbers: inverse map, kind, taper."""
    rows = torch.stack([s.inverse.reshape(12) for s in shapes])
    rest = torch.tensor([[KINDS[s.kind], s.taper] for s in shapes], device=device, dtype=torch.float32)
    return torch.cat([rows, rest], dim=1).contiguous()


def first_hit(shapes: list[Shape], origin: Tensor, ray: Tensor) -> tuple[Tensor, Tensor]:
    """Distance and number of the nearest shape per ray; -1 for none."""
    if ray.is_cuda and cuda_rays.ready():
        return cuda_rays.first_hit(table(shapes, ray.device), origin, ray)
    best = torch.full((len(ray),), FAR, device=ray.device)
    which = torch.full((len(ray),), -1, device=ray.device)
    for k, shape in enumerate(shapes):
        t = intersect(shape, origin, ray)
        nearer = t < best
        best = torch.where(nearer, t, best)
        which = torch.where(nearer, k, which)
    return best, which


def blocked(shapes: list[Shape], points: Tensor, target: Tensor) -> Tensor:
    """Whether something stands between each point (n, 3) and the target (3,)."""
    if points.is_cuda and cuda_rays.ready():
        return cuda_rays.blocked(table(shapes, points.device), points, target)
    ray = points - target
    result = torch.zeros(len(points), dtype=torch.bool, device=points.device)
    for shape in shapes:
        result |= intersect(shape, target, ray) < 0.999
    return result


def normals(shapes: list[Shape], which: Tensor, points: Tensor, ray: Tensor) -> Tensor:
    """Unit normals at hit points, towards the eye."""
    result = torch.zeros_like(points)
    for k in which.unique().tolist():
        if k < 0:
            continue
        m = which == k
        shape = shapes[k]
        p = points[m] @ shape.inverse[:, :3].T + shape.inverse[:, 3]
        if shape.kind == "box":
            n = torch.zeros_like(p)
            axis = p.abs().argmax(-1, keepdim=True)
            n.scatter_(1, axis, p.gather(1, axis).sign())
        elif shape.kind == "ball":
            n = p
        else:
            slope = (shape.taper - 1) / 2
            n = torch.stack([p[:, 0], p[:, 1], -slope * torch.ones_like(p[:, 0])], -1)
            cap = p[:, 2].abs() > 0.9995
            n = torch.where(cap[:, None], torch.stack([p[:, 0] * 0, p[:, 1] * 0, p[:, 2].sign()], -1), n)
        result[m] = n @ shape.inverse[:, :3]
    result = torch.nn.functional.normalize(result, dim=-1)
    return torch.where((result * ray).sum(-1, keepdim=True) > 0, -result, result)


@dataclass
class Surface:
    """Everything about the visible points that does not depend on the lamp."""

    points: Tensor
    normal: Tensor
    albedo: Tensor
    gloss: Tensor
    sharpness: Tensor
    mirror: Tensor
    emission: Tensor
    which: Tensor
    ray: Tensor

    def at(self, mask: Tensor) -> Surface:
        """The surface of some of the points."""
        return Surface(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))


def surface(shapes: list[Shape], textures: Tensor, which: Tensor, points: Tensor, ray: Tensor) -> Surface:
    """Look up materials: textures (T, s, s, 5) hold albedo factors and slopes, mapped along the normal's main axis."""
    normal = normals(shapes, which, points, ray)

    def column(values: list[float]) -> Tensor:
        table = torch.tensor([*values, 0.0], device=points.device, dtype=torch.float32)
        return table[which]

    main = normal.abs().argmax(-1)
    pairs = torch.tensor([[1, 2], [0, 2], [0, 1]], device=points.device)[main]
    uv = points.gather(1, pairs) * column([s.zoom for s in shapes])[:, None]
    size = textures.shape[1]
    index = torch.tensor([*(s.texture for s in shapes), 0], device=points.device)[which]
    found = _bilinear(textures, index, uv * size)
    base = torch.stack([*(s.albedo for s in shapes), torch.zeros(3, device=points.device)])[which]
    bump = torch.zeros_like(normal).scatter_(1, pairs, found[:, 3:])
    rough = torch.nn.functional.normalize(normal - bump, dim=-1)
    dark = torch.zeros(3, device=points.device)
    glow = torch.stack([*(s.emission if s.emission is not None else dark for s in shapes), dark])[which]
    return Surface(
        points=points,
        normal=rough,
        albedo=(base * found[:, :3]).clamp(0, 0.95),
        gloss=column([s.gloss for s in shapes]),
        sharpness=column([s.sharpness for s in shapes]),
        mirror=column([s.mirror for s in shapes]),
        emission=glow,
        which=which,
        ray=ray,
    )


def _bilinear(textures: Tensor, index: Tensor, uv: Tensor) -> Tensor:
    size = textures.shape[1]
    low = uv.floor()
    f = uv - low
    a = low.long() % size
    b = (a + 1) % size
    top = textures[index, a[:, 1], a[:, 0]] * (1 - f[:, :1]) + textures[index, a[:, 1], b[:, 0]] * f[:, :1]
    bottom = textures[index, b[:, 1], a[:, 0]] * (1 - f[:, :1]) + textures[index, b[:, 1], b[:, 0]] * f[:, :1]
    return top * (1 - f[:, 1:]) + bottom * f[:, 1:]


@dataclass
class Lamp:
    """A point light with a cone: position, aim (unit), cosine of the edge, softness of the edge, intensity (3,).

    `flags` are planes through the lamp that cut its light: unit normal, offset, softness.
    """

    at: Tensor
    aim: Tensor
    edge: float
    soft: float
    power: Tensor
    flags: list[tuple[Tensor, float, float]] = field(default_factory=list)


def shade(s: Surface, lamp: Lamp, blockers: list[Shape]) -> Tensor:
    """Light of one lamp that each point sends back along its ray, (n, 3)."""
    to = lamp.at - s.points
    distance = to.norm(dim=-1, keepdim=True)
    to = to / distance
    facing = (s.normal * to).sum(-1).clamp(min=0)
    cone = ((-(to * lamp.aim).sum(-1) - lamp.edge) / lamp.soft).clamp(0, 1)
    for normal, offset, soft in lamp.flags:
        cone = cone * ((-(to * normal).sum(-1) - offset) / soft).clamp(0, 1)
    strength = cone / (distance[:, 0] ** 2 + 0.01)
    lit = (strength * facing > 1e-7) & (s.which >= 0)
    open_sky = torch.zeros_like(facing)
    open_sky[lit] = (~blocked(blockers, s.points[lit] + s.normal[lit] * 2e-3, lamp.at)).float()
    half = torch.nn.functional.normalize(to - s.ray, dim=-1)
    shine = s.gloss * (s.normal * half).sum(-1).clamp(min=0) ** s.sharpness * (s.sharpness + 8) / 8 * (facing > 0)
    return ((s.albedo * facing[:, None] + shine[:, None]) * (strength * open_sky)[:, None]) * lamp.power

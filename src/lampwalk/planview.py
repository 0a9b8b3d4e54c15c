"""The plan of a walk, drawn from above: subject, lamps and their beams, camera and what it sees."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .planning import Plan
from .positions import Position, field_of_view_deg

MARGIN_M = 1.0
"""Round everything that is drawn."""

_BEAM_SHOWN_M = 0.9
"""Share of the way to the subject along which a beam is drawn, so that neighbours stay apart."""


def draw(plan: Plan) -> str:
    """Draw a plan from above as one self-contained SVG element; one unit is one centimetre on the ground.

    Returns
    -------
    str
        ``<svg ...>...</svg>`` without scripts, links or outside fonts; reads in black and white too.
    """
    left, top, width, height = _frame(plan)
    size = max(width, height) / 32  # text size in cm of the drawing, so that it prints alike for any subject
    height += 2 * size  # a strip for the scale
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:.0f} {top:.0f} {width:.0f} {height:.0f}" '
        f'role="img" aria-label="Plan view" font-family="sans-serif" font-size="{size:.0f}">',
        f'<rect x="{left:.0f}" y="{top:.0f}" width="{width:.0f}" height="{height:.0f}" fill="#fff"/>',
        _view(plan, (left, top, width, height)),
        *(_beam(plan, position) for position in plan.positions),
        _subject(plan, size),
        _camera(plan, size),
        *(_stand(plan, together, size) for together in _by_place(plan.positions)),
        _scale((left, top, width, height), size),
        "</svg>",
    ]
    return "\n".join(parts)


def _frame(plan: Plan) -> tuple[float, float, float, float]:
    """Left, top, width and height of the drawing, cm; far from the camera is up."""
    points = [(p.x_m, p.y_m) for p in plan.positions]
    points += [(s * plan.subject.width_m / 2, t * plan.subject.depth_m / 2) for s in (-1, 1) for t in (-1, 1)]
    points.append((float(plan.camera.place[0]), float(plan.camera.place[1])))
    xs, ys = np.array(points).T
    left, right = xs.min() - MARGIN_M, xs.max() + MARGIN_M
    far, near = ys.max() + MARGIN_M, ys.min() - MARGIN_M
    return 100 * float(left), -100 * float(far), 100 * float(right - left), 100 * float(far - near)


def _view(plan: Plan, frame: tuple[float, float, float, float]) -> str:
    camera = plan.camera
    half = math.radians(field_of_view_deg(camera.sensor_mm[0], camera.focal_mm) / 2)
    ahead = math.pi / 2 + math.radians(camera.angle_deg)
    x, y = camera.place[0], camera.place[1]
    length = 2 * max(frame[2], frame[3]) / 100
    ends = [(x + length * math.cos(ahead + turn), y + length * math.sin(ahead + turn)) for turn in (half, -half)]
    return f'<path d="M{_at(x, y)} L{_at(*ends[0])} L{_at(*ends[1])} Z" fill="#eef3f8" stroke="#8aa" stroke-width="2"/>'


def _beam(plan: Plan, position: Position) -> str:
    toward = math.atan2(position.aim_m[1] - position.y_m, position.aim_m[0] - position.x_m)
    reach = math.hypot(position.aim_m[0] - position.x_m, position.aim_m[1] - position.y_m) * _BEAM_SHOWN_M
    half = math.radians(min(plan.lamp.beam_deg, 150) / 2)
    length = reach / math.cos(half)
    ends = [
        (position.x_m + length * math.cos(toward + turn), position.y_m + length * math.sin(toward + turn))
        for turn in (half, -half)
    ]
    dash = ' stroke-dasharray="8 6"' if position.side == "low fill" else ""
    return (
        f'<path d="M{_at(position.x_m, position.y_m)} L{_at(*ends[0])} L{_at(*ends[1])} Z" '
        f'fill="#f5c542" fill-opacity="0.22" stroke="#b58a00" stroke-opacity="0.6" stroke-width="2"{dash}/>'
    )


def _subject(plan: Plan, size: float) -> str:
    width, depth = 100 * plan.subject.width_m, 100 * plan.subject.depth_m
    return (
        f'<rect x="{-width / 2:.0f}" y="{-depth / 2:.0f}" width="{width:.0f}" height="{depth:.0f}" '
        f'rx="{min(width, depth) / 8:.0f}" fill="#a8957c" stroke="#321" stroke-width="4"/>'
        f'<text x="0" y="{size * 0.35:.0f}" text-anchor="middle" fill="#fff">subject</text>'
        f'<text x="0" y="{depth / 2 - size * 0.4:.0f}" text-anchor="middle" fill="#fff" '
        f'font-size="{size * 0.8:.0f}">front</text>'
    )


def _camera(plan: Plan, size: float) -> str:
    x, y = 100 * plan.camera.place[0], -100 * plan.camera.place[1]
    half = size * 0.8
    return (
        f'<g transform="rotate({-plan.camera.angle_deg:.0f} {x:.0f} {y:.0f})">'
        f'<rect x="{x - half:.0f}" y="{y - half * 0.6:.0f}" width="{2 * half:.0f}" '
        f'height="{1.4 * half:.0f}" fill="#223"/>'
        f'<rect x="{x - half * 0.35:.0f}" y="{y - half * 1.2:.0f}" width="{0.7 * half:.0f}" '
        f'height="{half * 0.7:.0f}" fill="#223"/></g>'
        f'<text x="{x + 1.2 * size:.0f}" y="{y + 0.4 * size:.0f}">camera</text>'
    )


def _stand(plan: Plan, positions: list[Position], size: float) -> str:
    """Three legs, none straight at the subject, and the numbers: red where a head must be hidden."""
    position = positions[0]
    x, y, spread = 100 * position.x_m, -100 * position.y_m, 100 * plan.lamp.stand_spread_m
    toward = math.atan2(position.aim_m[1] - position.y_m, position.aim_m[0] - position.x_m)
    legs = " ".join(
        f"M{x:.0f} {y:.0f} L{x + spread * math.cos(turn):.0f} {y - spread * math.sin(turn):.0f}"
        for turn in (toward + math.pi, toward + math.pi / 3, toward - math.pi / 3)
    )
    sees = {position.sees for position in positions}
    fill = "#c0392b" if "head" in sees else "#f0b9b2" if "stand" in sees else "#fff"
    ink = "#fff" if "head" in sees else "#222"
    label = " ".join(str(position.number) for position in positions)
    letters = size * min(1.0, 2.2 / len(label))
    return (
        f'<path d="{legs}" stroke="#555" stroke-width="3"/>'
        f'<circle cx="{x:.0f}" cy="{y:.0f}" r="{size * 0.75:.0f}" fill="{fill}" stroke="#c0392b" '
        f'stroke-width="4"/>'
        f'<text x="{x:.0f}" y="{y + letters * 0.36:.0f}" text-anchor="middle" fill="{ink}" '
        f'font-weight="bold" font-size="{letters:.0f}">{label}</text>'
    )


def _by_place(positions: Sequence[Position]) -> list[list[Position]]:
    """Positions that stand on one spot, at several heights, together."""
    spots: dict[tuple[float, float], list[Position]] = {}
    for position in positions:
        spots.setdefault((position.x_m, position.y_m), []).append(position)
    return list(spots.values())


def _scale(frame: tuple[float, float, float, float], size: float) -> str:
    left, top, width, height = frame
    metres = max(m for m in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20) if 100 * m <= max(width / 4, 10))
    x, y = left + size, top + height - 0.7 * size
    return (
        f'<path d="M{x:.0f} {y - 8:.0f} v8 h{100 * metres:.0f} v-8" fill="none" stroke="#222" '
        f'stroke-width="4"/>'
        f'<text x="{x + 100 * metres + size / 2:.0f}" y="{y:.0f}">{metres:g} m</text>'
    )


def _at(x_m: float, y_m: float) -> str:
    return f"{100 * x_m:.0f} {-100 * y_m:.0f}"

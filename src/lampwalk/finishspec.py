"""What a finish can say: the records of the worksheet's ``finish``, and reading and writing them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from .errors import WorksheetError

BURN_OPACITY = 0.73
"""Opacity of `Burn` where none is given: 70 to 76 % is common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Where something acts: exactly one of ellipse, polygon, mask.

    Attributes
    ----------
    ellipse : (x, y, rx, ry, degrees) or None
        Centre and half axes as shares of width and height; turned clockwise by degrees of the picture.
    polygon : tuple of (x, y) or None
        At least three corners, shares of width and height.
    mask : str or None
        An 8-bit picture file, white where it acts; `apply` gets its pixels through `masks`.
    """

    ellipse: tuple[float, float, float, float, float] | None = None
    polygon: tuple[tuple[float, float], ...] | None = None
    mask: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A tone curve through a soft region.

    On encoded values, ``v -> clip((v - black) / (white - black))^(1 / gamma)``.

    Attributes
    ----------
    region : Region
    black, white : float
        Encoded values (0-1) that become 0 and 1.
    gamma : float
        Above 1 brightens the middle.
    soft : float
        Width of the region's edge as a share of the picture's longer side.
    opacity : float
        0-1.
    """

    region: Region
    black: float = 0.0
    white: float = 1.0
    gamma: float = 1.0
    soft: float = 0.1
    opacity: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Burn:
    """Edges darkened through a soft frame-shaped region, in linear light.

    Attributes
    ----------
    opacity : float
        0-1; at 1 the corners lose two stops.
    inset : float
        Width of the frame as a share of the shorter side.
    soft : float
        Width of its inner edge as a share of the shorter side.
    """

    opacity: float = BURN_OPACITY
    inset: float = 0.1
    soft: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """A cut to a ratio of sides, as large as fits, as near to the focus as fits.

    Attributes
    ----------
    ratio : (float, float)
        Width to height.
    focus : (x, y)
        Shares of width and height; where the middle of the cut should lie.
    inside : (x0, y0, x1, y1)
        The part that may be used (what all frames cover), shares.
    scale : float
        Size of the cut against the largest that fits, above 0, at most 1.
    """

    ratio: tuple[float, float]
    focus: tuple[float, float] = (0.5, 0.5)
    inside: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0)
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """The worksheet's ``finish``; empty means untouched."""

    lift: tuple[Lift, ...] = field(default_factory=tuple)
    burn: Burn | None = None
    crop: Crop | None = None


def from_json(data: Mapping[str, Any]) -> Finish:
    """Read the worksheet's ``finish``.

    Raises
    ------
    WorksheetError
        A field cannot be used; it is named.
    """
    _only(data, ("lift", "burn", "crop"), "finish")
    lifts = data.get("lift") or []
    if not isinstance(lifts, list | tuple):
        raise WorksheetError("finish.lift: is no list", remedy="write a list of lifts")
    burn, crop = data.get("burn"), data.get("crop")
    return Finish(
        lift=tuple(_read_lift(item, f"finish.lift[{i}]") for i, item in enumerate(lifts)),
        burn=None if burn is None else _read_burn(burn),
        crop=None if crop is None else _read_crop(crop),
    )


def to_json(spec: Finish) -> dict[str, Any]:
    """Write a finish as the worksheet has it."""
    data: dict[str, Any] = {}
    if spec.lift:
        data["lift"] = [
            {
                "region": _region_to_json(lift.region),
                **{name: getattr(lift, name) for name in ("black", "white", "gamma", "soft", "opacity")},
            }
            for lift in spec.lift
        ]
    if spec.burn is not None:
        data["burn"] = {name: getattr(spec.burn, name) for name in ("opacity", "inset", "soft")}
    if spec.crop is not None:
        c = spec.crop
        data["crop"] = {
            "ratio": list(c.ratio),
            "focus": list(c.focus),
            "inside": list(c.inside),
            "scale": c.scale,
        }
    return data


def _read_lift(item: Any, where: str) -> Lift:
    _only(item, ("region", "black", "white", "gamma", "soft", "opacity"), where)
    black, white = (
        _number(item, "black", 0.0, (0, 0.95), where),
        _number(item, "white", 1.0, (0.05, 1), where),
    )
    if white - black < 0.05:
        raise WorksheetError(f"{where}.white: not above black", remedy="keep white at least 0.05 above black")
    return Lift(
        region=_read_region(item.get("region"), f"{where}.region"),
        black=black,
        white=white,
        gamma=_number(item, "gamma", 1.0, (0.2, 5), where),
        soft=_number(item, "soft", 0.1, (0, 1), where),
        opacity=_number(item, "opacity", 1.0, (0, 1), where),
    )


def _read_region(item: Any, where: str) -> Region:
    _only(item, ("ellipse", "polygon", "mask"), where)
    if len(item) != 1:
        raise WorksheetError(f"{where}: needs one of ellipse, polygon, mask", remedy="write exactly one of them")
    if "mask" in item:
        if not isinstance(item["mask"], str) or not item["mask"]:
            raise WorksheetError(f"{where}.mask: is no file name", remedy="name a picture file")
        return Region(mask=item["mask"])
    if "ellipse" in item:
        numbers = _numbers(item["ellipse"], (4, 5), f"{where}.ellipse")
        if numbers[2] <= 0 or numbers[3] <= 0:
            raise WorksheetError(f"{where}.ellipse: half axes must be above 0", remedy="write [x, y, rx, ry]")
        cx, cy, rx, ry = numbers[:4]
        if cx + rx <= 0 or cx - rx >= 1 or cy + ry <= 0 or cy - ry >= 1:
            raise WorksheetError(f"{where}.ellipse: lies outside the picture", remedy="places are shares, 0 to 1")
        return Region(ellipse=(cx, cy, rx, ry, numbers[4] if len(numbers) == 5 else 0.0))
    corners = item["polygon"]
    if not isinstance(corners, list | tuple) or len(corners) < 3:
        raise WorksheetError(f"{where}.polygon: needs three corners", remedy="write [[x, y], [x, y], [x, y]]")
    points = tuple(_numbers(corner, (2,), f"{where}.polygon[{i}]") for i, corner in enumerate(corners))
    if (
        max(p[0] for p in points) <= 0
        or min(p[0] for p in points) >= 1
        or max(p[1] for p in points) <= 0
        or min(p[1] for p in points) >= 1
    ):
        raise WorksheetError(f"{where}.polygon: lies outside the picture", remedy="places are shares, 0 to 1")
    return Region(polygon=tuple((p[0], p[1]) for p in points))


def _read_burn(item: Any) -> Burn:
    _only(item, ("opacity", "inset", "soft"), "finish.burn")
    return Burn(
        opacity=_number(item, "opacity", BURN_OPACITY, (0, 1), "finish.burn"),
        inset=_number(item, "inset", 0.1, (0, 0.5), "finish.burn"),
        soft=_number(item, "soft", 0.3, (0, 1), "finish.burn"),
    )


def _read_crop(item: Any) -> Crop:
    where = "finish.crop"
    _only(item, ("ratio", "focus", "inside", "scale"), where)
    ratio = _numbers(item.get("ratio"), (2,), f"{where}.ratio")
    if min(ratio) <= 0 or not 0.05 <= ratio[0] / ratio[1] <= 20:
        raise WorksheetError(f"{where}.ratio: {list(ratio)}", remedy="write width and height, like [16, 9]")
    focus = _numbers(item.get("focus", (0.5, 0.5)), (2,), f"{where}.focus")
    if not all(0 <= v <= 1 for v in focus):
        raise WorksheetError(f"{where}.focus: lies outside the picture", remedy="places are shares, 0 to 1")
    x0, y0, x1, y1 = inside = _numbers(item.get("inside", (0, 0, 1, 1)), (4,), f"{where}.inside")
    if not (0 <= x0 < x1 <= 1 and 0 <= y0 < y1 <= 1):
        raise WorksheetError(
            f"{where}.inside: {list(inside)} is larger than the picture",
            remedy="write [x0, y0, x1, y1], 0 to 1",
        )
    scale = _number(item, "scale", 1.0, (0.01, 1), where)
    return Crop(ratio=(ratio[0], ratio[1]), focus=(focus[0], focus[1]), inside=(x0, y0, x1, y1), scale=scale)


def _region_to_json(region: Region) -> dict[str, Any]:
    if region.mask is not None:
        return {"mask": region.mask}
    if region.polygon is not None:
        return {"polygon": [list(corner) for corner in region.polygon]}
    assert region.ellipse is not None
    return {"ellipse": list(region.ellipse)}


def _only(item: Any, names: Sequence[str], where: str) -> None:
    if not isinstance(item, Mapping):
        raise WorksheetError(f"{where}: is missing or no record", remedy=f"it may hold {', '.join(names)}")
    for name in item:
        if name not in names:
            raise WorksheetError(f"{where}.{name}: is not known", remedy=f"{where} may hold {', '.join(names)}")


def _number(item: Mapping[str, Any], name: str, default: float, limits: tuple[float, float], where: str) -> float:
    value = item.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not limits[0] <= value <= limits[1]:
        raise WorksheetError(f"{where}.{name}: {value!r}", remedy=f"give a number from {limits[0]:g} to {limits[1]:g}")
    return float(value)


def _numbers(value: Any, counts: tuple[int, ...], where: str) -> tuple[float, ...]:
    good = isinstance(value, list | tuple) and len(value) in counts
    if not good or any(isinstance(v, bool) or not isinstance(v, int | float) or not math.isfinite(v) for v in value):
        raise WorksheetError(f"{where}: {str(value)[:60]}", remedy=f"write {' or '.join(map(str, counts))} numbers")
    return tuple(float(v) for v in value)

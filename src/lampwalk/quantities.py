"""Numbers with units as a photographer writes them: "1/125", "f/8", "4 m", "60 Ws".

Every function takes the text and a few words on what it is for, returns a float in the unit of its name, and
raises an `InputError` that says what was expected. A length without a unit is refused: metres and feet both
pass for distances.
"""

from __future__ import annotations

import math
import re

from .errors import InputError

_SMALLEST, _LARGEST = 1e-6, 1e6
"""No lamp, place, time or setting of a shoot lies beyond, in the units here: a slip of the pen does."""

_METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "ft": 0.3048, "in": 0.0254}
"""Foot and inch: international yard agreement, 1959 (exact)."""
_JOULES = {"j": 1.0, "ws": 1.0}
"""A watt-second is a joule (SI)."""
_SECONDS = {"s": 1.0, "ms": 0.001, "min": 60.0}
_DEGREES = {"deg": 1.0, "°": 1.0, "degrees": 1.0}
_STOPS = {"": 1.0, "stop": 1.0, "stops": 1.0, "ev": 1.0}

_NUMBER = r"[+-]?\d+(?:[.,]\d+)?(?:/\d+)?"
_QUANTITY = re.compile(rf"({_NUMBER})\s*([a-z°]*)", re.IGNORECASE)


def metres(text: str, what: str = "length") -> float:
    """Read a length such as ``"4 m"``, ``"120 cm"`` or ``"13 ft"``; metres, above 0."""
    return _above_zero(_read(text, what, _METRES, "4 m, 120 cm or 13 ft"), what)


def millimetres(text: str, what: str = "focal length") -> float:
    """Read a focal length such as ``"35 mm"``; millimetres, above 0."""
    return 1000 * _above_zero(_read(text, what, _METRES, "35 mm"), what)


def sizes_m(text: str, count: int, what: str = "size") -> tuple[float, ...]:
    """Read sizes such as ``"6 m x 2.2 m x 1.8 m"`` or ``"36 x 24 mm"``; metres, each above 0.

    A unit after the last number only holds for all of them.
    """
    example = "6 m x 2.2 m x 1.8 m" if count == 3 else "36 x 24 mm"
    parts = [part.strip() for part in re.split(r"[x×]", text.strip(), flags=re.IGNORECASE)]
    if len(parts) != count:
        raise InputError(f"{what}: {text!r} is not {count} numbers", remedy=f"expected such as {example}")
    last_unit = re.sub(r"[^a-z]", "", parts[-1].lower())
    return tuple(metres(part if re.search("[a-z]", part, re.IGNORECASE) else part + last_unit, what) for part in parts)


def degrees(text: str, what: str = "angle") -> float:
    """Read an angle such as ``"65 deg"`` or ``"-30°"``; degrees, any sign."""
    return _read(text, what, _DEGREES, "65 deg")


def joules(text: str, what: str = "energy") -> float:
    """Read an energy such as ``"60 Ws"`` or ``"60 J"``; joules, above 0."""
    return _above_zero(_read(text, what, _JOULES, "300 Ws or 300 J"), what)


def seconds(text: str, what: str = "time") -> float:
    """Read a time such as ``"2 s"``; seconds, above 0."""
    return _above_zero(_read(text, what, _SECONDS, "2 s"), what)


def stops(text: str, what: str = "stops") -> float:
    """Read stops such as ``"3"``, ``"3 stops"``, ``"-1/3"`` or ``"+1.5 EV"``; any sign."""
    return _read(text, what, _STOPS, "3 or 3 stops")


def shutter_s(text: str, what: str = "shutter") -> float:
    """Read an exposure time such as ``"1/125"``, ``"1/125 s"`` or ``"0.5 s"``; seconds, above 0.

    A bare ``"125"`` is refused: it may mean 125 s, or 1/125 s as many cameras show it.
    """
    written = text.strip().lower()
    if re.fullmatch(rf"{_NUMBER}", written) and "/" not in written:
        raise InputError(
            f"{what}: {text!r} may mean 1/{written} s or {written} s",
            remedy=f"write 1/{written} or {written} s",
        )
    return _above_zero(_read(written, what, {"": 1.0, **_SECONDS}, "1/125 or 0.5 s"), what)


def f_number(text: str, what: str = "aperture") -> float:
    """Read an f-number such as ``"f/8"``, ``"f8"`` or ``"8"``; above 0."""
    number = re.sub(r"^f\s*/?\s*", "", text.strip(), flags=re.IGNORECASE)
    return _above_zero(_read(number, what, {"": 1.0}, "f/8"), what)


def iso(text: str, what: str = "sensitivity") -> float:
    """Read a sensitivity such as ``"ISO 100"`` or ``"100"``; above 0."""
    number = re.sub(r"^iso\s*", "", text.strip(), flags=re.IGNORECASE)
    return _above_zero(_read(number, what, {"": 1.0}, "ISO 100"), what)


def power(text: str, what: str = "power") -> float:
    """Read a power fraction such as ``"1/4"`` or ``"full"``; above 0, at most 1."""
    value = 1.0 if text.strip().lower() == "full" else _read(text, what, {"": 1.0}, "1/4 or full")
    if not 0 < value <= 1:
        raise InputError(f"{what}: {text!r} is not above 0 and at most 1", remedy="expected such as 1/4 or full")
    return value


def require_positive(value: float, what: str, example: str) -> None:
    """Raise an `InputError` unless a number is above 0 and not absurd.

    Parameters
    ----------
    value : float
    what, example : str
        What it is, and what was expected, for the message.
    """
    if not value > 0:
        raise InputError(f"{what} must be above 0, not {value:g}", remedy=f"expected such as {example}")
    if not _SMALLEST <= value <= _LARGEST or not math.isfinite(value):
        raise InputError(f"{what} of {value:g} cannot be meant", remedy=f"expected such as {example}")


def _read(text: str, what: str, units: dict[str, float], example: str) -> float:
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        raise InputError(f"{what}: {text!r} is not understood", remedy=f"expected such as {example}")
    unit = match[2].lower()
    if unit not in units:
        fault = f"has the unit {match[2]!r}" if unit else "has no unit"
        raise InputError(f"{what}: {text!r} {fault}", remedy=f"expected such as {example}")
    above, _, below = match[1].replace(",", ".").partition("/")
    if below and float(below) == 0:
        raise InputError(f"{what}: {text!r} divides by 0", remedy=f"expected such as {example}")
    return float(above) / float(below or 1) * units[unit]


def _above_zero(value: float, what: str) -> float:
    if not value > 0:
        raise InputError(f"{what} must be above 0, not {value:g}")
    return value

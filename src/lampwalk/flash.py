"""The lamp before the shoot: guide number, power, distance, falloff, battery.

Notes
-----
With the guide number GN (metres, ISO 100, full power), distance d, f-number N, sensitivity S and power
fraction P:

    N d = GN sqrt(S / 100 * P * 2^(gain - loss))

The guide number is defined by ISO 1230 (from memory); distance enters by the inverse-square law (physics),
which holds for a head that is small against its distance: a softbox nearer than about five times its size
falls off more slowly (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .errors import InputError
from .quantities import require_positive

SMALLEST_POWER = 1 / 128
"""Lowest power where the photographer names none. Common practice, no source: many lamps end at 1/128, some
at 1/16."""

STAND_SPREAD_M = 0.6
"""Middle of the stand to a foot, metres. Common practice, no source: measure yours."""

HEAD_RADIUS_M = 0.15
"""Half the width of head and reflector, metres. Common practice, no source: measure yours."""

_MUST_BE_POSITIVE = {
    "guide_number_m": ("guide number", "60 m"),
    "distance_m": ("distance", "4 m"),
    "height_m": ("height", "2.5 m"),
    "recycle_s": ("recycle time", "1.5 s"),
    "flashes": ("number of flashes a charge", "250"),
    "smallest_power": ("smallest power", "1/128"),
    "stand_spread_m": ("stand's spread", "0.6 m"),
    "head_radius_m": ("head's radius", "0.15 m"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """The flash that is walked around the subject.

    Attributes
    ----------
    guide_number_m : float
        At ISO 100, metres, full power, with the reflector it is measured with; above 0.
    beam_deg : float
        Angle between the directions of half the peak intensity, degrees, 5 to 150.
    distance_m, power : float or None
        Head to subject in metres, or the power fraction (above 0 to 1). Exactly one is given; the other
        follows.
    gain_ev : float
        Another reflector than at the guide number, stops; negative for a softbox or a gel.
    height_m : float or None
        Head above ground, metres; None for a head that looks down by 30 degrees.
    recycle_s, flashes : float or None
        Seconds until ready, and flashes a charge, both at full power.
    smallest_power : float
        The lowest power it has.
    stand_spread_m, head_radius_m : float
        Middle of the stand to a foot; half the width of head and reflector; metres.
    """

    guide_number_m: float
    beam_deg: float
    distance_m: float | None = None
    power: float | None = None
    gain_ev: float = 0.0
    height_m: float | None = None
    recycle_s: float | None = None
    flashes: float | None = None
    smallest_power: float = SMALLEST_POWER
    stand_spread_m: float = STAND_SPREAD_M
    head_radius_m: float = HEAD_RADIUS_M

    def __post_init__(self) -> None:
        for name, (what, example) in _MUST_BE_POSITIVE.items():
            value = getattr(self, name)
            if value is not None:
                require_positive(value, f"the lamp's {what}", example)
        if not 5 <= self.beam_deg <= 150:
            raise InputError(f"beam of {self.beam_deg:g} deg", remedy="expected 5 to 150 deg, such as 65 deg")
        if (self.distance_m is None) == (self.power is None):
            raise InputError(
                "give the lamp's distance or its power, and the other follows", remedy="such as 4 m, or 1/4"
            )
        if self.power is not None and not 0 < self.power <= 1:
            raise InputError(f"power of {self.power:g}", remedy="expected above 0 and at most 1, such as 1/4")
        if not (math.isfinite(self.gain_ev) and abs(self.gain_ev) <= 10):
            raise InputError(f"gain of {self.gain_ev:g} stops", remedy="expected -10 to 10 stops")

    @property
    def ev(self) -> float:
        """Light of the lamp at full power in stops: 2 log2(GN) with its reflector's gain."""
        return 2 * math.log2(self.guide_number_m) + self.gain_ev


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """What the lamp is set to, and how it behaves there.

    Attributes
    ----------
    distance_m : float
        Head to subject, metres.
    power : float
        Fraction, on thirds of a stop; above 1 where the lamp is too weak.
    reach_m : float
        Distance at which full power gives the exposure, metres.
    nearer_ev, farther_ev : float or None
        What half a metre nearer, and half a metre farther, changes; stops. `nearer_ev` is None up to 0.5 m.
    falloff_ev : float
        From the near to the far side of the subject's depth, stops, negative.
    recycle_s, charge : float or None
        Seconds until ready again; share of a battery's charge that the walk takes (0.1 = a tenth).
    """

    distance_m: float
    power: float
    reach_m: float
    nearer_ev: float | None
    farther_ev: float
    falloff_ev: float
    recycle_s: float | None
    charge: float | None


def guide_number_from_reading(f_number: float, distance_m: float, iso: float = 100.0) -> float:
    """Find the guide number (metres, ISO 100) from one flash-meter reading: N d / sqrt(S / 100)."""
    return f_number * distance_m / math.sqrt(iso / 100)


def guide_number_from_energy(energy_j: float, measured_guide_number_m: float, measured_energy_j: float) -> float:
    """Guide number at another energy of the same lamp and reflector: it grows as the square root.

    Joules alone say nothing: tube, reflector and cover decide how much light leaves forward. Hence the
    measured pair.
    """
    return measured_guide_number_m * math.sqrt(energy_j / measured_energy_j)


def aperture_for(guide_number_m: float, distance_m: float, iso: float = 100.0, power: float = 1.0) -> float:
    """F-number at which a distance is rightly exposed (not rounded to a marked value)."""
    return guide_number_m * math.sqrt(iso / 100 * power) / distance_m


def distance_for_m(guide_number_m: float, f_number: float, iso: float = 100.0, power: float = 1.0) -> float:
    """Distance in metres that is rightly exposed at an f-number."""
    return guide_number_m * math.sqrt(iso / 100 * power) / f_number


def change_ev(from_m: float, to_m: float) -> float:
    """Give the change of light between two distances, stops (inverse-square law): 2 log2(from / to)."""
    return 2 * math.log2(from_m / to_m)


def power_for(lamp_ev: float, distance_m: float, needed_ev: float) -> float:
    """Find the power fraction for a distance, in thirds of a stop; above 1 where the lamp is too weak.

    Parameters
    ----------
    lamp_ev : float
        2 log2(GN), with gain.
    distance_m : float
    needed_ev : float
        Av - log2(S / 100) + stops of flash light lost on the way.
    """
    exact_ev = needed_ev + 2 * math.log2(distance_m) - lamp_ev
    return float(2 ** (round(3 * exact_ev) / 3))


def reach_m(lamp_ev: float, power: float, needed_ev: float) -> float:
    """Distance in metres at which a power fraction gives the exposure; parameters as `power_for`."""
    return float(2 ** ((lamp_ev + math.log2(power) - needed_ev) / 2))


def power_text(power: float) -> str:
    """Write a power fraction as lamps do: ``"full"``, ``"1/4"``, ``"1/4 + 0.3"`` (brighter)."""
    thirds = round(-3 * math.log2(power))
    if thirds < 0:
        return f"full, lacks {-thirds / 3:.1f}"
    whole = -(-thirds // 3)
    rest = 3 * whole - thirds
    fraction = "full" if whole == 0 else f"1/{2**whole}"
    return f"{fraction} + {rest / 3:.1f}" if rest else fraction


def set_lamp(lamp: Lamp, *, needed_ev: float, depth_m: float, flashes: int) -> Flash:
    """Set power from distance or distance from power, and say how the light behaves there.

    Parameters
    ----------
    lamp : Lamp
    needed_ev : float
        As in `power_for`.
    depth_m : float
        Depth of the subject along the beam, metres.
    flashes : int
        Flashes of the whole walk.
    """
    if lamp.distance_m is not None:
        distance, power = lamp.distance_m, power_for(lamp.ev, lamp.distance_m, needed_ev)
    else:
        power = lamp.power or 1.0
        distance = reach_m(lamp.ev, power, needed_ev)
    return Flash(
        distance_m=distance,
        power=power,
        reach_m=reach_m(lamp.ev, 1.0, needed_ev),
        nearer_ev=change_ev(distance, distance - 0.5) if distance > 0.5 else None,
        farther_ev=change_ev(distance, distance + 0.5),
        falloff_ev=change_ev(distance, distance + depth_m),
        recycle_s=None if lamp.recycle_s is None else lamp.recycle_s * min(power, 1.0),
        charge=None if lamp.flashes is None else flashes * min(power, 1.0) / lamp.flashes,
    )

"""Exposure before the shoot: how far the daylight sinks, and what that asks of shutter, filter and flash.

Notes
-----
All sums are APEX sums, in stops (ISO 2720:1974; Exif 2.32, annex on APEX units):

    Tv = -log2(t)    Av = 2 log2(N)    Ev = Av + Tv    EV100 = Ev - log2(S / 100)

Cameras are marked with nominal values (1/125, f/5.6) but work in exact thirds of a stop (2^-7 s, 2^(5/2)). A
value of the nominal series therefore counts as its exact third; any other value counts as what it is.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from . import quantities
from .errors import InputError

_SLOW = "30 25 20 15 13 10 8 6 5 4 3.2 2.5 2 1.6 1.3 1 0.8 0.6 0.5 0.4 0.3"
_FAST = (
    "4 5 6 8 10 13 15 20 25 30 40 50 60 80 100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 "
    "2500 3200 4000 5000 6400 8000 10000 13000 16000 20000 25000 32000"
)
SHUTTERS_S = tuple(float(t) for t in _SLOW.split()) + tuple(1 / float(d) for d in _FAST.split())
"""Nominal exposure times in thirds of a stop, Tv -5 (30 s) to Tv 15 (1/32000 s): the series that cameras are
marked with, known from published charts; the whole stops are those of the APEX tables."""
_FIRST_TV = -5

_F_NUMBERS = (
    "1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 25 29 32 36 "
    "40 45 51 57 64"
)
F_NUMBERS = tuple(float(n) for n in _F_NUMBERS.split())
"""Nominal f-numbers in thirds of a stop, Av 0 (f/1) to Av 12 (f/64); origin as above."""

SYNC_S = 1 / 200
"""Flash sync speed where the photographer names none. Common practice, no source: cameras lie at 1/160 to
1/250 s."""

FASTEST_S = 1 / 8000
"""Fastest shutter where the photographer names none. Common practice, no source."""

HSS_ENTRY_EV = 2.0
"""Stops of flash light that high-speed sync costs on entry. Common practice, no source: measure your own
lamp."""

_MOST_SINK_EV = 20.0
_EPSILON_EV = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Exposure time, f-number and sensitivity, as marked on the camera.

    Attributes
    ----------
    shutter_s : float
        Exposure time in seconds, nominal (1/125 for Tv 7), above 0.
    f_number : float
        Nominal (5.6 for Av 5), above 0.
    iso : float
        Sensitivity by ISO 12232, above 0.
    """

    shutter_s: float
    f_number: float
    iso: float

    def __post_init__(self) -> None:
        for name, value in (
            ("shutter", self.shutter_s),
            ("aperture", self.f_number),
            ("sensitivity", self.iso),
        ):
            quantities.require_positive(value, name, "1/125 f/8 ISO 100")

    def __str__(self) -> str:
        return f"{shutter_text(self.shutter_s)} at f/{self.f_number:g}, ISO {self.iso:g}"

    @property
    def ev(self) -> float:
        """Ev = Av + Tv."""
        return av(self.f_number) + tv(self.shutter_s)

    @property
    def ev100(self) -> float:
        """Light that this setting takes for middling, as EV at ISO 100."""
        return self.ev - iso_ev(self.iso)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutter:
    """What the camera's shutter can do with a flash.

    Attributes
    ----------
    sync_s, fastest_s : float
        Flash sync speed and fastest time, seconds, above 0.
    hss_entry_ev : float
        Stops of flash light that high-speed sync costs on entry (see `high_speed_sync_loss_ev`), 0 or more.
    """

    sync_s: float = SYNC_S
    fastest_s: float = FASTEST_S
    hss_entry_ev: float = HSS_ENTRY_EV

    def __post_init__(self) -> None:
        if not 0 < self.fastest_s <= self.sync_s <= 1:
            raise InputError(
                f"sync speed {self.sync_s:g} s and fastest shutter {self.fastest_s:g} s do not fit together",
                remedy="expected a sync speed such as 1/200 and a fastest shutter such as 1/8000",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """One way to take the daylight down.

    Attributes
    ----------
    way : str
        ``"high-speed sync"``, ``"neutral-density filter"`` or ``"smaller aperture"``.
    setting : Setting
    nd_ev : float
        Strength of the filter on the lens, stops.
    flash_loss_ev : float
        Flash light lost against the wanted aperture at sync speed without a filter, stops.
    remark : str
    """

    way: str
    setting: Setting
    nd_ev: float
    flash_loss_ev: float
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """The setting that sinks the daylight.

    Attributes
    ----------
    meter, setting : Setting
        As metered; as to be set.
    sink_ev : float
        Stops that the daylight sinks below the metered exposure, with the rounded shutter.
    nd_ev : float
        Strength of the filter on the lens, stops; 0 for none.
    flash_loss_ev : float
        Flash light lost to high-speed sync and filter at this setting, stops.
    high_speed_sync : bool
        True where the shutter is faster than the sync speed.
    alternatives : tuple of Alternative
        The three ways compared, where the shutter is faster than the sync speed; else empty.
    """

    meter: Setting
    setting: Setting
    sink_ev: float
    nd_ev: float
    flash_loss_ev: float
    high_speed_sync: bool
    alternatives: tuple[Alternative, ...]


def tv(shutter_s: float) -> float:
    """Time value in stops: -log2(t), nominal times counted as their exact third of a stop."""
    return _snapped(-math.log2(shutter_s), shutter_s, SHUTTERS_S, _FIRST_TV)


def av(f_number: float) -> float:
    """Aperture value in stops: 2 log2(N), nominal f-numbers counted as their exact third of a stop."""
    return _snapped(2 * math.log2(f_number), f_number, F_NUMBERS, 0)


def iso_ev(iso: float) -> float:
    """Give the stops of sensitivity above ISO 100, in exact thirds where the value is near one (3 %)."""
    exact = math.log2(iso / 100)
    third = round(3 * exact) / 3
    return third if abs(exact - third) < 0.043 else exact


def nominal_shutter_s(time_value: float) -> float:
    """Exposure time of the nominal series that is nearest to a Tv (-5 to 15), seconds."""
    return _nominal(time_value, SHUTTERS_S, _FIRST_TV, "shutter")


def nominal_f_number(aperture_value: float) -> float:
    """F-number of the nominal series that is nearest to an Av (0 to 12)."""
    return _nominal(aperture_value, F_NUMBERS, 0, "aperture")


def shutter_text(shutter_s: float) -> str:
    """Write an exposure time as cameras do: ``"1/125 s"``, ``"0.5 s"``, ``"2 s"``."""
    return f"{shutter_s:g} s" if shutter_s > 0.29 else f"1/{1 / shutter_s:.0f} s"


def read_setting(text: str) -> Setting:
    """Read a meter reading such as ``"1/125 f/8 ISO 100"``, in any order.

    Raises
    ------
    InputError
        A part is missing or cannot be read.
    """
    rest, found = text, {}
    for name, pattern in (("iso", r"\biso\s*[-+\d.,]+"), ("f", r"\bf\s*/?\s*[-+\d.,]+")):
        match = re.search(pattern, rest, re.IGNORECASE)
        if match is None:
            part = "sensitivity" if name == "iso" else "aperture"
            raise InputError(f"meter reading {text!r} lacks the {part}", remedy="expected such as 1/125 f/8 ISO 100")
        found[name] = match[0].rstrip(",.")
        rest = rest.replace(match[0], " ", 1)
    shutter = re.sub(r"\bat\b", " ", rest).strip(" ,")
    if not shutter:
        raise InputError(f"meter reading {text!r} lacks the shutter", remedy="expected such as 1/125 f/8 ISO 100")
    return Setting(
        shutter_s=quantities.shutter_s(shutter),
        f_number=quantities.f_number(found["f"]),
        iso=quantities.iso(found["iso"]),
    )


def sink_ev(meter: Setting, setting: Setting, nd_ev: float = 0.0) -> float:
    """Give the stops by which a setting puts the metered light below its metered exposure.

    Parameters
    ----------
    meter, setting : Setting
    nd_ev : float
        Strength of a filter on the lens, stops.

    Returns
    -------
    float
        Positive where the light comes out darker.
    """
    return setting.ev100 + nd_ev - meter.ev100


def high_speed_sync_loss_ev(shutter_s: float, shutter: Shutter) -> float:
    """Give the flash light lost to high-speed sync, stops; 0 at sync speed and slower.

    Parameters
    ----------
    shutter_s : float
        Exposure time, seconds.
    shutter : Shutter

    Notes
    -----
    In high-speed sync the lamp glows through the travel of the curtains, and the slit takes its share as it
    does of any continuous light: one stop a stop of shutter (physics). On top comes `hss_entry_ev` for going
    from one burst to a glow: common practice, no source; it differs from lamp to lamp.
    """
    faster_ev = tv(shutter_s) - tv(shutter.sync_s)
    return shutter.hss_entry_ev + faster_ev if faster_ev > _EPSILON_EV else 0.0


def find_exposure(
    meter: Setting, f_number: float, sink: float, *, nd_ev: float = 0.0, shutter: Shutter | None = None
) -> Exposure:
    """Find the shutter that sinks the daylight, and compare the ways to get there.

    Parameters
    ----------
    meter : Setting
        The metered exposure of the daylight; its sensitivity is kept.
    f_number : float
        The aperture wanted.
    sink : float
        Stops that the daylight shall sink; negative lifts it.
    nd_ev : float
        Strength of a filter on the lens, stops, 0 or more.
    shutter : Shutter, optional
        The camera's limits.

    Raises
    ------
    InputError
        The shutter is beyond the camera's range; the message names what would fit.
    """
    quantities.require_positive(f_number, "aperture", "f/4")
    if not abs(sink) <= _MOST_SINK_EV:
        raise InputError(f"sinking the daylight by {sink:g} stops", remedy="expected -20 to 20, such as 2")
    if not (math.isfinite(nd_ev) and 0 <= nd_ev <= 20):
        raise InputError(f"filter of {nd_ev:g} stops", remedy="expected 0 to 20 stops, such as 3")
    shutter = shutter or Shutter()
    wanted_tv = meter.ev + sink - nd_ev - av(f_number)
    _within_camera(wanted_tv, shutter.fastest_s)
    setting = Setting(shutter_s=nominal_shutter_s(wanted_tv), f_number=f_number, iso=meter.iso)
    over_ev = tv(setting.shutter_s) - tv(shutter.sync_s)
    high_speed_sync = over_ev > _EPSILON_EV
    return Exposure(
        meter=meter,
        setting=setting,
        sink_ev=sink_ev(meter, setting, nd_ev),
        nd_ev=nd_ev,
        flash_loss_ev=nd_ev + high_speed_sync_loss_ev(setting.shutter_s, shutter),
        high_speed_sync=high_speed_sync,
        alternatives=_compare_ways(setting, nd_ev, over_ev, shutter) if high_speed_sync else (),
    )


def _compare_ways(setting: Setting, nd_ev: float, over_ev: float, shutter: Shutter) -> tuple[Alternative, ...]:
    ways = [
        Alternative(
            way="high-speed sync",
            setting=setting,
            nd_ev=nd_ev,
            flash_loss_ev=nd_ev + high_speed_sync_loss_ev(setting.shutter_s, shutter),
            remark="lamp and trigger must support it; entry loss is common practice, no source",
        )
    ]
    filter_ev = math.ceil(over_ev - _EPSILON_EV)
    slower = Setting(
        shutter_s=nominal_shutter_s(tv(setting.shutter_s) - filter_ev),
        f_number=setting.f_number,
        iso=setting.iso,
    )
    ways.append(
        Alternative(
            way="neutral-density filter",
            setting=slower,
            nd_ev=nd_ev + filter_ev,
            flash_loss_ev=nd_ev + filter_ev,
            remark=f"factor {2**filter_ev}, density {0.301 * filter_ev:.1f}; focus before it goes on",
        )
    )
    closed_av = av(setting.f_number) + over_ev
    if closed_av <= av(F_NUMBERS[-1]) + _EPSILON_EV:
        ways.append(
            Alternative(
                way="smaller aperture",
                setting=Setting(shutter_s=shutter.sync_s, f_number=nominal_f_number(closed_av), iso=setting.iso),
                nd_ev=nd_ev,
                flash_loss_ev=nd_ev + over_ev,
                remark="more depth of field; check that the lens closes so far",
            )
        )
    return tuple(ways)


def _within_camera(wanted_tv: float, fastest_s: float) -> None:
    over_ev = wanted_tv - tv(fastest_s)
    if over_ev > 1 / 6:
        raise InputError(
            f"this needs a shutter of 1/{2**wanted_tv:.0f} s; the fastest is {shutter_text(fastest_s)}",
            remedy=f"{math.ceil(over_ev)}-stop filter, aperture {over_ev:.1f} stops smaller, or less sink",
        )
    if wanted_tv < _FIRST_TV - 1 / 6:
        raise InputError(
            f"this needs a shutter of {2**-wanted_tv:.0f} s, and cameras end at 30 s",
            remedy="open the aperture, raise the sensitivity, or sink more",
        )


def _snapped(exact: float, value: float, series: tuple[float, ...], first: int) -> float:
    third = round(3 * (exact - first))
    if 0 <= third < len(series) and math.isclose(value, series[third], rel_tol=0.005):
        return first + third / 3
    return exact


def _nominal(value: float, series: tuple[float, ...], first: int, what: str) -> float:
    third = round(3 * (value - first))
    if not 0 <= third < len(series):
        raise InputError(f"{what} of {value:.1f} stops is beyond the marked series ({series[0]:g} to {series[-1]:g})")
    return series[third]

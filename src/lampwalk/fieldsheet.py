"""The field sheet: one page to print (HTML) or to read on the phone (Markdown), the same content in both."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from . import planview
from .exposure import Setting, shutter_text
from .flash import change_ev, power_text
from .planning import FLASHES_PER_POSITION, Plan
from .positions import Position, place_text, pool_m

REMINDERS = (
    "Tripod locked, weighted and off soft ground; stabiliser off; nobody touches the camera: remote release.",
    "Everything by hand: shutter, aperture, ISO, focus, white balance. Raw files, if the camera has them.",
    "One ambient frame first and one last, lamp off, same settings.",
    "Leave a clean frame: what a stand covers in one frame must be free in another, so move all of it.",
    "Modelling light off. Lamp behind the subject: shade the lens; haze in the frame is hard to take out.",
    "Test frame at position 1: the lit side just below clipping. Then leave power and distance alone.",
    "Wait for the wind to pause before each frame; plants, flags and water in one go.",
    "Bags, cables and people out of the picture before every frame.",
    "Tick each position; count the frames before the tripod moves.",
)
"""For a set that merges well. Common practice, no source."""

CAUTIONS = (
    "Local rules, permits and licensed practice come first; this sheet replaces none of them.",
    "Weight every stand, legs wide; keep to the wind limit its maker gives; take it down when gusts rise.",
    "Boom: counterweight on before the head, sandbag on the base, nobody beneath. Look up for power lines.",
    "Dusk: walk the route in daylight, torch on, cables along edges and taped down, no cable across a path.",
    "Never flash at eyes close by, people's or animals'; warn before each flash; none towards traffic.",
    "Heads and bare bulbs are hot: let them cool before you pack; keep battery packs off the wet ground.",
    "Slipway and shore: know the tide, keep a way out, mind weed and winch; never lean on a boat on props.",
    "Near a road: visible clothing, nothing on the carriageway, somebody to watch it while you shoot.",
)
"""The usual cautions of the trade; no source, and no substitute for the rules of the place."""

LOWEST_HEAD_M = 0.5
"""A head is not advised to go lower than this behind the subject. A choice, no source."""

_SEES = {
    "head": "head: hide it",
    "stand": "stand: hide it",
    "hidden": "behind the subject",
    "nothing": "clear",
}

_STYLE = """
@page{size:A4;margin:9mm}
*{box-sizing:border-box}
body{font:8.3pt/1.22 Arial,"Liberation Sans",Helvetica,sans-serif;color:#1b1b1b;margin:0
auto;max-width:210mm;padding:4mm} h1{font-size:14pt;margin:0;border-bottom:2px solid
#1b1b1b;padding-bottom:1mm} h2{font-size:10pt;margin:2.4mm 0
.8mm;text-transform:uppercase;letter-spacing:.04em} .lead{margin:1.5mm 0 0;font-size:12pt;font-weight:700}
.two{display:grid;grid-template-columns:1fr 1fr;gap:0 5mm} .one td{white-space:nowrap}
.one td:nth-child(4){white-space:normal;width:36%}
.one td:last-child{width:9%}
table{border-collapse:collapse;width:100%} th,td{text-align:left;padding:.45mm 1mm;border-bottom:1px solid
#bbb;vertical-align:top} th{font-weight:600} thead th{border-bottom:1.5px solid #1b1b1b}
td.n{font-weight:700;text-align:right} .plan{border:1px solid #bbb;padding:1px}
svg{width:100%;max-height:92mm;display:block}
.small-plan svg{max-height:66mm}
.wide{overflow-x:auto}
ul{margin:0;padding:0;list-style:none} li{padding:.1mm 0 .1mm 5mm;text-indent:-5mm}
input{width:3.2mm;height:3.2mm;margin:0 1.6mm 0 0;vertical-align:-.4mm} .cautions{border:1.5px solid
#1b1b1b;padding:0 2.5mm 1.5mm;margin-top:2.5mm} .cautions h2{margin-top:1.5mm} .cautions
li{padding-left:3.5mm;text-indent:-3.5mm} .remark{border-left:1.2mm solid #c0392b;padding-left:2mm;margin:1mm
0} .small{font-size:7.2pt;color:#444;margin:1mm 0 0} @media print{body{padding:0 .5mm;max-width:none}} @media
screen and (max-width:640px){.two{grid-template-columns:1fr}body{font-size:11pt}}
"""


@dataclass(frozen=True, slots=True)
class Table:
    """A heading, the names of the columns (none where the first column names the row), and the cells."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def as_html(plan: Plan, title: str = "") -> str:
    """Write the field sheet as one HTML page; a usual walk prints on one A4 page. No scripts, no requests.

    Parameters
    ----------
    plan : Plan
    title : str
        Heading, such as the name of the subject; any characters.
    """
    heading = html.escape(title or "Field sheet")
    ways = f'<div class="wide">{_html_table(_ways(plan))}</div>' if plan.exposure.alternatives else ""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{heading}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>{heading}</h1>
<p class="lead">{html.escape(_lead(plan))}</p>
{"".join(f'<p class="remark">{html.escape(str(remark))}</p>' for remark in plan.remarks)}
<div class="two">
<div>
{_html_table(_light(plan))}
{_html_table(_lamp(plan))}
</div>
<div>
<h2>Plan view</h2>
<div class="plan{" small-plan" if ways else ""}">{planview.draw(plan)}</div>
<p class="small">{html.escape(_legend(plan))}</p>
</div>
</div>
{ways}
<div class="wide">{_html_positions(plan)}</div>
<div class="two">
<div><h2>For a set that merges well</h2>
<ul>{"".join(f'<li><input type="checkbox">{html.escape(line)}</li>' for line in REMINDERS)}</ul></div>
<div class="cautions"><h2>Take care</h2>
<ul>{"".join(f"<li>&#9650; {html.escape(line)}</li>" for line in CAUTIONS)}</ul></div>
</div>
<p class="small">{html.escape(_footnote())}</p>
</body>
</html>
"""


def as_markdown(plan: Plan, title: str = "") -> str:
    """Write the field sheet as Markdown with ticks, for the phone; no drawing, every place in words.

    Parameters
    ----------
    plan : Plan
    title : str
    """
    heading = " ".join((title or "Field sheet").split())
    tables = [_light(plan), _lamp(plan), *([_ways(plan)] if plan.exposure.alternatives else [])]
    lines = [f"# {heading}", "", f"**{_lead(plan)}**", ""]
    lines += [f"> {remark}\n" for remark in plan.remarks]
    for table in tables:
        lines += _markdown_table(table)
    lines += ["## Positions", "", "- [ ] ambient frame, lamp off"]
    lines += [_markdown_tick(_positions(plan).columns, row) for row in _positions(plan).rows]
    lines += ["- [ ] ambient frame, lamp off", "", "## For a set that merges well", ""]
    lines += [f"- [ ] {line}" for line in REMINDERS]
    lines += ["", "## Take care", "", *(f"- {line}" for line in CAUTIONS), "", _footnote(), ""]
    return "\n".join(lines)


def _lead(plan: Plan) -> str:
    nd = f", {plan.exposure.nd_ev:g}-stop filter" if plan.exposure.nd_ev else ""
    sync = " (high-speed sync)" if plan.exposure.high_speed_sync else ""
    power = "TOO WEAK" if plan.flash.power > 1 else power_text(plan.flash.power)
    return f"{plan.exposure.setting}{nd}{sync} · lamp at {plan.flash.distance_m:.1f} m, power {power}"


def _light(plan: Plan) -> Table:
    exposure = plan.exposure
    rows = [
        ("Metered", f"{exposure.meter} (EV {exposure.meter.ev100:.1f} at ISO 100)"),
        ("Set", str(exposure.setting)),
        (
            "Daylight",
            f"{abs(exposure.sink_ev):.1f} stops {'below' if exposure.sink_ev >= 0 else 'above'} metered",
        ),
    ]
    if exposure.nd_ev:
        rows.append(("Filter on the lens", f"{exposure.nd_ev:g} stops"))
    rows.append(("Flash light lost", f"{exposure.flash_loss_ev:.1f} stops" if exposure.flash_loss_ev else "none"))
    return Table("Daylight", (), tuple(rows))


def _lamp(plan: Plan) -> Table:
    lamp, flash = plan.lamp, plan.flash
    gain = f", gain {lamp.gain_ev:+.1f} stops" if lamp.gain_ev else ""
    along = change_ev(flash.distance_m, flash.distance_m + plan.subject.width_m)
    pool = pool_m(flash.distance_m, lamp.beam_deg)
    nearer = "" if flash.nearer_ev is None else f"0.5 m nearer {flash.nearer_ev:+.1f}, "
    rows = [
        (
            "Guide number",
            f"{lamp.guide_number_m:.0f} m at ISO 100{gain}",
        ),
        (
            "Distance, power",
            f"{flash.distance_m:.1f} m, {power_text(flash.power)}; full power reaches {flash.reach_m:.1f} m",
        ),
        ("Distance slips", f"{nearer}0.5 m farther {flash.farther_ev:+.1f} stops"),
        ("Falls off", f"{flash.falloff_ev:+.1f} stops over the depth, {along:+.1f} over the width"),
        (
            "Pool",
            f"{pool:.1f} m wide; darkest strip {plan.darkest_ev:+.1f} stops",
        ),
    ]
    if flash.recycle_s is not None:
        rows.append(("Ready again", f"after {flash.recycle_s:.1f} s"))
    if flash.charge is not None:
        count = FLASHES_PER_POSITION * len(plan.positions)
        rows.append(("Battery", f"{100 * flash.charge:.0f} % of a charge for {count} flashes"))
    return Table("Lamp", (), tuple(rows))


def _ways(plan: Plan) -> Table:
    return Table(
        "Ways to sink the daylight, compared",
        ("Way", "Setting", "Filter", "Flash light lost", ""),
        tuple(
            (
                way.way,
                _short(way.setting),
                f"{way.nd_ev:g} stops" if way.nd_ev else "none",
                f"{way.flash_loss_ev:.1f} stops",
                way.remark,
            )
            for way in plan.exposure.alternatives
        ),
    )


def _positions(plan: Plan) -> Table:
    columns = ("", "Side", "Stand", "Height", "Distance", "Power", "In the picture", "Legs within")
    return Table("Positions", columns, tuple(_position(plan, position) for position in plan.positions))


def _position(plan: Plan, position: Position) -> tuple[str, ...]:
    sees = _SEES[position.sees]
    if position.sees == "head" and position.hidden_below_m >= LOWEST_HEAD_M:
        sees += f", or below {position.hidden_below_m:.1f} m"
    clear = position.legs_clear_m
    legs = "any" if clear is None else "use a boom" if clear < plan.lamp.stand_spread_m else f"{clear:.1f} m"
    return (
        str(position.number),
        position.side,
        place_text(position, plan.subject),
        f"{position.height_m:.1f} m",
        f"{position.distance_m:.1f} m",
        power_text(position.power),
        sees,
        legs,
    )


def _legend(plan: Plan) -> str:
    return (
        "Red: head in the picture, hide it. Pale: only its stand. White: neither. Yellow: beam to half the"
        f" light ({plan.lamp.beam_deg:g} deg); dashed: low fill. Blue: what the camera sees. Legs that stay"
        " within the last column's distance of the stand's middle are out of the beam."
    )


def _footnote() -> str:
    return (
        "Shutter and aperture by APEX (ISO 2720, Exif 2.32); power by guide number and inverse square. Model,"
        " no source: loss to high-speed sync, beam shape, recycle time and charge in proportion to power, low"
        " fill one stop down, two flashes a position. The test frame decides."
    )


def _short(setting: Setting) -> str:
    return f"{shutter_text(setting.shutter_s)} f/{setting.f_number:g}"


def _html_table(table: Table) -> str:
    head = ""
    if table.columns:
        head = f"<thead><tr>{_cells('th', table.columns)}</tr></thead>"
    lines = [
        _cells("td", row) if table.columns else _cells("th", row[:1]) + _cells("td", row[1:]) for row in table.rows
    ]
    body = "".join(f"<tr>{line}</tr>" for line in lines)
    return f"<h2>{html.escape(table.heading)}</h2><table>{head}<tbody>{body}</tbody></table>"


def _html_positions(plan: Plan) -> str:
    table = _positions(plan)
    tick = '<td><input type="checkbox"></td>'
    ambient = f'<tr>{tick}<td></td><td colspan="{len(table.columns) - 1}">ambient frame, lamp off</td></tr>'
    rows = "".join(
        f'<tr>{tick}<td class="n">{html.escape(row[0])}</td>{_cells("td", row[1:])}</tr>' for row in table.rows
    )
    head = f"<thead><tr><th></th>{_cells('th', table.columns)}</tr></thead>"
    return f'<h2>{table.heading}</h2><table class="one">{head}<tbody>{ambient}{rows}{ambient}</tbody></table>'


def _cells(tag: str, cells: Iterable[str]) -> str:
    return "".join(f"<{tag}>{html.escape(cell)}</{tag}>" for cell in cells)


def _markdown_tick(columns: Sequence[str], row: Sequence[str]) -> str:
    named = [f"{column.lower()} {cell}" for column, cell in zip(columns[3:], row[3:], strict=True)]
    return f"- [ ] **{row[0]}** {row[1]}: {'; '.join([row[2], *named])}"


def _markdown_table(table: Table) -> Sequence[str]:
    columns = table.columns or ("", "")
    rule = "|".join(["---"] * len(columns))
    rows = [f"| {' | '.join(cell.replace('|', '/') for cell in row)} |" for row in table.rows]
    return [f"## {table.heading}", "", f"| {' | '.join(columns)} |", f"|{rule}|", *rows, ""]

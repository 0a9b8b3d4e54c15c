"""The summary of a batch: a table for programs and a page for people, warnings first."""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from .errors import Finding, alike
from .runfolder import write_whole

if TYPE_CHECKING:
    from .batch import Outcome

TABLE, PAGE = "summary.csv", "index.html"

_COLUMNS = ("series", "state", "needs a look", "frames", "lamps", "left out", "seconds", "remarks")

_HEAD = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>lampwalk batch</title>
<style>
body { font: 16px/1.45 system-ui, sans-serif; margin: 2rem auto; max-width: 70rem; padding: 0 1rem;
  color: #222; background: #f4f3f1 }
article { background: #fff; margin: 1rem 0; padding: 1rem; border-left: .4rem solid #7a9a7a }
article.look { border-color: #c98a1b } article.failed { border-color: #b3392f }
h1 { font-size: 1.4rem } h2 { margin: 0 0 .3rem; font-size: 1.1rem } li { margin: .15rem 0 } a { margin-right: .8em }
img { max-width: 100%; height: auto }
main { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 30rem), 1fr)); gap: 0 1rem }
@media print { article { break-inside: avoid } }
</style>
"""


def write(output: Path, outcomes: Sequence[Outcome], remarks: Sequence[Finding] = ()) -> None:
    """Write summary.csv and index.html beside the run folders.

    Parameters
    ----------
    output : Path
        The folder of the runs.
    outcomes : sequence of Outcome
    remarks : sequence of Finding
        What is not about one series, as pictures that belong to none.
    """
    write_whole(output / TABLE, _table(outcomes))
    write_whole(output / PAGE, _page(outcomes, remarks))


def _table(outcomes: Sequence[Outcome]) -> str:
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(_COLUMNS)
    for o in outcomes:
        remarks = "; ".join([o.error] * bool(o.error) + [str(f) for f in o.findings])
        look = "yes" if o.needs_a_look else "no"
        rows.writerow([_text(o.name), o.state, look, o.frames, o.lamps, o.left_out, o.seconds, _text(remarks)])
    return text.getvalue()


def _text(value: str) -> str:
    """Quote a text: a spreadsheet must not take a file's name for a formula."""
    return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _page(outcomes: Sequence[Outcome], remarks: Sequence[Finding]) -> str:
    failed = [o for o in outcomes if o.state == "failed"]
    look = [o for o in outcomes if o.needs_a_look and o.state != "failed"]
    fine = [o for o in outcomes if not o.needs_a_look]
    parts = [f"<h1>{len(outcomes)} series: {len(failed)} failed, {len(look)} to look at, {len(fine)} fine</h1>\n"]
    if remarks:
        parts.append(f"<article class=look>\n<h2>In no series</h2>\n{_list(remarks)}</article>\n")
    parts += [_article(o) for o in (*failed, *look)]
    parts += ["<main>\n", *(_article(o) for o in fine), "</main>\n"]
    return _HEAD + "".join(parts) + "</html>\n"


def _article(o: Outcome) -> str:
    kind = "failed" if o.state == "failed" else "look" if o.needs_a_look else "fine"
    name, place = html.escape(o.name), quote(o.name)
    head = f"<article class={kind}>\n<h2>{name}</h2>\n"
    if o.state == "failed":
        return f"{head}<p>Failed: {html.escape(o.error)}</p>\n</article>\n"
    left = f", {o.left_out} left out" if o.left_out else ""
    links = f'<a href="{place}/picture.jpg">picture</a> <a href="{place}/">folder</a>'
    sheet = f"{place}/contact_sheet.jpg"
    return (
        f"{head}<p>{o.state}: {o.lamps} lamps in {o.frames} frames{left}. {links}</p>\n"
        f"{_list(sorted(o.findings, key=lambda f: not f.serious))}"
        f'<a href="{sheet}"><img loading="lazy" src="{sheet}" alt="contact sheet of {name}"></a>\n</article>\n'
    )


def _list(findings: Sequence[Finding]) -> str:
    """Serious ones in bold; what holds for several frames once."""
    items = []
    for serious, line in alike(findings):
        text = html.escape(line)
        items.append(f"<li>{f'<b>{text}</b>' if serious else text}</li>")
    return f"<ul>{''.join(items)}</ul>\n" if items else ""

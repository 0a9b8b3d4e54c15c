"""`lampwalk check FOLDER`: look before merging."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from .output import Reporter, add_output_options

if TYPE_CHECKING:
    from ..checking import Report


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "check",
        help="look before merging: what is wrong with a set, and what to do",
        description="Read a series, align it, and say frame by frame what was found. Nothing is written.",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the folder that holds the frames")
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="compare the set with the plan.json made before the shoot"
    )
    add_output_options(parser)
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from ..checking import check

    reporter = Reporter(args)
    report = check(args.folder, plan=args.plan, progress=reporter.progress)
    reporter.findings(report.findings)
    if args.json:
        reporter.result({
            "reference": report.reference,
            "frames": [asdict(row) for row in report.rows],
            "findings": [asdict(finding) for finding in report.findings],
        })  # fmt: skip
    elif not args.quiet:
        print(table(report), file=sys.stderr)
    return 1 if any(f.serious for f in report.findings) else 0


def table(report: Report) -> str:
    """Return the report as lines of text, one frame each."""
    head = f"{'frame':<24}{'role':<9}{'time':<10}{'exposure':<26}{'sharp':>6}{'clipped':>9}{'shift':>9}{'drift':>8}{'hidden':>8}"
    lines = [head]
    for r in report.rows:
        time = r.captured_at[11:19]
        shift = "" if r.shift_px is None else f"{r.shift_px:.1f} px"
        drift = "" if r.drift_ev is None else f"{r.drift_ev:+.2f}"
        name = r.frame if len(r.frame) < 24 else r.frame[:14] + "..." + r.frame[-6:]
        lines.append(
            f"{name:<24}{r.role:<9}{time:<10}{r.exposure:<26}{r.sharpness:>6.2f}{r.clipped_percent:>8.2f}%"
            f"{shift:>9}{drift:>8}{r.hidden_percent:>7.2f}%  {r.note}".rstrip()
        )
    return "\n".join(lines)

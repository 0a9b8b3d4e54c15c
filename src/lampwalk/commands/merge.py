"""`lampwalk merge FOLDER --output RUN`: one series, one picture."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from .output import Reporter, add_output_options

if TYPE_CHECKING:
    from ..merging import Run


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "merge",
        help="merge one series into one picture",
        description="Align the frames of one series, even out the daylight, hide stands and flash heads, merge by "
        "per-pixel maximum, and write a run folder. The frames themselves are never written to.",
    )
    parser.add_argument("folder", nargs="?", type=Path, metavar="FOLDER", help="the folder that holds the frames")
    parser.add_argument("--output", required=True, type=Path, metavar="RUN", help="the run folder to write")
    parser.add_argument("--worksheet", type=Path, metavar="FILE", help="repeat the decisions of this worksheet.json")
    parser.add_argument("--changed-too", action="store_true", help="with --worksheet: also if a frame has changed since")
    parser.add_argument("--masks", type=Path, metavar="FOLDER", help="masks painted by hand, NAME.png, white = hidden")
    for name, text in _SWITCHES.items():
        parser.add_argument(f"--no-{name}", action="store_true", help=text)
    parser.add_argument("--overwrite", action="store_true", help="replace a folder that lampwalk did not write")
    add_output_options(parser)
    parser.set_defaults(func=run)


_SWITCHES = {
    "hide": "do not look for stands and heads",
    "glow": "leave the stray light round visible heads",
    "fill": "leave the holes that masks cut into the light",
    "level": "leave the daylight as it was in each frame",
    "quiet": "take every frame everywhere, also where its lamp adds no light",
}


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from .. import merging
    from ..decisions import Choices
    from ..errors import InputError

    reporter = Reporter(args)
    if (args.folder is None) == (args.worksheet is None):
        raise InputError("give either a folder of frames or --worksheet FILE", remedy="see lampwalk merge --help")
    if args.worksheet:
        done = merging.merge_worksheet(
            args.worksheet, args.output, changed_too=args.changed_too, overwrite=args.overwrite, progress=reporter.progress
        )
    else:
        choices = Choices(**{name: not getattr(args, f"no_{name}") for name in _SWITCHES})
        masks = merging.read_hand_masks(args.masks, args.folder) if args.masks else None
        done = merging.merge_folder(
            args.folder, args.output, choices=choices, masks=masks, overwrite=args.overwrite, progress=reporter.progress
        )
    reporter.findings(done.findings)
    reporter.result(_summary(done))
    return 1 if done.needs_a_look else 0


def _summary(done: Run) -> dict[str, object]:
    sheet = done.worksheet
    used = [r for r in sheet.frames if r.role != "left out"]
    return {
        "run": str(done.folder),
        "reference": sheet.reference,
        "frames_used": len(used),
        "frames_left_out": [r.file for r in sheet.frames if r.role == "left out"],
        "lamps": sum(r.role == "lamp" for r in used),
        "findings": [dict(f) for f in sheet.findings],
    }

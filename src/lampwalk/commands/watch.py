"""`lampwalk watch FOLDER --output RUN`: merge while shooting."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from .output import Reporter, add_output_options

if TYPE_CHECKING:
    from ..livefolder import Live
    from ..watching import Step, Walk


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "watch",
        help="merge while shooting",
        description="Wait for new frames in a folder, merge each at preview size, and say what matters now. "
        "RUN/watch.html shows the picture and refreshes itself. Ctrl-C ends it.",
    )
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="where the camera or the card reader puts the frames"
    )
    parser.add_argument("--output", required=True, type=Path, metavar="RUN", help="the run folder to write")
    parser.add_argument("--merge", action="store_true", help="at the end, merge all frames at full size into RUN")
    add_output_options(parser)
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from .. import arrivals, livefolder, watching
    from ..errors import FrameError, SeriesError

    reporter = Reporter(args)
    if not args.folder.is_dir():
        raise SeriesError("the folder is not there", file=args.folder, remedy="give the folder that frames arrive in")
    walk = watching.Walk()
    with livefolder.live(args.output, args.folder) as live:
        if not args.quiet:
            print(f"watching {args.folder}; the picture: {args.output / livefolder.PAGE}; end: Ctrl-C", file=sys.stderr)
        looks = 0
        with contextlib.suppress(KeyboardInterrupt):  # the way to end it
            for path in arrivals.new_files(args.folder, Event()):
                try:
                    step = walk.add(path)
                except FrameError as error:
                    print(f"look: {error}", file=sys.stderr)
                    looks += 1
                    continue
                looks += _tell(walk, live, step, reporter, quiet=args.quiet)
    if args.merge:
        from ..merging import merge_folder

        done = merge_folder(args.folder, args.output, progress=reporter.progress)
        reporter.findings(done.findings)
        looks = int(done.needs_a_look)
    reporter.result({"run": str(args.output), "frames": len(walk.records), "not_reached": list(walk.not_reached())})
    return 1 if looks else 0


def _tell(walk: Walk, live: Live, step: Step, reporter: Reporter, *, quiet: bool) -> int:
    """Show and say what a frame brought, at once; then look for equipment in it. Return 1 if it needs a look."""
    live.show(walk, step.findings)
    if not quiet:
        print(f"{step.record.file}: {step.record.role}, {step.seconds:.1f} s", file=sys.stderr)
    reporter.findings(step.findings)
    closer = walk.look_closer()
    live.show(walk, closer)
    reporter.findings(closer)
    dark = walk.not_reached()
    if dark and not quiet:
        print(f"no lamp yet: {', '.join(dark)}", file=sys.stderr)
    return int(any(f.serious for f in (*step.findings, *closer)))

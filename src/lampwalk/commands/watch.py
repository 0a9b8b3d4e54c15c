"""`lampwalk watch FOLDER --output RUN`: merge while shooting."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from .output import Reporter, add_output_options

if TYPE_CHECKING:
    from ..errors import Finding
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
    from ..errors import FrameError, SeriesError, about

    reporter = Reporter(args)
    with about(args.folder):  # asking, too, may be forbidden
        is_folder = args.folder.is_dir()
    if not is_folder:
        raise SeriesError("the folder is not there", file=args.folder, remedy="give the folder that frames arrive in")
    walk, stop, looks = watching.Walk(), Event(), 0
    with livefolder.live(args.output, args.folder) as live, _ctrl_c(stop):
        if not args.quiet:
            print(f"watching {args.folder}; the picture: {args.output / livefolder.PAGE}; end: Ctrl-C", file=sys.stderr)
        for path in arrivals.new_files(args.folder, stop):
            try:
                step = walk.add(path)
            except FrameError as error:
                print(f"look: {error}", file=sys.stderr)
                looks += 1
                continue
            looks += _serious(step.findings)
            _tell(walk, live, step, reporter, quiet=args.quiet)
            if not stop.is_set():
                looks += _look_closer(walk, live, reporter, quiet=args.quiet)
    if args.merge:
        from ..merging import merge_folder

        files, halves = arrivals.complete(args.folder)
        for name in halves:
            print(f"look: {name}: left out: it is not complete (merge again when it is)", file=sys.stderr)
        if not args.quiet:
            print(f"merging {len(files)} frames at full size", file=sys.stderr)
        done = merge_folder(files, args.output, progress=reporter.progress)
        reporter.findings(done.findings)
        looks = int(done.needs_a_look or bool(halves))
    reporter.result({"run": str(args.output), "frames": len(walk.records), "not_reached": list(walk.not_reached())})
    return 1 if looks else 0


@contextmanager
def _ctrl_c(stop: Event) -> Iterator[None]:
    """Let the first Ctrl-C set `stop`: an exception could come anywhere, and be lost in a library; the second does."""

    def first(*_: object) -> None:
        stop.set()
        signal.signal(signal.SIGINT, former)

    former = signal.signal(signal.SIGINT, first)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, former)


def _tell(walk: Walk, live: Live, step: Step, reporter: Reporter, *, quiet: bool) -> None:
    """Show and say what a frame brought."""
    live.show(walk, step.findings)
    if not quiet:
        print(f"{step.record.file}: {step.record.role}, {step.seconds:.1f} s", file=sys.stderr)
    reporter.findings(step.findings)


def _look_closer(walk: Walk, live: Live, reporter: Reporter, *, quiet: bool) -> int:
    """Look for equipment in the last frame, which takes longer; say where no lamp has been. Return 1 if it needs a look."""
    found = walk.look_closer()
    live.show(walk, found)
    reporter.findings(found)
    dark = walk.not_reached()
    if not quiet:
        print(f"no lamp yet: {', '.join(dark) or 'nowhere left'}", file=sys.stderr)
    return _serious(found)


def _serious(findings: Sequence[Finding]) -> int:
    return int(any(f.serious for f in findings))

"""`lampwalk review RUN`: see and correct a run in a browser on this machine, or write it down as one file."""

from __future__ import annotations

import argparse
import contextlib
import sys
import webbrowser
from pathlib import Path

from .output import Reporter, add_output_options


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "review",
        help="correct masks, lamps and finish in a local page",
        description="Serve a page on this machine, and on no other, in which a run is seen and corrected; or "
        "write one self-contained, read-only file. Every change is saved at once. Ctrl-C ends it.",
    )
    parser.add_argument("run", type=Path, metavar="RUN", help="a run folder that lampwalk merge has written")
    parser.add_argument("--export", type=Path, metavar="FILE.html", help="write a read-only page to send, and end")
    parser.add_argument("--port", type=int, default=0, metavar="PORT", help="port to listen on (default: a free one)")
    parser.add_argument("--no-browser", action="store_true", help="print the address, open no browser")
    add_output_options(parser)
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from .. import review

    reporter = Reporter(args)
    if args.export:
        review.write_page(args.run, args.export)
        reporter.result({"written": str(args.export)})
        return 0
    server = review.Server(review.Session(args.run), port=args.port)
    reporter.result({"address": server.address, "stop": "Ctrl-C"})
    sys.stdout.flush()
    if not args.no_browser:
        webbrowser.open(server.address)
    with contextlib.suppress(KeyboardInterrupt):  # the way to end it: everything is saved
        server.serve()
    return 0

"""The command line: `lampwalk COMMAND`. Results go to files and, with --json, to standard output; the rest to stderr."""

from __future__ import annotations

import argparse
import gc
import logging
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from . import __version__
from .errors import LampwalkError

DONE, LOOK, FAILED, INTERRUPTED = 0, 1, 2, 130
"""Exit status: done; done, but something needs a look; nothing could be made; interrupted (128 + SIGINT)."""


class Parser(argparse.ArgumentParser):
    """A parser that says what is wrong in one line, like every other error."""

    def error(self, message: str) -> NoReturn:
        """End with status 2."""
        self.exit(FAILED, f"lampwalk: {message} (see {self.prog} --help)\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : list of str, optional
        Arguments after the program's name; by default those of the process.

    Returns
    -------
    int
        Exit status.
    """
    parser = build_parser()
    args = parser.parse_args(argv)

    # before NumPy is loaded: between small products its own threads only wait, on the cores that ours need
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from .memory import share_one_heap

    share_one_heap()
    if args.log:
        logging.basicConfig(filename=args.log, level=logging.DEBUG, format="%(asctime)s %(name)s %(message)s")
    else:
        logging.basicConfig(handlers=[logging.NullHandler()])  # else warnings of libraries go to standard error
    try:
        return int(args.func(args))
    except LampwalkError as error:
        print(f"lampwalk: {error}", file=sys.stderr)
    except KeyboardInterrupt:
        print("lampwalk: interrupted, nothing was written", file=sys.stderr)
        return INTERRUPTED
    except MemoryError:
        print("lampwalk: not enough memory (close other programs, or merge fewer frames at a time)", file=sys.stderr)
    return FAILED


def program() -> NoReturn:
    """Be the process: run the command of its arguments, and end."""
    status = main()
    gc.freeze()  # else Python looks through all that is left for cycles, which the end of the process frees anyway
    raise SystemExit(status)


def build_parser() -> Parser:
    """Make the parser of all commands."""
    from .commands import batch, check, merge, plan, review, watch

    parser = Parser(
        prog="lampwalk",
        description="Merge a tripod series, in which one flash was walked around the subject, into one picture.",
        epilog="Exit status: 0 done; 1 done, but something needs a look; 2 nothing could be made; 130 interrupted.",
    )
    parser.add_argument("--version", action="version", version=f"lampwalk {__version__}")
    parser.add_argument("--log", metavar="FILE", help="write a log for support to FILE")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in (merge, check, review, batch, watch, plan):
        command.add_parser(subparsers)
    return parser

"""What all commands say, and where: messages and progress on standard error, one JSON object on standard output."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Mapping, Sequence
from typing import Any

from ..errors import Finding, alike


def add_output_options(parser: argparse.ArgumentParser) -> None:
    """Add --json and --quiet."""
    parser.add_argument("--json", action="store_true", help="print the result as one JSON object")
    parser.add_argument("--quiet", action="store_true", help="say nothing but errors")


def gigabytes(text: str) -> int:
    """Read an amount of memory given in gigabytes: bytes."""
    try:
        amount = float(text)
    except ValueError:
        amount = 0.0
    if not 0 < amount < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of gigabytes: give one, as in --memory 1.5")
    return int(amount * 1e9)


class Reporter:
    """Speaks for one command.

    Parameters
    ----------
    args : Namespace
        With ``json`` and ``quiet``.
    """

    def __init__(self, args: argparse.Namespace) -> None:
        self._json, self._quiet = bool(args.json), bool(args.quiet)
        self._bar = sys.stderr.isatty() and not self._quiet
        self._open = False

    def progress(self, step: str, done: int, total: int) -> None:
        """Show how far a step has come; only on a terminal."""
        if self._bar:
            filled = round(24 * done / max(total, 1))
            sys.stderr.write(f"\r{step:>12}  [{'#' * filled}{'.' * (24 - filled)}] {done}/{total} ")
            sys.stderr.flush()
            self._open = True

    def findings(self, findings: Sequence[Finding]) -> None:
        """Name what the photographer should know; what holds for several frames is said once."""
        self._close()
        if self._quiet:
            return
        for serious, line in alike(findings):
            print(f"{'look' if serious else 'note'}: {line}", file=sys.stderr)

    def result(self, data: Mapping[str, Any]) -> None:
        """Give the result: JSON on standard output if asked, else a line for people."""
        self._close()
        if self._json:
            print(json.dumps(data, ensure_ascii=False))
        elif not self._quiet:
            for name, value in data.items():
                if not isinstance(value, list | dict):
                    print(f"{name.replace('_', ' ')}: {value}", file=sys.stderr)

    def _close(self) -> None:
        if self._open:
            sys.stderr.write("\n")
            self._open = False

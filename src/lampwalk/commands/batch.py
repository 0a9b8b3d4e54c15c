"""`lampwalk batch FOLDER --output RUNS`: many series, a run folder each."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .output import Reporter, add_output_options, gigabytes

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from ..batch import Outcome
    from ..split import Split


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "batch",
        help="merge many series",
        description="Find the series in a folder and the folders in it, and merge each into a run folder. Run again, it "
        "merges only what is new, has changed or was interrupted. Writes summary.csv and index.html.",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="a card, or a season of shoots")
    parser.add_argument("--output", required=True, type=Path, metavar="RUNS", help="the folder of the run folders")
    parser.add_argument("--dry-run", action="store_true", help="only show the series; with --json, as a split file")
    parser.add_argument(
        "--split", type=Path, metavar="FILE", help="take the series from this file instead of finding them"
    )
    parser.add_argument(
        "--workers",
        type=int,
        metavar="N",
        help="merge at most N series at once (default: as cores and memory allow)",
    )
    parser.add_argument(
        "--memory",
        type=gigabytes,
        metavar="GB",
        help="memory that all of them together may take (default: 60 %% of all)",
    )
    parser.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="work on the Dask cluster whose scheduler is there; its workers must see the same disk",
    )
    parser.add_argument("--overwrite", action="store_true", help="replace folders that lampwalk did not write")
    add_output_options(parser)
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from .. import split
    from ..batch import merge_many
    from ..errors import SeriesError

    reporter = Reporter(args)
    found = (
        split.read_split(args.split, args.folder)
        if args.split
        else split.find_series(args.folder, apart_from=args.output)
    )
    if args.dry_run:
        _show(found, args, reporter)
        return 0
    reporter.findings(found.findings)
    if not found.series:
        raise SeriesError(
            "holds no series",
            file=args.folder,
            remedy="give the folder that holds the frames, or their folders",
        )

    finished = 0

    def tell(outcome: Outcome, done: int, total: int) -> None:
        nonlocal finished
        finished = done
        if not args.quiet:
            print(f"\r{_line(outcome)}\x1b[K" if sys.stderr.isatty() else _line(outcome), file=sys.stderr)
        reporter.progress("series", done, total)

    try:
        with _executor(args.dask) as executor:
            outcomes = merge_many(
                found,
                args.output,
                executor=executor,
                workers=args.workers,
                memory_bytes=args.memory,
                overwrite=args.overwrite,
                watcher=tell,
            )
    except KeyboardInterrupt:
        print(
            f"\nlampwalk: interrupted; {finished} of {len(found.series)} series are done, run again for the others",
            file=sys.stderr,
        )
        return 130
    reporter.result(_summary(args.output, outcomes))
    if all(o.state == "failed" for o in outcomes):
        return 2
    return 1 if any(o.needs_a_look for o in outcomes) else 0


@contextmanager
def _executor(address: str | None) -> Iterator[Executor | None]:
    if address is None:
        yield None
        return
    from ..errors import InputError, MissingExtraError

    try:
        distributed: Any = import_module("distributed")  # has no types
    except ImportError as error:
        raise MissingExtraError("a Dask cluster needs another package", remedy="pip install lampwalk[dask]") from error
    try:
        client = distributed.Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"no scheduler answers at {address}", remedy="give the address it prints, as tcp://HOST:8786"
        ) from error
    with client:
        # pure=False: a series merged before is asked for again, its own fingerprint decides
        yield client.get_executor(pure=False)


def _line(outcome: Outcome) -> str:
    if outcome.state == "failed":
        return f"{outcome.name}: failed: {outcome.error}"
    look = [str(f) for f in outcome.findings if f.serious]
    text = f"{outcome.name}: {outcome.state}, {outcome.lamps} lamps in {outcome.frames} frames, {outcome.seconds:.1f} s"
    return text + (f"; look: {look[0]}" + (f" and {len(look) - 1} more" if len(look) > 1 else "") if look else "")


def _show(found: Split, args: argparse.Namespace, reporter: Reporter) -> None:
    from .. import split

    if args.json:
        print(split.to_json(found, args.folder), end="")
    for s in found.series:
        why = f"  ({s.why})" if s.why else ""
        print(f"{s.name}: {len(s.files)} files, {s.files[0].name} to {s.files[-1].name}{why}", file=sys.stderr)
    reporter.findings(found.findings)


def _summary(output: Path, outcomes: tuple[Outcome, ...]) -> dict[str, object]:
    count = {state: sum(o.state == state for o in outcomes) for state in ("merged", "unchanged", "failed")}
    return {
        "page": str(output / "index.html"),
        **count,
        "series": [
            {
                "name": o.name,
                "run": str(o.run),
                "state": o.state,
                "needs_a_look": o.needs_a_look,
                "error": o.error,
            }
            for o in outcomes
        ],
    }

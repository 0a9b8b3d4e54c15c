"""`lampwalk merge FOLDER --output RUN`: one series, one picture."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from .output import Reporter, add_output_options, gigabytes

if TYPE_CHECKING:
    from ..merging import Run, Wish
    from ..worksheet import Lamp


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
    parser.add_argument(
        "--changed-too", action="store_true", help="with --worksheet: also if a frame has changed since"
    )
    parser.add_argument("--masks", type=Path, metavar="FOLDER", help="masks painted by hand, NAME.png, white = hidden")
    parser.add_argument("--rule", default="lighten", help="how a pixel is chosen: lighten (default), brightest, sum")
    parser.add_argument("--off", action="append", default=[], metavar="FRAME", help="leave the lamp of FRAME out")
    parser.add_argument(
        "--stops", action="append", default=[], metavar="FRAME=EV", help="change the lamp of FRAME by EV stops"
    )
    parser.add_argument(
        "--warm", action="append", default=[], metavar="FRAME=MIRED", help="warm (or, below 0, cool) the lamp of FRAME"
    )
    parser.add_argument(
        "--lift", type=float, metavar="GAMMA", help="lift the lit subject by this gamma, for example 1.15"
    )
    parser.add_argument("--burn", type=float, metavar="OPACITY", help="darken the edges; 0.70 to 0.76 is usual")
    parser.add_argument("--crop", metavar="RATIO", help="cut picture.jpg to a ratio, for example 16:9")
    parser.add_argument("--layers", action="store_true", help="also write layers.ora (OpenRaster) for other programs")
    parser.add_argument("--png", action="store_true", help="also write composite.png, 16 bits")
    parser.add_argument(
        "--clip", action="store_true", help="also write build_up.webp, the picture growing lamp by lamp"
    )
    parser.add_argument("--delivery", type=int, metavar="PX", help="also write delivery.jpg with this long side")
    parser.add_argument("--compression", choices=("none", "deflate"), default="none", help="of composite.tif")
    parser.add_argument("--keep-location", action="store_true", help="keep the GPS fields of the reference")
    parser.add_argument(
        "--prefer", choices=("raw", "jpeg"), default="raw", help="which of two files of one shot counts"
    )
    for name, text in _SWITCHES.items():
        parser.add_argument(f"--no-{name}", action="store_true", help=text)
    parser.add_argument(
        "--memory", type=gigabytes, metavar="GB", help="memory that the merge may take; more keeps decoded frames"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace a folder that lampwalk did not write")
    add_output_options(parser)
    parser.set_defaults(func=run)


_SWITCHES = {
    "hide": "do not look for stands and heads",
    "glow": "leave the stray light round visible heads",
    "fill": "leave the holes that masks cut into the light",
    "level": "leave the daylight as it was in each frame",
    "hot-pixels": "leave the sensor's hot pixels",
    "quiet": "take every frame everywhere, also where its lamp adds no light",
}


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from .. import merging
    from ..decisions import Choices
    from ..errors import InputError
    from ..frames import read_series
    from ..handoff import Extras

    reporter = Reporter(args)
    if (args.folder is None) == (args.worksheet is None):
        raise InputError("give either a folder of frames or --worksheet FILE", remedy="see lampwalk merge --help")
    if args.worksheet:
        done = merging.merge_worksheet(
            args.worksheet,
            args.output,
            changed_too=args.changed_too,
            overwrite=args.overwrite,
            progress=reporter.progress,
        )
    else:
        choices = Choices(
            rule=args.rule,
            **{name.replace("-", "_"): not getattr(args, f"no_{name}".replace("-", "_")) for name in _SWITCHES},
        )
        masks = merging.read_hand_masks(args.masks, args.folder) if args.masks else None
        done = merging.merge_folder(
            read_series(args.folder, prefer=args.prefer),
            args.output,
            choices=choices,
            masks=masks,
            lamps=_lamps(args),
            finishing=_wish(args),
            extras=Extras(
                layers=args.layers,
                clip=args.clip,
                png=args.png,
                delivery=args.delivery,
                compression=args.compression,
                keep_location=args.keep_location,
            ),
            memory_bytes=args.memory,
            overwrite=args.overwrite,
            progress=reporter.progress,
        )
    reporter.findings(done.findings)
    reporter.result(_summary(done))
    return 1 if done.needs_a_look else 0


def _lamps(args: argparse.Namespace) -> dict[str, Lamp]:
    """Put --off, --stops and --warm together, frame by frame; frames are called by file name or its stem."""
    from ..errors import InputError
    from ..frames import read_series
    from ..worksheet import Lamp

    told: dict[str, Lamp] = {}
    if not (args.off or args.stops or args.warm):
        return told
    names = {frame.name: frame.name for frame in read_series(args.folder).frames}
    names |= {name.rsplit(".", 1)[0]: name for name in names}

    def change(frame: str, **what: object) -> None:
        if frame not in names:
            raise InputError(
                f"no frame is called {frame!r}", remedy=f"use one of {', '.join(sorted(set(names.values())))}"
            )
        told[names[frame]] = replace(told.get(names[frame], Lamp()), **what)  # type: ignore[arg-type]

    for frame in args.off:
        change(frame, on=False)
    for option, field in ((args.stops, "gain_ev"), (args.warm, "warmth")):
        for text in option:
            frame, _, number = text.rpartition("=")
            try:
                value = float(number)
            except ValueError as error:
                raise InputError(f"{text!r} is no FRAME=NUMBER", remedy="write for example 03=-0.5") from error
            change(frame, **{field: value})
    return told


def _wish(args: argparse.Namespace) -> Wish | None:
    from ..errors import InputError
    from ..merging import Wish

    crop = None
    if args.crop:
        try:
            width, height = (float(part) for part in args.crop.split(":"))
        except ValueError as error:
            raise InputError(f"crop: {args.crop!r} is no ratio", remedy="write for example 16:9") from error
        crop = (width, height)
    if args.lift is None and args.burn is None and crop is None:
        return None
    return Wish(lift=args.lift, burn=args.burn, crop=crop)


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

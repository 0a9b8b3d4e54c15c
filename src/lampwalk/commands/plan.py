"""`lampwalk plan`: before shooting, settings, a walk and a sheet to take along."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from .output import Reporter, add_output_options

if TYPE_CHECKING:
    from ..planning import Camera, Exposure, Lamp, Plan, Subject

_EXAMPLE = """example, a wooden boat on a slipway at dusk:
  lampwalk plan --meter "1/30 f/5.6 ISO 100" --sink 2 \\
      --guide-number "60 m" --beam "65 deg" --distance "4 m" \\
      --subject "6 m x 2.2 m x 1.8 m" --focal "35 mm" --camera-distance "9 m" --output slipway_plan
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "plan",
        help="before shooting: exposure, power, positions, field sheet",
        description="Turn a meter reading and the kit at hand into settings and a walk. Writes plan.json"
        " (for lampwalk check --plan), field_sheet.html (print it) and field_sheet.md (for the phone).",
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    light = parser.add_argument_group("daylight")
    light.add_argument("--meter", required=True, metavar="READING", help='metered daylight, "1/30 f/5.6 ISO 100"')
    light.add_argument("--aperture", metavar="F", help="aperture wanted, f/4; default: as metered")
    light.add_argument("--sink", default="2", metavar="STOPS", help="how far the daylight shall sink; default: 2")
    light.add_argument("--nd", default="0", metavar="STOPS", help="neutral-density filter on the lens; default: 0")
    light.add_argument("--sync", default="1/200", metavar="TIME", help="the camera's flash sync speed; default: 1/200")
    light.add_argument("--fastest", default="1/8000", metavar="TIME", help="its fastest shutter; default: 1/8000")
    _add_lamp(parser.add_argument_group("lamp"))
    place = parser.add_argument_group("subject and camera")
    place.add_argument("--subject", required=True, metavar="SIZE", help='width x depth x height, "6 m x 2.2 m x 1.8 m"')
    place.add_argument("--focal", required=True, metavar="MM", help='focal length as engraved, "35 mm"')
    place.add_argument("--camera-distance", required=True, metavar="M", help='to the middle of the subject, "9 m"')
    place.add_argument("--sensor", default="36 x 24 mm", metavar="SIZE", help='as held; default: "36 x 24 mm"')
    place.add_argument("--camera-height", default="1.5 m", metavar="M", help="lens above ground; default: 1.5 m")
    place.add_argument("--camera-angle", default="0 deg", metavar="DEG", help="round to the right; default: 0 deg")
    parser.add_argument("--title", default="", metavar="TEXT", help="heading of the field sheet")
    parser.add_argument("--output", required=True, type=Path, metavar="FOLDER", help="the folder to write into")
    parser.add_argument("--overwrite", action="store_true", help="replace files that lampwalk did not write")
    add_output_options(parser)
    parser.set_defaults(func=run)


def _add_lamp(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--guide-number",
        required=True,
        metavar="GN",
        help='at ISO 100 and full power, "60 m"; or measured, "32 m at 300 Ws"',
    )
    group.add_argument("--energy", metavar="WS", help='with a measured guide number: the energy to use, "600 Ws"')
    group.add_argument("--beam", required=True, metavar="DEG", help='beam angle to half the light, "65 deg"')
    either = group.add_mutually_exclusive_group(required=True)
    either.add_argument("--distance", metavar="M", help='head to subject, "4 m"; the power follows')
    either.add_argument("--power", metavar="FRACTION", help='"1/4"; the distance follows')
    group.add_argument("--gain", default="0", metavar="STOPS", help="other reflector (+) or softbox (-); default: 0")
    group.add_argument("--height", metavar="M", help="head above ground; default: looks down by 30 degrees")
    group.add_argument("--recycle", metavar="S", help='at full power, "1.5 s"')
    group.add_argument("--flashes", type=float, metavar="N", help="flashes a battery charge at full power")


def run(args: argparse.Namespace) -> int:
    """Carry out the command."""
    from ..fieldsheet import as_html, as_markdown
    from ..planning import plan, plan_text

    reporter = Reporter(args)
    subject, camera = _place(args)
    made = plan(_exposure(args), lamp=_lamp(args), subject=subject, camera=camera)
    text = plan_text(made)
    _write(
        args.output,
        {
            "field_sheet.html": as_html(made, args.title),
            "field_sheet.md": as_markdown(made, args.title),
            "plan.json": text,
        },
        overwrite=args.overwrite,
    )
    reporter.findings(made.remarks)
    if args.json:
        reporter.result(json.loads(text))
    elif not args.quiet:
        print(_summary(made, args.output), file=sys.stderr)
    return 1 if any(remark.serious for remark in made.remarks) else 0


def _exposure(args: argparse.Namespace) -> Exposure:
    from .. import quantities as read
    from ..planning import Shutter, find_exposure, read_setting

    meter = read_setting(args.meter)
    return find_exposure(
        meter,
        read.f_number(args.aperture) if args.aperture else meter.f_number,
        read.stops(args.sink, "sink"),
        nd_ev=read.stops(args.nd, "filter"),
        shutter=Shutter(
            sync_s=read.shutter_s(args.sync, "sync speed"),
            fastest_s=read.shutter_s(args.fastest, "fastest shutter"),
        ),
    )


def _lamp(args: argparse.Namespace) -> Lamp:
    from .. import quantities as read
    from ..planning import Lamp

    return Lamp(
        guide_number_m=_guide_number_m(args.guide_number, args.energy),
        beam_deg=read.degrees(args.beam, "beam"),
        distance_m=read.metres(args.distance, "distance") if args.distance else None,
        power=read.power(args.power) if args.power else None,
        gain_ev=read.stops(args.gain, "gain"),
        height_m=read.metres(args.height, "height") if args.height else None,
        recycle_s=read.seconds(args.recycle, "recycle time") if args.recycle else None,
        flashes=args.flashes,
    )


def _guide_number_m(text: str, energy: str | None) -> float:
    from .. import quantities as read
    from ..errors import InputError
    from ..flash import guide_number_from_energy

    number, _, measured = text.partition(" at ")
    guide_number = read.metres(number, "guide number")
    if not measured and energy is None:
        return guide_number
    if not measured or energy is None:
        raise InputError(
            "energy gives a guide number only beside a measured pair",
            remedy='expected --guide-number "32 m at 300 Ws" --energy "600 Ws"',
        )
    return guide_number_from_energy(read.joules(energy), guide_number, read.joules(measured, "measured energy"))


def _place(args: argparse.Namespace) -> tuple[Subject, Camera]:
    from .. import quantities as read
    from ..planning import Camera, Subject

    width, depth, height = read.sizes_m(args.subject, 3, "subject")
    sensor_width, sensor_height = read.sizes_m(args.sensor, 2, "sensor")
    camera = Camera(
        focal_mm=read.millimetres(args.focal),
        distance_m=read.metres(args.camera_distance, "camera distance"),
        sensor_mm=(1000 * sensor_width, 1000 * sensor_height),
        height_m=read.metres(args.camera_height, "camera height"),
        angle_deg=read.degrees(args.camera_angle, "camera angle"),
    )
    return Subject(width_m=width, depth_m=depth, height_m=height), camera


def _write(folder: Path, files: dict[str, str], *, overwrite: bool) -> None:
    """Write the files, the plan last; each is whole or absent."""
    from ..errors import InputError, OutputError
    from ..planning import read_plan

    taken = [name for name in files if (folder / name).exists()]
    if taken and not overwrite:
        try:
            read_plan(folder / "plan.json")
        except InputError as error:
            raise OutputError(
                f"there is a {taken[0]} already that does not come from lampwalk",
                file=folder,
                remedy="name another folder, or add --overwrite",
            ) from error
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            unfinished = folder / f".{name}.part"
            unfinished.write_text(text, encoding="utf-8")
            unfinished.replace(folder / name)
    except OSError as error:
        raise OutputError(
            f"cannot be written: {error.strerror}",
            file=folder,
            remedy="check the folder's rights and free space",
        ) from error


def _summary(made: Plan, folder: Path) -> str:
    from ..flash import power_text

    heads = sum(position.sees == "head" for position in made.positions)
    return (
        f"{made.exposure.setting}: daylight {made.exposure.sink_ev:.1f} stops down\n"
        f"lamp at {made.flash.distance_m:.1f} m, power {power_text(made.flash.power)}\n"
        f"{len(made.positions)} positions, the head in the picture at {heads}; "
        f"{len(made.positions) + made.ambient_frames} frames with the ambient ones\n"
        f"written: {folder / 'field_sheet.html'}"
    )

"""`kickwheel plan`: reads the options, calls, prints. The main command line registers it and prints its
errors.
"""

from __future__ import annotations

import json
from pathlib import Path

import click

# Options of which one group says the same thing: one of them on the command line sets the catalogue's aside.
ALTERNATIVES = ({"disc", "radius", "rim"}, {"frames", "max_step"}, {"focal35", "focal", "sensor"})


@click.command("plan")
@click.argument("catalog", required=False, type=click.Path(path_type=Path))
@click.option("--disc", metavar="LENGTH", help="Diameter of the disc, like 330mm, 33cm or 13.5in.")
@click.option("--radius", metavar="LENGTH", help="Its radius.")
@click.option("--rim", metavar="LENGTH", help="Its circumference, measured round the rim. Any two are cross-checked.")
@click.option("--frames", type=int, metavar="N", help="Frames a turn; 36 if nothing is said, 24 to 48 are usual.")
@click.option("--max-step", type=float, metavar="DEGREES", help="Or the largest step between frames.")
@click.option("--pace", type=float, default=1.5, show_default=True, metavar="SECONDS", help="Seconds a frame.")
@click.option(
    "--ruler",
    default="1mm",
    show_default=True,
    metavar="LENGTH",
    help="Finest division of your ruler: 1mm, 0.5mm, 1/16in, 1/8in.",
)
@click.option("--subject", metavar="WxDxH", help="Width, depth and height of the subject, like 250x130x235mm.")
@click.option("--focal35", metavar="MM", help="35 mm-equivalent focal length, like 26.")
@click.option("--focal", metavar="MM", help="True focal length; with --sensor, or with --focal35.")
@click.option("--sensor", metavar="WxH", help="Size of the sensor, like 36x24mm.")
@click.option("--f-number", "f_number", metavar="N", help="The f-number you will use, like 8.")
@click.option("--picture", metavar="WxH", help="Size of the pictures in pixels, like 4000x3000.")
@click.option(
    "--mains", type=float, default=50.0, show_default=True, metavar="HZ", help="Mains frequency of the lamps."
)
@click.option(
    "--paper",
    default="a4",
    show_default=True,
    metavar="SIZE",
    help="a4, letter, a3, tabloid, legal; none for no printables.",
)
@click.option(
    "--turn",
    type=click.Choice(["clockwise", "counterclockwise"]),
    default="clockwise",
    show_default=True,
    help="Which way you turn the disc, seen from above.",
)
@click.option(
    "--fill",
    type=float,
    default=0.85,
    show_default=True,
    metavar="SHARE",
    help="Share of the picture the turning subject should fill.",
)
@click.option("--distance", metavar="LENGTH", help="Distance from lens to axis, if you can't choose it.")
@click.option(
    "--elevation",
    type=float,
    default=10.0,
    show_default=True,
    metavar="DEGREES",
    help="How far the camera looks down.",
)
@click.option(
    "--output", type=int, default=1600, show_default=True, metavar="PX", help="The largest width you publish."
)
@click.option(
    "--paper-thickness",
    default="0.1mm",
    show_default=True,
    metavar="LENGTH",
    help="Thickness of the paper of the rim tape.",
)
@click.option("--tape-height", default="15mm", show_default=True, metavar="LENGTH", help="Height of the rim tape.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Write the shoot sheet, the pace and the printables here.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors (and JSON, if asked for).")
@click.pass_context
def plan(
    context: click.Context, catalog: Path | None, out: Path | None, as_json: bool, quiet: bool, **options: object
) -> None:
    """Plan a shoot: marks for the disc, the pace, the camera's place, and what to print.

    With CATALOG, the keys of its [plan] stand in for options that aren't given.

    For example:  kickwheel plan --disc 330mm --frames 36 --subject 250x130x235mm --focal35 52 --out plan
    """
    from builder.capture import make_plan, plan_json, plan_lines, write_plan

    if catalog:
        given = _given(context)
        disc_known = bool(ALTERNATIVES[0] & given)
        options = joined(options, given, context.obj(catalog, needed=not disc_known))
    made = make_plan(read_options(**options))
    files = write_plan(made, out) if out else []
    if as_json:
        click.echo(json.dumps(plan_json(made, files), indent=2, ensure_ascii=False))
    elif not quiet:
        click.echo("\n".join(plan_lines(made, files)))


def _given(context: click.Context) -> set[str]:
    """Names of the options that were written on the command line."""
    written = click.core.ParameterSource.COMMANDLINE
    return {name for name in context.params if context.get_parameter_source(name) == written}


def joined(options: dict, given: set[str], keys: dict) -> dict:
    """Options with the catalogue's keys in the places of those that weren't given."""
    settled = given.union(*(group for group in ALTERNATIVES if group & given))
    return options | {name: value for name, value in keys.items() if name not in settled}


def read_options(
    *,
    disc=None,
    radius=None,
    rim=None,
    frames=None,
    max_step=None,
    pace=1.5,
    ruler="1mm",
    subject=None,
    focal35=None,
    focal=None,
    sensor=None,
    f_number=None,
    picture=None,
    mains=50.0,
    paper="a4",
    turn="clockwise",
    fill=0.85,
    distance=None,
    elevation=10.0,
    output=1600,
    paper_thickness="0.1mm",
    tape_height="15mm",
):
    """A PlanInput from options as written, by the command's names with _ for -; a [plan] table may use them
    too.

    Lengths are text with a unit, or bare mm. Raises InputError with every fault of reading.
    """
    from builder.capture.lengths import parse_length, parse_lengths, parse_number, parse_pixels
    from builder.capture.plan import PlanInput
    from builder.errors import InputError

    faults = []

    def read(parse, value, *rest):
        try:
            return None if value is None else parse(value, *rest)
        except InputError as error:
            faults.extend(error.faults)
            return None

    wanted = {
        "diameter_mm": read(parse_length, disc, "disc"),
        "radius_mm": read(parse_length, radius, "radius"),
        "rim_mm": read(parse_length, rim, "rim"),
        "frames": frames,
        "max_step_deg": max_step,
        "pace_s": pace,
        "ruler_mm": read(parse_length, ruler, "ruler"),
        "subject_mm": read(parse_lengths, subject, 3, "subject"),
        "focal35_mm": read(parse_length, focal35, "focal35"),
        "focal_mm": read(parse_length, focal, "focal"),
        "sensor_mm": read(parse_lengths, sensor, 2, "sensor"),
        "f_number": read(parse_number, f_number, "f-number"),
        "picture_px": read(parse_pixels, picture, "picture"),
        "mains_hz": mains,
        "paper": paper,
        "turn": turn,
        "fill": fill,
        "distance_mm": read(parse_length, distance, "distance"),
        "elevation_deg": elevation,
        "output_px": output,
        "paper_thickness_mm": read(parse_length, paper_thickness, "paper-thickness"),
        "tape_height_mm": read(parse_length, tape_height, "tape-height"),
    }
    if faults:
        raise InputError(*faults)
    return PlanInput(**wanted)

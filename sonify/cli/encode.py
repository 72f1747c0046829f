"""`sonify encode`: from a message to a disc that can be cut."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click import option

from sonify.cli.common import (
    AS_JSON,
    SETTINGS,
    Decorator,
    Request,
    length,
    output_option,
    with_options,
)
from sonify.cli.outputs import destination
from sonify.cli.usual import caution, print_json, say_lines
from sonify.errors import InputError, plural

if TYPE_CHECKING:
    from sonify.disc.code.code import Code
    from sonify.disc.disc import Disc
    from sonify.disc.geometry.capacity import FitSpec
    from sonify.disc.geometry.cautions import Workshop
    from sonify.disc.layout import Layout

__all__ = ["code_options", "encode", "settings_from"]

MOST_TEXT_BYTES = 64 * 1024 * 1024


OPTIONS = (
    ("alphabet", str, "ascii (7 bits), ita2 (5 bits, capitals only) or utf-8."),
    ("bit-order", str, "high-first or low-first."),
    ("framing", str, "plain, or framed (SYN SYN STX text ETX)."),
    ("check", str, "none, parity, crc-16, or reed-solomon (restores a lost row)."),
    ("redundancy", float, "With reed-solomon: the least share of check symbols."),
    ("positions", int, "Positions per row."),
    ("reading", str, "outside-in or inside-out."),
    ("turning", str, "clockwise or anticlockwise, seen from the front."),
    ("hole-means", int, "What a hole means, 1 or 0."),
    ("outer-diameter", float, "Diameter of the disc, in mm. [default: smallest]"),
    ("bore-diameter", float, "Diameter of the bore, in mm."),
    ("hole-diameter", float, "Diameter of the holes, in mm."),
    ("least-web", float, "Least material around holes and at edges, in mm."),
    ("clock-radius", float, "Radius of the clock row, in mm."),
    ("first-row-radius", float, "Radius of the row read first, in mm."),
    ("row-pitch", float, "Distance between rows, in mm."),
)
"""Name, type and help of each. The settings' types check the values."""


def code_options(names: Iterable[str] | None = None) -> list[Decorator]:
    """The options of the table, or those of these names."""
    metavar = {str: "NAME", int: "N", float: "X"}
    return [
        option(f"--{name}", type=kind, metavar=metavar[kind], help=help)
        for name, kind, help in OPTIONS
        if names is None or name in names
    ]


def settings_from(
    given: Mapping[str, Any], keep_outs: Iterable[str] = ()
) -> tuple[Code, Layout, FitSpec]:
    """The settings that the options of the table give."""
    from sonify.library import settled

    wishes = {name: given.get(name) for name in (n.replace("-", "_") for n, _, _ in OPTIONS)}
    try:
        return settled({**wishes, "keep_out": [_keep_out(k) for k in keep_outs]})
    except InputError as e:
        raise InputError(e.what, place=f"--{e.place}") from None


def _keep_out(text: str) -> dict[str, float]:
    """RADIUS,ANGLE,DIAMETER as a table."""
    try:
        radius, angle, diameter = map(float, text.split(","))
    except ValueError:
        raise InputError(
            f"'{text}' is not a keep-out; write radius,angle,diameter such as 20,90,10",
            place="--keep-out",
        ) from None
    return {"radius": radius, "angle": angle, "diameter": diameter}


@click.command()
@click.argument("text", required=False)
@with_options(
    output_option("The disc file. [default: out/disc.toml]"),
    option("--text-file", metavar="FILE", help="Read the text from a file (UTF-8)."),
    option("--title", default="", help="The disc's title, for engraving."),
    *code_options(),
    option(
        "--keep-out", "keep_outs", multiple=True, metavar="R,ANGLE,D",
        help="Keep an area clear for a magnet or a screw: radius in mm, degrees clockwise from "
        "twelve o'clock, diameter in mm. Repeatable.",
    ),
    option("--sizes", is_flag=True, help="List how many characters fit on discs of many sizes."),
    AS_JSON,
    *SETTINGS,
)  # fmt: skip
def encode(
    text: str | None,
    text_file: str | None,
    output: str | None,
    title: str,
    keep_outs: tuple[str, ...],
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    sizes: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Turn a message into a disc that you can cut and read back.

    TEXT is the message, or - for standard input. Sizes that you don't give are calculated: the
    smallest disc that holds the text or, with --outer-diameter, the layout with the widest webs.
    By default a disc uses ascii with plain framing and no check, and has holes of 3 mm, webs of
    1.5 mm and a bore of 8 mm.

    \b
    Examples:
      sonify encode "WIND SW 6, CLOUD BASE 900 M" -o note.toml
      sonify encode --text-file note.txt --outer-diameter 180 --check reed-solomon -o note.toml
      sonify encode --sizes --hole-diameter 2
    """
    from sonify.disc.disc import Disc
    from sonify.disc.geometry.fit import fit
    from sonify.load import save_disc
    from sonify.performance import perform

    code, layout, spec = settings_from(given, keep_outs)
    message = _text(text, text_file, needed=not sizes)
    if sizes:
        _show_sizes(message, code, spec, given, as_json)
        return
    found = fit(message, code, layout, spec)
    with destination(output, "disc.toml") as path:
        if path.suffix.casefold() != ".toml":
            raise InputError("a disc file ends in .toml", file=path)
        disc = Disc.from_message(
            message, code=code, layout=found.layout, geometry=found.geometry, title=title,
            name=path.stem,
        )  # fmt: skip
        show = perform(disc, presets, Request("", presets, assignments).settings)
        facts, shop = _facts(disc, spec, show.read_s, show.setup.player.rpm)
        save_disc(disc, path)
    to_stderr = output == "-"
    if as_json:
        print_json(facts, err=to_stderr)
    else:
        lines = ([] if to_stderr else [str(path)]) + _lines(disc, facts, shop)
        say_lines(lines, err=to_stderr)
    for one in facts["cautions"]:
        caution(one)


def _text(text: str | None, text_file: str | None, *, needed: bool) -> str:
    """The message, without the line end at the end of a file."""
    from sonify.settings import read_text

    if text is not None and text_file is not None:
        raise InputError("both TEXT and --text-file are given; give one of them")
    if text_file is not None:
        found = read_text(Path(text_file))
    elif text == "-":
        raw = sys.stdin.buffer.read(MOST_TEXT_BYTES + 1)
        if len(raw) > MOST_TEXT_BYTES:
            raise InputError(f"at most {MOST_TEXT_BYTES:,} bytes are read", file="standard input")
        try:
            found = raw.decode("utf-8")
        except UnicodeDecodeError as e:
            raise InputError(f"byte {e.start} is not UTF-8", file="standard input") from None
    elif text is None and needed:
        raise InputError("there is no text; give TEXT, - for standard input, or --text-file")
    else:
        return text or ""
    return found.replace("\r\n", "\n").removesuffix("\n")


def _facts(disc: Disc, spec: FitSpec, read_s: float, rpm: float) -> tuple[dict[str, Any], Workshop]:
    """What `encode --json` prints, and what a workshop would say."""
    import msgspec

    from sonify.disc.geometry.capacity import room_on
    from sonify.disc.geometry.cautions import workshop
    from sonify.disc.report import code_facts, geometry_facts

    shop = workshop(disc, rpm=rpm, least_web=spec.least_web)
    code = code_facts(disc)
    assert disc.code is not None
    assert code is not None
    assert disc.message is not None
    # the same disc without the choices that may leave room unused
    free = msgspec.structs.replace(
        spec, outer_diameter=shop.geometry.outer_diameter, positions=None, row_pitch=None,
        clock_radius=None, first_row_radius=None,
    )  # fmt: skip
    most = max(room_on(free, disc.code).units, code["room_units"])
    facts = {
        "message": disc.message,
        "characters": len(disc.message),
        "code": code,
        "bits": code["units"] * disc.code.unit_bits,
        "rows": disc.rows,
        "positions": disc.positions,
        "spare_units": code["spare_units"],
        "spare_units_on_disc": most - code["units"],
        "least_web": spec.least_web,
        "geometry": geometry_facts(shop),
        "rpm": rpm,
        "read_s": read_s,
        "cautions": [*shop.cautions, *_spill(disc)],
    }
    return facts, shop


def _spill(disc: Disc) -> list[str]:
    """A caution if the last row would not be needed without one character."""
    from sonify.disc.code.encoding import message_units, rows_for

    code, text = disc.code, disc.message
    if code is None or not text or len(text) == 1:
        return []
    units, fewer = (len(message_units(t, code)) for t in (text, text[:-1]))
    if rows_for(fewer, code, disc.positions) == rows_for(units, code, disc.positions):
        return []
    spilled = units * code.unit_bits - (disc.rows - 1) * disc.positions
    why = "one character" if code.check == "reed-solomon" else plural(spilled, "bit")
    return [
        f"row {disc.rows} is there for {why} only; without one character, such as the "
        f"{text[-1]!r} at the end, the disc has a row less"
    ]


def _lines(disc: Disc, facts: dict[str, Any], shop: Workshop) -> list[str]:
    """The facts for people."""
    from sonify.disc.report import code_is_simple, code_lines, geometry_lines

    unit = "character" if code_is_simple(facts["code"]) else "code unit"
    rows, positions = plural(disc.rows, "row"), plural(disc.positions, "position")
    lines = [
        ("characters", f"{facts['characters']:,}"),
        *(("code", line) for line in code_lines(disc)),
        ("bits", f"{facts['bits']:,} on {rows} of {positions}"),
        (
            "spare",
            f"{plural(facts['spare_units'], unit)} on these rows; "
            f"{facts['spare_units_on_disc']:,} in the fullest layout of this size, with webs of "
            f"{facts['least_web']:g} mm",
        ),
        *geometry_lines(shop),
        ("reading", f"{length(facts['read_s'])} at {facts['rpm']:g} rpm"),
    ]
    return [f"{name:<10} {line}" for name, line in lines]


def _show_sizes(
    message: str, code: Code, spec: FitSpec, given: Mapping[str, Any], as_json: bool
) -> None:
    """Print the table of `encode --sizes`."""
    from sonify.disc.code.encoding import message_units
    from sonify.disc.geometry.capacity import sizes

    limits: dict[str, Any] = {}
    if spec.outer_diameter is not None:
        limits["diameters"] = (spec.outer_diameter,)
    if given["hole_diameter"] is not None:
        limits["holes"] = (spec.hole_diameter,)
    around = len(message_units("A", code)) - 1
    needs = len(message_units(message, code)) if message else None
    rows = [
        {
            "hole_diameter": hole,
            "web": web,
            "outer_diameter": diameter,
            "characters": max(0, room.units - around),
            "positions": room.positions,
            "rows": room.rows,
            "holds_text": None if needs is None else room.units >= needs,
        }
        for hole, web, diameter, room in sizes(code, spec, **limits)
    ]
    if as_json:
        print_json({"sizes": rows})
        return
    table: dict[Any, list[str]] = {}
    for row in rows:
        cell = f"{row['characters']:,}{'*' if row['holds_text'] else ''}"
        table.setdefault((row["hole_diameter"], row["web"]), []).append(cell)
    diameters = dict.fromkeys(f"{row['outer_diameter']:g}" for row in rows)
    click.echo(f"Characters in {code.alphabet}, {code.framing}, check {code.check}, by disc in mm:")
    click.echo(f"{'hole':>5} {'web':>5}  " + " ".join(d.rjust(8) for d in diameters))
    for (hole, web), cells in table.items():
        click.echo(f"{hole:>5g} {web:>5g}  " + " ".join(c.rjust(8) for c in cells))
    if needs is not None:
        click.echo(f"* holds the text of {len(message):,} characters")

"""`sonify encode`: a message to a disc that can be cut."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sonify.cli.common import DEFAULT_FOLDER, caution, length, perform_from, setting_options
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.disc.code.code import Code
    from sonify.disc.disc import Disc
    from sonify.disc.geometry.capacity import FitSpec
    from sonify.disc.geometry.cautions import Workshop
    from sonify.disc.layout import Layout

__all__ = ["encode"]

F = TypeVar("F", bound=Callable[..., Any])
MOST_TEXT_BYTES = 64 * 1024 * 1024

OPTIONS: tuple[tuple[str, str, Any, str], ...] = (
    ("alphabet", "code", str, "ascii (7 bits), ita2 (5 bits, capitals and figures) or utf-8."),
    ("bit-order", "code", str, "high-first or low-first."),
    ("framing", "code", str, "plain, or framed: SYN SYN STX text ETX, which a reader can find."),
    ("check", "code", str, "none, parity, crc-16 or reed-solomon, which can restore a lost row."),
    ("redundancy", "code", float, "With reed-solomon: the smallest share of check symbols."),
    ("positions", "spec", int, "Positions in each row."),
    ("reading", "layout", str, "outside-in or inside-out."),
    ("turning", "layout", str, "clockwise or anticlockwise, seen from the front."),
    ("hole-means", "layout", int, "1 or 0."),
    (
        "outer-diameter",
        "spec",
        float,
        "Diameter of the disc, in mm. [default: the smallest that fits]",
    ),
    ("bore-diameter", "spec", float, "Diameter of the bore, in mm."),
    ("hole-diameter", "spec", float, "Diameter of the holes, in mm."),
    ("least-web", "spec", float, "The least material between holes, and to every edge, in mm."),
    ("clock-radius", "spec", float, "Radius of the clock row, in mm."),
    ("first-row-radius", "spec", float, "Radius of the row read first, in mm."),
    ("row-pitch", "spec", float, "Distance between rows, in mm."),
)
"""Name, the settings it belongs to, type, and help. The settings check the values."""

MEASURES = {str: "NAME", int: "N", float: "X"}


def code_options(function: F) -> F:
    """All of the table's options."""
    for name, _, kind, help in reversed(OPTIONS):
        function = click.option(
            f"--{name}", name.replace("-", "_"), type=kind, metavar=MEASURES[kind], help=help
        )(function)
    return function


@click.command()
@click.argument("text", required=False)
@click.option("--text-file", metavar="FILE", help="Take the text from a file, UTF-8.")
@click.option("-o", "--output", metavar="FILE", help="The disc file. [default: out/disc.toml]")
@click.option("--title", default="", help="The disc's title; it is engraved.")
@code_options
@click.option(
    "--keep-out", "keep_outs", multiple=True, metavar="R,ANGLE,D",
    help="A place for a magnet or a screw: radius in mm, degrees clockwise from twelve, "
    "diameter in mm. Repeatable.",
)  # fmt: skip
@setting_options
@click.option("--sizes", is_flag=True, help="Show how many characters discs of all sizes hold.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object with stable keys.")
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
    """Write a message as a disc that can be cut, holds together, and can be read back.

    TEXT is the message; - takes it from standard input. What is not given is found: with no
    --outer-diameter the smallest disc that holds the text, with one the layout on it with the
    widest webs. Defaults: ascii, plain, no check, holes of 3 mm, webs of 1.5 mm, a bore of 8 mm.

    \b
    Examples:
      sonify encode "WIND SW 6, CLOUD BASE 900 M" -o note.toml
      sonify encode --text-file note.txt --outer-diameter 180 --check reed-solomon -o note.toml
      sonify encode --sizes --hole-diameter 2
    """
    code, layout, spec = settings_from(given, keep_outs)
    message = text_from(text, text_file, needed=not sizes)
    if sizes:
        show_sizes(message, code, spec, given, as_json)
        return
    from sonify.disc.disc import Disc
    from sonify.disc.geometry.fit import fit

    found = fit(message, code, layout, spec)
    path = None if output == "-" else Path(output or DEFAULT_FOLDER / "disc.toml")
    if path is not None and path.suffix.casefold() != ".toml":
        raise InputError("a disc file ends in .toml", file=path)
    disc = Disc.from_message(
        message,
        code=code,
        layout=found.layout,
        geometry=found.geometry,
        title=title,
        name="disc" if path is None else path.stem,
    )
    show = perform_from(disc, presets, assignments)
    facts, shop = facts_of(disc, spec, show.read_s, show.setup.player.rpm)
    write(disc, path)
    to_stderr = path is None
    if as_json:
        click.echo(json.dumps(facts, ensure_ascii=False), err=to_stderr)
    else:
        for line in lines_of(disc, facts, shop, path):
            click.echo(line, err=to_stderr)
    for one in shop.cautions:
        caution(one)


def settings_from(
    given: Mapping[str, Any], keep_outs: tuple[str, ...]
) -> tuple[Code, Layout, FitSpec]:
    """The settings that the options name."""
    from sonify.disc.code.code import Code
    from sonify.disc.geometry.capacity import FitSpec
    from sonify.disc.layout import Layout
    from sonify.settings import convert

    tables: dict[str, dict[str, Any]] = {"code": {}, "layout": {}, "spec": {}}
    for name, section, _, _ in OPTIONS:
        value = given[name.replace("-", "_")]
        if value is not None:
            tables[section][name] = value
    if keep_outs:
        tables["spec"]["keep-out"] = [keep_out_from(k) for k in keep_outs]
    try:
        return (
            convert(tables["code"], Code),
            convert(tables["layout"], Layout),
            convert(tables["spec"], FitSpec),
        )
    except InputError as e:
        raise InputError(e.what, place=f"--{e.place}") from None


def keep_out_from(text: str) -> dict[str, float]:
    """`RADIUS,ANGLE,DIAMETER` as a table."""
    parts = text.split(",")
    try:
        radius, angle, diameter = (float(p) for p in parts)
    except ValueError:
        raise InputError(
            f"'{text}' is not a place to keep clear; write radius,angle,diameter such as 20,90,10",
            place="--keep-out",
        ) from None
    return {"radius": radius, "angle": angle, "diameter": diameter}


def text_from(text: str | None, text_file: str | None, *, needed: bool) -> str:
    """The message, from wherever it was given. One line end at the end of a file is not of it."""
    from sonify.settings import read_text

    if text is not None and text_file is not None:
        raise InputError("both TEXT and --text-file are given; keep one of them")
    if text is None and text_file is None:
        if needed:
            raise InputError("there is no text; give TEXT, - for standard input, or --text-file")
        return ""
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
    else:
        assert text is not None
        return text
    found = found.replace("\r\n", "\n")
    return found[:-1] if found.endswith("\n") else found


def write(disc: Disc, path: Path | None) -> None:
    """The disc file, whole or not at all."""
    from sonify.atomic import whole
    from sonify.disc.file import disc_to_toml

    data = disc_to_toml(disc).encode("utf-8")
    if path is None:
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    with whole(path) as place:
        place.write_bytes(data)


def facts_of(
    disc: Disc, spec: FitSpec, read_s: float, rpm: float
) -> tuple[dict[str, Any], Workshop]:
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
    # what the same disc would hold, were all of it used
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
        "cautions": shop.cautions,
    }
    return facts, shop


def lines_of(disc: Disc, facts: dict[str, Any], shop: Workshop, path: Path | None) -> list[str]:
    """The facts for people."""
    from sonify.disc.report import code_is_simple, code_lines, geometry_lines, plural

    unit = "character" if code_is_simple(facts["code"]) else "code unit"
    out = [] if path is None else [str(path)]
    out.append(f"characters {facts['characters']:,}")
    out.extend(f"code       {line}" for line in code_lines(disc))
    out.append(
        f"bits       {facts['bits']:,} on {plural(facts['rows'], 'row')} of "
        f"{plural(facts['positions'], 'position')}"
    )
    out.append(
        f"spare      {plural(facts['spare_units'], unit)} on these rows; the disc could hold "
        f"{facts['spare_units_on_disc']:,} more with webs of {facts['least_web']:g} mm"
    )
    out.extend(f"{name:<10} {line}" for name, line in geometry_lines(shop))
    out.append(f"reading    {length(facts['read_s'])} at {facts['rpm']:g} rpm")
    return out


def show_sizes(
    message: str, code: Code, spec: FitSpec, given: Mapping[str, Any], as_json: bool
) -> None:
    """The table of `encode --sizes`."""
    from sonify.disc.code.encoding import message_units
    from sonify.disc.geometry.capacity import sizes

    chosen: dict[str, Any] = {}
    if spec.outer_diameter is not None:
        chosen["diameters"] = (spec.outer_diameter,)
    if given["hole_diameter"] is not None:
        chosen["holes"] = (spec.hole_diameter,)
    rows = sizes(code, spec, **chosen)
    around = len(message_units("A", code)) - 1
    needs = len(message_units(message, code)) if message else None
    if as_json:
        data = [
            {
                "hole_diameter": hole,
                "web": web,
                "outer_diameter": diameter,
                "characters": max(0, room.units - around),
                "positions": room.positions,
                "rows": room.rows,
                "holds_text": None if needs is None else room.units >= needs,
            }
            for hole, web, diameter, room in rows
        ]
        click.echo(json.dumps({"sizes": data}))
        return
    diameters = list(dict.fromkeys(r[2] for r in rows))
    click.echo(f"Characters in {code.alphabet}, {code.framing}, check {code.check}, by disc in mm:")
    click.echo(f"{'hole':>5} {'web':>5}  " + " ".join(f"{d:>8g}" for d in diameters))
    for at in range(0, len(rows), len(diameters)):
        hole, web = rows[at][:2]
        cells = []
        for _, _, _, room in rows[at : at + len(diameters)]:
            mark = "*" if needs is not None and room.units >= needs else ""
            cells.append(f"{max(0, room.units - around):,}{mark}".rjust(8))
        click.echo(f"{hole:>5g} {web:>5g}  " + " ".join(cells))
    if needs is not None:
        click.echo(f"* holds the text of {len(message):,} characters")

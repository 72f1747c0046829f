"""`sonify draw`: a disc at actual size for cutting, or as a picture."""

from __future__ import annotations

import math
from typing import Any

from click import Choice, option

from sonify.cli.common import SETTINGS, Request, disc_command, output_option
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown
from sonify.cli.usual import caution, wrote
from sonify.errors import InputError, plural
from sonify.export.drawing.drawing_formats import SAFETY
from sonify.settings import keyed

__all__ = ["draw"]

MOST_STROKE = 1.0
"""In mm: wider lines would hide what is between them (own limit)."""


@disc_command(
    output_option(
        "The file: .svg, .dxf, .pdf, .png or .csv; - for SVG on standard output. "
        "[default: out/DISC.svg]"
    ),
    option(
        "--side", type=Choice(["front", "back"]), default="front",
        help="The side that faces up; the back is mirrored. [default: front]",
    ),
    option("--kerf", type=float, metavar="MM", help="The width of the cut."),
    option(
        "--engrave", type=Choice(["title", "message", "none"]), default="title", show_default=True,
        help="The text below the bore, in lines that a machine can follow.",
    ),
    option(
        "--stroke", type=float, metavar="MM",
        help="For .svg and .pdf: the width of lines. Some machines cut only hairlines, such as "
             "0.02, and engrave wider ones. [default: 0.25 in .svg, 0.1 in .pdf]",
    ),
    option("--paper", metavar="NAME", help="For .pdf: a2, a3, a4, a5, letter, legal, tabloid."),
    option(
        "--dxf-version", type=Choice(["r2010", "r12"]),
        help="For .dxf: r12 is for old programs; it does not tell that units are mm. "
             "[default: r2010]",
    ),
    option(
        "--material", metavar="NAME",
        help="For .png: birch, oak, mdf, card, acrylic-black, acrylic-clear, acrylic-red, brass, "
             "steel.",
    ),
    option("--size", type=int, metavar="PX", help="For .png: its width. [default: 1600]"),
    option(
        "--least-web", type=float, default=1.5, metavar="MM",
        help="Warn of webs thinner than this. [default: 1.5]",
    ),
    option(
        "--wiring", is_flag=True,
        help="Instead of the disc, draw the wiring plan of the player's matrix, as .svg, .pdf or "
        ".png: the data line from lamp to lamp, and the current.",
    ),
    *SETTINGS,
    epilog=SAFETY,
)  # fmt: skip
def draw(
    request: Request,
    output: str | None,
    wiring: bool,
    side: Any,
    kerf: float | None,
    engrave: Any,
    least_web: float,
    **options: Any,
) -> None:
    """Draw the disc at actual size for cutting, or as a picture of the finished disc.

    Groups or layers follow the order of work: engraving, index mark, keep-outs, holes, clock row,
    bore and outline. If the disc file has no sizes, sizes that fit are used. Warnings tell of thin
    webs, holes that touch or are cut off, rows that are mostly open, and a disc that is out of
    balance at the player's speed (set it with --preset or --set player.rpm=20).

    \b
    Examples:
      sonify draw note.toml -o note.svg --kerf 0.15
      sonify draw note.toml -o note.pdf --paper letter --side back
      sonify draw note.toml -o note.png --material acrylic-clear --engrave message
      sonify draw note.toml -p my-player.toml --wiring -o wiring.pdf
    """
    if wiring:
        _draw_wiring(request, output, options["paper"] or "a4")
        return
    from sonify.atomic import write_data
    from sonify.disc.geometry.cautions import derived_note, workshop
    from sonify.export.drawing import drawing_formats as drawings
    from sonify.export.drawing.drawing import drawing_of

    kind = drawings.kind_of("-.svg" if output == "-" else output or "disc.svg")
    options = keyed({k: v for k, v in options.items() if v is not None})
    for name in options.keys() - set(kind.options):
        own = " and ".join(s for s, k in drawings.DRAWINGS.items() if name in k.options)
        raise InputError(f"it is for {own} and not for .{kind.module}", place=f"--{name}")
    stroke = options.get("stroke")
    if stroke is not None and not 0 < stroke <= MOST_STROKE:
        raise InputError(
            f"{stroke:g} mm is out of range; more than 0 and at most {MOST_STROKE:g}",
            place="--stroke",
        )
    for name, number in (("kerf", kerf), ("least-web", least_web)):
        if number is not None and not (math.isfinite(number) and 0 <= number <= 1000):
            raise InputError(f"{number:g} is out of range; from 0 to 1000 mm", place=f"--{name}")
    if kerf and not kind.to_cut:
        raise InputError(f"a .{kind.module} shows the finished disc; leave it out", place="--kerf")

    disc = request.load()
    rpm = request.setup().player.rpm
    try:
        shop = workshop(disc, rpm=rpm, least_web=least_web)
    except InputError as e:
        raise e.at(request.disc) from None
    drawing = drawing_of(disc, shop.geometry, side=side, kerf=kerf or 0.0, engrave=engrave)
    with progress_shown("drawing"):
        data = drawings.draw(drawing, f".{kind.module}", **options)
    with destination(output, f"{disc.name}.svg") as path:
        write_data(path, data)
    holes = sum(len(drawing.circles[g]) for g in ("holes", "clock-row"))
    across = shop.geometry.outer_diameter
    told = f"{across:g} mm  {holes:,} holes"
    wrote(path, told, diameter_mm=across, holes=holes)
    derived = [derived_note(shop.geometry)] if shop.derived else []
    for one in (*derived, *shop.cautions, *drawing.cautions):
        caution(one)


def _draw_wiring(request: Request, output: str | None, paper: str) -> None:
    from sonify.atomic import write_data
    from sonify.export.wiring_plan import SUFFIXES, wiring_plan

    show = request.perform()
    with destination(output, f"{show.disc.name}-wiring.svg") as path:
        suffix = path.suffix.casefold()
        if suffix not in SUFFIXES:
            raise InputError(f"a wiring plan is one of: {', '.join(SUFFIXES)}", file=path)
        data = wiring_plan(show, suffix, paper)
        write_data(path, data)
    lamps = show.wiring.length
    wrote(path, plural(lamps, "lamp"), lamps=lamps)
    supply = show.setup.player.matrix.supply
    if supply is not None and supply < show.power.brightest:
        caution(
            f"the lamps draw {show.power.brightest:.2g} A at the brightest moment and the supply "
            f"gives {supply:g} A; lower player.matrix.brightness or use a larger supply"
        )

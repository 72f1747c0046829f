"""`sonify draw`: a disc at 1:1, to cut, and as a picture."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from sonify.cli.common import DEFAULT_FOLDER, caution, load, setting_options, size
from sonify.cli.progress import progress_shown
from sonify.errors import InputError
from sonify.settings import parse_assignment

__all__ = ["draw"]

SAFETY = (
    "Cutting machines, their fumes and dust, and turning discs can hurt people. Follow the "
    "machine's manual and your local rules; know what your material gives off (never laser PVC: "
    "it gives off chlorine); extract the fumes; never leave a laser cutter alone; protect your "
    "eyes; take off burrs; guard a turning disc, and keep hair, sleeves and fingers off it. Ask a "
    "qualified person when in doubt."
)


@click.command(epilog=f"Caution. {SAFETY}")
@click.argument("disc", metavar="DISC")
@click.option(
    "-o", "--output", metavar="FILE",
    help=".svg, .dxf, .pdf, .png or .csv; - writes SVG to standard output. "
    "[default: out/DISC.svg]",
)  # fmt: skip
@click.option(
    "--side",
    type=click.Choice(["front", "back"]),
    default="front",
    help="The side that lies upwards; the back is mirrored.",
)
@click.option("--kerf", type=float, metavar="MM", help="The width that the cut takes away.")
@click.option("--paper", metavar="NAME", help="For .pdf: a2, a3, a4, a5, letter, legal, tabloid.")
@click.option(
    "--material", metavar="NAME",
    help="For .png: birch, oak, mdf, card, acrylic-black, acrylic-red, brass, steel.",
)  # fmt: skip
@click.option("--size", "pixels", type=int, metavar="PX", help="For .png: its width. [1600]")
@click.option(
    "--least-web", type=float, default=1.5, metavar="MM",
    help="Thinner webs get a caution. [1.5]",
)  # fmt: skip
@setting_options
def draw(
    disc: str,
    output: str | None,
    side: str,
    kerf: float | None,
    paper: str | None,
    material: str | None,
    pixels: int | None,
    least_web: float,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
) -> None:
    """Draw a disc at real size, to cut it, or as a picture of the finished one.

    The drawing has a group or layer each for engraving, index mark, keep-outs, holes, clock row,
    bore and outline, in the order of work. A disc without sizes gets some, and is told so. Cautions
    name thin webs, holes that touch or are cut, rows that are mostly gone, and a disc out of
    balance at the player's speed (--preset, --set player.rpm=20).

    \b
    Examples:
      sonify draw note.toml -o note.svg --kerf 0.15
      sonify draw note.toml -o note.pdf --paper letter --side back
      sonify draw note.toml -o note.png --material brass
    """
    import math

    from sonify.atomic import whole
    from sonify.disc.geometry.cautions import derived_note, workshop
    from sonify.export import drawing as drawings
    from sonify.export.drawing.drawing import drawing_of
    from sonify.setup import load_setup

    kind = drawings.kind_of("-.svg" if output == "-" else output or "disc.svg")
    for name, value in (("paper", paper), ("material", material), ("size", pixels)):
        if value is not None and name not in kind.options:
            own = next(s for s, k in drawings.DRAWINGS.items() if name in k.options)
            raise InputError(f"it is for {own} and not for .{kind.module}", place=f"--{name}")
    for name, number in (("kerf", kerf), ("least-web", least_web)):
        if number is not None and not (math.isfinite(number) and 0 <= number <= 1000):
            raise InputError(f"{number:g} is out of range; from 0 to 1000 mm", place=f"--{name}")
    if kerf and not kind.to_cut:
        raise InputError(f"a .{kind.module} shows the finished disc; leave it out", place="--kerf")

    what = load(disc)
    rpm = load_setup(presets, dict(parse_assignment(a) for a in assignments)).player.rpm
    try:
        shop = workshop(what, rpm=rpm, least_web=least_web)
    except InputError as e:
        raise e.at(disc) from None
    drawing = drawing_of(
        what, shop.geometry, side="back" if side == "back" else "front", kerf=kerf or 0.0
    )
    with progress_shown("drawing"):
        data = drawings.draw(
            drawing, f".{kind.module}", paper=paper, material=material, size=pixels
        )
    if output == "-":
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    else:
        path = Path(output or DEFAULT_FOLDER / f"{what.name}.svg")
        with whole(path) as place:
            place.write_bytes(data)
        holes = sum(len(drawing.circles[g]) for g in ("holes", "clock-row"))
        click.echo(f"{path}  {shop.geometry.outer_diameter:g} mm  {holes:,} holes  {size(path)}")
    if shop.derived:
        caution(derived_note(shop.geometry))
    for one in (*shop.cautions, *drawing.cautions):
        caution(one)

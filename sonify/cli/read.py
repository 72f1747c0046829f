"""`sonify read`: a photograph, drawing, log, recording or grid to a disc."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sonify.cli.common import caution, option, setting_options

if TYPE_CHECKING:
    from sonify.recover.search.find import Found

__all__ = ["facts", "read"]

MAX_ROWS = 64


def facts(found: Found, source: str) -> dict[str, Any]:
    """What `read --json` prints: one object with stable keys."""
    disc, seen = found.disc, found.sighting
    return {
        "source": source,
        "kind": seen.kind,
        "rows": disc.rows,
        "positions": disc.positions,
        "message": disc.message,
        "bits": ["".join("?01"[b + 1] for b in row) for row in disc.grid.tolist()],
        "unknown": int((disc.grid < 0).sum()),
        "confidence": {
            "mean": round(float(seen.confidence.mean()), 4),
            "least": round(float(seen.confidence.min()), 4),
        },
        "code": None
        if disc.code is None
        else {
            "alphabet": disc.code.alphabet,
            "bit_order": disc.code.bit_order,
            "framing": disc.code.framing,
            "check": disc.code.check,
        },
        "start": found.arrangement.start,
        "turning": found.arrangement.turning,
        "reading": found.arrangement.reading,
        "hole_means": found.arrangement.hole_means,
        "candidates": [
            {
                "message": c.text,
                "score": None if c.score == float("inf") else round(c.score, 1),
                "why": c.why,
                "start": c.arrangement.start,
                "turning": c.arrangement.turning,
                "reading": c.arrangement.reading,
                "hole_means": c.arrangement.hole_means,
                "alphabet": c.code.alphabet,
                "bit_order": c.code.bit_order,
                "framing": c.code.framing,
                "check": c.code.check,
            }
            for c in found.candidates
        ],
        "facts": seen.facts,
        "cautions": [c.say(option) for c in (*seen.cautions, *found.cautions)],
    }


def text(found: Found) -> str:
    """The same for people, who count rows from 1."""
    from sonify.disc.report import plural

    disc, seen = found.disc, found.sighting
    lines = [f"read as    a {seen.kind}"]
    lines.append(f"rows       {disc.rows:,} of {disc.positions:,} positions")
    if disc.message is None or disc.code is None:
        lines.append("message    none found: bare bits")
    else:
        shown = "".join(c if c.isprintable() else " " for c in disc.message)
        lines.append(f"message    {shown}")
        code = disc.code
        lines.append(
            f"code       {code.alphabet}, {code.bit_order}, {code.framing}, check {code.check}"
        )
    lines.append(f"arranged   {found.arrangement}")
    unknown = int((disc.grid < 0).sum())
    lines.append(
        f"confidence {seen.confidence.mean():.3f} on average, {seen.confidence.min():.3f} at "
        f"least; {plural(unknown, 'bit')} unknown"
    )
    measured = [
        (name.replace("_", " "), value)
        for name, value in seen.facts.items()
        if isinstance(value, (int, float)) and not isinstance(value, bool)
    ]
    if measured:
        across = max(len(name) for name, _ in measured)
        lines.append("measured")
        lines += [f"  {name:<{across}}  {value:.6g}" for name, value in measured]
    lines.append("")
    wide = 160
    for r, row in enumerate(disc.grid[:MAX_ROWS, :wide].tolist()):
        more = "..." if disc.positions > wide else ""
        lines.append(f"row {r + 1:>3}  {''.join('?.#'[b + 1] for b in row)}{more}")
    if disc.rows > MAX_ROWS:
        lines.append(f"... and {plural(disc.rows - MAX_ROWS, 'row')} more")
    # a text of which most can't be read is no other way to read it
    others = [
        c
        for c in found.candidates
        if c.text != disc.message and 2 * c.text.count("\ufffd") < len(c.text)
    ]
    if others:
        lines.append("")
        lines.append("other ways to read it, and why they are less plausible:")
        for c in others[:4]:
            shown = "".join(x if x.isprintable() else " " for x in c.text[:48])
            lines.append(
                f"  '{shown}' ({c.arrangement}; {c.code.alphabet}, {c.code.bit_order}): {c.why}"
            )
    return "\n".join(lines)


@click.command()
@click.argument("source", metavar="SOURCE")
@click.option(
    "-o", "--output", metavar="FILE", help="Write the disc file, .toml; - for standard output."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object with stable keys.")
@click.option(
    "--overlay", metavar="FILE", help="A photograph with what was seen drawn over it, .png."
)
@click.option(
    "--start", type=int, metavar="K", help="The position at which the rows begin, counted from 0."
)
@click.option(
    "--turning",
    type=click.Choice(["clockwise", "anticlockwise"]),
    help="Which way the disc turns, seen from the front.",
)
@click.option(
    "--reading",
    type=click.Choice(["outside-in", "inside-out"]),
    help="Which row is read first.",
)
@click.option("--hole-means", type=click.Choice(["1", "0"]), help="What a hole means.")
@click.option("--alphabet", type=click.Choice(["ascii", "ita2", "utf-8"]), help="The alphabet.")
@click.option("--bit-order", type=click.Choice(["high-first", "low-first"]), help="The bit order.")
@click.option("--framing", type=click.Choice(["plain", "framed"]), help="The framing.")
@click.option(
    "--check", type=click.Choice(["none", "parity", "crc-16", "reed-solomon"]), help="The check."
)
@click.option("--positions", type=int, metavar="N", help="Positions per turn, if known.")
@click.option("--rows", type=int, metavar="N", help="Number of rows, if known (recording).")
@click.option("--sample-rate", type=float, metavar="HZ", help="Sample rate of a log without times.")
@click.option(
    "--threshold",
    type=click.FloatRange(0, 1),
    metavar="C",
    help="The confidence below which a bit is unknown.  [default: 0.7]",
)
@setting_options
def read(
    source: str,
    output: str | None,
    as_json: bool,
    overlay: str | None,
    start: int | None,
    turning: str | None,
    reading: str | None,
    hole_means: str | None,
    alphabet: str | None,
    bit_order: str | None,
    framing: str | None,
    check: str | None,
    positions: int | None,
    rows: int | None,
    sample_rate: float | None,
    threshold: float | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
) -> None:
    """Read a disc from a photograph, a drawing, a detector log, a recording or a grid.

    The reader is picked by the file's kind. What it repaired and what it doubts is said; a bit
    that is not sure enough is unknown. Framed messages tell by themselves how they run; for
    plain ones the most plausible way is taken, the next ones are shown, and --start, --turning
    and the like settle it. --preset says with which presets the player played (recording, log).

    \b
    Examples:
      sonify read photo.jpg -o disc.toml --overlay seen.png
      sonify read cut.dxf
      sonify read log.csv --positions 56
      sonify read take.mid --preset music-box -o disc.toml
    """
    from sonify.load import find_in, save_disc
    from sonify.recover.search.arrangement import Wanted
    from sonify.recover.sources.options import ReadOptions

    options = ReadOptions(
        positions=positions,
        rows=rows,
        sample_rate=sample_rate,
        presets=presets,
        settings=assignments,
        overlay=None if overlay is None else Path(overlay),
    )
    wanted = Wanted(
        start=start,
        turning=turning,
        reading=reading,
        hole_means=None if hole_means is None else int(hole_means),
        alphabet=alphabet,
        bit_order=bit_order,
        framing=framing,
        check=check,
    )
    found = find_in(source, options, wanted, threshold)
    report = json.dumps(facts(found, source), ensure_ascii=False) if as_json else text(found)
    if output == "-":
        from sonify.disc.file import disc_to_toml

        click.echo(disc_to_toml(found.disc), nl=False)
        click.echo(report, err=True)
    else:
        click.echo(report)
        if output is not None:
            save_disc(found.disc, output)
            click.echo(output, err=as_json)
    for one in (*found.sighting.cautions, *found.cautions):
        caution(one)
    if overlay is not None and found.sighting.kind != "photograph":
        caution("--overlay is for photographs; none was written")

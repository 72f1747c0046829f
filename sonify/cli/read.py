"""`sonify read`: from a photograph, drawing, log, recording or grid to a disc."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click import FloatRange, option

from sonify.cli.common import (
    AS_JSON,
    SETTINGS,
    WRITTEN,
    guarded,
    output_option,
    plain,
    rows_shown,
    source_given,
    with_options,
)
from sonify.cli.encode import code_options, settings_from
from sonify.cli.usual import caution, option_name, print_json, say_lines

if TYPE_CHECKING:
    from sonify.disc.code.code import Code
    from sonify.recover.search.find import Found

__all__ = ["read"]

WANTED = ("turning", "reading", "hole-means", "alphabet", "bit-order", "framing", "check")


def _code_facts(code: Code) -> dict[str, str]:
    names = ("alphabet", "bit_order", "framing", "check")
    return {name: getattr(code, name) for name in names}


def _facts(found: Found, source: str) -> dict[str, Any]:
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
        "code": None if disc.code is None else _code_facts(disc.code),
        **vars(found.arrangement),
        "candidates": [
            {
                "message": c.text,
                "score": None if c.score == float("inf") else round(c.score, 1),
                "why": c.why,
                **vars(c.arrangement),
                **_code_facts(c.code),
            }
            for c in found.candidates
        ],
        "facts": seen.facts,
        "cautions": [c.say(option_name) for c in (*seen.cautions, *found.cautions)],
    }


def _lines(found: Found) -> list[str]:
    """The same for people."""
    from sonify.disc.report import plural

    disc, seen, code = found.disc, found.sighting, found.disc.code
    lines = [
        f"read as    a {seen.kind}",
        f"rows       {disc.rows:,} of {disc.positions:,} positions",
    ]
    if disc.message is None or code is None:
        lines.append("message    none found: bits only")
    else:
        lines += [
            f"message    {plain(disc.message)}",
            f"code       {code.alphabet}, {code.bit_order}, {code.framing}, check {code.check}",
        ]
    lines += [
        f"arranged   {found.arrangement}",
        f"confidence {seen.confidence.mean():.3f} on average, lowest {seen.confidence.min():.3f}; "
        f"{plural(int((disc.grid < 0).sum()), 'bit')} unknown",
    ]
    measured = {
        name.replace("_", " "): value
        for name, value in seen.facts.items()
        if isinstance(value, (int, float)) and not isinstance(value, bool)
    }
    if measured:
        across = max(map(len, measured))
        lines.append("measured")
        lines += [f"  {name:<{across}}  {value:.6g}" for name, value in measured.items()]
    lines += ["", *rows_shown(disc)]
    # a text that is mostly unreadable is not worth showing
    others = [
        c
        for c in found.candidates
        if c.text != disc.message and 2 * c.text.count("\ufffd") < len(c.text)
    ]
    if others:
        lines += ["", "other ways to read it, and why they are less plausible:"]
    for c in others[:4]:
        how = f"{c.arrangement}; {c.code.alphabet}, {c.code.bit_order}"
        lines.append(f"  '{plain(c.text, 48)}' ({how}): {c.why}")
    return lines


@click.command()
@click.argument("source", metavar="SOURCE")
@with_options(
    output_option("The disc file, .toml; - for standard output."),
    *SETTINGS,
    AS_JSON,
    option(
        "--overlay", type=WRITTEN, metavar="FILE",
        help="Draw what was found over the photograph, as .png.",
    ),
    option("--start", type=int, metavar="N", help="The position at which rows start."),
    *code_options(WANTED),
    option("--positions", type=int, metavar="N", help="Positions per row, if you know them."),
    option("--rows", type=int, metavar="N", help="Rows on the disc, if you know them (recording)."),
    option(
        "--sample-rate", type=float, metavar="HZ",
        help="Samples per second, if the log has no times.",
    ),
    option(
        "--threshold", type=FloatRange(0, 1), metavar="C",
        help="Bits below this confidence are unknown. [default: 0.7]",
    ),
)  # fmt: skip
def read(
    source: str,
    output: str | None,
    as_json: bool,
    overlay: str | None,
    start: int | None,
    positions: int | None,
    rows: int | None,
    sample_rate: float | None,
    threshold: float | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    **wanted: Any,
) -> None:
    """Read a disc back from a photograph, drawing, detector log, MIDI recording or grid.

    The suffix of SOURCE tells its kind; - is standard input. Disc files are shown as they are.
    Repairs and doubts are reported; bits that are too uncertain are unknown. The frame of a framed
    message shows how the message is arranged. For a plain message the most plausible arrangement
    wins and others are listed; options such as --start and --turning decide it. For a recording or
    a log, name the presets that the player used with --preset.

    \b
    Examples:
      sonify read photo.jpg -o disc.toml --overlay seen.png
      sonify read cut.dxf
      sonify read log.csv --positions 56
      sonify read recording.mid --preset music-box -o disc.toml
    """
    from sonify.cli.outputs import destination
    from sonify.load import find_in, save_disc
    from sonify.presets import find_disc
    from sonify.recover.search.arrangement import Wanted
    from sonify.recover.sources.options import ReadOptions

    settings_from(wanted)
    place = None if overlay is None else Path(overlay)
    options = ReadOptions(positions, rows, sample_rate, presets, assignments, place)
    first = None if start is None else start - 1
    source = source_given(source)
    file = find_disc(source)
    found = guarded(find_in, file, file, options, Wanted(start=first, **wanted), threshold)
    to_stderr = output == "-"
    if as_json:
        print_json(_facts(found, source), err=to_stderr)
    else:
        say_lines(_lines(found), err=to_stderr)
    if output is not None:
        with destination(output, "disc.toml") as path:
            save_disc(found.disc, path)
        if not to_stderr:
            click.echo(output, err=as_json)
    for one in (*found.sighting.cautions, *found.cautions):
        caution(one)
    if overlay is not None and found.sighting.kind != "photograph":
        caution("--overlay is for photographs, so none was written")

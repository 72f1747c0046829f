"""`sonify compare`: what the cut disc or the real player is like, against what it should be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from click import FloatRange, option

from sonify.cli.common import (
    AS_JSON,
    SETTINGS,
    WRITTEN,
    Request,
    cautions_shown,
    disc_command,
    guarded,
    output_option,
    source_given,
)
from sonify.cli.usual import caution, print_json, say_lines
from sonify.errors import InputError

__all__ = ["compare"]


@disc_command(
    click.argument("what"),
    output_option("Write a report: .html, .png or .json."),
    *SETTINGS,
    AS_JSON,
    option(
        "--write-player", "player", type=WRITTEN, metavar="FILE",
        help="Save the player's measured profile as a preset.",
    ),
    option(
        "--threshold", type=float, metavar="LEVEL",
        help="The level at which the player decides, in the log's units. [default: found]",
    ),
    option(
        "--sample-at", type=FloatRange(-1, 1), metavar="S",
        help="When the player samples the data detector, in s after the middle of the clock pulse. "
        "[default: player.sample-at, or where holes pass]",
    ),
    option(
        "--sample-width", type=FloatRange(0, 1, min_open=True), metavar="SHARE",
        help="How long it averages for each bit, as a share of a position. [default: "
        "player.sample-width, or 0.22]",
    ),
    option(
        "--sample-rate", type=float, metavar="HZ",
        help="Samples per second, if the log has no times.",
    ),
)  # fmt: skip
def compare(
    request: Request,
    what: str,
    output: str | None,
    as_json: bool,
    player: str | None,
    **options: Any,
) -> None:
    """Check a cut disc, or find out which bits a real player got wrong, where, when and why.

    WHAT is a photograph (.jpg, .png and the like) or a drawing (.svg, .dxf, .csv) of the cut disc,
    or another disc: each hole that is blocked, extra, misplaced or torn is named, with what it does
    to the message and the music, and -o marks it on the picture. Or it is a MIDI file recorded from
    the player's MIDI output, or a detector log (.csv, .vcd, .npy or .wav); then give the presets
    and settings that the player used.

    Caution: unplug the player before you open it, protect all eyes from laser beams (see the
    classes of IEC 60825-1), and keep hands and hair away from rotating parts. Your local rules
    come first.

    \b
    Examples:
      sonify compare my.toml photo.jpg -o marked.png
      sonify compare cairn-middle recording.mid -p usual -o report.html
      sonify compare my.toml log.csv --threshold 1.8 --sample-at 0.004 --sample-width 0.2
      sonify compare my.toml log.csv --write-player mine.toml
    """
    from sonify.library import compare as compared
    from sonify.presets import find_disc
    from sonify.recover.survey import Survey

    with cautions_shown():
        show, source = request.perform(), find_disc(source_given(what))
        seen: Any = guarded(compared, source, show, source, **options)
    if isinstance(seen, Survey):
        from sonify.recover.survey.report import survey_facts, survey_lines, write_survey

        if player is not None:
            raise InputError(
                f"it is for recordings, and this is a {seen.kind}", place="--write-player"
            )
        tell: tuple[Callable[..., Any], ...] = survey_facts, survey_lines, write_survey
    else:
        from sonify.recover.diagnosis.facts import facts
        from sonify.recover.diagnosis.profile import write_player
        from sonify.recover.diagnosis.report import report_lines, write_report

        tell = facts, report_lines, write_report
    as_facts, as_lines, write = tell
    if as_json:
        print_json(as_facts(seen))
    else:
        say_lines(as_lines(seen))
    for line in seen.cautions:
        caution(line)
    if output is not None:
        write(seen, output)
    if player is not None:
        write_player(seen, Path(player))
    if not as_json:
        for name in filter(None, (output, player)):
            click.echo(name)

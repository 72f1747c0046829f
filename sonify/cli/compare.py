"""`sonify compare`: what the real player did against what it should have done."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from click import FloatRange, option

from sonify.cli.common import AS_JSON, SETTINGS, Request, caution, disc_command, print_json

__all__ = ["compare"]


@disc_command(
    click.argument("recording"),
    option("-o", "--output", metavar="FILE", help="Write a report: .html, .png or .json."),
    *SETTINGS,
    AS_JSON,
    option(
        "--write-player", "player", metavar="FILE",
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
    recording: str,
    output: str | None,
    as_json: bool,
    player: str | None,
    **options: Any,
) -> None:
    """Find out which bits a real player got wrong, where, when and why.

    RECORDING is a MIDI file recorded from the player's MIDI output, or a detector log (.csv, .vcd,
    .npy or .wav). Give the presets and settings that the player used.

    Caution: unplug the player before you open it, protect all eyes from laser beams (see the
    classes of IEC 60825-1), and keep hands and hair away from rotating parts. Your local rules
    come first.

    \b
    Examples:
      sonify compare cairn-middle recording.mid -p usual -o report.html
      sonify compare my.toml log.csv --threshold 1.8 --sample-at 0.004 --sample-width 0.2
      sonify compare my.toml log.csv --write-player mine.toml
    """
    from sonify.recover import diagnosis
    from sonify.recover.diagnosis.facts import facts
    from sonify.recover.diagnosis.profile import write_player
    from sonify.recover.diagnosis.report import report_lines, write_report

    seen = diagnosis.compare(request.perform(), recording, **options)
    if as_json:
        print_json(facts(seen))
    else:
        click.echo("\n".join(report_lines(seen)))
    for line in seen.cautions:
        caution(line)
    if output is not None:
        write_report(seen, output)
    if player is not None:
        write_player(seen, Path(player))
    if not as_json:
        for path in filter(None, (output, player)):
            click.echo(path)

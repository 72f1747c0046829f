"""`sonify compare`: what the real player did against what it should have done."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sonify.cli.common import caution, disc_argument, perform_from, setting_options

__all__ = ["compare"]


@click.command()
@disc_argument
@click.argument("recording")
@setting_options
@click.option(
    "-o", "--output", metavar="FILE", help="A report: .html (pictures inside), .png or .json."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with stable keys.")
@click.option(
    "--write-player", "player", metavar="FILE",
    help="Save the player's profile that fits, ready for --preset.",
)  # fmt: skip
@click.option(
    "--threshold", type=float, metavar="LEVEL",
    help="The level at which the machine decides, in the log's units. [default: found]",
)  # fmt: skip
@click.option(
    "--sample-at", type=click.FloatRange(-1, 1), metavar="S",
    help="When the machine samples the data detector, in s after the middle of the clock's pulse. "
    "[default: player.sample-at, or where holes pass]",
)  # fmt: skip
@click.option(
    "--sample-width", type=click.FloatRange(0, 1, min_open=True), metavar="SHARE",
    help="How long it averages for a bit, as a share of a position. [default: "
    "player.sample-width, or 0.22]",
)  # fmt: skip
@click.option(
    "--sample-rate", type=float, metavar="HZ", help="Samples a second of a log without times."
)
def compare(
    disc: str,
    recording: str,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    output: str | None,
    as_json: bool,
    player: str | None,
    threshold: float | None,
    sample_at: float | None,
    sample_width: float | None,
    sample_rate: float | None,
) -> None:
    """Compare a recording of the player with the disc: which bits went wrong, where, when and why.

    RECORDING is a MIDI file recorded from the player's MIDI output, or a detector log (.csv, .npy,
    .wav). Give the preset and the player settings that it was played with.

    Caution: before you open the player, no laser beam into any eye (classes of IEC 60825-1),
    mains unplugged, hands and hair away from what turns. Local rules come first.

    \b
    Examples:
      sonify compare cairn-middle recording.mid -p usual -o report.html
      sonify compare my.toml log.csv --threshold 1.8 --sample-at 0.004 --sample-width 0.2
      sonify compare my.toml log.csv --write-player mine.toml
    """
    from sonify.recover import diagnosis
    from sonify.recover.diagnosis.facts import facts
    from sonify.recover.diagnosis.report import report_lines, write_report

    show = perform_from(disc, presets, assignments)
    seen = diagnosis.compare(
        show,
        recording,
        sample_rate=sample_rate,
        threshold=threshold,
        sample_at=sample_at,
        sample_width=sample_width,
    )
    if as_json:
        click.echo(json.dumps(facts(seen), ensure_ascii=False))
    else:
        click.echo("\n".join(report_lines(seen)))
    for line in seen.cautions:
        caution(line)
    if output is not None:
        write_report(seen, output)
        if not as_json:
            click.echo(f"{output}")
    if player is not None:
        from sonify.recover.diagnosis.profile import write_player

        write_player(seen, Path(player))
        if not as_json:
            click.echo(f"{player}")

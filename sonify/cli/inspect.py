"""`sonify inspect`: what a disc says, how it lies, and how long it takes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from sonify.cli.common import disc_argument, length, perform_from, setting_options
from sonify.disc.report import (
    code_facts,
    code_lines,
    decoding_facts,
    decoding_lines,
    geometry_facts,
    geometry_lines,
    marked_message,
)
from sonify.errors import InputError
from sonify.export.clip.flash_preview import flashing_of
from sonify.midi.bandwidth import Traffic, caution_of, traffic_of
from sonify.music.theory.scales import note_name

if TYPE_CHECKING:
    from sonify.disc.geometry.cautions import Workshop
    from sonify.performance import Performance

__all__ = ["facts", "inspect"]

MAX_PICTURE_ROWS = 64


def facts(show: Performance) -> dict[str, Any]:
    """What `inspect --json` prints: one object with stable keys."""
    disc, t = show.disc, show.timeline
    known = disc.grid >= 0
    notes = show.notes
    pitches = notes["pitch"]
    seconds = show.duration_s
    shop, warnings = look_over(show)
    return {
        "name": disc.name,
        "title": disc.title,
        "message": disc.message,
        "characters": None if disc.decoding is None else len(disc.decoding.characters),
        "failed_characters": None if disc.decoding is None else disc.decoding.failed,
        "alphabet": None if disc.code is None else disc.code.alphabet,
        "rows": disc.rows,
        "positions": disc.positions,
        "bits": int(disc.grid.size),
        "ones": int((disc.grid == 1).sum()),
        "unknown": int((~known).sum()),
        "rpm": show.setup.player.rpm,
        "position_s": t.position_s,
        "row_start_s": t.row_start_s().tolist(),
        "read_s": show.read_s,
        "message_s": None if show.scroll is None else show.message_s,
        "duration_s": seconds,
        "tempo_bpm": show.tempo_bpm,
        "metre": "{}/{}".format(*show.grid.metre),
        "root": show.setup.music.root,
        "scale": show.setup.music.scale_name,
        "notes": len(notes),
        "voices": [{"name": p.name, "channel": p.channel + 1, "notes": len(p)} for p in show.parts],
        "lowest": note_name(int(pitches.min())) if len(notes) else None,
        "highest": note_name(int(pitches.max())) if len(notes) else None,
        "wire": wire_facts(show),
        "code": code_facts(disc),
        "decoding": decoding_facts(disc),
        "geometry": None if shop is None else geometry_facts(shop),
        "cautions": cautions(show) + warnings,
    }


def wire_facts(show: Performance) -> dict[str, dict[str, float]]:
    """What the notes take of a 5-pin MIDI line, with and without running status."""
    from dataclasses import asdict

    return asdict(traffic(show))


def traffic(show: Performance) -> Traffic:
    """What the notes take of a 5-pin MIDI line."""
    return traffic_of(show.events, show.tick_s)


def look_over(show: Performance) -> tuple[Workshop | None, list[str]]:
    """What a workshop says of the disc, and its cautions; or why the disc can't be cut."""
    from sonify.disc.geometry.cautions import workshop

    try:
        shop = workshop(show.disc, rpm=show.setup.player.rpm)
    except InputError as e:
        return None, [f"it can't be cut: {e}"]
    return shop, shop.cautions


def cautions(show: Performance) -> list[str]:
    """What a maker should know before going on."""
    out = []
    disc = show.disc
    unknown = int((disc.grid < 0).sum())
    if unknown:
        out.append(f"{unknown:,} bits are unknown; they stay silent and dark")
    if disc.decoding is not None and disc.decoding.failed:
        out.append(f"{disc.decoding.failed:,} characters can't be read; they show as \ufffd")
    if show.scroll is not None and show.scroll.missing:
        out.append("the letters lack " + " ".join(show.scroll.missing[:12]))
    if not show.grid.row_is_bars:
        out.append("no usual metre makes a row whole bars; bar lines fall inside rows")
    if not len(show.notes):
        out.append("no note sounds")
    late = caution_of(traffic(show))
    if late is not None:
        out.append(late)
    flashing = flashing_of(show)
    if flashing is not None and flashing.over:
        out.append(f"a clip of it flashes more than WCAG 2.2 SC 2.3.1 allows: {flashing}")
    return out


@click.command()
@disc_argument
@setting_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object with stable keys.")
def inspect(
    disc: str, presets: tuple[str, ...], assignments: tuple[str, ...], as_json: bool
) -> None:
    """Show a disc's message, code, rows as a picture of the bits, sizes, times and cautions.

    Characters that failed stand in [brackets] as they were read. What a check repaired, and what
    it could not, is listed by character, row and position, counted from 1 (from 0 in --json).

    \b
    Examples:
      sonify inspect cairn-small
      sonify inspect my.toml -p slow --json
    """
    show = perform_from(disc, presets, assignments)
    data = facts(show)
    if as_json:
        click.echo(json.dumps(data, ensure_ascii=False))
        return
    click.echo(text(show, data))
    for line in data["cautions"]:
        click.echo(f"caution: {line}", err=True)


def text(show: Performance, data: dict[str, Any]) -> str:
    """The facts for people."""
    lines = []
    if data["title"]:
        lines.append(data["title"])
    if data["message"] is not None:
        lines.append(f"message    {_shorten(marked_message(show.disc) or '', 400)}")
        lines.append(f"characters {data['characters']:,} in {data['alphabet']}")
        lines.extend(f"code       {line}" for line in code_lines(show.disc))
        lines.extend(f"check      {line}" for line in decoding_lines(show.disc))
    else:
        lines.append("message    none: bare bits")
    lines.append(
        f"bits       {data['rows']:,} rows of {data['positions']:,} positions, "
        f"{data['ones']:,} ones" + (f", {data['unknown']:,} unknown" if data["unknown"] else "")
    )
    shop, _ = look_over(show)
    if shop is not None:
        lines.extend(f"{name:<10} {line}" for name, line in geometry_lines(shop))
    lines.append(
        f"reading    {length(data['read_s'])} at {data['rpm']:g} rpm, "
        f"{data['position_s'] * 1000:.1f} ms a position"
    )
    if data["message_s"] is not None:
        lines.append(
            f"message    scrolls from {length(data['message_s'])} to {length(data['duration_s'])}"
        )
    lines.append(
        f"music      {data['notes']:,} notes, {data['root']} {data['scale']}, {data['metre']}, "
        f"{data['tempo_bpm']:.1f} quarters a minute"
    )
    for voice in data["voices"]:
        lines.append(f"  voice    {voice['name']}: {voice['notes']:,}, channel {voice['channel']}")
    if data["notes"]:
        lines.append(f"  range    {data['lowest']} to {data['highest']}")
        lines.append(f"wire       {traffic(show).line()}")
    lines.append("")
    lines.extend(picture(show))
    return "\n".join(lines)


def _shorten(text: str, most: int) -> str:
    shown = "".join(c if c.isprintable() else " " for c in text)
    return shown if len(shown) <= most else f"{shown[:most]}... ({len(shown):,} characters)"


def picture(show: Performance) -> list[str]:
    """The rows as they are read: a filled mark for a one, a dot for a zero, ? for unknown."""
    disc = show.disc
    starts = show.timeline.row_start_s()
    out = []
    wide = 160
    for r in range(min(disc.rows, MAX_PICTURE_ROWS)):
        bits = "".join("?.#"[b + 1] for b in disc.grid[r, :wide].tolist())
        more = "..." if disc.positions > wide else ""
        out.append(f"row {r + 1:>3}  {starts[r]:>8.2f} s  {bits}{more}")
    if disc.rows > MAX_PICTURE_ROWS:
        out.append(f"... and {disc.rows - MAX_PICTURE_ROWS:,} rows more")
    return out

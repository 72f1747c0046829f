"""`sonify inspect`: a disc's message, sizes and times."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from sonify.cli.common import AS_JSON, TIMED, Request, disc_command, length, plain, rows_shown
from sonify.cli.usual import caution, print_json, say_lines
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
from sonify.extras import NotInstalled
from sonify.light.fill_rules import Lines, suggested
from sonify.midi.bandwidth import Traffic, caution_of, traffic_of
from sonify.music.measures.bits_kept import bits_kept
from sonify.music.measures.letters import traceability
from sonify.music.theory.scales import note_name

if TYPE_CHECKING:
    from sonify.disc.geometry.cautions import Workshop
    from sonify.performance import Performance

__all__ = ["inspect"]

MOST_CHARACTERS = 400

BITS_TRIED = 500
"""How many bits are tried for how many the notes keep: about a second of work."""


@disc_command(*TIMED, AS_JSON)
def inspect(request: Request, as_json: bool) -> None:
    """Show a disc's message, code, bits, sizes and times, with cautions.

    Characters that failed are shown [in brackets], as read. Repairs and failures are listed by
    character, row and position, counted from 1 (from 0 with --json).

    \b
    Examples:
      sonify inspect cairn-small
      sonify inspect my.toml -p slow --json
    """
    from sonify.disc.geometry.cautions import workshop

    show = request.perform()
    shop, cautions = None, []
    try:
        shop = workshop(show.disc, rpm=show.setup.player.rpm)
        cautions = shop.cautions
    except InputError as e:
        cautions = [f"it can't be cut: {e}"]
    traffic = traffic_of(show.events, show.seconds)
    facts = _facts(show, shop, traffic) | _heard(show)
    facts["cautions"] = [*_cautions(show, traffic), *cautions]
    if as_json:
        print_json(facts)
        return
    say_lines(_lines(show, facts, shop, traffic))
    for line in facts["cautions"]:
        caution(line)


def _facts(show: Performance, shop: Workshop | None, traffic: Traffic) -> dict[str, Any]:
    """What `inspect --json` prints: one object with stable keys."""
    disc, t, decoding = show.disc, show.timeline, show.disc.decoding
    notes = show.notes
    pitches = notes["pitch"]
    return {
        "name": disc.name,
        "title": disc.title,
        "message": disc.message,
        "characters": None if decoding is None else len(decoding.characters),
        "failed_characters": None if decoding is None else decoding.failed,
        "alphabet": None if disc.code is None else disc.code.alphabet,
        "rows": disc.rows,
        "positions": disc.positions,
        "bits": int(disc.grid.size),
        "ones": int((disc.grid == 1).sum()),
        "unknown": int((disc.grid < 0).sum()),
        "rpm": show.setup.player.rpm,
        "position_s": t.position_s,
        "row_start_s": t.row_start_s().tolist(),
        "read_s": show.read_s,
        "message_s": None if show.scroll is None else show.message_s,
        "duration_s": show.duration_s,
        "tempo_bpm": show.tempo_bpm,
        "metre": "{}/{}".format(*show.grid.metre),
        "root": show.setup.music.root,
        "scale": show.setup.music.scale_name,
        "notes": len(notes),
        "voices": [{"name": p.name, "channel": p.channel + 1, "notes": len(p)} for p in show.parts],
        "lowest": note_name(int(pitches.min())) if len(notes) else None,
        "highest": note_name(int(pitches.max())) if len(notes) else None,
        "wire": asdict(traffic),
        "matrix": _matrix(show),
        "code": code_facts(disc),
        "decoding": decoding_facts(disc),
        "geometry": None if shop is None else geometry_facts(shop),
    }


def _matrix(show: Performance) -> dict[str, Any]:
    """The matrix, and one that shows all of the disc at once."""
    matrix, disc = show.setup.player.matrix, show.disc
    lines = Lines.of(matrix.fill, disc.rows, disc.positions, matrix)
    width, height = suggested(disc.rows, disc.positions)
    return {
        "width": matrix.width, "height": matrix.height, "fill": matrix.fill,
        "rows_at_once": lines.rows, "lines_of_a_row": lines.fold,
        "suggested_width": width, "suggested_height": height,
    }  # fmt: skip


def _matrix_line(facts: dict[str, Any], rows: int) -> str:
    own = f"{facts['width']} × {facts['height']} lamps, fill {facts['fill']}"
    if facts["lines_of_a_row"] == 1 and facts["rows_at_once"] == rows:
        return f"{own}: there is room for all rows at once, a line for each"
    size = f"{facts['suggested_width']} × {facts['suggested_height']}"
    return f"{own}; {size} would show all rows at once"


def _heard(show: Performance) -> dict[str, Any]:
    """How much of the message the notes tell."""
    told, voice = traceability(show.parts, show.bit_stream, show.grid.step_ticks)
    setup = show.setup
    kept, tried = bits_kept(setup.music, show.bit_stream, show.grid, BITS_TRIED, setup.note)
    return {
        "traceability": None if show.disc.message is None else round(told, 3),
        "traced_in": voice or None,
        "bits_kept": kept,
        "bits_tried": tried,
    }


def _cautions(show: Performance, traffic: Traffic) -> list[str]:
    """The cautions on the performance."""
    out = show.cautions
    out += [c for c in (show.off_bars, caution_of(traffic)) if c is not None]
    try:
        flashing = flashing_of(show)
    except NotInstalled as e:
        out.append(f"how a clip of it flashes was not measured: {e}")
        return out
    if flashing is not None and flashing.over:
        out.append(f"a clip of it flashes more than WCAG 2.2 SC 2.3.1 allows: {flashing}")
    return out


def _lines(
    show: Performance, facts: dict[str, Any], shop: Workshop | None, traffic: Traffic
) -> list[str]:
    """The facts for people."""
    lines = [facts["title"]] if facts["title"] else []
    if facts["message"] is None:
        lines.append("message    none: bits only")
    else:
        text = marked_message(show.disc) or ""
        more = f"... ({len(text):,} characters)" if len(text) > MOST_CHARACTERS else ""
        lines.append(f"message    {plain(text, MOST_CHARACTERS)}{more}")
        lines.append(f"characters {facts['characters']:,} in {facts['alphabet']}")
        lines.extend(f"code       {line}" for line in code_lines(show.disc))
        lines.extend(f"check      {line}" for line in decoding_lines(show.disc))
    unknown = f", {facts['unknown']:,} unknown" if facts["unknown"] else ""
    lines.append(
        f"bits       {facts['rows']:,} rows of {facts['positions']:,} positions, "
        f"{facts['ones']:,} ones{unknown}"
    )
    if shop is not None:
        lines.extend(f"{name:<10} {line}" for name, line in geometry_lines(shop))
    lines.append(
        f"reading    {length(facts['read_s'])} at {facts['rpm']:g} rpm, "
        f"{facts['position_s'] * 1000:.1f} ms per position"
    )
    lines.append(f"matrix     {_matrix_line(facts['matrix'], facts['rows'])}")
    if facts["message_s"] is not None:
        start, end = length(facts["message_s"]), length(facts["duration_s"])
        lines.append(f"message    scrolls from {start} to {end}")
    lines.append(
        f"music      {facts['notes']:,} notes, {facts['root']} {facts['scale']}, "
        f"{facts['metre']}, {facts['tempo_bpm']:.1f} quarter notes per minute"
    )
    for voice in facts["voices"]:
        lines.append(f"  voice    {voice['name']}: {voice['notes']:,}, channel {voice['channel']}")
    if facts["traceability"] is not None:
        by = f", by {facts['traced_in']}" if facts["traced_in"] else ""
        lines.append(f"  letters  heard {facts['traceability']:.2f} above chance, of 1{by}")
    of = "" if facts["bits_tried"] + facts["unknown"] == facts["bits"] else " tried"
    lines.append(
        f"  bits     {facts['bits_kept']:,} of {facts['bits_tried']:,}{of} kept by the notes"
    )
    if facts["notes"]:
        lines.append(f"  range    {facts['lowest']} to {facts['highest']}")
        lines.append(f"wire       {traffic.line()}")
    return [*lines, "", *rows_shown(show.disc, facts["row_start_s"])]

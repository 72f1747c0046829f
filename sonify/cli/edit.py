"""`sonify edit`: change the holes of a disc, and see what that does to its message."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click
import numpy as np
from click import option

from sonify.cli.common import AS_JSON, Request, disc_command, output_option
from sonify.cli.outputs import destination, save_project
from sonify.cli.usual import caution, print_json
from sonify.errors import InputError, look_up, plural

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.disc.edit import Area, Effect

__all__ = ["edit"]

MOST_LISTED = 40
UNREADABLE = "\ufffd"

NUMBER = r"[+-]?\d{1,9}"
OPERATIONS = {
    "flip": ("flip AREA", ""),
    "clear": ("clear AREA", ""),
    "punch": ("punch AREA", ""),
    "shift": ("shift AREA N [ROWS]", rf" (?P<positions>{NUMBER})(?: (?P<rows>{NUMBER}))?"),
    "mirror": ("mirror AREA [rows]", r"(?: (?P<across>rows|positions))?"),
    "copy": ("copy AREA ROW:POSITION", r" (?P<row>\d{1,9}):(?P<position>\d{1,9})"),
}
"""The functions of `sonify.disc.edit`: how each is written, and a pattern for what follows the
area, with the names of the function's parameters."""


@disc_command(
    click.argument("operations", nargs=-1, metavar="[OPERATION]..."),
    output_option("The disc file; - for standard output. [default: out/DISC.toml]"),
    option(
        "--repair-check", is_flag=True,
        help="At the end, make the check bits fit the text as it is punched.",
    ),
    AS_JSON,
)  # fmt: skip
def edit(
    request: Request,
    operations: tuple[str, ...],
    output: str | None,
    repair_check: bool,
    as_json: bool,
) -> None:
    """Change the holes of a disc, and see which characters change and whether its check passes.

    Each OPERATION is one argument; they apply in order. An area is ROWS:POSITIONS, such as 1:3-9,
    2 (the whole row) or :1-7 (in all rows), counted from 1.

    \b
      "flip AREA"              holes where there are none, none where there are
      "clear AREA"             no holes
      "punch AREA"             a hole at each place
      "shift AREA N [ROWS]"    move N positions on (and some rows), around within the area
      "mirror AREA [rows]"     reverse the positions, or the rows, of the area
      "copy AREA ROW:POSITION" copy so that the area's first place comes to lie there

    If the holes no longer follow from a message, the new disc file holds bits in its place; all
    commands take both.

    \b
    Examples:
      sonify edit note.toml "flip 1:3" -o other.toml
      sonify edit note.toml "copy 1:1-7 2:8" "clear 3:50-" --repair-check -o other.toml
    """
    from sonify.disc import edit as editing
    from sonify.load import save_disc

    before = disc = request.load()
    told = []
    steps = [(text, _operation(text, disc)) for text in operations]
    if repair_check:
        steps.append(("repair-check", editing.repair_check))
    for text, apply in steps:
        try:
            edited = apply(disc)
        except InputError as e:
            raise e if e.place else InputError(e.what, place=text) from None
        told.append((text, editing.effect_of(disc, edited)))
        disc = edited
    whole = editing.effect_of(before, disc)
    if as_json:
        print_json({
            "operations": [{"operation": text, **_facts(effect, disc)} for text, effect in told],
            **_facts(whole, disc),
            "message": disc.message,
            "stored_as": "bits" if disc.given_message is None else "message",
        }, err=output == "-")  # fmt: skip
    else:
        for text, effect in told:
            click.echo(f"{text}: {_line(effect, disc)}", err=output == "-")
    project = request.project
    with destination(output, f"{disc.name}.toml") as path:
        if project is None:
            save_disc(disc, path)
        else:
            save_project(disc, project.played()[1], path)
    if output != "-" and not as_json:
        kept = "its bits" if disc.given_message is None else "its message"
        click.echo(f"{path}  stores {kept}")
    _caution_check(whole, disc, repair_check)


def _caution_check(effect: Effect, disc: Disc, repaired: bool) -> None:
    """Warn of characters or a check that fail."""
    why = "; ".join(effect.reasons)
    checked = disc.code is not None and disc.code.check != "none"
    if effect.after == "failed" and (repaired or not checked):
        caution(why)
    elif effect.after == "failed":
        caution(f"the check fails: {why} (--repair-check makes it fit)")
    elif effect.after == "repaired":
        caution(
            "the check takes the edit for damage, and readers will undo it (--repair-check makes "
            "the check fit)"
        )


def _operation(text: str, disc: Disc) -> Callable[[Disc], Disc]:
    """What an operation's text asks for, as a function of a disc."""
    from sonify.disc import edit as editing

    name, _, rest = " ".join(text.split()).partition(" ")
    usage, form = look_up(OPERATIONS, name, "operation", None)
    found = re.fullmatch(rf"(?P<area>\S+){form}", rest)
    if not found:
        raise InputError(f"write it as {usage}, with an area such as 1:3-9, 2 or :1-7", place=text)
    words = {key: word for key, word in found.groupdict().items() if word}
    area = _area(words.pop("area"), disc, text)
    given: dict[str, Any] = {}
    for key, word in words.items():
        given[key] = word if key == "across" else int(word) - (name == "copy")
    apply: Callable[..., Disc] = getattr(editing, name)
    return lambda one: apply(one, area, **given)


def _area(text: str, disc: Disc, place: str) -> Area:
    from sonify.disc.edit import Area
    from sonify.ranges import chosen

    parts = [part or "all" for part in text.split(":")]
    if len(parts) > 2:
        raise InputError(f"'{text}' is not an area; write ROWS:POSITIONS", place=place)
    rows, positions = (
        np.flatnonzero(chosen(part, count, place))
        for part, count in zip((*parts, "all"), (disc.rows, disc.positions), strict=False)
    )
    if not len(rows) or not len(positions):
        raise InputError(
            f"'{text}' is not on the disc, which has {disc.rows:,} rows of {disc.positions:,} "
            "positions",
            place=place,
        )
    return Area(rows, positions)


def _facts(effect: Effect, disc: Disc) -> dict[str, Any]:
    """An effect as plain values, counted from 0."""
    return {
        "changed_bits": [
            {"row": int(bit) // disc.positions, "position": int(bit) % disc.positions}
            for bit in effect.bits
        ],
        "changed_characters": [change._asdict() for change in effect.characters],
        "verdict_before": effect.before,
        "verdict": effect.after,
        "reasons": list(effect.reasons),
    }


def _line(effect: Effect, disc: Disc) -> str:
    """An effect on one line, counted from 1."""
    bits = plural(len(effect.bits), "bit")
    if disc.code is None:
        return f"{bits} changed; the disc has no code, so no characters"
    texts = [
        f"{c.character + 1} {_shown(c.before)} becomes {_shown(c.after)}"
        for c in effect.characters[:MOST_LISTED]
    ]
    more = len(effect.characters) - len(texts)
    told = "; character ".join(texts) + (f" and {more:,} more" if more else "")
    check = f"check {effect.after}" if disc.code.check != "none" else "no check"
    return f"{bits} changed; {f'character {told}' if told else 'no character'}; {check}"


def _shown(char: str | None) -> str:
    if char is None:
        return "nothing"
    if char == UNREADABLE:
        return "unreadable"
    if char == "'":
        return '"\'"'
    return f"'{char}'" if char.isprintable() else f"U+{ord(char):04X}"

"""`sonify compose`: the disc, or the mapping, that sounds best or nearest to a tune."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click import IntRange, option
from click import Path as PathType

from sonify.cli.common import (
    AS_JSON,
    SETTINGS,
    Request,
    caution,
    chosen,
    output_option,
    plain,
    print_json,
    with_options,
)
from sonify.cli.encode import code_options, settings_from
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown
from sonify.errors import InputError
from sonify.progress import report

if TYPE_CHECKING:
    from sonify.compose.choices import Choices
    from sonify.compose.objectives import Aims
    from sonify.compose.search import Composed
    from sonify.disc.disc import Disc
    from sonify.music.measures.alignment import Tune

__all__ = ["compose"]

MIDI_FILE = PathType(path_type=Path)


@click.command()
@click.argument("text", required=False)
@with_options(
    output_option("The disc file (.toml). [default: out/disc.toml]"),
    option(
        "--wording", type=PathType(path_type=Path), metavar="FILE.toml",
        help="Wordings to choose among, in place of TEXT: a list of parts, each a text or a list "
        "of texts.",
    ),
    option(
        "--like", type=MIDI_FILE, metavar="FILE.mid",
        help="Seek a disc that sounds near to this tune (the objective 'tune').",
    ),
    option(
        "--like-rhythm", type=MIDI_FILE, metavar="FILE.mid",
        help="The same for the rhythm alone (the objective 'rhythm').",
    ),
    option(
        "--weight", "weights", multiple=True, metavar="OBJECTIVE=X",
        help="The weight of an objective: 0 leaves it out, below 0 seeks the opposite. Repeatable.",
    ),
    option("--list", "listing", is_flag=True, help="List the objectives and the choices."),
    option(
        "--free", metavar="CHOICES",
        help="What may be chosen, with commas; all for everything. What another option gives "
        "stays. [default: what changes neither the message nor its protection]",
    ),
    option("--effort", type=IntRange(100), default=20_000, show_default=True,
           help="About how many discs to score."),
    option("--seed", type=int, default=1, show_default=True, help="Seed of the search."),
    option("--title", default="", help="The disc's title, for engraving."),
    *code_options(),
    AS_JSON,
    *SETTINGS,
)  # fmt: skip
def compose(
    text: str | None,
    output: str | None,
    wording: Path | None,
    like: Path | None,
    like_rhythm: Path | None,
    weights: tuple[str, ...],
    listing: bool,
    free: str | None,
    effort: int,
    seed: int,
    title: str,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    as_json: bool,
    **given: Any,
) -> None:
    """Find the disc that sounds best among all that carry the same message.

    A message leaves much open: how many positions a row has, the bit order, the framing, what
    fills the spare places, and more. The search makes the music of each disc under the presets and
    scores it by objectives, such as a clear key, even rhythms and rows that end on the root
    (--list), by their weights. Ctrl-C stops it and keeps the best disc so far.

    \b
    Examples:
      sonify compose "WIND SW 6, CLOUD BASE 900 M" -p music-box -o note.toml
      sonify compose "SNOW BY NOON" -p hut-band --weight syncopation=1 --outer-diameter 160
      sonify compose "SNOW BY NOON" --like tune.mid --free all
    """
    if listing:
        _list()
        return
    from sonify.compose.judge import Budget, Judge
    from sonify.compose.search import compose as search
    from sonify.load import save_disc
    from sonify.performance_settings import load_setup

    setup = load_setup(presets, Request("", presets, assignments).settings)
    aims = _aims(weights, like, like_rhythm)
    with destination(output, "disc.toml") as path:
        if path.suffix.casefold() != ".toml":
            raise InputError("a disc file ends in .toml", file=path)
        choices = _choices(text, wording, free, given, title, path.stem)
        judge = Judge(setup, aims, choices.spec.least_web, Budget(effort, report))
        with progress_shown("composing"):
            found = search(choices, judge, seed)
        save_disc(found.after, path)
    to_stderr = output == "-"
    if as_json:
        print_json(_facts(found, aims, seed), err=to_stderr)
    else:
        lines = ([] if to_stderr else [str(path)]) + _lines(found, aims, seed)
        click.echo("\n".join(lines), err=to_stderr)
    if found.stopped:
        caution("the search was stopped; this is the best disc so far")


def _aims(weights: tuple[str, ...], like: Path | None, like_rhythm: Path | None) -> Aims:
    """What is sought, from the options."""
    from sonify.compose.objectives import Aims

    given: dict[str, float] = {}
    for one in weights:
        name, _, value = one.partition("=")
        try:
            given[name.strip()] = float(value)
        except ValueError:
            raise InputError(
                f"'{one}' is not a weight; write OBJECTIVE=NUMBER, such as key=2",
                place="--weight",
            ) from None
    tune = None if like is None else tune_of_file(like)
    rhythm = None if like_rhythm is None else tune_of_file(like_rhythm, rhythm=True)
    return Aims.of(given, tune, rhythm)


def tune_of_file(path: Path, *, rhythm: bool = False) -> Tune:
    """The notes of a MIDI file; of a rhythm, each onset once and without its pitch."""
    import numpy as np

    from sonify.compose.pieces import DRUMS
    from sonify.midi.channels import DRUM_CHANNEL
    from sonify.music.measures.alignment import Tune
    from sonify.recover.sources.midi.note_events import read_recorded_midi

    notes = read_recorded_midi(path, queue=True).notes
    beat = notes["on_beat"].astype(np.float64)
    if rhythm:
        beat = np.unique(beat)
        return Tune.of(beat, np.zeros(len(beat)))
    drum = notes["channel"] == DRUM_CHANNEL
    return Tune.of(beat, notes["pitch"].astype(np.float64) + DRUMS * drum)


def _choices(
    text: str | None, wording: Path | None, free: str | None, given: dict[str, Any], title: str,
    name: str,
) -> Choices:  # fmt: skip
    """What may be chosen, from the options."""
    from sonify.compose.choices import CHOICES, USUAL, Choices, wordings_from
    from sonify.settings import load_toml

    if (text is None) == (wording is None):
        raise InputError("give the message as TEXT or in a file of wordings, one of the two",
                         hint="{wording}")  # fmt: skip
    if wording is None:
        parts: tuple[tuple[str, ...], ...] = ((text or "",),)
    else:
        try:
            parts = wordings_from(load_toml(wording))
        except InputError as e:
            raise e.at(wording) from None
    code, layout, spec = settings_from(given)
    names = USUAL if free is None else tuple(CHOICES)
    if free not in (None, "all"):
        names = tuple(chosen(str(free), tuple(CHOICES), "choice", "free"))
    fixed = {n for n in CHOICES if given.get(n.replace("-", "_")) is not None}
    return Choices(parts, code, layout, spec, frozenset(names) - fixed, title, name)


def _list() -> None:
    """Print the objectives and the choices."""
    from sonify.compose.choices import CHOICES, USUAL
    from sonify.compose.objectives import OBJECTIVES

    click.echo("Objectives, each from 0 to 1, and their usual weights:")
    for name, o in OBJECTIVES.items():
        click.echo(f"  {name:<12} {o.weight:>5g}  {o.about}")
    click.echo("Choices; * marks those that are free by default:")
    for name, about in CHOICES.items():
        click.echo(f"  {name:<12} {'*' if name in USUAL else ' ':>5}  {about}")


def _facts(found: Composed, aims: Aims, seed: int) -> dict[str, Any]:
    """What `compose --json` prints."""

    def of(disc: Disc, score: float, values: dict[str, float]) -> dict[str, Any]:
        diameter = None if disc.geometry is None else disc.geometry.outer_diameter
        return {
            "message": disc.message, "rows": disc.rows, "positions": disc.positions,
            "outer_diameter": diameter, "score": score, "objectives": values,
        }  # fmt: skip

    return {
        "before": of(found.before, found.score_before, found.values_before),
        "after": of(found.after, found.score, found.values),
        "weights": dict(aims.weights),
        "changes": [vars(c) for c in found.changes],
        "filling_bits": found.filling,
        "scored": found.scored,
        "all_ways": found.all_ways,
        "stopped": found.stopped,
        "seed": seed,
    }


def _lines(found: Composed, aims: Aims, seed: int) -> list[str]:
    """The same for people."""

    def shape(disc: Disc) -> str:
        size = "" if disc.geometry is None else f", {disc.geometry.outer_diameter:g} mm"
        return f"{disc.rows} rows of {disc.positions} positions{size}"

    lines = [
        f"message    {plain(found.after.message or '', 160)}",
        f"disc       {shape(found.after)} (before: {shape(found.before)})",
    ]
    for c in found.changes:
        known = "" if c.without is None else f" (the best with {_word(c.before)}: {c.without:.3f})"
        lines.append(f"changed    {c.name}: {_word(c.before)} to {_word(c.after)}{known}")
    if found.filling:
        lines.append(f"filling    {found.filling:,} bits after the end of the message")
    lines.append(f"score      {found.score_before:.3f} before, {found.score:.3f} now; 1 is best")
    lines.append(f"{'objective':<12} {'weight':>6} {'before':>7} {'now':>6}")
    for name, weight in aims.weights.items():
        before, now = found.values_before[name], found.values[name]
        lines.append(f"{name:<12} {weight:>6g} {before:>7.3f} {now:>6.3f}")
    every = ", all that there are" if found.all_ways else f" (seed {seed})"
    lines.append(f"searched   {found.scored:,} discs{every}")
    return lines


def _word(value: Any) -> str:
    return "none" if value is None else str(value)

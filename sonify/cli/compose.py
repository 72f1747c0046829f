"""`sonify compose`: the disc, or the mapping, that sounds best or nearest to a tune."""

from __future__ import annotations

import contextlib
import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click import IntRange, option
from click import Path as PathType

from sonify.cli.common import (
    AS_JSON,
    SETTINGS,
    Request,
    chosen,
    output_option,
    source_given,
    with_options,
)
from sonify.cli.compose_report import composed_facts, composed_lines, mapping_report, tune_report
from sonify.cli.encode import code_options, settings_from
from sonify.cli.outputs import destination, save_project
from sonify.cli.progress import progress_shown
from sonify.cli.usual import caution, print_json, say_lines
from sonify.errors import InputError
from sonify.progress import report

if TYPE_CHECKING:
    from sonify.compose.choices import Choices
    from sonify.compose.objectives import Aims
    from sonify.compose.tune_disc import TuneRows
    from sonify.performance_settings import Setup

__all__ = ["compose"]

MIDI_FILE = PathType(path_type=Path)

LARGE = 400.0
"""A disc of so many mm may be more than the maker meant: the largest in the table of sizes."""

SPEEDS = 1.0, 60.0
"""The speeds that may be chosen for a tune, in rpm: the usual range of the setting."""


@click.command()
@click.argument("text", required=False)
@with_options(
    output_option("The disc file, or the preset (.toml). [default: out/disc.toml]"),
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
    option(
        "--tune", type=MIDI_FILE, metavar="FILE.mid",
        help="Make rows that play this tune: of the whole disc or, with TEXT, after its rows. "
        "Without settings of music, a mapping is made too, and the file is a project file.",
    ),
    option(
        "--tune-rows", metavar="N|A-B",
        help="How many rows --tune has, or which: 4-6, or 4- for all from row 4. TEXT comes "
        "before them. [default: as many as the tune needs, after TEXT]",
    ),
    option(
        "--fit-mapping", type=MIDI_FILE, metavar="FILE.mid",
        help="Leave the holes alone: TEXT is a disc, and the output a preset (.toml) under which "
        "it comes nearest to this tune.",
    ),
    option("--list", "listing", is_flag=True, help="List the objectives and the choices."),
    option(
        "--free", metavar="CHOICES",
        help="What may be chosen, with commas; all for everything. What another option gives "
        "stays. [default: what changes neither the message nor its protection]",
    ),
    option("--effort", type=IntRange(100), default=10_000, show_default=True,
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
    tune: Path | None,
    tune_rows: str | None,
    fit_mapping: Path | None,
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
    """Find the disc, or the mapping, that sounds best or nearest to a tune.

    A message leaves much open: how many positions a row has, the bit order, the framing, what
    fills the spare places, and more. The search makes the music of each disc under the presets and
    scores it by objectives, such as a clear key, even rhythms and rows that end on the root
    (--list), by their weights. Ctrl-C stops it and keeps the best disc so far.

    \b
    Examples:
      sonify compose "WIND SW 6, CLOUD BASE 900 M" -p music-box -o note.toml
      sonify compose "SNOW BY NOON" -p hut-band --weight syncopation=1 --outer-diameter 160
      sonify compose "SNOW BY NOON" --like tune.mid --free all
      sonify compose --tune tune.mid -o song.toml
      sonify compose --tune tune.mid -p music-box -o tune.toml
      sonify compose "SNOW BY NOON" --tune tune.mid --tune-rows 3-4 -o both.toml
      sonify compose note.toml --fit-mapping tune.mid -o preset.toml
    """
    if listing:
        _list()
        return
    from sonify.compose.judge import Budget, Judge
    from sonify.compose.search import compose as search
    from sonify.load import save_disc
    from sonify.performance_settings import load_setup

    request = Request("", presets, assignments)
    if tune is not None:
        _tune_disc(text, tune, tune_rows, request, given, title, output, as_json)
        return
    setup = load_setup(presets, request.settings)
    if fit_mapping is not None:
        _fit_mapping(text, fit_mapping, setup, output, as_json)
        return
    aims = _aims(weights, like, like_rhythm)
    with _toml(output, "disc.toml") as path:
        choices = _choices(text, wording, free, given, title, path.stem)
        judge = Judge(setup, aims, choices.spec.least_web, Budget(effort, report))
        with progress_shown("composing"):
            found = search(choices, judge, seed)
        save_disc(found.after, path)
    _print(output, path, as_json, composed_facts(found, aims, seed),
           composed_lines(found, aims, seed))  # fmt: skip
    if found.stopped:
        caution("the search was stopped; this is the best disc so far")


@contextlib.contextmanager
def _toml(output: str | None, usual: str) -> Iterator[Path]:
    """The path of a TOML file to write."""
    with destination(output, usual) as path:
        if path.suffix.casefold() != ".toml":
            raise InputError("the file ends in .toml", file=path)
        yield path


def _print(
    output: str | None, path: Path, as_json: bool, facts: dict[str, Any], lines: list[str]
) -> None:
    """Print what was found; to stderr if the file goes to standard output."""
    to_stderr = output == "-"
    if as_json:
        print_json(facts, err=to_stderr)
    else:
        say_lines(([] if to_stderr else [str(path)]) + lines, err=to_stderr)


def _fit_mapping(
    disc_name: str | None, path: Path, setup: Setup, output: str | None, as_json: bool
) -> None:
    """Write the preset under which a disc comes nearest to a tune."""
    import tomli_w

    from sonify.atomic import write_data
    from sonify.cli.tune_file import read_tune
    from sonify.compose.mapping import fit_mapping, preset_of

    if disc_name is None:
        raise InputError("name the disc whose mapping is sought", place="--fit-mapping")
    disc = Request(source_given(disc_name), (), ()).load()
    with progress_shown("fitting"):
        found = fit_mapping(disc, read_tune(path).notes, setup)
    with _toml(output, f"{disc.name}-mapping.toml") as target:
        preset = preset_of(found, f"fitted to {path.name}")
        write_data(target, tomli_w.dumps(preset))
    facts, lines = mapping_report(found, preset["music"])
    _print(output, target, as_json, facts, lines)


def _tune_disc(
    text: str | None, path: Path, rows: str | None, request: Request, given: dict[str, Any],
    title: str, output: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Write the disc that plays a tune, after a message if there is one.

    Without settings of music, the mapping is made for the tune, and goes with the disc into a
    project file.
    """
    import msgspec

    from sonify.cli.tune_file import read_tune
    from sonify.compose.tune_disc import disc_for_tune
    from sonify.compose.tune_mapping import fitted_disc
    from sonify.load import save_disc
    from sonify.performance_settings import load_setup, setup_table
    from sonify.studio.document import preset_table

    code, layout, spec = settings_from(given)
    if text is not None:
        if given["framing"] == "plain":
            raise InputError("a tune can follow a framed message only", place="--framing")
        code = msgspec.structs.replace(code, framing="framed", filling="free")
    tune = read_tune(path)
    table = setup_table(request.presets, request.settings)
    kept = "music" in table
    if kept and not {"step", "tempo"} & table["music"].keys():
        # a tune has beats of its own, which a step that depends on the positions might miss
        table["music"] = {**table["music"], "step": "1/16"}
    setup = load_setup((), None, table)
    # by the alphabet, a mapping may count places without a message too
    coded = text is not None or (kept and given["alphabet"] is not None)
    with _toml(output, f"tune{'' if kept else '-project'}.toml") as target:
        sizes = layout, spec, text, code if coded else None, _tune_rows(rows), target.stem
        with progress_shown("composing"):
            if kept:
                found = disc_for_tune(tune.notes, tune.length, setup, *sizes)
            else:
                rpm = setup.player.rpm
                own = (rpm, rpm) if "rpm" in table.get("player", {}) else SPEEDS
                speeds = setup.player.rpm_range or own
                found = fitted_disc(tune, setup, *sizes, speeds=speeds)
        disc = dataclasses.replace(found.disc, title=title)
        if found.fitted is None:
            save_disc(disc, target)
        else:
            save_project(disc, preset_table(found.fitted.setup), target)
    facts, lines = tune_report(found, disc)
    _print(output, target, as_json, facts, lines)
    wide = 0 if disc.geometry is None else disc.geometry.outer_diameter
    if wide > LARGE and spec.outer_diameter is None:
        caution(f"the disc is {wide:g} mm wide; with --tune-rows it has only the tune's beginning")


def _tune_rows(text: str | None) -> TuneRows:
    """The rows of a tune: their number, or which."""
    from sonify.compose.tune_disc import MOST_ROWS, TuneRows

    if text is None:
        return TuneRows()
    first, to, last = (part.strip() for part in text.partition("-"))
    number = re.fullmatch(r"[1-9]\d{0,2}", first)
    if number and not to and int(first) <= MOST_ROWS:
        return TuneRows(int(first))
    if number and to and (not last or (last.isdecimal() and int(last) >= int(first))):
        count = int(last) - int(first) + 1 if last else None
        if (count or 0) <= MOST_ROWS:
            return TuneRows(count, int(first) - 1)
    raise InputError(
        f"'{text}' is not possible; write how many rows, such as 3, or which, such as 4-6 or 4-; "
        f"at most {MOST_ROWS}",
        place="--tune-rows",
    )


def _aims(weights: tuple[str, ...], like: Path | None, like_rhythm: Path | None) -> Aims:
    """What is sought, from the options."""
    from sonify.cli.tune_file import read_tune
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
    tune = None if like is None else read_tune(like).notes
    rhythm = None if like_rhythm is None else read_tune(like_rhythm).notes.onsets()
    return Aims.of(given, tune, rhythm)


def _choices(
    text: str | None, wording: Path | None, free: str | None, given: dict[str, Any], title: str,
    name: str,
) -> Choices:  # fmt: skip
    """What may be chosen, from the options."""
    from sonify.compose.choices import CHOICES, USUAL, Choices, wordings_from
    from sonify.settings import load_toml

    if (text is None) == (wording is None):
        raise InputError("give the message: TEXT, or its wordings with --wording")
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

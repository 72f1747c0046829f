"""What commands share: their arguments and options, and how they print results and cautions."""

from __future__ import annotations

import contextlib
import functools
import os
import re
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click
from click import option

from sonify.cli.usual import caution, config_presets, note, option_name, wrote
from sonify.errors import InputError, close_matches
from sonify.settings import parse_assignment

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.performance import Performance
    from sonify.performance_settings import Setup
    from sonify.studio.project import Project

DEFAULT_FOLDER = Path("out")
PICTURE = 64, 160
"""The most rows, and positions of each, that reports show as a picture of the bits."""

_TOML = re.compile(rb"""^\s*(\[|[\w."'-]+\s*=)""", re.MULTILINE)
_DXF = re.compile(rb"\s*0\s+SECTION")

T = TypeVar("T")
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def source_given(text: str) -> str:
    """The name or path of a source; for `-`, the path of a copy of standard input.

    What is no other file by its first bytes is a disc file, a drawing or a table.
    """
    if text != "-":
        return text
    from sonify.recover.sources.source import suffix_of

    data = sys.stdin.buffer.read()
    if not data.strip():
        raise InputError("standard input is empty; give a disc file")
    folder = click.get_current_context().with_resource(tempfile.TemporaryDirectory())
    path = Path(folder, "disc")
    path.write_bytes(data)
    text_kinds = {".svg": data.lstrip().startswith(b"<"), ".dxf": _DXF.match(data),
                  ".toml": _TOML.search(data), ".csv": True}  # fmt: skip
    suffix = suffix_of(path) or next(s for s, fits in text_kinds.items() if fits)
    return str(path.rename(path.with_suffix(suffix)))


def guarded(call: Callable[..., T], path: Path, *args: Any, **named: Any) -> T:
    """`call(*args, **named)`, under limits if the file at `path` is not one of sonify's own."""
    if path.suffix.casefold() == ".toml" or not os.path.isfile(path):
        return call(*args, **named)
    from sonify.limits import limited

    return limited(call, path, *args, **named)


class Request(NamedTuple):
    """A disc or project, presets and settings, as a command's arguments name them."""

    disc: str
    presets: tuple[str, ...]
    assignments: tuple[str, ...]

    @property
    def settings(self) -> dict[str, Any]:
        """The values of --set."""
        return dict(parse_assignment(a) for a in self.assignments)

    @property
    def project(self) -> Project | None:
        """The project that the disc's argument names, if it is one."""
        from sonify.studio.project import project_at

        return project_at(self.disc)

    def load(self) -> Disc:
        """The disc."""
        from sonify.load import load_disc
        from sonify.presets import find_disc

        project = self.project
        if project is not None:
            return project.played()[0]
        with cautions_shown():
            path = find_disc(self.disc)
            return guarded(load_disc, path, path)

    def setup(self, *own: str) -> Setup:
        """The settings; `own` are assignments of the command's other options."""
        from sonify.performance_settings import load_setup

        settings = self._replace(assignments=(*self.assignments, *own)).settings
        project = self.project
        return load_setup(self.presets, settings, project.played()[1] if project else None)

    def perform(self, *own: str) -> Performance:
        """The performance; `own` are assignments of the command's other options."""
        from sonify.performance import perform

        request = self._replace(assignments=(*self.assignments, *own))
        show = perform(self.load(), setup=request.setup())
        if {"music.tempo", "music.length"} & request.settings.keys():
            # what a preset asks for is only a wish
            for line in show.said:
                note(line)
        return show


SETTINGS: tuple[Decorator, ...] = (
    option(
        "--preset", "-p", "presets", metavar="P", multiple=True,
        help="A preset (see `sonify presets`) or your own TOML file. Repeatable; later ones win.",
    ),
    option(
        "--set", "assignments", metavar="K=V", multiple=True,
        help="One setting, such as music.root=E3 or player.rpm=20; wins over presets. Repeatable.",
    ),
)  # fmt: skip

TIMED: tuple[Decorator, ...] = (
    *SETTINGS,
    option(
        "--bpm", "music_bpm", type=click.FloatRange(20, 400), metavar="N",
        help="The tempo in bpm, as near as the player's speeds allow.",
    ),
    option(
        "--seconds", "music_seconds", type=click.FloatRange(0, min_open=True), metavar="S",
        help="How long the disc is read, as near as the player's speeds allow.",
    ),
)  # fmt: skip
"""`SETTINGS`, and the tempo and length of the music."""

ROWS = option("--rows", metavar="A-B", help="Only these rows, counted from 1.")

RANGE: tuple[Decorator, ...] = (
    ROWS,
    option("--from", "from_s", type=float, metavar="S", help="Start at this second."),
    option("--to", "to_s", type=float, metavar="S", help="Stop at this second."),
)

AS_JSON = option("--json", "as_json", is_flag=True, help="Print one JSON object with stable keys.")


class _Written(click.types.StringParamType):
    pass


WRITTEN = _Written()
"""The type of options that name what is written; `sonify batch` keeps it below its folder."""


def output_option(help: str) -> Decorator:
    """The option -o."""
    return option("-o", "--output", type=WRITTEN, metavar="FILE", help=help)


def disc_command(
    *options: Decorator, disc_needed: bool = True, several: bool = False, **attributes: Any
) -> Callable[[Callable[..., None]], click.Command]:
    """A command on a disc, which gets a `Request` and the values of its options.

    A command on `several` discs gets a list of requests, which may be empty.
    `SETTINGS` belong to the options, at the place where its help lists them.
    """

    def decorate(function: Callable[..., None]) -> click.Command:
        @functools.wraps(function)
        def called(
            disc: Any, presets: tuple[str, ...] = (), assignments: tuple[str, ...] = (),
            music_bpm: float | None = None, music_seconds: float | None = None, **own: Any,
        ) -> None:  # fmt: skip
            if music_bpm is not None:
                assignments += (f"music.tempo={music_bpm}",)
            if music_seconds is not None:
                assignments += (f'music.length="{music_seconds:g} s"',)
            requests = [
                Request(source_given(d), (*config_presets(), *presets), assignments)
                for d in (disc if several else [disc])
            ]
            function(requests if several else requests[0], **own)

        argument = click.argument(
            "disc", required=disc_needed and not several, nargs=-1 if several else 1
        )
        command: click.Command = click.command(**attributes)(
            with_options(argument, *options)(called)
        )
        return command

    return decorate


def with_options(*options: Decorator) -> Decorator:
    """Several options, which the help lists in this order."""

    def add(function: Callable[..., Any]) -> Callable[..., Any]:
        for one in reversed(options):
            function = one(function)
        return function

    return add


def chosen(text: str, known: tuple[str, ...], what: str, key: str) -> list[str]:
    """The names in a list with commas.

    Raises
    ------
    InputError
        A name is not known, or there is none.
    """
    names = [n.strip() for n in text.split(",") if n.strip()]
    offered = f"choose from: {', '.join(known)}"
    if not names:
        raise InputError(f"no {what} is named; {offered}", place=f"--{key}")
    for name in names:
        if name not in known:
            near = close_matches(name, known)
            raise InputError(f"there is no {what} '{name}'{near}; {offered}", place=f"--{key}")
    return names


@contextlib.contextmanager
def cautions_shown() -> Iterator[None]:
    """Print each caution that comes up inside once, at the end."""
    from sonify.errors import Caution

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", Caution)
        yield
    told = [w.message for w in caught if isinstance(w.message, Caution)]
    for one in {c.say(option_name): c for c in told}.values():
        caution(one)


def plain(text: str, most: int | None = None) -> str:
    """A text on one line, cut to `most` characters."""
    return "".join(c if c.isprintable() else " " for c in text[:most])


def rows_shown(disc: Disc, starts: list[float] | None = None) -> list[str]:
    """The bits as a picture, a line per row: # for one, . for zero, ? for unknown.

    `starts` are the times at which the rows start, in s.
    """
    most, wide = PICTURE
    out = []
    for n, row in enumerate(disc.grid[:most, :wide].tolist()):
        start = "" if starts is None else f"{starts[n]:>8.2f} s  "
        more = "..." if disc.positions > wide else ""
        out.append(f"row {n + 1:>3}  {start}{''.join('?.#'[b + 1] for b in row)}{more}")
    if disc.rows > most:
        left = disc.rows - most
        out.append(f"... and {left:,} more row{'s' * (left > 1)}")
    return out


def length(seconds: float) -> str:
    """A length for people: 12.3 s, or 4:05 min."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if seconds < 3600:
        return f"{whole // 60}:{whole % 60:02d} min"
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d} h"


def result(path: Path, seconds: float, more: str = "", **facts: Any) -> None:
    """Print a line for a file that was made: where it is, its length and its size."""
    wrote(path, length(seconds), more, seconds=round(seconds, 3), **facts)

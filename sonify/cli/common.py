"""What commands share: their options, and how results and cautions are printed."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sonify.settings import parse_assignment

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.performance import Performance

__all__ = [
    "DEFAULT_FOLDER",
    "caution",
    "cautions_shown",
    "disc_argument",
    "length",
    "option",
    "output_option",
    "perform_from",
    "range_options",
    "result",
    "rows_option",
    "setting_options",
    "size",
]

DEFAULT_FOLDER = Path("out")

F = TypeVar("F", bound=Callable[..., Any])

disc_argument = click.argument("disc", metavar="DISC")


def setting_options(function: F) -> F:
    """The options --preset and --set."""
    function = click.option(
        "--set",
        "assignments",
        metavar="K=V",
        multiple=True,
        help="One setting over all presets, such as music.root=E3 or player.rpm=20. Repeatable.",
    )(function)
    return click.option(
        "--preset",
        "-p",
        "presets",
        metavar="P",
        multiple=True,
        help="A preset that ships (`sonify presets`) or a TOML file. Repeatable; later ones win.",
    )(function)


def range_options(function: F) -> F:
    """The options --rows, --from and --to."""
    for option in (
        click.option("--to", "to_s", type=float, metavar="S", help="Up to this second."),
        click.option("--from", "from_s", type=float, metavar="S", help="From this second on."),
        rows_option,
    ):
        function = option(function)
    return function


rows_option = click.option("--rows", metavar="A-B", help="Only these rows, counted from 1.")


def output_option(help: str) -> Callable[[F], F]:
    """The option -o."""
    return click.option("-o", "--output", "output", metavar="FILE", help=help)


def load(disc: str) -> Disc:
    """The disc of a command's argument."""
    import warnings

    from sonify.errors import Caution
    from sonify.load import load_disc

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", Caution)
        out = load_disc(disc)
    for one in caught:
        caution(one.message)
    return out


def perform_from(
    disc: str | Disc, presets: tuple[str, ...], assignments: tuple[str, ...]
) -> Performance:
    """The performance that a command's arguments ask for."""
    from sonify.performance import perform

    settings = dict(parse_assignment(a) for a in assignments)
    return perform(load(disc) if isinstance(disc, str) else disc, presets, settings)


def option(key: str) -> str:
    """What the command line calls the setting or argument of a key."""
    if key.startswith("list-of-"):
        return "`sonify presets --discs`" if key.endswith("discs") else "`sonify presets`"
    return f"--set {key}" if "." in key and not key.startswith("set ") else f"--{key}"


def _said(warning: Warning | str) -> str:
    from sonify.errors import Caution

    return warning.say(option) if isinstance(warning, Caution) else str(warning)


def caution(what: Warning | str) -> None:
    """Say on stderr what the user should know."""
    click.echo(f"caution: {_said(what)}", err=True)


@contextlib.contextmanager
def cautions_shown() -> Iterator[None]:
    """Say on stderr what is warned of inside, each thing once."""
    from sonify.errors import Caution

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", Caution)
        yield
    for text in dict.fromkeys(_said(w.message) for w in caught if issubclass(w.category, Caution)):
        caution(text)


def length(seconds: float) -> str:
    """A length for people: 12.3 s, or 4:05 min."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if seconds < 3600:
        return f"{whole // 60}:{whole % 60:02d} min"
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d} h"


def size(path: Path) -> str:
    """The size of a file, or of all in a folder, for people."""
    files = path.iterdir() if path.is_dir() else [path]
    n = float(sum(f.stat().st_size for f in files))
    for unit in ("B", "kB", "MB"):
        if n < 1000:
            return f"{n:.0f} {unit}" if unit == "B" else f"{n:.1f} {unit}"
        n /= 1000
    return f"{n:.1f} GB"


def result(path: Path, seconds: float) -> None:
    """One line for a file that was made: where, how long, how large."""
    click.echo(f"{path}  {length(seconds)}  {size(path)}")

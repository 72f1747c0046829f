"""The options that all commands have, and what they print of the files that they make."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from sonify.errors import harmless

__all__ = [
    "SCHEMA", "caution", "config_presets", "goes_to_stdout", "note", "option_name", "print_json",
    "quiet", "say", "say_lines", "size", "told_json", "with_usual", "wrote",
]  # fmt: skip

SCHEMA = 1
"""The version of what --json prints: it rises when a key changes its meaning or goes."""

_QUIET, _FILES, _CAUTIONS, _STREAM = (
    f"sonify.{key}" for key in ("quiet", "files", "cautions", "stdout-is-taken")
)
# They go on until they are stopped, so there is no result to print.
_LIVE = {"play", "watch", "studio"}


def _said() -> dict[str, Any]:
    """What is known while a command runs."""
    context = click.get_current_context(silent=True)
    return {} if context is None else context.meta


def quiet() -> bool:
    """Whether only results of --json, cautions and errors may be printed."""
    return bool(_said().get(_QUIET))


def with_usual(command: click.Command) -> click.Command:
    """Give a command -v, -q, and --json if it has none of its own."""
    if any(p.name == "quiet" for p in command.params):
        return command
    own = {p.name for p in command.params}
    if "as_json" not in own and command.name not in _LIVE:
        command.params.append(
            click.Option(
                ["--json", "files_json"], is_flag=True, expose_value=False, callback=_begin_json,
                help="Print one JSON object with the files that were made.",
            )
        )  # fmt: skip
        made = command.callback
        assert made is not None

        def told(*args: Any, **values: Any) -> Any:
            out = made(*args, **values)
            _print_files()
            return out

        command.callback = told
    command.params += [
        click.Option(
            ["-q", "--quiet"], is_flag=True, expose_value=False, is_eager=True, callback=_be_quiet,
            help="Print only cautions and errors.",
        ),
        click.Option(
            ["-v", "--verbose"], count=True, expose_value=False, is_eager=True,
            callback=_be_verbose, help="Say what is done; twice for more.",
        ),
    ]  # fmt: skip
    return command


def _begin_json(context: click.Context, _: click.Parameter, value: bool) -> None:
    if value:
        context.meta[_FILES], context.meta[_CAUTIONS] = [], []


def _be_quiet(context: click.Context, _: click.Parameter, value: bool) -> None:
    context.meta[_QUIET] = value


def _be_verbose(context: click.Context, _: click.Parameter, count: int) -> None:
    if not count:
        return
    import logging

    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(name)s: %(message)s"))
    logger = logging.getLogger("sonify")
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG if count > 1 else logging.INFO)
    context.call_on_close(lambda: logger.removeHandler(handler))


def goes_to_stdout(path: Path) -> None:
    """Note that a temporary file is copied to standard output, where nothing else may go."""
    _said()[_STREAM] = path


def wrote(path: Path, told: str = "", more: str = "", **facts: Any) -> None:
    """Tell of a file or folder that was made, or that went to standard output.

    Parameters
    ----------
    path : Path
    told, more : str
        What a person wants to know of it, printed before and behind its size.
    **facts
        The same for programs, by stable keys.
    """
    told_json(path, **facts)
    if path != _said().get(_STREAM):
        say("  ".join(filter(None, (str(path), told, size(path), more))))


def told_json(path: Path, **facts: Any) -> None:
    """Tell programs alone of a file or folder."""
    said = _said()
    if _FILES in said:
        here = {"path": str(path), "bytes": _bytes(path)} if path != said.get(_STREAM) else None
        said[_FILES].append((here or {"path": None}) | facts)


def say(line: str) -> None:
    """Print a line on stdout for people."""
    said = _said()
    if _FILES not in said and not said.get(_QUIET):
        click.echo(line)


def say_lines(lines: Iterable[str], err: bool = False) -> None:
    """Print lines that may quote an input, whatever is asked for besides."""
    click.echo("\n".join(map(harmless, lines)), err=err)


def note(text: str) -> None:
    """Print what is good to know, but no caution, to stderr."""
    if not quiet():
        click.echo(text, err=True)


def option_name(key: str) -> str:
    """What the command line calls the setting or argument of a key."""
    if key.startswith("list-of-"):
        return "`sonify presets --discs`" if key.endswith("discs") else "`sonify presets`"
    return f"--set {key}" if "." in key and not key.startswith("set ") else f"--{key}"


def caution(what: Warning | str) -> None:
    """Print a caution to stderr."""
    from sonify.errors import Caution

    told = (what if isinstance(what, Caution) else Caution(str(what))).say(option_name)
    _said().get(_CAUTIONS, []).append(told)
    click.echo(f"caution: {told}", err=True)


def _print_files() -> None:
    said = _said()
    if _FILES in said:
        facts = {"files": said[_FILES], "cautions": said[_CAUTIONS]}
        print_json(facts, err=_STREAM in said)


def print_json(data: dict[str, Any], err: bool = False) -> None:
    """Print one JSON object on one line, with the version of its keys."""
    text = json.dumps({"schema": SCHEMA, **data}, ensure_ascii=False)
    click.echo(harmless(text, in_json=True), err=err)


def _bytes(path: Path) -> int:
    files = path.iterdir() if path.is_dir() else [path]
    return sum(f.stat().st_size for f in files)


def size(path: Path) -> str:
    """The size of a file, or of all files in a folder, for people."""
    n = _bytes(path)
    for unit, bytes_each in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if n >= bytes_each:
            return f"{n / bytes_each:.1f} {unit}"
    return f"{n} B"


def config_presets() -> tuple[str, ...]:
    """The user's own defaults, a preset that comes before all others, if there is one.

    `SONIFY_CONFIG` is its path, or empty for none. Otherwise it is `config.toml` in the folder for
    settings (on Linux that of the XDG Base Directory Specification 0.8).
    """
    given = os.environ.get("SONIFY_CONFIG")
    if given is not None:
        return (given,) if given else ()
    path = os.path.join(click.get_app_dir("sonify"), "config.toml")
    return (path,) if os.path.isfile(path) else ()

"""The list of `sonify batch`: each job as the words of a command."""

from __future__ import annotations

import hashlib
import importlib
import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import click

from sonify.cli.app import COMMANDS
from sonify.cli.command_line import toml_value
from sonify.cli.common import WRITTEN
from sonify.errors import InputError, close_matches, look_up
from sonify.settings import load_toml

__all__ = ["Job", "digest", "jobs_of"]

OUT = "\0"
"""Stands in a job's words for the folder that it writes to: no value can hold this character."""


@dataclass(frozen=True)
class Job:
    """A command to run.

    Attributes
    ----------
    output : str
        What it writes, below the batch's folder; this is also the job's name.
    words : tuple of str
        The command's words, with `OUT` before each path that is written.
    given : tuple of str
        Those of its values that may be names of files.
    """

    output: str
    words: tuple[str, ...]
    given: tuple[str, ...]

    def into(self, folder: Path) -> list[str]:
        """The words for a folder to write to."""
        return [w.replace(OUT, f"{folder}/") for w in self.words]

    @property
    def command(self) -> str:
        """The command that makes the same."""
        return shlex.join(["sonify", *(w.replace(OUT, "") for w in self.words)])

    def inputs(self, home: Path) -> dict[str, str]:
        """The digests of the files that its values name, by name."""
        return {name: digest(home / name) for name in self.given if _is_file(home / name)}


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:
        # a message may be too long for a name
        return False


def digest(path: Path) -> str:
    """The SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def jobs_of(path: Path) -> list[Job]:
    """The jobs of a list, checked as far as that goes without making anything.

    Raises
    ------
    InputError
        What no command understands, with the number of the job.
    """
    shared = load_toml(path)
    rows = shared.pop("job", None)
    if not isinstance(rows, list) or not rows or not all(isinstance(r, dict) for r in rows):
        raise InputError("it has no jobs; each begins with the line [[job]]", file=path)
    jobs: list[Job] = []
    taken: dict[str, str] = {}
    for number, row in enumerate(rows, 1):
        try:
            job = _job({"command": "make", **shared, **row})
            _take(job.output, taken)
        except InputError as e:
            place = ": ".join(p for p in (f"job {number}", e.place) if p)
            raise InputError(e.what, file=path, place=place) from None
        jobs.append(job)
    return jobs


def _take(output: str, taken: dict[str, str]) -> None:
    """Refuse an output that is, holds or lies in one of another job."""
    path = PurePosixPath(output)
    above = [str(p) for p in path.parents if p.name]
    other = taken.get(str(path)) or next((p for p in above if taken.get(p) == p), None)
    if other is not None:
        raise InputError(f"'{output}' and '{other}' of another job overlap", place="output")
    taken[str(path)] = str(path)
    for one in above:
        taken.setdefault(one, str(path))


def _job(row: dict[str, Any]) -> Job:
    name = row.pop("command")
    makers = {n: m for n, (m, _) in COMMANDS.items() if n != "batch"}
    module = importlib.import_module(f"sonify.cli.{look_up(makers, str(name), 'command', None)}")
    command: click.Command = getattr(module, name)
    keys = {key: p for p in command.params for key in _keys(p)}
    if "output" not in keys:
        raise InputError(f"'{name}' makes no file", place="command")
    output = row.get("output")
    if output is None:
        raise InputError("the key 'output' is missing: the file or folder that it makes")
    options: list[str] = []
    arguments: list[str] = []
    given: list[str] = []
    for key, value in row.items():
        param = keys.get(key)
        if param is None:
            hint = close_matches(key, keys) or f"; known here: {', '.join(keys)}"
            raise InputError(f"unknown key '{key}'{hint}")
        many = isinstance(param, click.Option) and not param.multiple
        if isinstance(value, list) and many:
            raise InputError("a single value is needed, not a list", place=key)
        for text in _texts(key, value):
            if param.type is WRITTEN:
                text = OUT + _inside(key, text)
            elif OUT in text:
                raise InputError("a value can't hold the character NUL", place=key)
            else:
                given.append(text.partition("=")[2].strip("\"'") if key == "set" else text)
            if isinstance(param, click.Argument):
                if text == "-":
                    raise InputError("a job has no standard input; name a file", place=key)
                arguments.append(text)
            elif isinstance(param, click.Option) and param.is_flag:
                options += _flag(key, value)
            else:
                options.append(f"--{key}={text}")
    words = (name, *options, "--", *arguments) if arguments else (name, *options)
    try:
        command.make_context(name, list(words[1:]))
    except click.UsageError as e:
        raise InputError(e.format_message().rstrip(".")) from None
    return Job(str(output), words, tuple(dict.fromkeys(given)))


def _keys(param: click.Parameter) -> Iterator[str]:
    """What a list calls an option or argument."""
    if isinstance(param, click.Argument):
        yield str(param.name)
    else:
        yield from (o[2:] for o in param.opts if o.startswith("--"))


def _texts(key: str, value: Any) -> Iterator[str]:
    """A value as the command line takes it: a text for each that a list has."""
    if isinstance(value, Mapping):
        if key != "set":
            raise InputError("a value is needed, not a table", place=key)
        # a table in a table may be written [job.set.music]
        yield from (f"{k}={toml_value(v)}" for k, v in _flat(value))
    elif isinstance(value, list):
        for one in value:
            yield from _texts(key, one)
    else:
        yield value if isinstance(value, str) else toml_value(value)


def _flat(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", value


def _flag(key: str, value: Any) -> list[str]:
    if not isinstance(value, bool):
        raise InputError("true or false is needed", place=key)
    return [f"--{key}"] * value


def _inside(key: str, text: str) -> str:
    """A path below the batch's folder."""
    path = PurePosixPath(text.replace("\\", "/"))
    plain = bool(path.parts) and not path.is_absolute() and ".." not in path.parts
    if not plain or path.parts[0].startswith(".") or OUT in text:
        raise InputError(
            f"'{text}' is no path below the folder of the batch; write a name such as north.mp4",
            place=key,
        )
    return str(path) + "/" * text.endswith("/")

"""What all settings share: typed, frozen, kebab-case in files, and no unknown keys.

Each folder defines its own sections, derived from `Settings`. This module only converts tables to
those types, and reports what is wrong in one line.
"""

from __future__ import annotations

import math
import re
import threading
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from sonify.errors import InputError, close_matches
from sonify.input_file import input_file

__all__ = [
    "Settings", "assign", "convert", "keyed", "load_toml", "merge", "parse_assignment",
    "parse_toml", "to_builtins",
]  # fmt: skip

MAX_TOML_BYTES = 256 * 1024 * 1024


class Settings(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename="kebab", kw_only=True
):
    """Base of every section of settings."""


T = TypeVar("T")


def read_text(path: Path, latin: bool = False) -> str:
    """The text of a UTF-8 file, or else of an ISO 8859-1 file if `latin`.

    Raises
    ------
    InputError
        It can't be read.
    """
    with input_file(path, MAX_TOML_BYTES):
        data = path.read_bytes()
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as e:
        if latin:
            return data.decode("latin-1")
        what = f"byte {e.start} is not UTF-8; save the file as UTF-8 text"
        raise InputError(what, file=path) from None


def load_toml(path: Path) -> dict[str, Any]:
    """Parse a TOML file.

    Raises
    ------
    InputError
        The file is missing, unreadable, not UTF-8 or not TOML (with line and column).
    """
    text = read_text(path)
    try:
        return parse_toml(text)
    except tomllib.TOMLDecodeError as e:
        found = re.search(r"\(at (?:line (\d+), column (\d+)|(end of document))\)$", str(e))
        what = re.sub(r" \(at [^()]*\)$", "", str(e))
        place = None
        if found and found.group(1):
            place = f"line {found.group(1)}, column {found.group(2)}"
        elif found:
            place = f"line {text.count(chr(10)) + 1}, at the end of the file"
        raise InputError(f"this is not TOML: {what}", file=path, place=place) from None


# tomllib's time grows with the square of the parts of a dotted key
_DEEP = re.compile(
    r"""(?:^[ \t\[]*+|[{,][ \t]*+)(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){100}""",
    re.MULTILINE,
)


def parse_toml(text: str) -> dict[str, Any]:
    """Parse TOML; whatever is wrong, also with its size, is a `TOMLDecodeError`."""
    if _DEEP.search(text):
        raise tomllib.TOMLDecodeError("it is nested too deeply")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise tomllib.TOMLDecodeError("it is nested too deeply") from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError:
        # Python converts at most 4,300 digits
        raise tomllib.TOMLDecodeError("a number has too many digits") from None


_HALF = re.compile("[\ud800-\udfff]")
_PATH = re.compile(r" - at `(?:key in )?\$\.?(.*)`$")
_PLAIN = {
    "str": "a text in quotes",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}
_BOUNDS = {"<=": "at most", ">=": "at least", "<": "less than", ">": "more than"}


def _parts(kind: Any) -> Iterator[Any]:
    """A type, and the types and choices that it consists of."""
    yield kind
    for one in getattr(kind, "__args__", ()):
        yield from _parts(one)


def _fields(kind: Any) -> dict[str, Any]:
    """The types of a section's settings by their keys; empty if `kind` has no section."""
    for one in _parts(kind):
        if isinstance(one, type) and issubclass(one, msgspec.Struct):
            return {f.encode_name: f.type for f in msgspec.structs.fields(one)}
    return {}


def _found_at(data: Any, kind: Any, path: str) -> tuple[Any, Any]:
    """The value and the type that a path such as `player.matrix` or `voice[0]` leads to."""
    for part in re.findall(r"[^.\[\]]+|\[[^\]]*\]", path):
        if not part.startswith("["):
            kind = _fields(kind).get(part)
        try:
            data = data[int(part[1:-1])] if part.startswith("[") else data[part]
        except (KeyError, IndexError, TypeError, ValueError):
            data = None
    return data, kind


def _say(error: str, kind: Any, data: Any) -> tuple[str, str]:
    """What is wrong in plain words, and where."""
    path = _PATH.search(error)
    place = path[1] if path else ""
    what = _PATH.sub("", error)
    value, here = _found_at(data, kind, place)
    shown = "this" if value is None else _short(value)
    if found := re.match(r"Object (contains unknown|missing required) field `(.*)`", what):
        where = f"[{place}]" if place else "top level"
        if found[1].startswith("missing"):
            return f"the key '{found[2]}' is missing", where
        keys = list(_fields(here))
        hint = close_matches(found[2], keys) or (f"; known here: {', '.join(keys)}" if keys else "")
        return f"unknown key '{found[2]}'{hint}", where
    if what.startswith("Invalid enum value"):
        choices = [str(c) for c in _parts(here) if isinstance(c, (str, int))]
        near = close_matches(str(value), choices)
        return f"{shown} is not known{near}; one of: {', '.join(choices)}", place
    if found := re.match(r"Expected `([^`]*)`, got `", what):
        kinds = [k.strip() for k in found[1].split("|")]
        plain = " or ".join(_PLAIN.get(k, k) for k in kinds if k != "null")
        return f"{shown} is of the wrong type; {plain} is needed", place
    if found := re.match(r"Expected `\w+` of length (<=|>=) (\d+)", what):
        return f"{shown} has the wrong length; {_BOUNDS[found[1]]} {found[2]} needed", place
    if found := re.match(r"Expected `\w+` (<=|>=|<|>) (.*?)(?:\.0)?$", what):
        return f"{shown} is out of range; it must be {_BOUNDS[found[1]]} {found[2]}", place
    if what.startswith("Expected `str` matching regex") and "0-9a-fA-F" in what:
        return f"{shown} is not a colour; write it as #rrggbb, such as #ffb347", place
    return (what if value is None or isinstance(value, Mapping) else f"{shown}: {what}"), place


def _short(value: Any) -> str:
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."


def _refuse_unreal(data: Any, place: str, file: object) -> None:
    """Refuse numbers that aren't finite, and half characters, which no file can hold."""
    if isinstance(data, float) and not math.isfinite(data):
        raise InputError(f"{data} is not a finite number", file=file, place=place or None)
    if isinstance(data, str):
        if _HALF.search(data):
            raise InputError(f"{data!r} is not UTF-8 text", file=file, place=place or None)
    elif isinstance(data, Mapping):
        for key, value in data.items():
            _refuse_unreal(key, place, file)
            _refuse_unreal(value, f"{place}.{key}" if place else str(key), file)
    elif isinstance(data, list):
        for i, value in enumerate(data):
            _refuse_unreal(value, f"{place}[{i}]", file)


_READY: set[Any] = set()
_MAKING_READY = threading.Lock()


def _make_ready(kind: Any) -> None:
    """Let msgspec analyse `kind` once, in one thread.

    It does so at the first conversion; in several threads at once that can crash Python.
    """
    if kind not in _READY:
        with _MAKING_READY:
            msgspec.json.Decoder(kind)
            _READY.add(kind)


def convert(data: Mapping[str, Any], kind: type[T], file: object = None) -> T:
    """A table as the settings type `kind`.

    Raises
    ------
    InputError
        With the place of the first wrong value, and what would be right.
    """
    _refuse_unreal(data, "", file)
    _make_ready(kind)
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as e:
        what, place = _say(str(e), kind, data)
        raise InputError(what, file=file, place=place or None) from None


def keyed(options: Mapping[str, Any]) -> dict[str, Any]:
    """Arguments of a function under the keys that files have."""
    return {name.replace("_", "-"): value for name, value in options.items()}


def _copied(value: Any, with_none: bool = True) -> Any:
    """A deep copy of tables and lists."""
    if isinstance(value, Mapping):
        pairs = value.items()
        return {k: _copied(v, with_none) for k, v in pairs if with_none or v is not None}
    if isinstance(value, (list, tuple)):
        return [_copied(v, with_none) for v in value]
    return value


def to_builtins(value: Any) -> Any:
    """Settings as plain tables with the keys that files have, without those that are None."""
    return _copied(msgspec.to_builtins(value), with_none=False)


def merge(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Two tables as one: tables in both are merged, and other values come from `above`."""
    out = dict(below)
    for key, value in above.items():
        old = out.get(key)
        if isinstance(value, Mapping) and isinstance(old, Mapping):
            out[key] = merge(old, value)
        else:
            out[key] = value
    return out


def parse_assignment(text: str) -> tuple[str, Any]:
    """`section.key=value` as a dotted key and a TOML value, or a text if it is not TOML."""
    key, sign, value = text.partition("=")
    key, value = key.strip(), value.strip()
    if not sign or not key or not value:
        raise InputError(
            f"'{text}' sets nothing; write section.key=value, such as music.root=E3",
            key="set",
        )
    try:
        return key, parse_toml(f"v = {value}")["v"]
    except tomllib.TOMLDecodeError:
        return key, value


def assign(data: Mapping[str, Any], dotted: str, value: Any) -> dict[str, Any]:
    """`data` with the value at a dotted key (`music.voice.0.velocity`) replaced."""
    *path, last = dotted.split(".")
    root: dict[str, Any] = _copied(data)
    spot: Any = root
    for n, part in enumerate(path):
        if isinstance(spot, list):
            spot = spot[_list_index(spot, part, ".".join(path[: n + 1]))]
        else:
            spot = spot.setdefault(part, {})
        if not isinstance(spot, (dict, list)):
            where = ".".join(path[: n + 1])
            raise InputError(f"'{where}' is a value, not a section", key=f"set {where}")
    if isinstance(spot, list):
        spot[_list_index(spot, last, dotted)] = value
    else:
        spot[last] = value
    return root


def _list_index(items: list[Any], part: str, where: str) -> int:
    if not part.isdigit() or int(part) >= len(items):
        raise InputError(
            f"'{part}' is not an index here; there are {len(items)}, counted from 0",
            key=f"set {where}",
        )
    return int(part)

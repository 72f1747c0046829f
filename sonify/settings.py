"""What all settings share: typed, frozen, kebab-case in files, and no unknown keys.

A folder owns the section that belongs to it and derives it from `Settings`. This module only
turns tables into those types, and what goes wrong on the way into one line.
"""

from __future__ import annotations

import math
import re
import threading
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from sonify.errors import InputError, close_matches

__all__ = ["Settings", "assign", "convert", "load_toml", "merge", "parse_assignment", "to_builtins"]

MAX_TOML_BYTES = 256 * 1024 * 1024


class Settings(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename="kebab", kw_only=True
):
    """Base of every section of settings."""


T = TypeVar("T")


def read_text(path: Path) -> str:
    """The text of a UTF-8 file; anything that keeps it from being read is an `InputError`."""
    try:
        if path.is_dir():
            raise InputError("this is a folder; a file is needed", file=path)
        size = path.stat().st_size
        if size > MAX_TOML_BYTES:
            raise InputError(
                f"{size:,} bytes are too many; at most {MAX_TOML_BYTES:,} are read", file=path
            )
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise InputError("there is no such file", file=path) from None
    except PermissionError:
        raise InputError("it may not be read (permission denied)", file=path) from None
    except UnicodeDecodeError as e:
        raise InputError(
            f"byte {e.start} is not UTF-8; save the file as UTF-8 text", file=path
        ) from None
    except OSError as e:
        raise InputError(f"it can't be read ({e.strerror or e})", file=path) from None


def load_toml(path: Path) -> dict[str, Any]:
    """Parse a TOML file.

    Raises
    ------
    InputError
        Missing, unreadable, not UTF-8, or not TOML (with line and column).
    """
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        found = re.search(r"\(at (?:line (\d+), column (\d+)|(end of document))\)$", str(e))
        what = re.sub(r" \(at [^()]*\)$", "", str(e))
        place = None
        if found and found.group(1):
            place = f"line {found.group(1)}, column {found.group(2)}"
        elif found:
            place = f"line {text.count(chr(10)) + 1}, at the end of the file"
        raise InputError(f"this is not TOML: {what}", file=path, place=place) from None


_PATH = re.compile(r" - at `(?:key in )?\$\.?(.*)`$")
_UNKNOWN = re.compile(r"Object contains unknown field `(.*)`")
_MISSING = re.compile(r"Object missing required field `(.*)`")
_PLAIN = {
    "str": "a text in quotes",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}


def _struct_at(kind: Any, path: str) -> Any:
    """The settings type that a dotted path such as `player.matrix` or `voice[0]` leads to."""
    for part in filter(None, re.split(r"\.|(\[[^\]]*\])", path)):
        args = [kind]
        kind = None
        while args:
            one = args.pop()
            if isinstance(one, type) and issubclass(one, msgspec.Struct):
                if part.startswith("["):
                    continue
                for f in msgspec.structs.fields(one):
                    if f.encode_name == part:
                        kind = f.type
                break
            args.extend(getattr(one, "__args__", ()))
            if part.startswith("[") and getattr(one, "__origin__", None) in (list, tuple):
                kind = one.__args__[0]
                break
        if kind is None:
            return None
    stack = [kind]
    while stack:
        one = stack.pop()
        if isinstance(one, type) and issubclass(one, msgspec.Struct):
            return one
        stack.extend(getattr(one, "__args__", ()))
    return None


def _say(error: str, kind: Any, data: Any) -> tuple[str, str | None]:
    found = _PATH.search(error)
    place = found.group(1) if found else ""
    what = _PATH.sub("", error)
    unknown = _UNKNOWN.match(what)
    if unknown:
        struct = _struct_at(kind, place)
        keys = [f.encode_name for f in msgspec.structs.fields(struct)] if struct else []
        near = close_matches(unknown.group(1), keys)
        hint = near or (f"; known here: {', '.join(keys)}" if keys else "")
        where = f"[{place}]" if place else "top level"
        return f"unknown key '{unknown.group(1)}'{hint}", where
    missing = _MISSING.match(what)
    if missing:
        where = f"[{place}]" if place else "top level"
        return f"the key '{missing.group(1)}' is needed and missing", where
    value = _value_at(data, place)
    shown = "" if value is None else f" {_short(value)}"
    if what.startswith("Invalid enum value"):
        field = _field_choices(kind, place)
        near = close_matches(str(value), field)
        return f"{_short(value)} is not known{near}; one of: {', '.join(field)}", place
    wrong = re.match(r"Expected `([^`]*)`, got `", what)
    if wrong:
        kinds = [k.strip() for k in wrong.group(1).split("|")]
        plain = " or ".join(_PLAIN.get(k, k) for k in kinds if k != "null")
        return f"{shown.strip() or 'this'} is of the wrong type; {plain} is needed", place
    bound = re.match(r"Expected `(\w+)` (<=|>=|<|>|!=) (.*)", what)
    if bound:
        words = {"<=": "at most", ">=": "at least", "<": "less than", ">": "more than"}
        return (
            f"{shown.strip()} is out of range; it must be {words[bound.group(2)]} "
            f"{_plain_number(bound.group(3))}",
            place,
        )
    if what.startswith("Expected `str` matching regex") and "0-9a-fA-F" in what:
        return f"{shown.strip()} is not a colour; write it as #rrggbb, such as #ffb347", place
    length = re.match(r"Expected `(\w+)` of length (<=|>=) (\d+)", what)
    if length:
        word = "at most" if length.group(2) == "<=" else "at least"
        return f"{shown.strip()} has the wrong length; {word} {length.group(3)} needed", place
    return f"{shown.strip()}: {what}".lstrip(": "), place or None


def _plain_number(text: str) -> str:
    return text[:-2] if text.endswith(".0") else text


def _short(value: Any) -> str:
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."


def _value_at(data: Any, path: str) -> Any:
    for part in filter(None, re.split(r"\.|\[(\d+|\.\.\.)\]", path)):
        try:
            data = data[int(part)] if isinstance(data, list) else data[part]
        except (KeyError, IndexError, TypeError, ValueError):
            return None
    return data


def _field_choices(kind: Any, path: str) -> list[str]:
    head, _, last = path.rpartition(".")
    struct = _struct_at(kind, head)
    if struct is None:
        return []
    for f in msgspec.structs.fields(struct):
        if f.encode_name == last:
            out: list[str] = []
            stack = [f.type]
            while stack:
                one = stack.pop()
                for a in getattr(one, "__args__", ()):
                    if isinstance(a, (str, int)):
                        out.append(str(a))
                    else:
                        stack.append(a)
            return out
    return []


def _refuse_unreal(data: Any, place: str, file: object) -> None:
    if isinstance(data, float) and not math.isfinite(data):
        raise InputError(f"{data} is not a number to work with", file=file, place=place or None)
    if isinstance(data, Mapping):
        for key, value in data.items():
            _refuse_unreal(value, f"{place}.{key}" if place else str(key), file)
    elif isinstance(data, list) and not (data and isinstance(data[0], str)):
        for i, value in enumerate(data):
            _refuse_unreal(value, f"{place}[{i}]", file)


_READY: set[Any] = set()
_MAKING_READY = threading.Lock()


def _make_ready(kind: Any) -> None:
    """Let msgspec work out what `kind` holds, once, in one thread.

    msgspec does so at the first conversion; in several threads at once that can crash Python.
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
        With the place of the first thing that does not fit, and what would.
    """
    _refuse_unreal(data, "", file)
    _make_ready(kind)
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as e:
        what, place = _say(str(e), kind, data)
        raise InputError(what, file=file, place=place) from None


def to_builtins(value: Any) -> Any:
    """Settings as plain tables with their names in files, without what is None."""
    out = msgspec.to_builtins(value)

    def clean(v: Any) -> Any:
        if isinstance(v, dict):
            return {k: clean(x) for k, x in v.items() if x is not None}
        if isinstance(v, (list, tuple)):
            return [clean(x) for x in v]
        return v

    return clean(out)


def merge(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Lay one table over another: tables join key by key, all else is replaced whole."""
    out = dict(below)
    for key, value in above.items():
        old = out.get(key)
        if isinstance(value, Mapping) and isinstance(old, Mapping):
            out[key] = merge(old, value)
        else:
            out[key] = value
    return out


def parse_assignment(text: str) -> tuple[str, Any]:
    """`section.key=value` as a dotted key and a TOML value (or else the bare text)."""
    key, sign, value = text.partition("=")
    key, value = key.strip(), value.strip()
    if not sign or not key or not value:
        raise InputError(
            f"'{text}' sets nothing; write section.key=value, such as music.root=E3",
            key="set",
        )
    try:
        return key, tomllib.loads(f"v = {value}")["v"]
    except tomllib.TOMLDecodeError:
        return key, value


def assign(data: Mapping[str, Any], dotted: str, value: Any) -> dict[str, Any]:
    """`data` with the value at a dotted key (`music.voice.0.velocity`) replaced."""
    parts = dotted.split(".")
    root: dict[str, Any] = dict(data)
    spot: Any = root
    for n, part in enumerate(parts[:-1]):
        where = ".".join(parts[: n + 1])
        if isinstance(spot, list):
            spot = _into_list(spot, part, where)
        else:
            old = spot.get(part)
            if isinstance(old, Mapping):
                new: Any = dict(old)
            elif isinstance(old, Sequence) and not isinstance(old, str):
                new = [dict(x) if isinstance(x, Mapping) else x for x in old]
            elif old is None:
                new = {}
            else:
                raise InputError(f"'{where}' is a value, not a section", key=f"set {dotted}")
            spot[part] = new
            spot = new
    if isinstance(spot, list):
        spot[_list_index(spot, parts[-1], dotted)] = value
    else:
        spot[parts[-1]] = value
    return root


def _list_index(items: list[Any], part: str, where: str) -> int:
    if not part.isdigit() or int(part) >= len(items):
        raise InputError(
            f"'{part}' is not an index here; there are {len(items)}, counted from 0",
            key=f"set {where}",
        )
    return int(part)


def _into_list(items: list[Any], part: str, where: str) -> Any:
    spot = items[_list_index(items, part, where)]
    if not isinstance(spot, dict):
        raise InputError(f"'{where}' is a value, not a section", key=f"set {where}")
    return spot

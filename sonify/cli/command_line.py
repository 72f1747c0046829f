"""A command line as text, for pages that show the command that gives the same result."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterable, Mapping
from typing import Any

__all__ = ["command_line", "toml_value"]


def command_line(
    verb: str, disc: str, presets: Iterable[str], settings: Mapping[str, Any] | None = None,
    output: str | None = None, calm: bool = False, options: Mapping[str, Any] | None = None,
) -> str:  # fmt: skip
    """The command that applies presets and single settings to a disc, quoted for a shell.

    `options` are others of the verb, by their names without dashes.
    """
    words = ["sonify", verb, disc]
    for preset in presets:
        words += ["-p", preset]
    for key, value in (settings or {}).items():
        words += ["--set", f"{key}={toml_value(value)}"]
    for key, value in (options or {}).items():
        words.append(f"--{key}")
        if value is not True:
            words.append(f"{value:.15g}" if isinstance(value, float) else str(value))
    if output is not None:
        words += ["-o", output]
    return shlex.join([*words, *["--calm"] * calm])


def toml_value(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(toml_value, value))}]"
    # strings, numbers and booleans are written alike in JSON and in TOML
    return json.dumps(value, ensure_ascii=False)


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key)

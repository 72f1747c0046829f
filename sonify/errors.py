"""The errors that a user may see: one line and an exit status each."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Self, TypeVar

__all__ = [
    "RANGE_HINT",
    "Caution",
    "InputError",
    "Naming",
    "OutputError",
    "SonifyError",
    "close_matches",
    "harmless",
    "look_up",
    "plural",
]

RANGE_HINT = "give a range with {rows}, or with {from} and {to}"

_BRACED = re.compile(r"\{([a-z.-]+)\}")


T = TypeVar("T")
Naming = Callable[[str], str]
"""The name that a user interface has for the setting or argument of a key: an option or label."""


# the control characters and the marks that turn the direction of text (Unicode 15, table 23-1 and
# section 23.2), halves of characters, and breaks of lines: a terminal would obey them
_RAW = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
_LONGEST = 800
"""Characters of an error, for a terminal of ten lines; from a longer one the middle is cut."""


def harmless(text: str, *, in_json: bool = False) -> str:
    """A text that may quote an input, with escapes for all that a terminal obeys."""
    return _RAW.sub(lambda m: f"\\u{ord(m[0]):04x}" if in_json else repr(m[0])[1:-1], text)


def _one_line(text: str) -> str:
    """A text that may quote an input, as one line that does nothing to a terminal."""
    text = harmless(text)
    half = _LONGEST // 2
    return text if len(text) <= _LONGEST else f"{text[:half]} ... {text[-half:]}"


class _Told(Exception):
    """A text for a person, with the keys of the settings that it is about as data.

    `hint` may have keys in braces, as in ``"give {positions}"``. The command line and the page
    each replace a key by their own name for it.
    """

    def __init__(
        self,
        what: str,
        *,
        file: object = None,
        place: str | None = None,
        key: str | None = None,
        hint: str = "",
    ) -> None:
        self.what = what
        self.file = None if file is None else str(file)
        self.place = place
        self.key = key
        self.hint = hint
        super().__init__(what)

    def say(self, naming: Naming = str) -> str:
        """The line to show, with the name that `naming` gives each key."""
        key = self.key and ", ".join(naming(k) for k in self.key.split(", "))
        hint = _BRACED.sub(lambda m: naming(m[1]), self.hint)
        what = f"{self.what}; {hint}" if hint else self.what
        return _one_line(": ".join(p for p in (self.file, self.place, key, what) if p))

    def __str__(self) -> str:
        return self.say()


class SonifyError(_Told):
    """Something could not be done. The text is one line, ready to show.

    Parameters
    ----------
    what : str
        What is wrong, and what would be right.
    file : str, optional
        The file that is wrong.
    place : str, optional
        The field or line in that file.
    key : str, optional
        The setting or argument it is about, such as ``"positions"`` or ``"music.timing"``;
        several are separated by ``", "``.
    hint : str, optional
        What to do about it. Keys in braces stand for settings and arguments.
    """

    exit_status = 1

    def at(self, file: object) -> Self:
        """The same error with a file (unchanged if it has one already)."""
        if self.file is not None:
            return self
        return type(self)(self.what, file=file, place=self.place, key=self.key, hint=self.hint)


class InputError(SonifyError):
    """The input or the call is wrong (exit status 2)."""

    exit_status = 2


class OutputError(SonifyError):
    """The result could not be made or kept (exit status 1)."""


class Caution(_Told, UserWarning):
    """Something that the user should know, though it stops nothing. It has what errors have."""


def close_matches(word: str, known: Iterable[str]) -> str:
    """`` (did you mean a, b?)`` with the names that are like `word`, or an empty text."""
    names = list(known)
    folded = {n.casefold(): n for n in names}
    near = difflib.get_close_matches(word.casefold(), folded, n=3, cutoff=0.55)
    if not near:
        return ""
    return f" (did you mean {', '.join(folded[n] for n in near)}?)"


def plural(count: int, what: str) -> str:
    """A number and its noun."""
    return f"{count:,} {what}" + ("" if count == 1 else "s")


def look_up(table: Mapping[str, T], name: str, what: str, place: str | None) -> T:
    """The row of a name, or an `InputError` that lists similar names and all names."""
    if name not in table:
        near = close_matches(name, table)
        raise InputError(
            f"there is no {what} '{name}'{near}; one of: {', '.join(table)}", place=place
        )
    return table[name]

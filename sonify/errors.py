"""The errors that a user may see: one line each, and an exit status."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["Caution", "InputError", "OutputError", "SonifyError", "close_matches"]


class SonifyError(Exception):
    """Something could not be done. The text is one line, ready to show.

    Parameters
    ----------
    what : str
        What is wrong, and what would be right.
    file : str, optional
        The file it is about.
    place : str, optional
        The field, line or place in that file.
    """

    exit_status = 1

    def __init__(self, what: str, *, file: object = None, place: str | None = None) -> None:
        self.what = what
        self.file = None if file is None else str(file)
        self.place = place
        super().__init__(": ".join(p for p in (self.file, self.place, what) if p))

    def at(self, file: object) -> SonifyError:
        """The same error, said of a file (kept if it names one already)."""
        if self.file is not None:
            return self
        return type(self)(self.what, file=file, place=self.place)


class InputError(SonifyError):
    """The input or the call is wrong (exit status 2)."""

    exit_status = 2


class OutputError(SonifyError):
    """The result could not be made or kept (exit status 1)."""


class Caution(UserWarning):
    """Something that the user should know, though the work goes on."""


def close_matches(word: str, known: Iterable[str]) -> str:
    """`` (did you mean a, b?)`` for the names that look like `word`, or an empty text."""
    names = list(known)
    folded = {n.casefold(): n for n in names}
    near = difflib.get_close_matches(word.casefold(), folded, n=3, cutoff=0.55)
    if not near:
        return ""
    return f" (did you mean {', '.join(folded[n] for n in near)}?)"

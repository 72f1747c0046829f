"""Refuse input files that are missing, unreadable or too large."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Iterator
from pathlib import Path

from sonify.errors import InputError

__all__ = ["input_file"]

_DENIED = "it may not be read (permission denied)"
_REASONS = {
    errno.ENOENT: "there is no such file",
    errno.EISDIR: "this is a folder; a file is needed",
    errno.EACCES: _DENIED,
    errno.EPERM: _DENIED,
}


@contextlib.contextmanager
def input_file(path: Path, most: int | None = None) -> Iterator[None]:
    """Read a file inside: errors of the operating system become input errors.

    Raises
    ------
    InputError
        The file can't be read, or has more than `most` bytes.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "")
        if most is not None and size > most:
            raise InputError(f"{size:,} bytes are too many; at most {most:,} are read", file=path)
        yield
    except OSError as e:
        usual = f"it can't be read ({e.strerror or e})"
        raise InputError(_REASONS.get(e.errno or 0, usual), file=path) from None

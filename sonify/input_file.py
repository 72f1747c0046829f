"""Refuse input files that are missing, unreadable or too large."""

from __future__ import annotations

import contextlib
import errno
import stat
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
        about = path.stat()
        size = about.st_size
        if stat.S_ISDIR(about.st_mode):
            raise IsADirectoryError(errno.EISDIR, "")
        if not stat.S_ISREG(about.st_mode):
            raise InputError("this is a pipe or a device; save it as a file first", file=path)
        if most is not None and size > most:
            raise InputError(f"{size:,} bytes are too many; at most {most:,} are read", file=path)
        yield
    except OSError as e:
        usual = f"it can't be read ({e.strerror or e})"
        raise InputError(_REASONS.get(e.errno or 0, usual), file=path) from None
    except ValueError as e:
        # what Python says before it asks the system
        if "null" not in str(e):
            raise
        raise InputError("a path can't hold the character NUL", file=path) from None

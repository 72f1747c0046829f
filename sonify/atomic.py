"""Atomic writes: a file is written to a temporary path and then moved into place."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

from sonify.errors import OutputError

__all__ = ["Target", "atomic_write", "cannot_write", "make_folder", "save_to"]

Target = str | Path | BinaryIO
"""Where to write to: a path, or a buffer that is open for bytes."""


_REASONS = {
    errno.ENOSPC: "the disk is full; nothing was written",
    errno.EISDIR: "this is a folder; give the name of a file",
    errno.ENOTDIR: "a part of this path is a file, not a folder",
} | dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EROFS), "it may not be written (permission denied)"
)


def cannot_write(error: OSError, path: Path) -> OutputError:
    """An error of the operating system as one line."""
    usual = f"it can't be written ({error.strerror or error})"
    return OutputError(_REASONS.get(error.errno or 0, usual), file=path)


def make_folder(path: Path) -> None:
    """Make a folder and its parents, unless they exist.

    Raises
    ------
    OutputError
        They can't be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise OutputError("this is a file; a folder is needed", file=path) from None
    except OSError as e:
        raise cannot_write(e, path) from None


def _mark() -> str:
    """A random part of a temporary file's name."""
    return os.urandom(4).hex()


@contextlib.contextmanager
def atomic_write(path: str | Path) -> Iterator[Path]:
    """A temporary path to write to; at the end, its file replaces the one at `path`.

    After an error, a full disk or an interrupt, the old file is unchanged and the temporary one
    is deleted.

    Raises
    ------
    OutputError
        The path can't be written.
    """
    path = Path(path)
    if path.is_dir():
        raise OutputError("this is a folder; give the name of a file", file=path)
    make_folder(path.parent)
    beside = path.with_name(f".{path.stem[:40]}-{_mark()}{path.suffix}")
    try:
        try:
            yield beside
            os.replace(beside, path)
        except OSError as e:
            raise cannot_write(e, path) from None
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def save_to(target: Target, suffix: str | None, write: Callable[[Any], object]) -> Path | None:
    """Let `write` write a file to a path, or into a buffer.

    Parameters
    ----------
    target : str, Path or binary file
    suffix : str, optional
        The kind of file that a buffer takes, such as ".mid" or "mid".
    write : callable
        Writes to the path that it is given.

    Returns
    -------
    Path or None
        The path; None for a buffer.

    Raises
    ------
    OutputError
        A buffer without a kind, or for an output of several files.
    """
    if isinstance(target, (str, Path)):
        write(target)
        return Path(target)
    if suffix is None:
        raise OutputError('a buffer has no suffix; say the kind, such as format="mid"')
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"file.{suffix.removeprefix('.')}")
        write(path)
        if len(list(Path(folder).iterdir())) > 1:
            raise OutputError("this makes several files, and a buffer takes one; give a path")
        target.write(path.read_bytes())
    return None

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
from sonify.log import info

__all__ = ["Target", "atomic_write", "cannot_write", "make_folder", "save_to", "write_data"]

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

    After an error, a full disk, an interrupt or a power cut, the file at `path` is the old one or
    the whole new one. Where the system has files without a name (Linux), nothing is left beside it
    even if the process is killed; the temporary path then has no suffix, and Pillow 10 would follow
    it to another name, so it needs the open file.

    Raises
    ------
    OutputError
        The path can't be written.
    """
    path = Path(path)
    # not `path.is_dir()`, which raises for a name that is too long
    if os.path.isdir(path):
        raise OutputError("this is a folder; give the name of a file", file=path)
    make_folder(path.parent)
    try:
        number = _unnamed(path.parent)
        with _named(path) if number is None else _linked(path, number) as beside:
            yield beside
    except OSError as e:
        raise cannot_write(e, path) from None
    info(__name__, "%s: written", path)


def _unnamed(folder: Path) -> int | None:
    """A descriptor of a new file without a name, or None where there is no such thing."""
    flag = getattr(os, "O_TMPFILE", None)
    if flag is None or not Path("/proc/self/fd").is_dir():
        return None
    try:
        return os.open(folder, flag | os.O_RDWR, 0o666)
    except OSError as e:
        # what file systems and kernels without such files answer (Linux man-pages, open(2))
        if e.errno in (errno.EOPNOTSUPP, errno.EISDIR, errno.ENOENT, errno.EINVAL):
            return None
        raise


@contextlib.contextmanager
def _linked(path: Path, number: int) -> Iterator[Path]:
    try:
        yield Path(_path_of(number))
        os.fsync(number)
        try:
            _link(number, path)
        except FileExistsError:
            # a link can't replace a file, so the new file has a name of its own for a moment
            beside = _beside(path)
            try:
                _link(number, beside)
                os.replace(beside, path)
            finally:
                with contextlib.suppress(OSError):
                    beside.unlink(missing_ok=True)
    finally:
        os.close(number)


def _path_of(number: int) -> str:
    return f"/proc/self/fd/{number}"


def _link(number: int, path: Path) -> None:
    # with any descriptor, Python calls linkat, which follows the link in /proc
    os.link(_path_of(number), path, src_dir_fd=number, follow_symlinks=True)


def _beside(path: Path) -> Path:
    return path.with_name(f".{path.stem[:40]}-{_mark()}{path.suffix}")


@contextlib.contextmanager
def _named(path: Path) -> Iterator[Path]:
    beside = _beside(path)
    try:
        yield beside
        with open(beside, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(beside, path)
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def write_data(target: Target, data: bytes | str) -> Path | None:
    """Write a whole file, text as UTF-8, to a path or into a buffer.

    Returns
    -------
    Path or None
        The path; None for a buffer.

    Raises
    ------
    OutputError
        The path can't be written.
    """
    content = data.encode() if isinstance(data, str) else data
    if not isinstance(target, (str, Path)):
        target.write(content)
        return None
    with atomic_write(target) as beside:
        beside.write_bytes(content)
    return Path(target)


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

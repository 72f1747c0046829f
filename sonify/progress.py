"""The progress of a long piece of work, for those who show or stop it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from contextvars import ContextVar

__all__ = ["part", "report", "watching"]

_WATCHER: ContextVar[Callable[[float], None] | None] = ContextVar("watcher", default=None)


@contextlib.contextmanager
def watching(watcher: Callable[[float], None]) -> Iterator[None]:
    """Call `watcher` with the share that is done, 0 to 1; an exception from it stops the work."""
    token = _WATCHER.set(watcher)
    try:
        yield
    finally:
        _WATCHER.reset(token)


def report(share: float) -> None:
    """Report the share that is done, 0 to 1."""
    watcher = _WATCHER.get()
    if watcher is not None:
        watcher(share)


@contextlib.contextmanager
def part(first: float, last: float) -> Iterator[None]:
    """Let what is reported within count from `first` to `last` of the whole."""
    whole = _WATCHER.get()
    if whole is None:
        yield
        return
    with watching(lambda share: whole(first + share * (last - first))):
        yield

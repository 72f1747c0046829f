"""A progress bar on the terminal, for work that takes longer than a second."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator

from sonify.cli.usual import quiet
from sonify.progress import watching

__all__ = ["progress_shown"]

_WIDE = 28


@contextlib.contextmanager
def progress_shown(label: str) -> Iterator[None]:
    """Show the progress of the work inside, if stderr is a terminal."""
    if quiet() or not sys.stderr.isatty():
        yield
        return
    begin = time.monotonic()
    last = 0.0

    def show(share: float) -> None:
        nonlocal last
        now = time.monotonic()
        if now - begin < 1.0 or (now - last < 0.2 and share < 1):
            return
        last = now
        told = ""
        if share > 0.01:
            left = round((now - begin) * (1 - share) / share)
            told = f"  {left // 60}:{left % 60:02d} left"
        full = round(_WIDE * share)
        sys.stderr.write(f"\r{label} [{'=' * full:<{_WIDE}}] {share:4.0%}{told}\x1b[K")
        sys.stderr.flush()

    try:
        with watching(show):
            yield
    finally:
        if last:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

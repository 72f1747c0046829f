"""A bar on the terminal while something takes longer than a second."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator

from sonify.progress import watching

__all__ = ["progress_shown"]

_WIDE = 28


class _Bar:
    def __init__(self, label: str) -> None:
        self.label = label
        self.begin = time.monotonic()
        self.last = 0.0
        self.shown = False

    def __call__(self, share: float) -> None:
        now = time.monotonic()
        if now - self.begin < 1.0 or (now - self.last < 0.2 and share < 1):
            return
        self.last, self.shown = now, True
        full = round(_WIDE * share)
        left = (now - self.begin) * (1 - share) / share if share > 0.01 else None
        told = "" if left is None else f"  {_clock(left)} left"
        sys.stderr.write(f"\r{self.label} [{'=' * full:<{_WIDE}}] {share:4.0%}{told}\x1b[K")
        sys.stderr.flush()

    def clear(self) -> None:
        if self.shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


@contextlib.contextmanager
def progress_shown(label: str) -> Iterator[None]:
    """Show how far work inside has come, on a terminal and if it takes over a second."""
    if not sys.stderr.isatty():
        yield
        return
    bar = _Bar(label)
    try:
        with watching(bar):
            yield
    finally:
        bar.clear()

"""Log messages of the package, under the one logger `sonify`."""

from __future__ import annotations

import sys

__all__ = ["debug", "info"]


def _say(level: str, name: str, text: str, *values: object) -> None:
    # to import logging takes 13 ms, and without it nobody listens
    logging = sys.modules.get("logging")
    if logging is not None:
        getattr(logging.getLogger(name), level)(text, *values)


def info(name: str, text: str, *values: object) -> None:
    """Log what a user may want to know; `name` is the module's, and `text` as for logging."""
    _say("info", name, text, *values)


def debug(name: str, text: str, *values: object) -> None:
    """Log what helps to find a fault."""
    _say("debug", name, text, *values)

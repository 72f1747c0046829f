"""Log messages of the package, under the one logger `sonify`."""

from __future__ import annotations

import sys

__all__ = ["debug", "info", "kept", "level", "repeat"]


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


Record = tuple[str, int, str]
"""The logger's name, the level and the text of a message."""


def level() -> int | None:
    """The level from which messages are wanted; None if nobody listens."""
    logging = sys.modules.get("logging")
    return None if logging is None else logging.getLogger("sonify").getEffectiveLevel()


def kept(level: int | None) -> list[Record]:
    """A list that all messages from now on go to, for another process to `repeat`."""
    records: list[Record] = []
    if level is not None:
        import logging

        class Keep(logging.Handler):
            def emit(self, record: logging.LogRecord) -> None:
                records.append((record.name, record.levelno, record.getMessage()))

        logger = logging.getLogger("sonify")
        logger.addHandler(Keep())
        logger.setLevel(level)
    return records


def repeat(records: list[Record]) -> None:
    """Log messages of another process."""
    logging = sys.modules.get("logging")
    if logging is not None:
        for name, number, text in records:
            logging.getLogger(name).log(number, "%s", text)

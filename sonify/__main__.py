"""The program `sonify`, which handles signals before it imports anything slow."""

from __future__ import annotations

import signal
import sys
from typing import Any, NoReturn

__all__ = ["main"]


def _stopped(number: int, frame: Any) -> NoReturn:
    # an exception, so that temporary files are deleted and the terminal is restored;
    # 128 + the signal's number, as a shell reports it (POSIX.1-2017, Shell, 2.8.2)
    signal.signal(number, signal.SIG_IGN)
    sys.exit(128 + number)


def main() -> None:
    """Run the command line."""
    try:
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), _stopped)
        from sonify.cli.app import main as run

        run()
    except KeyboardInterrupt:
        sys.stderr.write("sonify: stopped\n")
        sys.exit(128 + signal.SIGINT)


if __name__ == "__main__":
    main()

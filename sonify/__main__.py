"""The program `sonify`, which handles signals before it imports anything slow."""

from __future__ import annotations

import os
import signal
import sys
import threading
from types import FrameType

__all__ = ["main"]


def _stopped(number: int, frame: FrameType | None) -> None:
    while frame is not None and frame.f_code.co_name != "__del__":
        frame = frame.f_back
    if frame is not None:
        # an exception would be lost here, so the signal comes again a moment later
        threading.Timer(0.01, os.kill, (os.getpid(), number)).start()
        return
    # an exception, so that temporary files are deleted and the terminal is restored;
    # 128 + the signal's number, as a shell reports it (POSIX.1-2017, Shell, 2.8.2)
    sys.exit(128 + number)


def _fill_closed() -> None:
    """Open standard streams that were closed, so that no file takes the number of one."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
            setattr(sys, name, open(number, "w" if number else "r", closefd=False))  # noqa: SIM115


def main() -> None:
    """Run the command line."""
    _fill_closed()
    try:
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), _stopped)
        from sonify.cli.app import main as run

        run()
    except KeyboardInterrupt:
        sys.stderr.write("sonify: stopped\n")
        sys.exit(128 + signal.SIGINT)
    finally:
        # all is written; while Python shuts down, an exception would only be printed
        for name in ("SIGTERM", "SIGHUP", "SIGINT"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), signal.SIG_DFL)


if __name__ == "__main__":
    main()

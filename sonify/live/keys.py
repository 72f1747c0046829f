"""Keys that are pressed in the terminal, each at once, and the terminal as it was before.

Source: ECMA-48 for the sequences of cursor keys.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
from typing import Any, TextIO

__all__ = ["Keys"]

_SEQUENCES = {
    b"\x1b[A": "up", b"\x1b[B": "down", b"\x1b[C": "right", b"\x1b[D": "left",
    b"\x1bOA": "up", b"\x1bOB": "down", b"\x1bOC": "right", b"\x1bOD": "left",
}  # fmt: skip
_NAMES = {" ": "space", "\r": "enter", "\n": "enter", "\t": "tab"}
_MSVCRT = {"H": "up", "P": "down", "M": "right", "K": "left"}


class Keys:
    """The keys of a terminal. Use it as a context manager, which puts the terminal back.

    Ctrl-Z does nothing meanwhile: a stopped program would leave notes hanging.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = sys.stdin if stream is None else stream
        self._before: list[Any] | None = None
        self._open = contextlib.ExitStack()
        self._left = b""

    def __enter__(self) -> Keys:
        if sys.platform != "win32" and self._stream.isatty():
            import termios
            import tty

            number = self._stream.fileno()
            self._before = termios.tcgetattr(number)
            old = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
            self._open.callback(signal.signal, signal.SIGTSTP, old)
            self._open.callback(_put_back, number, self._before)
            tty.setcbreak(number, termios.TCSANOW)
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def pressed(self) -> list[str]:
        """The keys that were pressed since the last call."""
        if sys.platform == "win32":
            return _windows()
        if self._before is None:
            return []
        with contextlib.suppress(OSError):
            while select.select([self._stream], [], [], 0)[0]:
                data = os.read(self._stream.fileno(), 1024)
                if not data:
                    self._before = None
                    break
                self._left += data
        out, self._left = _split(self._left), b""
        return out


def _put_back(number: int, before: list[Any]) -> None:
    import termios

    # the terminal may be gone
    with contextlib.suppress(OSError, termios.error):
        termios.tcsetattr(number, termios.TCSADRAIN, before)


def _split(data: bytes) -> list[str]:
    """Keys from what a terminal sent."""
    out: list[str] = []
    while data:
        found = next((s for s in _SEQUENCES if data.startswith(s)), None)
        if found is not None:
            out.append(_SEQUENCES[found])
            data = data[len(found) :]
        elif data.startswith(b"\x1b"):
            # another key's sequence, up to its final byte
            end = next((k for k, c in enumerate(data[2:], 3) if 0x40 <= c <= 0x7E), len(data))
            data = data[end:] if data[1:2] in (b"[", b"O") else data[1:]
        else:
            text = data.split(b"\x1b", 1)[0]
            data = data[len(text) :]
            out += [_NAMES.get(c, c) for c in text.decode("utf-8", "ignore")]
    return out


def _windows() -> list[str]:
    if sys.platform != "win32":
        return []
    import msvcrt

    out: list[str] = []
    while msvcrt.kbhit():
        c = msvcrt.getwch()
        out.append(_MSVCRT.get(msvcrt.getwch(), "") if c in "\x00\xe0" else _NAMES.get(c, c))
    return [k for k in out if k]

"""MIDI ports for tests: a backend for mido whose one output is a socket, and what listens to it.

Named in MIDO_BACKEND, as mido's documentation describes; the messages go over mido's own socket
port, so what arrives has been through a library that the project did not write.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from dataclasses import dataclass, field
from typing import Any

from mido import Message
from mido.ports import set_sleep_time
from mido.sockets import PortServer, SocketPort, connect

NAME = "Valley Synth"
LONGEST_S = 300
"""After which what is listened to has hung, on the busiest machine."""


PEDAL = "Hut Pedal"


def get_devices(**_: Any) -> list[dict[str, Any]]:
    names = {NAME: False, "Ridge Module 1": False, PEDAL: True}
    return [{"name": n, "is_input": i, "is_output": not i} for n, i in names.items()]


class Input:
    """Gives the callback what comes over a socket port at SONIFY_TEST_INPUT."""

    def __new__(cls, name: str, callback: Any = None, **_: Any) -> SocketPort:
        port = connect("127.0.0.1", int(os.environ["SONIFY_TEST_INPUT"]))

        def listen() -> None:
            with contextlib.suppress(ValueError, OSError):
                for message in port:
                    callback(message)

        threading.Thread(target=listen, daemon=True).start()
        return port


class Output:
    """Opens a socket port to SONIFY_TEST_PORT."""

    def __new__(cls, name: str, **_: Any) -> SocketPort:
        port = connect("127.0.0.1", int(os.environ["SONIFY_TEST_PORT"]))
        # each message at once, not joined with the next
        port._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return port


@dataclass
class Receiver:
    """Listens on loopback, and notes when each message arrives."""

    times: list[float] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)

    def __enter__(self) -> Receiver:
        # a port that nobody else can take before it is listened to
        self._server = PortServer("127.0.0.1", 0)
        self.port = self._server._socket.getsockname()[1]
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        return self

    def _listen(self) -> None:
        # mido looks for messages and sleeps by turns
        set_sleep_time(0.0002)
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(10))
        client = self._server.accept()
        with contextlib.suppress(ValueError):
            for message in client:
                self.times.append(time.monotonic())
                self.messages.append(message)

    def __exit__(self, *_: object) -> None:
        self._thread.join(LONGEST_S)
        self._server.close()


def hanging(messages: list[Message]) -> set[tuple[int, int]]:
    """Channel and key of the notes that still sound after all messages."""
    on: set[tuple[int, int]] = set()
    for m in messages:
        if m.type == "note_on" and m.velocity:
            on.add((m.channel, m.note))
        elif m.type in ("note_off", "note_on"):
            on.discard((m.channel, m.note))
    return on


if __name__ == "__main__":
    # a process that listens: what arrives, with its time, a line each
    import sys

    with Receiver() as r:
        print(r.port, flush=True)
        r._thread.join()
    for t, m in zip(r.times, r.messages, strict=True):
        sys.stdout.write(f"{t:.6f} {m.hex()}\n")

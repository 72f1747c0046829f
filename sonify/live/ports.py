"""List and open MIDI ports.

mido opens the ports. It uses python-rtmidi or, where that is not installed, rtmidi2; the
environment variable MIDO_BACKEND names another backend, as mido's documentation says.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import sys
from collections.abc import Callable, Iterator
from typing import Any

from sonify.errors import InputError, OutputError, close_matches
from sonify.extras import NotInstalled

__all__ = ["MidiPort", "full_name", "list_ports", "open_input", "open_port"]


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Drop what libraries print to stderr."""
    try:
        sys.stderr.flush()
        saved = os.dup(2)
        nowhere = os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(nowhere)


def _backend() -> Any:
    import mido

    if os.environ.get("MIDO_BACKEND"):
        return mido.Backend(load=True)
    if importlib.util.find_spec("rtmidi") is not None:
        return mido.Backend("mido.backends.rtmidi", load=True)
    if importlib.util.find_spec("rtmidi2") is not None:
        return mido.Backend("sonify.live.rtmidi2_ports", load=True)
    raise NotInstalled(
        "there is no library for MIDI ports here; run: pip install 'sonify[live]', or write a "
        "MIDI file"
    )


def _says(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")


def list_ports(*, inputs: bool = False) -> list[str]:
    """The names of the ports that take messages, or of those that give them (`inputs`).

    Raises
    ------
    OutputError
        The computer's MIDI system can't be reached.
    """
    backend = _backend()
    with quiet():
        try:
            names = backend.get_input_names() if inputs else backend.get_output_names()
            return list(dict.fromkeys(names))
        except Exception as e:
            raise OutputError(
                f"this computer's MIDI ports can't be reached ({_says(e)}); write a MIDI file"
            ) from None


class MidiPort:
    """An open port.

    Parameters
    ----------
    port
        mido's.
    name : str
    """

    def __init__(self, port: Any, name: str) -> None:
        from mido import Message

        self._port, self.name = port, name
        self._message = Message.from_bytes

    def send(self, data: bytes) -> None:
        """Send one message immediately."""
        self._port.send(self._message(data))

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(Exception):
            self._port.close()


def open_port(name: str, *, virtual: bool = False) -> MidiPort:
    """Open a port by its name or by a part of its name that no other port has, or create one.

    Raises
    ------
    InputError
        There is no such port; the message lists the ports.
    OutputError
        It can't be opened or created.
    """
    backend = _backend()
    if not virtual:
        name = full_name(name)
    with quiet():
        try:
            return MidiPort(backend.open_output(name, virtual=virtual), name)
        except Exception as e:
            why = (
                f"created ({_says(e)}); virtual ports need ALSA, JACK or Core MIDI, which this "
                "computer may not have"
            )
            why = why if virtual else f"opened ({_says(e)})"
            raise OutputError(f"the port '{name}' can't be {why}") from None


@contextlib.contextmanager
def open_input(name: str, receive: Callable[[bytes], None]) -> Iterator[str]:
    """Open a port that gives messages, by its name or a part of it; its full name.

    Parameters
    ----------
    name : str
    receive : callable
        Takes each message at once, in another thread.

    Raises
    ------
    InputError
        There is no such port; the message lists the ports.
    OutputError
        It can't be opened.
    """
    backend = _backend()
    name = full_name(name, inputs=True)
    with quiet():
        try:
            port = backend.open_input(name, callback=lambda m: receive(bytes(m.bytes())))
        except Exception as e:
            raise OutputError(f"the port '{name}' can't be opened ({_says(e)})") from None
    try:
        yield name
    finally:
        with contextlib.suppress(Exception):
            port.close()


def full_name(name: str, *, inputs: bool = False) -> str:
    """The name of the port that a part of its name means.

    Raises
    ------
    InputError
        There is no such port, or there are several; the message lists the ports.
    """
    known = list_ports(inputs=inputs)
    near = [name] if name in known else [p for p in known if name.casefold() in p.casefold()]
    if len(near) == 1:
        return near[0]
    listed = ", ".join(f"'{p}'" for p in known)
    hint = ""
    if not known:
        what = f"there is no port '{name}', and no other"
        hint = "connect a keyboard or pedal"
        hint = hint if inputs else "connect an instrument, or create a port with {virtual}"
    elif near:
        what = f"'{name}' matches several ports; one of: {listed}"
    else:
        what = f"there is no port '{name}'{close_matches(name, known)}; there are: {listed}"
    raise InputError(what, key="input" if inputs else "port", hint=hint)

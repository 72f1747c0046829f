"""A backend for mido on rtmidi2, for Pythons that python-rtmidi has no wheels for."""

from __future__ import annotations

from typing import Any

from mido import Message
from mido.ports import BaseInput, BaseOutput

__all__ = ["Input", "Output", "get_devices"]


def get_devices(**_: Any) -> list[dict[str, Any]]:
    """The ports, in the form that mido expects."""
    import rtmidi2

    inputs, outputs = list(rtmidi2.get_in_ports()), list(rtmidi2.get_out_ports())
    return [
        {"name": name, "is_input": name in inputs, "is_output": name in outputs}
        for name in dict.fromkeys(inputs + outputs)
    ]


class Input(BaseInput):  # type: ignore[misc]
    """An input port that calls `callback` with each message."""

    def _open(self, callback: Any = None, **_: Any) -> None:
        import rtmidi2

        self._in = rtmidi2.MidiIn()
        names = list(self._in.ports)
        if self.name not in names:
            raise OSError(f"unknown port {self.name!r}")
        # the library leaves out clocks unless it is told otherwise
        self._in.ignore_types(True, False, True)
        self._in.callback = lambda data, _: callback(Message.from_bytes(data))
        self._in.open_port(names.index(self.name))

    def _receive(self, block: bool = True) -> None:
        raise OSError("messages go to the callback")

    def _close(self) -> None:
        self._in.close_port()


class Output(BaseOutput):  # type: ignore[misc]
    """An output port."""

    def _open(self, virtual: bool = False, **_: Any) -> None:
        import rtmidi2

        self._out = rtmidi2.MidiOut()
        if virtual:
            self._out.open_virtual_port(self.name)
            return
        names = list(self._out.ports)
        if self.name not in names:
            raise OSError(f"unknown port {self.name!r}")
        self._out.open_port(names.index(self.name))

    def _send(self, message: Any) -> None:
        self._out.send_raw(*message.bytes())

    def _close(self) -> None:
        self._out.close_port()

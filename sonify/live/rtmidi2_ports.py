"""A backend for mido on rtmidi2, for Pythons that python-rtmidi has no wheels for."""

from __future__ import annotations

from typing import Any

from mido.ports import BaseOutput

__all__ = ["Output", "get_devices"]


def get_devices(**_: Any) -> list[dict[str, Any]]:
    """The ports, in the form that mido expects."""
    import rtmidi2

    inputs, outputs = list(rtmidi2.get_in_ports()), list(rtmidi2.get_out_ports())
    return [
        {"name": name, "is_input": name in inputs, "is_output": name in outputs}
        for name in dict.fromkeys(inputs + outputs)
    ]


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

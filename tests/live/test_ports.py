"""Ports: listed, found by a part of their name, missing, and where there is no MIDI at all."""

from __future__ import annotations

import sys
from types import ModuleType

import pytest

from sonify.live import ports
from tests.live.loopback import NAME, PEDAL


@pytest.fixture
def loopback(monkeypatch):
    monkeypatch.setenv("MIDO_BACKEND", "tests.live.loopback")


def test_list_ports(run, loopback):
    result = run("play", "--list-ports")
    assert result.status == 0
    assert result.out.splitlines() == [NAME, "Ridge Module 1"]


def test_list_inputs(run, loopback):
    assert run("play", "--list-inputs").out.splitlines() == [PEDAL]


def test_no_such_port_lists_those_there_are(run, loopback):
    result = run("play", "cairn-small", "--port", "Valey Synth X")
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert NAME in result.err
    assert "Ridge Module 1" in result.err
    assert "did you mean Valley Synth" in result.err


def test_a_part_of_several_names_is_not_enough(run, loopback):
    result = run("play", "cairn-small", "--port", "e")
    assert result.status == 2
    assert "several" in result.err


def test_no_ports_at_all(run, monkeypatch):
    empty = ModuleType("empty_ports")
    empty.get_devices = lambda **_: []  # type: ignore[attr-defined]
    empty.Output = object  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "empty_ports", empty)
    monkeypatch.setenv("MIDO_BACKEND", "empty_ports")
    result = run("play", "cairn-small", "--port", "x")
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert "and no other" in result.err
    listed = run("play", "--list-ports")
    assert (listed.status, listed.out) == (0, "")
    assert "no MIDI ports" in listed.err


def test_no_midi_system(run, monkeypatch):
    broken = ModuleType("broken_ports")

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("error creating sequencer client object.\nmore of it")

    broken.get_devices = fail  # type: ignore[attr-defined]
    broken.Output = fail  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "broken_ports", broken)
    monkeypatch.setenv("MIDO_BACKEND", "broken_ports")
    calls = (
        ("--list-ports",),
        ("cairn-small", "--port", "x"),
        ("cairn-small", "--virtual", "x"),
    )
    for args in calls:
        result = run("play", *args)
        assert result.status == 1
        assert result.err.count("\n") == 1
        assert "sequencer client" in result.err


@pytest.mark.parametrize(
    ("args", "part"),
    [
        ((), "give a disc file"),
        (("cairn-small", "--clock"), "--port"),
        (("cairn-small", "--port", "a", "--virtual", "b"), "not both"),
        (("cairn-small", "--from-row", "77", "--port", NAME), "no row 77"),
        (("cairn-small", "--from-row", "0"), "no row 0"),
    ],
)
def test_calls_that_make_no_sense(run, loopback, args, part):
    result = run("play", *args)
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert part in result.err


def test_the_second_library_serves_where_the_first_is_missing(monkeypatch):
    sent = []

    class MidiOut:
        ports = ("Brook 1", "Brook 2")

        def open_port(self, number: int) -> None:
            sent.append(("open", number))

        def open_virtual_port(self, name: str) -> None:
            sent.append(("make", name))

        def send_raw(self, *data: int) -> None:
            sent.append(data)

        def close_port(self) -> None:
            sent.append("close")

    class MidiIn:
        ports = ("In",)
        callback = None

        def ignore_types(self, sysex: bool, time: bool, sense: bool) -> None:
            sent.append(("without", sysex, time, sense))

        def open_port(self, number: int) -> None:
            sent.append(("in", number))
            # the library gives a message as a list, with the time since the last one
            self.callback([0xB0, 64, 127], 0.25)
            self.callback([0xF8], 0.02)

        def close_port(self) -> None:
            sent.append("in closed")

    fake = ModuleType("rtmidi2")
    fake.MidiOut, fake.MidiIn = MidiOut, MidiIn  # type: ignore[attr-defined]
    fake.get_in_ports = lambda: ["In"]  # type: ignore[attr-defined]
    fake.get_out_ports = lambda: list(MidiOut.ports)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "rtmidi2", fake)
    monkeypatch.delenv("MIDO_BACKEND", raising=False)
    monkeypatch.setattr(
        "importlib.util.find_spec", lambda name: object() if name == "rtmidi2" else None
    )
    assert ports.list_ports() == ["Brook 1", "Brook 2"]
    port = ports.open_port("2")
    port.send(b"\x90\x3c\x40")
    port.send(b"\xf8")
    port.close()
    made = ports.open_port("Cairn", virtual=True)
    made.close()
    assert sent == [("open", 1), (0x90, 0x3C, 0x40), (0xF8,), "close", ("make", "Cairn"), "close"]
    sent.clear()
    assert ports.list_ports(inputs=True) == ["In"]
    with ports.open_input("in", sent.append) as name:
        assert name == "In"
    assert sent.pop(0) == ("without", True, False, True)
    assert sent == [("in", 0), b"\xb0\x40\x7f", b"\xf8", "in closed"]
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(ports.OutputError, match="no library for MIDI ports"):
        ports.list_ports()

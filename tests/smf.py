"""A plain reader of Standard MIDI Files, byte by byte, for the tests.

Written from Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association); `test_midi.py` holds
it against that document's own examples before it is used on anything else.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Event:
    tick: int
    status: int
    kind: int | None  # of a meta event
    data: bytes


@dataclass
class File:
    format: int
    division: int
    tracks: list[list[Event]]


def quantity(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for n in range(4):
        byte = data[at + n]
        value = value << 7 | byte & 0x7F
        if not byte & 0x80:
            return value, at + n + 1
    raise AssertionError("a quantity of more than four bytes")


def parse(data: bytes) -> File:
    assert data[:4] == b"MThd"
    assert int.from_bytes(data[4:8], "big") == 6
    form, count, division = (int.from_bytes(data[k : k + 2], "big") for k in (8, 10, 12))
    at, tracks = 14, []
    for _ in range(count):
        assert data[at : at + 4] == b"MTrk"
        end = at + 8 + int.from_bytes(data[at + 4 : at + 8], "big")
        tracks.append(_track(data, at + 8, end))
        at = end
    assert at == len(data)
    return File(form, division, tracks)


def _track(data: bytes, at: int, end: int) -> list[Event]:
    out: list[Event] = []
    tick, running = 0, 0
    while at < end:
        delta, at = quantity(data, at)
        tick += delta
        status = data[at]
        if status == 0xFF:
            kind = data[at + 1]
            size, at = quantity(data, at + 2)
            out.append(Event(tick, 0xFF, kind, data[at : at + size]))
            at += size
            running = 0
            continue
        if status & 0x80:
            running = status
            at += 1
        assert running & 0x80, "data bytes without a status"
        size = 1 if running & 0xF0 in (0xC0, 0xD0) else 2
        body = data[at : at + size]
        assert all(b < 0x80 for b in body)
        out.append(Event(tick, running, None, body))
        at += size
    assert at == end
    assert out[-1].status == 0xFF
    assert out[-1].kind == 0x2F
    assert sum(e.status == 0xFF and e.kind == 0x2F for e in out) == 1
    return out


def notes(track: list[Event]) -> list[tuple[int, int, int, int, int]]:
    """(on, off, channel, pitch, velocity) of a track; a pitch never starts while it sounds."""
    sounding: dict[tuple[int, int], tuple[int, int]] = {}
    out = []
    for e in track:
        form, channel = e.status & 0xF0, e.status & 0x0F
        if form == 0x90 and e.data[1]:
            assert (channel, e.data[0]) not in sounding
            sounding[channel, e.data[0]] = e.tick, e.data[1]
        elif form in (0x80, 0x90):
            on, velocity = sounding.pop((channel, e.data[0]))
            out.append((on, e.tick, channel, e.data[0], velocity))
    assert not sounding
    return sorted(out)

"""A plain reader of Standard MIDI Files, byte by byte, for the tests.

Written from Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association); `test_midi.py` holds
it against that document's own examples before it is used on anything else.
"""

from __future__ import annotations

from dataclasses import dataclass

# the specification's example of format 0: three channels in one track, 96 ticks a quarter
FORMAT_0 = bytes.fromhex("""
4D 54 68 64 00 00 00 06 00 00 00 01 00 60
4D 54 72 6B 00 00 00 3B
00 FF 58 04 04 02 18 08
00 FF 51 03 07 A1 20
00 C0 05
00 C1 2E
00 C2 46
00 92 30 60
00 3C 60
60 91 43 40
60 90 4C 20
81 40 82 30 40
00 3C 40
00 81 43 40
00 80 4C 40
00 FF 2F 00
""")

# the same piece as its example of format 1: a tempo track and three tracks of music
FORMAT_1 = bytes.fromhex("""
4D 54 68 64 00 00 00 06 00 01 00 04 00 60
4D 54 72 6B 00 00 00 14
00 FF 58 04 04 02 18 08
00 FF 51 03 07 A1 20
83 00 FF 2F 00
4D 54 72 6B 00 00 00 10
00 C0 05
81 40 90 4C 20
81 40 4C 00
00 FF 2F 00
4D 54 72 6B 00 00 00 0F
00 C1 2E
60 91 43 40
82 20 43 00
00 FF 2F 00
4D 54 72 6B 00 00 00 15
00 C2 46
00 92 30 60
00 3C 60
83 00 30 00
00 3C 00
00 FF 2F 00
""")


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

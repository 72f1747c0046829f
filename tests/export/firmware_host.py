"""Runs the generated C on this computer, and what it should have done."""

from __future__ import annotations

import io
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import sonify
from sonify.export.firmware import plan_of
from sonify.export.firmware.write import firmware_files
from tests.lamps import states_at

HERE = Path(__file__).parent
STRICT = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror"]
SANITIZE = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g"]
RECORD = np.dtype([("event", "<u4"), ("kind", "u1"), ("a", "u1"), ("b", "<u2")])
LAMP, BYTE, MESSAGE, TEXT, END = 1, 2, 3, 4, 5
COLOUR = 9


def put(show: sonify.Performance, folder: Path, text: int | None = None) -> Path:
    """The folder as `sonify firmware` makes it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in firmware_files(plan_of(show, text)).items():
        (folder / name).write_text(content, encoding="utf-8")
    return folder


def build(show: sonify.Performance, folder: Path, *flags: str, text: int | None = None) -> Path:
    """The driver and the core as a program."""
    put(show, folder, text)
    program = folder / "driver"
    sources = folder / "player.c", folder / "player_tables.c", HERE / "firmware_driver.c"
    # one run of the compiler takes a fifth less than three; others compile them one by one
    whole = folder / "whole.c"
    whole.write_text("".join(f'#include "{source}"\n' for source in sources), encoding="utf-8")
    subprocess.run(
        ["gcc", *STRICT, *flags, f"-I{folder}", str(whole), "-o", str(program)],
        check=True,
        capture_output=True,
        text=True,
    )
    return program


def run(program: Path, events: bytes) -> np.ndarray:
    """The records that the core's calls left."""
    done = subprocess.run([str(program)], input=events, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()[:2000]
    return np.frombuffer(done.stdout, RECORD)


def schedule(
    show: sonify.Performance, told: bool = True, start: float = 0.37, tail: float = 0.0
) -> tuple[bytes, np.ndarray]:
    """The events of an exact machine, and the time of each in ms from the first position on.

    The first position comes `start` ms after a millisecond; with `told`, the clock holes between
    rows are told too. It knows its last row, and says so at once, or (`told`, and no voice sounds
    between rows) when that is over.
    """
    t = show.timeline
    bits = show.bit_stream.bits.reshape(t.rows, t.positions)
    slot_ms = 1000 * t.position_s
    last = float((show.notes["onset_s"] + show.notes["duration_s"]).max(initial=0.0))
    faded = float(show.lights["time_s"].max(initial=0.0))
    end = max(show.duration_s, last, faded) * 1000 + tail + 2000
    ticks = np.arange(1, int(end) + 1)
    times, order, codes = [ticks.astype(float)], [np.zeros(len(ticks))], [b"." * len(ticks)]
    for r in range(t.rows):
        first = int(t.row_slot[r])
        slots = first + np.arange(t.positions)
        times.append(start + slots * slot_ms)
        order.append(np.full(len(slots), 1.0))
        codes.append(bytes(b"?01"[b + 1] for b in bits[r].tolist()))
        times.append(start + slots[-1:] * slot_ms)
        order.append(np.full(1, 2.0))
        codes.append(b"r")
        if told and r + 1 < t.rows:
            between = np.arange(first + t.positions, int(t.row_slot[r + 1]))
            times.append(start + between * slot_ms)
            order.append(np.full(len(between), 1.0))
            codes.append(b"-" * len(between))
    between_rows = any(
        v.source in ("row-changes", "row-end-chords") or "vamp" in str(v.rhythm)
        for v in show.setup.music.voice
    )
    over = t.end_slot if told and not between_rows else t.end_slot - 0.9
    times.append(np.array([start + over * slot_ms]))
    order.append(np.full(1, 1.0))
    codes.append(b"e")
    time, rank = np.concatenate(times), np.concatenate(order)
    code = np.frombuffer(b"".join(codes), np.uint8)
    # at one moment the millisecond comes first
    by = np.lexsort((rank, np.round(time, 6)))
    return code[by].tobytes(), np.concatenate([[0.0], time[by]]) - start


def _columns(records: np.ndarray, when: np.ndarray) -> Iterator[tuple[float, int, int]]:
    """The times, the larger and the smaller argument of each: lists are walked soonest."""
    return zip(
        when[records["event"]].tolist(), records["b"].tolist(), records["a"].tolist(), strict=True
    )


def messages(records: np.ndarray, when: np.ndarray) -> list[tuple[float, bytes]]:
    """MIDI messages with their times in ms."""
    out: list[tuple[float, bytes]] = []
    held = b""
    for time, _, byte in _columns(records[records["kind"] == BYTE], when):
        held = bytes([byte]) if byte & 0x80 else held + bytes([byte])
        if len(held) == (2 if held[0] & 0xF0 == 0xC0 else 3):
            out.append((time, held))
            held = b""
    assert not held
    return out


def expected_messages(show: sonify.Performance) -> list[tuple[int, float, bytes]]:
    """The MIDI file's channel messages, read by mido: tick, ms, bytes; note-offs first."""
    import mido

    from sonify.export.midi import midi_bytes

    data = b"".join(midi_bytes(show))
    file = mido.MidiFile(file=io.BytesIO(data))
    tick_ms = 1000 * show.grid.tick_s(show.timeline.position_s)
    out = []
    for n, track in enumerate(file.tracks):
        tick = 0
        for message in track:
            tick += message.time
            if not message.is_meta:
                raw = bytes(message.bytes())
                rank = {0xB0: 0, 0xC0: 0, 0x80: 1, 0xE0: 2, 0x90: 3}[raw[0] & 0xF0]
                out.append((tick, rank, n, tick * tick_ms, raw))
    out.sort(key=lambda m: m[:3])
    # the machine bends a channel before its first note that needs it, and has no end
    bend: dict[int, bytes] = {}
    sent: dict[int, bytes] = {}
    told = []
    for tick, rank, _, when, raw in out:
        c = raw[0] & 15
        if rank == 2:
            bend[c] = raw
            continue
        none = bytes((0xE0 | c, 0, 64))
        if rank == 3 and bend.get(c, none) != sent.get(c, none):
            sent[c] = bend[c]
            told.append((tick * 4 + 2, when, bend[c]))
        if not (rank == 0 and raw[1] == 121):
            told.append((tick * 4 + rank, when, raw))
    return told


def compare_midi(show: sonify.Performance, records: np.ndarray, when: np.ndarray) -> float:
    """The greatest error in ms; the same messages in the same order on each channel.

    Between channels no order is given at one tick: the tracks of a file of format 1 are played at
    once (Standard MIDI Files 1.0, RP-001).
    """
    got, want = messages(records, when), expected_messages(show)
    assert len(got) == len(want), (len(got), len(want), got[:3], want[:3])
    worst = 0.0
    for channel in range(16):
        mine = [m for m in got if m[1][0] & 15 == channel]
        meant = [m for m in want if m[2][0] & 15 == channel]
        worst = max(worst, _compare_channel(mine, meant))
    return worst


def _compare_channel(got: list[tuple[float, bytes]], want: list[tuple[int, float, bytes]]) -> float:
    assert len(got) == len(want), (len(got), len(want), got[:3], want[:3])
    worst = 0.0
    at = 0
    while at < len(want):
        end = at + 1
        while end < len(want) and want[end][0] == want[at][0]:
            end += 1
        group = sorted(m[1] for m in got[at:end])
        assert group == sorted(m[2] for m in want[at:end]), (at, got[at:end], want[at:end])
        for time, raw in got[at:end]:
            if raw[0] & 0xF0 in (0x80, 0x90):
                worst = max(worst, abs(time - want[at][1]))
        at = end
    return worst


def lights_as_read(show: sonify.Performance) -> np.ndarray:
    """The lights, where notes that others cover count: the core does not know of it yet."""
    from unittest import mock

    bounds = show.lamp_bits.bounds(show.setup.light)
    with (
        mock.patch("sonify.music.notes.without_overlaps", side_effect=list),
        mock.patch("sonify.light.colours.Bits.bounds", return_value=bounds),
    ):
        return sonify.perform(show.disc, setup=show.setup).lights


def ageing_slack_ms(show: sonify.Performance) -> float:
    """How far ages may be off: they are rounded to 2^-14 of the longest and to ticks."""
    from sonify.light.colours import ages

    older = [age.after_s for age in ages(show.setup.light, show.setup.player.turn_s)]
    if not older:
        return 0.0
    return 1000 * (2 * np.diff([0.0, *older]).max() / 2**14 + 0.5 * show.tick_s)


def compare_lights(show: sonify.Performance, records: np.ndarray, when: np.ndarray) -> float:
    """The greatest error in ms of a lamp's level; an assertion where levels differ."""
    changes = records[records["kind"] == LAMP]
    want = without_colours(lights_as_read(show))
    if show.scroll is not None:
        lamps, start_s = show.setup.player.matrix.lamps, show.scroll.start_s
        want = want[want["time_s"] < start_s]
        before = states_at(want, np.array([start_s]), lamps)[0]
        want = np.concatenate([want, show.scroll.lights(before)])
    got: dict[int, list[tuple[float, int]]] = {}
    meant: dict[int, list[tuple[float, int]]] = {}
    for time, lamp, level in _columns(changes, when):
        got.setdefault(lamp, []).append((time, level))
    columns = (1000 * want["time_s"], want["led"], want["level"])
    for time, lamp, level in zip(*(c.tolist() for c in columns), strict=True):
        meant.setdefault(lamp, []).append((time, level))
    if not (show.setup.light.velocity or show.setup.light.trail):
        # each call is a change
        assert len(changes) == len(want), (len(changes), len(want))
    return _compare_lamps(got, meant, 0) - ageing_slack_ms(show)


def without_colours(lights: np.ndarray) -> np.ndarray:
    """The lights without changes of colour alone."""
    now: dict[int, int] = {}
    keep = []
    for lamp, level in zip(lights["led"].tolist(), lights["level"].tolist(), strict=True):
        keep.append(now.get(lamp, 0) != level)
        now[lamp] = level
    return lights[np.array(keep, bool)]


def compare_colours(show: sonify.Performance, records: np.ndarray, when: np.ndarray) -> float:
    """The greatest error in ms of what lamps show while the disc is read: dark or a colour."""
    from sonify.light.colours import palette_of

    look = show.setup.light
    colours = [int(c[3:5], 16) for c in (look.lamp, *palette_of(look))]
    assert len(set(colours)) == len(colours)
    lights = lights_as_read(show)
    end = 1000 * show.message_s if show.scroll is not None else float(when[-1])
    want: dict[int, list[tuple[float, int]]] = {}
    for one in lights:
        if 1000 * one["time_s"] < end - 2:
            shown = colours[one["hue"]] if one["level"] else -1
            want.setdefault(int(one["led"]), []).append((1000 * float(one["time_s"]), shown))
    got: dict[int, list[tuple[float, int]]] = {}
    lit: dict[int, int] = {}
    colour: dict[int, int] = {}
    of_lamps = records[(records["kind"] == LAMP) | (records["kind"] == COLOUR)]
    for kind, (time, lamp, value) in zip(
        of_lamps["kind"].tolist(), _columns(of_lamps, when), strict=True
    ):
        if time >= end - 2:
            continue
        (lit if kind == LAMP else colour)[lamp] = value
        got.setdefault(lamp, []).append((time, colour[lamp] if lit.get(lamp) else -1))
    return _compare_lamps(got, want, -1) - ageing_slack_ms(show)


Shown = dict[int, list[tuple[float, int]]]


def _compare_lamps(got: Shown, want: Shown, dark: int) -> float:
    worst = 0.0
    for lamp in want.keys() | got.keys():
        # what is seen for a millisecond by the one may be seen for two by the other
        for least in (1.0, 2.5):
            mine, theirs = (_changes(x.get(lamp, []), dark, least) for x in (got, want))
            if [c for _, c in mine] == [c for _, c in theirs]:
                break
        else:
            raise AssertionError(lamp, mine[:9], theirs[:9])
        worst = max([worst, *(abs(a - b) for (a, _), (b, _) in zip(mine, theirs, strict=True))])
    return worst


def _changes(shown: list[tuple[float, int]], dark: int, least: float) -> list[tuple[float, int]]:
    """Only changes, and only what is seen for longer than `least` ms."""
    shown = _unlike(shown, dark)
    ends = [*(time for time, _ in shown[1:]), np.inf]
    return _unlike(
        [one for one, end in zip(shown, ends, strict=True) if end - one[0] > least], dark
    )


def _unlike(shown: list[tuple[float, int]], dark: int) -> list[tuple[float, int]]:
    before = [dark, *(c for _, c in shown[:-1])]
    return [one for one, old in zip(shown, before, strict=True) if one[1] != old]


def said(records: np.ndarray) -> tuple[bytes, int]:
    """The message that the core handed over, and its state."""
    state = records[records["kind"] == MESSAGE]
    assert len(state) == 1
    return bytes(records["a"][records["kind"] == TEXT].tolist()), int(state["a"][0])

"""The notes of a score as they are written: in note values, staff by staff and bar by bar.

Rules that affect only how notes are played (swing, humanising, a gate under 1) are left out, so
that a swung eighth is written as an eighth. Drum strokes have no length of their own; they last to
the next one or the end of their beat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import accumulate, pairwise
from math import lcm
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from sonify.music.notes import Part, make_parts
from sonify.music.voices import rules_of

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Event", "Piece", "Staff", "Value", "beams", "beat_groups", "pieces", "staves", "values"]

Time = Fraction
_SPLITS = (1, 2, 3, 4, 6, 8, 12)


@dataclass(frozen=True)
class Event:
    """One note or chord: when it begins and how long it lasts, in quarter notes, and its pitches
    as MIDI note numbers (a fraction is a fraction of a semitone)."""

    start: Time
    length: Time
    pitches: tuple[float, ...]


@dataclass(frozen=True)
class Staff:
    """One voice of the score.

    Attributes
    ----------
    number : int
        Of the voice, from 0.
    name : str
    program : int
        0 to 127.
    channel : int
        0 to 15.
    drum : bool
    events : list of Event
        In the order of starts; none overlaps the next.
    marks : tuple of str
        Words on how to play: "swing", "staccato", "strum".
    """

    number: int
    name: str
    program: int
    channel: int
    drum: bool
    events: list[Event]
    marks: tuple[str, ...]


def staves(show: Performance) -> list[Staff]:
    """The voices of a performance as they are written; voices without notes are left out."""
    music = show.setup.music
    plain = []
    for voice in music.voice:
        rules = (voice.rhythm,) if isinstance(voice.rhythm, str) else voice.rhythm
        kinds = rules_of(voice, "music.voice")
        kept = tuple(given for given, r in zip(rules, kinds, strict=True) if r.written())
        plain.append(msgspec.structs.replace(voice, rhythm=kept))
    # let the performance itself report errors in the settings
    _ = show.parts
    meant = msgspec.structs.replace(music, voice=tuple(plain), concert_pitch=440.0)
    parts = make_parts(meant, show.bit_stream, show.grid, show.setup.note)
    return [_staff(p, show.parts[p.number], show) for p in parts if len(p)]


def _staff(part: Part, played: Part, show: Performance) -> Staff:
    step, drum = show.grid.step_ticks, part.voice.drum is not None
    unit = _unit(part, step)
    quarter = Fraction(step, unit) / show.grid.ticks_per_quarter
    on = np.rint(part.on * unit / step).astype(np.int64)
    off = np.maximum(np.rint(part.off * unit / step).astype(np.int64), on + 1)
    events: list[Event] = []
    first = np.flatnonzero(np.diff(on, prepend=on[0] - 1))
    for a, b in pairwise([*first.tolist(), len(on)]):
        start, stop = int(on[a]) * quarter, int(off[a:b].max()) * quarter
        if drum:
            stop = _beat_end(start, show.grid.metre)
        if b < len(on):
            stop = min(stop, int(on[b]) * quarter)
        events.append(Event(start, stop - start, tuple(sorted(set(part.pitch[a:b].tolist())))))
    marks = [rule.mark() for rule in rules_of(played.voice, "voice")]
    written = tuple(dict.fromkeys(mark for mark in marks if mark))
    return Staff(part.number, part.name, part.program, part.channel, drum, events, written)


def _unit(part: Part, step: int) -> int:
    """The number of parts into which a step is divided so that every note begins on one."""
    for split in _SPLITS:
        # ticks are whole, so thirds of an odd step may be half a tick off
        size = step / split
        if (np.abs(part.on - np.rint(part.on / size) * size) <= 0.75).all():
            return split
    return 2


@dataclass(frozen=True)
class Piece:
    """A part of a note or rest that one symbol can write.

    Attributes
    ----------
    bar : int
    offset, length : Fraction
        In quarter notes, the offset from the bar's start.
    """

    bar: int
    offset: Time
    length: Time


def beat_groups(metre: tuple[int, int]) -> tuple[int, ...]:
    """How the beats of a bar are grouped, in beats: 6/8 is 3 + 3, 7/8 is 2 + 2 + 3."""
    beats, value = metre
    if value <= 4 or beats <= 3:
        return (1,) * beats if value <= 4 else (beats,)
    if beats % 3 == 0:
        return (3,) * (beats // 3)
    size = 4 if value >= 16 and beats > 7 else 2
    whole, rest = divmod(beats, size)
    if rest == 1:
        return (*[size] * (whole - 1), size + 1)
    return (*[size] * whole, rest) if rest else (size,) * whole


_WHOLE = Fraction(4)
_PLAIN = sorted([_WHOLE / 2**k for k in range(9)] + [_WHOLE * 3 / 2**k for k in range(1, 8)])[::-1]


def _edges(metre: tuple[int, int]) -> list[Time]:
    """Where the groups of beats of a bar begin, and its end, in quarter notes."""
    beat = Fraction(4, metre[1])
    return [n * beat for n in accumulate(beat_groups(metre), initial=0)]


def _beat_end(start: Time, metre: tuple[int, int]) -> Time:
    edges = _edges(metre)
    bar = start // edges[-1] * edges[-1]
    return bar + next(e for e in edges if e > start - bar)


def _odd(value: Time) -> int:
    """The odd part of a denominator: over 1 if only a tuplet can write the value."""
    return value.denominator // (value.denominator & -value.denominator)


@lru_cache(maxsize=65536)
def _in_bar(start: Time, end: Time, metre: tuple[int, int]) -> tuple[tuple[Time, Time], ...]:
    """Offsets and lengths of symbols from `start` to `end` of a bar that make its beats visible."""
    edges = _edges(metre)
    out = []
    at = start
    while at < end:
        after = next(e for e in edges if e > at)
        room = min(end, after) - at
        if _odd(room) > 1 or _odd(at) > 1:
            # the longest symbol of a tuplet that fits in the rest of a beat
            odd = max(_odd(value) for value in (at, room, after - at))
            fit = [s for s in (Fraction(2) ** k / odd for k in range(4, -6, -1)) if s <= room]
        elif at in edges:
            fit = [v for v in _PLAIN if at + v <= end and (at + v in edges or v <= room)]
        else:
            fit = [v for v in _PLAIN if v <= room]
        length = fit[0] if fit else room
        out.append((at, length))
        at += length
    return tuple(out)


def pieces(start: Time, end: Time, metre: tuple[int, int]) -> list[Piece]:
    """The symbols for a note or rest from `start` to `end`, split at bar lines and beats."""
    bar_length = Fraction(4 * metre[0], metre[1])
    out = []
    at = start
    while at < end:
        bar = at // bar_length
        left = bar * bar_length
        stop = min(end, left + bar_length)
        out += [Piece(int(bar), o, n) for o, n in _in_bar(at - left, stop - left, metre)]
        at = stop
    return out


class Value(NamedTuple):
    """How a symbol is written: `actual` notes in the time of `normal` ones of the type `unit` if it
    belongs to a tuplet, which it may start or stop; without a type where no symbol has its length.
    """

    type: str
    dots: int
    actual: int = 1
    normal: int = 1
    unit: str = ""
    bracket: str = ""


_NAMES = (
    "1024th", "512th", "256th", "128th", "64th", "32nd", "16th", "eighth", "quarter", "half",
    "whole", "breve",
)  # fmt: skip
_TYPES = {Fraction(2) ** k: name for k, name in enumerate(_NAMES, start=-8)}
"""MusicXML's names of note values by their length in quarter notes."""
_DOTTED = {v * (2 - Fraction(1, 2**k)): (v, k) for v in _TYPES for k in range(3)}


def values(symbols: Sequence[Piece]) -> list[Value]:
    """How the symbols of a bar are written."""
    out: list[Value] = []
    begin = 0
    for k, one in enumerate(symbols):
        if _odd(one.offset + one.length) > 1 and k + 1 < len(symbols):
            continue
        # a tuplet ends where only whole note values have passed
        out += _tuplet([s.length for s in symbols[begin : k + 1]])
        begin = k + 1
    return out


def _tuplet(lengths: Sequence[Time]) -> list[Value]:
    odd = lcm(*map(_odd, lengths))
    # as 3 in the time of 2, 5 in that of 4
    normal = 1 << (odd.bit_length() - 1)
    found = [_DOTTED.get(v * odd / normal) for v in lengths]
    unit = _TYPES[min(f[0] for f in found if f)] if any(found) else ""
    marks = ["start", *[""] * (len(lengths) - 2), "stop"] if odd > 1 else [""] * len(lengths)
    return [
        Value(_TYPES[f[0]] if f else "", f[1] if f else 0, odd, normal, unit, mark)
        for f, mark in zip(found, marks, strict=True)
    ]


def beams(
    symbols: Sequence[Piece], notes: Sequence[bool], metre: tuple[int, int]
) -> list[list[str]]:
    """The beams of each symbol of a bar, outermost first, in MusicXML's words.

    Notes shorter than a quarter that follow each other within a group of beats have beams.
    """
    edges = _edges(metre)
    groups = [max(e for e in edges if e <= one.offset) for one in symbols]
    flags = [
        max(0, _NAMES.index("quarter") - _NAMES.index(value.type)) if note and value.type else 0
        for value, note in zip(values(symbols), notes, strict=True)
    ]
    out: list[list[str]] = []
    for k, one in enumerate(symbols):
        near = [n for n in (k - 1, k + 1) if 0 <= n < len(flags) and groups[n] == groups[k]]
        before, after = (flags[n] if n in near else 0 for n in (k - 1, k + 1))
        # a lone beam points to what makes up a longer note with it
        ahead = not before or (after > 0 and one.offset / one.length % 2 == 0)
        hook = "forward hook" if ahead else "backward hook"
        kinds = {(1, 1): "continue", (0, 1): "begin", (1, 0): "end", (0, 0): hook}
        levels = range(1, flags[k] + 1 if before or after else 1)
        out.append([kinds[before >= level, after >= level] for level in levels])
    return out

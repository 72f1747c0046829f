"""The notes of a score: what is meant, in note values, staff by staff and bar by bar.

Rules that shape the playing and not the writing (swing, humanising, a gate under 1) are left out,
so that a swung eighth is written as an eighth. Drum strokes have no length of their own; they are
written up to the next one or the end of their beat.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from sonify.music.notes import Part, make_parts, rules_of

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Event", "Piece", "Staff", "beat_groups", "pieces", "staves"]

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
    name : str
    program : int
        0 to 127.
    channel : int
        0 to 15.
    drum : bool
    events : list of Event
        In the order of starts; none overlaps the next.
    marks : tuple of str
        Words for the playing: "swing", "staccato", "strum".
    """

    name: str
    program: int
    channel: int
    drum: bool
    events: list[Event]
    marks: tuple[str, ...]


def staves(show: Performance) -> list[Staff]:
    """The voices of a performance as they are meant; voices without notes are left out."""
    music = show.setup.music
    plain = []
    for voice in music.voice:
        rules = (voice.rhythm,) if isinstance(voice.rhythm, str) else voice.rhythm
        kinds = rules_of(voice, "music.voice")
        kept = tuple(given for given, r in zip(rules, kinds, strict=True) if r.written())
        plain.append(msgspec.structs.replace(voice, rhythm=kept))
    # errors in the settings are those of the performance itself
    _ = show.parts
    meant = msgspec.structs.replace(music, voice=tuple(plain), concert_pitch=440.0)
    parts = make_parts(meant, show.bit_stream, show.grid)
    return [_staff(p, show.parts[p.number], show) for p in parts if len(p)]


def _staff(part: Part, played: Part, show: Performance) -> Staff:
    step = show.grid.step_ticks
    unit = _unit(part, step)
    quarter = Fraction(step, unit) / show.grid.ticks_per_quarter
    on = np.rint(part.on * unit / step).astype(np.int64)
    off = np.maximum(np.rint(part.off * unit / step).astype(np.int64), on + 1)
    events: list[Event] = []
    first = np.flatnonzero(np.diff(on, prepend=on[0] - 1))
    bounds = [*first.tolist(), len(on)]
    for k, (a, b) in enumerate(pairwise(bounds)):
        end = int(off[a:b].max())
        if k + 2 < len(bounds):
            end = min(end, int(on[b]))
        pitches = tuple(sorted(set(part.pitch[a:b].tolist())))
        start, stop = int(on[a]) * quarter, end * quarter
        if part.voice.drum is not None:
            stop = _beat_end(start, show.grid.metre)
            if k + 2 < len(bounds):
                stop = min(stop, int(on[b]) * quarter)
        events.append(Event(start, stop - start, pitches))
    return Staff(
        part.name, part.program, part.channel, part.voice.drum is not None, events,
        _marks(played),
    )  # fmt: skip


def _unit(part: Part, step: int) -> int:
    """Into how many parts a step is cut so that all notes begin on one; ends are rounded."""
    for split in _SPLITS:
        # ticks are whole, so that thirds of an odd step may be half a tick off
        size = step / split
        if (np.abs(part.on - np.rint(part.on / size) * size) <= 0.75).all():
            return split
    return 2


def _marks(played: Part) -> tuple[str, ...]:
    marks = (rule.mark() for rule in rules_of(played.voice, "voice"))
    return tuple(dict.fromkeys(m for m in marks if m))


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
    groups = [size] * (beats // size)
    rest = beats % size
    if rest == 1:
        groups[-1] += 1
    elif rest:
        groups.append(rest)
    return tuple(groups)


_PLAIN = tuple(
    sorted(
        {Fraction(4, 2**k) for k in range(9)} | {Fraction(4, 2**k) * 3 / 2 for k in range(7)},
        reverse=True,
    )
)


def _edges(metre: tuple[int, int]) -> list[Time]:
    """Where the groups of beats of a bar begin, and its end, in quarter notes."""
    beat = Fraction(4, metre[1])
    edges = [Fraction(0)]
    for group in beat_groups(metre):
        edges.append(edges[-1] + group * beat)
    return edges


def _beat_end(start: Time, metre: tuple[int, int]) -> Time:
    edges = _edges(metre)
    bar = start // edges[-1] * edges[-1]
    return bar + next(e for e in edges if e > start - bar)


@lru_cache(maxsize=65536)
def _in_bar(start: Time, end: Time, metre: tuple[int, int]) -> tuple[tuple[Time, Time], ...]:
    """Offsets and lengths of symbols from `start` to `end` of a bar, so that beats show."""
    edges = _edges(metre)
    out = []
    at = start
    while at < end:
        after = next(e for e in edges if e > at)
        room = min(end, after) - at
        if at in edges:
            whole = [v for v in _PLAIN if at + v <= end and (at + v in edges or v <= room)]
            length = whole[0] if whole else room
        else:
            length = next((v for v in _PLAIN if v <= room), room)
        factor = room.denominator & -room.denominator
        odd = room.denominator // factor
        if odd > 1 or (at.denominator // (at.denominator & -at.denominator)) > 1:
            length = _tuplet(at, room, after)
        out.append((at, length))
        at += length
    return tuple(out)


def _tuplet(at: Time, room: Time, after: Time) -> Time:
    """The longest symbol of a tuplet that fits in what is left of a beat."""
    odd = 1
    for value in (at, room, after - at):
        low = value.denominator // (value.denominator & -value.denominator)
        odd = max(odd, low)
    if odd == 1:
        return next(v for v in _PLAIN if v <= room)
    sizes = [Fraction(2) ** k / odd for k in range(4, -6, -1)]
    return next((s for s in sizes if s <= room), room)


def pieces(start: Time, end: Time, metre: tuple[int, int]) -> list[Piece]:
    """The symbols that write what lasts from `start` to `end`, cut at bar lines and beats."""
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

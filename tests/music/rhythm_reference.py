"""Rhythm rules note by note, from the words of their help: plain loops, no NumPy, no shared code.

Times are in positions from the start of the piece, exact fractions. `humanise` and `sparse` draw
lots and have tests of their own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

Setting = Any


@dataclass(frozen=True)
class Note:
    """A note before it has a pitch. `place` counts positions in the order of reading."""

    place: int
    onset: Fraction
    length: Fraction
    loud: float = 1.0
    shift: int = 0

    @property
    def end(self) -> Fraction:
        return self.onset + self.length


@dataclass(frozen=True)
class Disc:
    """Rows of 0, 1 and ?, the slots at which they start, and the bits of a character."""

    rows: list[str]
    starts: list[int]
    unit: int = 8
    bar: int = 16

    @property
    def width(self) -> int:
        return len(self.rows[0])

    @property
    def bits(self) -> str:
        return "".join(self.rows)

    def row(self, note: Note) -> int:
        return note.place // self.width

    def position(self, note: Note) -> int:
        return note.place % self.width

    def start(self, note: Note) -> int:
        return self.starts[self.row(note)]

    def row_end(self, note: Note) -> int:
        return self.start(note) + self.width

    def plain(self, place: int) -> Note:
        row, position = divmod(place, self.width)
        return Note(place, Fraction(self.starts[row] + position), Fraction(1))

    def read(self, mark: str = "1") -> list[Note]:
        return [self.plain(k) for k, bit in enumerate(self.bits) if bit == mark]

    def lasting(self, value: str) -> Fraction:
        """A note value in positions, each of which is a sixteenth."""
        return Fraction(value) * 16


def by_row(disc: Disc, notes: list[Note]) -> list[list[Note]]:
    return [[n for n in notes if disc.row(n) == r] for r in range(len(disc.rows))]


def marks(disc: Disc, pattern: str, value: str) -> Callable[[Fraction], bool]:
    """Whether a mark of a repeated pattern falls on the position that begins at a time.

    Where positions are coarser than marks, a position has all marks since the one before.
    """
    each = disc.lasting(value) if value else Fraction(1)

    def struck(time: Fraction) -> bool:
        k = max(0, math.floor((time - 1) / each) + 1) if time >= 1 else 0
        while k * each <= time:
            if pattern[k % len(pattern)] == "x":
                return True
            k += 1
        return False

    return struck


def bjorklund(ones: int, size: int) -> str:
    """E. Bjorklund's algorithm, as G. Toussaint describes it (BRIDGES 2005; from memory): his
    E(7,8) is x.xxxxxx, so a single rest is paired, too."""
    if not ones:
        return "." * size
    heads, tails = ["x"] * ones, ["."] * (size - ones)
    first = bool(tails)
    while first or len(tails) > 1:
        first = False
        pairs = min(len(heads), len(tails))
        joined = [a + b for a, b in zip(heads, tails, strict=False)]
        heads, tails = joined, heads[pairs:] or tails[pairs:]
    return "".join(heads + tails)


def each(disc: Disc, notes: list[Note]) -> list[Note]:
    return notes


def changes(disc: Disc, notes: list[Note]) -> list[Note]:
    return [
        n
        for n in notes
        if disc.position(n) == 0 or disc.bits[n.place] != disc.bits[n.place - 1]
    ]  # fmt: skip


def thinned(disc: Disc, notes: list[Note], every: int = 2, first: int = 0) -> list[Note]:
    return [
        n for row in by_row(disc, notes) for k, n in enumerate(row) if k % every == first % every
    ]


def numbered(
    disc: Disc, notes: list[Note], numbers: tuple[int, ...] = (0,), bits: int = 3
) -> list[Note]:
    def before(n: Note) -> int:
        told = "0" * bits + disc.bits[: n.place].replace("?", "0")
        return int(told[-bits:], 2)

    return [n for n in notes if before(n) in numbers]


def pattern(
    disc: Disc, notes: list[Note], pattern: str = "", value: str = "", per: str = "row"
) -> list[Note]:
    out = []
    for n in notes:
        struck = marks(disc, pattern, value)
        if per == "piece":
            # the first position at or after a mark has it, whatever the stage does meanwhile
            time = Fraction(disc.start(n) + disc.position(n))
        else:
            time = Fraction(disc.position(n))
            if per == "bar":
                time %= disc.bar
        if struck(time):
            out.append(n)
    return out


def turns(disc: Disc, notes: list[Note], pattern: str = "x.", each: str = "bar") -> list[Note]:
    def turn(n: Note) -> int:
        return disc.row(n) if each == "row" else disc.position(n) // disc.bar

    return [n for n in notes if pattern[turn(n) % len(pattern)] == "x"]


def even(
    disc: Disc, notes: list[Note], count: int = 3, steps: int = 8, turn: int = 0
) -> list[Note]:
    cycle = bjorklund(count, steps)
    return [n for n in notes if cycle[(disc.position(n) + turn) % steps] == "x"]


def breath(disc: Disc, notes: list[Note], rest: int = 1) -> list[Note]:
    out = []
    for n in notes:
        left = disc.unit - rest - n.place % disc.unit
        if left > 0:
            rests = disc.plain(n.place).onset + left
            out.append(replace(n, length=max(min(n.end, rests) - n.onset, Fraction(1, 1000))))
    return out


def echoes(
    disc: Disc, notes: list[Note], count: int = 2, delay: Fraction = Fraction(3),
    fade: float = 0.6, shift: int = 0,
) -> list[Note]:  # fmt: skip
    return [
        Note(n.place, n.onset + k * delay, n.length, n.loud * fade**k, n.shift + k * shift)
        for n in notes
        for k in range(count + 1)
    ]


def layered(
    disc: Disc, notes: list[Note], shifts: tuple[int, ...] = (2, 4), loud: float = 0.85
) -> list[Note]:
    return [
        copy
        for n in notes
        for copy in (n, *(replace(n, shift=n.shift + s, loud=n.loud * loud) for s in shifts))
    ]


def repeat(disc: Disc, notes: list[Note], times: int = 2, fade: float = 0.85) -> list[Note]:
    return [
        replace(n, onset=n.onset + k * n.length / times, length=n.length / times,
                loud=n.loud * fade**k)
        for n in notes
        for k in range(times)
    ]  # fmt: skip


def ghosts(disc: Disc, notes: list[Note], loud: float = 0.35) -> list[Note]:
    """A zero that sounds already stays as it is."""
    sounding = {n.place for n in notes}
    return notes + [replace(n, loud=loud) for n in disc.read("0") if n.place not in sounding]


def joined(disc: Disc, notes: list[Note]) -> list[Note]:
    out: list[Note] = []
    last: Note | None = None
    for n in notes:
        if last is not None and n.place == last.place + 1 and disc.position(n):
            out[-1] = replace(out[-1], length=n.end - out[-1].onset)
        else:
            out.append(n)
        last = n
    return out


def held(
    disc: Disc, notes: list[Note], longest: Fraction = Fraction(4096), across: bool = False
) -> list[Note]:
    out = []
    for n in notes:
        later = [m.onset for m in notes if m.onset > n.onset]
        end = disc.starts[-1] + disc.width if across else disc.row_end(n)
        stop = min([*later, end])
        out.append(replace(n, length=min(stop - n.onset, longest)))
    return out


def gate(disc: Disc, notes: list[Note], amount: Fraction = Fraction(1, 2)) -> list[Note]:
    return [replace(n, length=n.length * amount) for n in notes]


def length(
    disc: Disc, notes: list[Note], steps: Fraction = Fraction(1), value: str = ""
) -> list[Note]:
    return [replace(n, length=disc.lasting(value) if value else steps) for n in notes]


def accents(
    disc: Disc, notes: list[Note], pattern: tuple[float, ...] = (1.0, 0.6, 0.8, 0.6),
    by: str = "position",
) -> list[Note]:  # fmt: skip
    def count(k: int, n: Note) -> int:
        return {
            "position": disc.position(n),
            "place": n.place % disc.unit,
            "character": n.place // disc.unit,
            "row": disc.row(n),
            "note": sum(disc.row(m) == disc.row(n) for m in notes[:k]),
        }[by]

    return [
        replace(n, loud=n.loud * pattern[count(k, n) % len(pattern)]) for k, n in enumerate(notes)
    ]


def spread(disc: Disc, notes: list[Note]) -> list[Note]:
    out = []
    for row in by_row(disc, notes):
        spots = [k for k, c in enumerate(bjorklund(len(row), disc.width)) if c == "x"]
        out += [
            replace(n, onset=Fraction(disc.start(n) + at)) for n, at in zip(row, spots, strict=True)
        ]
    return out


def swing(disc: Disc, notes: list[Note], amount: Fraction = Fraction(29, 50)) -> list[Note]:
    """Time runs unevenly within each two steps, so that ends move as well as onsets.

    0.67 is long and short as two to one: common practice, no source.
    """
    out = []
    for n in notes:

        def bent(time: Fraction, start: int = disc.start(n)) -> Fraction:
            pair, rest = divmod(time - start, 2)
            bend = 2 * amount
            inside = rest * bend if rest < 1 else bend + (rest - 1) * (2 - bend)
            return start + 2 * pair + inside

        out.append(replace(n, onset=bent(n.onset), length=bent(n.end) - bent(n.onset)))
    return out


def half_time(disc: Disc, notes: list[Note]) -> list[Note]:
    out = []
    for n in notes:
        start, far = disc.start(n), n.onset - disc.start(n)
        if 2 * far < disc.width:
            out.append(replace(n, onset=start + 2 * far, length=2 * n.length))
    return out


def double_time(disc: Disc, notes: list[Note]) -> list[Note]:
    return [
        replace(
            n,
            onset=disc.start(n) + (n.onset - disc.start(n)) / 2 + again * Fraction(disc.width, 2),
            length=n.length / 2,
        )
        for n in notes
        for again in (0, 1)
    ]


def entry(
    disc: Disc, notes: list[Note], steps: Fraction = Fraction(8), value: str = ""
) -> list[Note]:
    late = disc.lasting(value) if value else steps
    return [replace(n, onset=n.onset + late) for n in notes]


def pick_up(disc: Disc, notes: list[Note], value: str = "1/4") -> list[Note]:
    out = []
    for n in notes:
        short = min(disc.lasting(value), n.length)
        out.append(replace(n, onset=n.end - short, length=short))
    return out


def roll(
    disc: Disc, notes: list[Note], value: str = "1/16", first: float = 0.6, shift: int = 0
) -> list[Note]:
    out = []
    for n in notes:
        apart = disc.lasting(value)
        count = max(1, math.floor(n.length / apart))
        for k in range(count):
            onset = n.onset + k * apart
            share = k / max(1, count - 1)
            out.append(
                replace(n, onset=onset, length=min(apart, n.length),
                        loud=n.loud * (first + (1 - first) * share), shift=n.shift + k * shift)
            )  # fmt: skip
    return out


def vamp(
    disc: Disc, notes: list[Note], bars: int = 1, fade: float = 1.0, shift: int = 0
) -> list[Note]:
    """What a row's last bars played comes again until the next row begins.

    If the row has not so many bars, its last bar; if it has none, its whole beats; else all of it.
    What rings longer than is repeated ends there.
    """
    out = []
    gap = disc.starts[1] - disc.width if len(disc.rows) > 1 else 0
    wanted = (bars or max(1, math.ceil(gap / disc.bar))) * disc.bar
    fit = [n for n in (wanted, disc.bar, disc.width // 4 * 4) if 0 < n <= disc.width]
    span = (fit or [disc.width])[0]
    for n in notes:
        if disc.position(n) < disc.width - span:
            out.append(n)
            continue
        again, slot = 0, disc.plain(n.place).onset
        until = slot + 1 if disc.row(n) == len(disc.rows) - 1 else disc.row_end(n) + gap
        while slot + again * span < until:
            out.append(
                Note(n.place, n.onset + again * span, min(n.length, Fraction(span)),
                     n.loud * fade**again, n.shift + again * shift)
            )  # fmt: skip
            again += 1
    return out


RULES: dict[str, Callable[..., list[Note]]] = {
    "each": each, "changes": changes, "thinned": thinned, "numbered": numbered, "pattern": pattern,
    "turns": turns, "even": even, "breath": breath, "echoes": echoes, "layered": layered,
    "repeat": repeat, "ghosts": ghosts, "joined": joined, "held": held, "gate": gate,
    "length": length, "accents": accents, "spread": spread, "swing": swing, "half-time": half_time,
    "double-time": double_time, "entry": entry, "pick-up": pick_up, "roll": roll, "vamp": vamp,
}  # fmt: skip


def play(disc: Disc, rules: list[dict[str, Setting]], mark: str = "1") -> list[Note]:
    """The notes of a voice that plays at all bits of one kind, through its rules."""
    notes = disc.read(mark)
    for rule in rules:
        given = {k.replace("-", "_"): v for k, v in rule.items() if k != "rule"}
        given = {RENAMED.get(k, k): v for k, v in given.items()}
        notes = RULES[rule["rule"]](disc, notes, **given)
        notes.sort(key=lambda n: n.onset)
    return notes


RENAMED = {"velocity_scale": "loud", "notes": "count"}
"""Settings whose names are taken here."""

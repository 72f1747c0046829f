"""Rhythm rules as steps of the core, the notes that they keep in mind, and velocities.

A walk through a voice's rules that keeps book of what the machine knows at each of them: whether
a note's length is known yet, whether notes still come in the order of their places, how loud each
level (a note, its echoes, ghosts) may be.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.export.firmware.leads import NOTHING, Lead, Refusal, common
from sonify.export.firmware.tones import Machine
from sonify.music.curves import Curve
from sonify.music.rhythm.even import even_pattern
from sonify.music.rhythm.rule import Rule
from sonify.music.rhythm.rules import (
    Accents,
    Breath,
    Changes,
    Each,
    Even,
    Gate,
    Ghosts,
    Held,
    Joined,
    Length,
    Pattern,
    Sparse,
    Thinned,
)
from sonify.music.rhythm.timing_rules import (
    Echoes,
    Entry,
    HalfTime,
    Humanise,
    Layered,
    Repeat,
    Strum,
    Swing,
)

__all__ = ["Mask", "Step", "Steps", "steps_of"]

ONE = 65536
MOST_LEVELS = 32
MOST_VELOCITIES = 2048
MOST_LOUD = 3
_LOUDEST = 4095
_UNIT = 2**31


@dataclass(frozen=True)
class Mask:
    """Bits along a lead: where a voice may sound."""

    by: str
    bits: tuple[bool, ...]
    back: int = 0


@dataclass(frozen=True)
class Step:
    """One rule of the core: `op` as in the names `PLAYER_RULE_...`, and its numbers."""

    op: str
    a: int = 0
    b: int = 0
    c: int = 0
    d: int = 0
    mask: Mask | None = None


@dataclass
class Steps:
    """A voice's rules as the core takes them.

    Attributes
    ----------
    steps : list of Step
    shifts : list of int
        Degrees by which each level is moved.
    loud : list of Lead
        Up to three, through the velocities.
    velocities : ndarray of float64, shape (levels, ...)
        Not rounded. One axis a level, then an axis for each lead, the last lead first.
    by_chance : list of bool
        Whether chance makes the notes of each level softer or louder.
    copies : list of Copy
        Each kind of note that one place makes.
    room : float
        Positions from a note's place to its beginning, at least.
    when_over : bool
        Whether they begin when the row is over.
    mixed : str
        The rule that may bring notes into another order than their places have.
    """

    steps: list[Step] = field(default_factory=list)
    shifts: list[int] = field(default_factory=lambda: [0])
    loud: list[Lead] = field(default_factory=list)
    velocities: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    by_chance: list[bool] = field(default_factory=lambda: [False])
    copies: list[Copy] = field(default_factory=lambda: [Copy(0.0, 1.0)])
    room: float = 0.0
    when_over: bool = False
    mixed: str = ""

    def velocity_table(self, human: bool) -> NDArray[np.int64]:
        """The velocities as the core takes them: rounded, or `human`, * 2^20 before chance."""
        rounded = np.clip(np.rint(self.velocities), 1, 127)
        if not human:
            return rounded.astype(np.int64)
        chance = np.reshape(self.by_chance, (-1, *[1] * (self.velocities.ndim - 1)))
        exact = np.minimum(self.velocities, _LOUDEST)
        out: NDArray[np.int64] = np.rint(np.where(chance, exact, rounded) * 2**20).astype(np.int64)
        return out

    def notes(self, positions: int, tones: int) -> int:
        """The most notes that are due or sounding at once.

        Parameters
        ----------
        positions : int
            Of a row.
        tones : int
            How many different ones there are.
        """
        return 1 + sum(c.notes(positions, tones) for c in self.copies)


@dataclass(frozen=True)
class Copy:
    """A kind of note: its beginning after its place and its length, in positions, at most.

    Attributes
    ----------
    delay, length : float
        Where the next note ends it (`open`), `length` is the share of the time until then.
    open : bool
    spacing : int
        Positions from one place that sounds, or one lot of them, to the next, at least.
    lot : int
        How many places there are in a lot.
    together : bool
        Whether a lot begins at one time: of one tone only one note is kept then.
    """

    delay: float
    length: float
    open: bool = False
    spacing: int = 1
    lot: int = 1
    together: bool = False

    def notes(self, positions: int, tones: int) -> int:
        """The most of them that are due or sounding at once."""
        lot = min(self.lot, tones) if self.together else self.lot
        if not self.open:
            return lot * math.ceil((self.delay + self.length) / self.spacing + 1e-9)
        ends = 1
        if self.length > 1:
            # one that rings on sounds as long as those after it are together shorter than
            # its rest: so many fit into four rows, each the longest that can be
            ends += math.ceil(math.log(4 * positions) / math.log(self.length / (self.length - 1)))
        return lot * (math.ceil(self.delay / self.spacing + 1e-9) + min(ends, 4 * positions))


@dataclass
class _Known:
    """What the machine knows after the rules so far."""

    machine: Machine
    out: Steps
    shortest: float = 1.0  # positions from a note's place to its end, at least
    open: str = ""  # the rule after which lengths are not known at the beginning
    order: str = ""  # the rule after which notes no longer come in the order of their places
    moved: bool = False
    # per level, when a note begins, in positions, by the step of its row; None if that is not told
    onsets: list[NDArray[np.float64] | None] = field(default_factory=list)
    across: bool = False
    doubled: int = 0
    chord: tuple[int, int] | None = None  # notes that begin together, and levels between them
    after: str = ""  # the source whose notes come when the row is over
    ghosts: bool = False
    twice: bool = False  # whether notes are layered twice: the core makes their notes in turns
    near: float = 1.0  # positions from one note to the next, at least
    shaken: bool = False  # whether chance moves notes
    fixed: bool = False  # whether a rule gave all notes a length
    # per level: factors as (lead, values), in the order in which they are multiplied
    factors: list[list[tuple[Lead, NDArray[np.float64]]]] = field(default_factory=lambda: [[]])

    def need_order(self, name: str, chords: bool = False) -> None:
        """Refuse notes that come between; `chords` where several at one place do no harm."""
        if self.order and not (chords and self.order == "layered" and not self.twice):
            if self.order == "humanise":
                raise Refusal(
                    f"'{name}' after 'humanise': the core takes notes in the order of their "
                    "places (put humanise last)"
                )
            raise Refusal(
                f"'{name}' after '{self.order}': the core takes its rules when a place is read, "
                f"and others come between later (put '{name}' before '{self.order}')"
            )

    def need_length(self, name: str) -> None:
        if self.open:
            raise Refusal(
                f"'{name}' after '{self.open}': how long a note lasts is known only at its end"
            )

    def need_straight(self, name: str) -> None:
        if self.shaken:
            raise Refusal(
                f"'{name}' after 'humanise': the core moves notes by chance last (put humanise "
                "last)"
            )

    def add(self, step: Step) -> None:
        self.out.steps.append(step)

    @property
    def copies(self) -> list[Copy]:
        return self.out.copies

    def lengths(self, change: Callable[[float], float]) -> None:
        self.shortest = change(self.shortest)
        self.out.copies = [replace(c, length=change(c.length)) for c in self.copies]

    def later(self, steps: float) -> None:
        self.out.copies = [replace(c, delay=c.delay + steps) for c in self.copies]

    def opened(self, rule: str) -> None:
        """From here on the next note ends each one."""
        self.open = rule
        self.out.copies = [replace(c, length=1.0, open=True) for c in self.copies]

    def move(self, change: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> None:
        self.moved = True
        self.onsets = [None if o is None else change(o) for o in self.onsets]


def _q16(value: float) -> int:
    return round(value * ONE)


def _each(r: Each, k: _Known) -> None:
    pass


def _changes(r: Changes, k: _Known) -> None:
    k.add(Step("CHANGES"))


def _thinned(r: Thinned, k: _Known) -> None:
    k.need_order("thinned", chords=True)
    k.chord = None
    k.add(Step("THINNED", b=r.every, c=r.first % r.every))
    k.out.copies = [replace(c, lot=-(-c.lot // r.every)) for c in k.copies]


def _sparse(r: Sparse, k: _Known) -> None:
    share = math.ceil(r.keep * 2**32)
    if share >= 2**32:
        return
    k.add(Step("SPARSE", c=share, d=r.seed))


def _pattern(r: Pattern, k: _Known) -> None:
    bits = tuple(c in "xX" for c in r.pattern.replace(" ", "").replace("|", ""))
    k.add(Step("MASK", mask=Mask("STEP", bits)))


def _even(r: Even, k: _Known) -> None:
    bits = np.roll(even_pattern(r.notes, r.steps), -r.turn)
    k.add(Step("MASK", mask=Mask("STEP", tuple(bool(b) for b in bits))))


def _breath(r: Breath, k: _Known) -> None:
    if r.rest >= k.machine.unit_bits:
        k.add(Step("MASK", mask=Mask("NOTHING", (False,))))
        return
    k.add(Step("BREATH", b=r.rest))
    k.shortest = min(k.shortest, 0.001 if k.moved else 1.0)


def _gate(r: Gate, k: _Known) -> None:
    if r.amount < 1:
        k.need_length("gate below 1")
    k.add(Step("GATE", c=_q16(r.amount)))
    k.lengths(lambda n: n * r.amount)


def _length(r: Length, k: _Known) -> None:
    k.add(Step("LENGTH", c=_q16(r.steps)))
    k.open, k.across, k.fixed = "", False, True
    k.shortest = r.steps
    k.out.copies = [replace(c, length=r.steps, open=False) for c in k.copies]


def _swing(r: Swing, k: _Known) -> None:
    k.need_straight("swing")
    k.add(Step("SWING", c=round(2 * r.amount * 32768)))

    def lilt(onset: NDArray[np.float64]) -> NDArray[np.float64]:
        pair, within = np.divmod(onset, 2.0)
        long = 2 * r.amount
        late = np.where(within < 1, within * long, long + (within - 1) * (2 - long))
        out: NDArray[np.float64] = 2 * pair + late
        return out

    k.move(lilt)
    k.near = min(k.near, 2 - 2 * r.amount)
    # ends only ever come later
    k.out.copies = [
        replace(c, delay=c.delay + 2 * r.amount - 1, length=c.length + 0.6) for c in k.copies
    ]


def _entry(r: Entry, k: _Known) -> None:
    k.add(Step("ENTRY", c=_q16(r.steps)))
    k.move(lambda onset: onset + r.steps)
    k.later(r.steps)
    k.out.room += r.steps


def _half_time(r: HalfTime, k: _Known) -> None:
    k.need_straight("half-time")
    k.add(Step("HALF"))
    k.move(lambda onset: 2 * onset)
    # a note waits until the place that it moves to: a quarter row of notes at the most
    k.later(k.machine.positions / 4)
    k.shortest *= 2
    k.out.copies = [c if c.open else replace(c, length=2 * c.length) for c in k.copies]


def _joined(r: Joined, k: _Known) -> None:
    k.need_order("joined")
    if k.after:
        # notes that begin together: the first of each run stays as it is
        k.add(Step("JOINED", a=1))
        return
    k.need_length("joined")
    if k.shortest < 1 or (k.moved and k.copies[0].delay >= 1):
        raise Refusal(
            "'joined' after notes shorter than a position: each has ended before the next is read"
        )
    k.add(Step("JOINED"))
    k.opened("joined")


def _held(r: Held, k: _Known) -> None:
    k.need_order("held")
    if k.after:
        if r.across:
            raise Refusal(
                f"'held' across rows after '{k.after}': the core holds no note that comes when its "
                "row is over (take length)"
            )
        return  # nothing is left of the row to be held in
    if k.open and k.copies[0].delay >= 1:
        raise Refusal(
            f"'held' after '{k.open}' notes that come late: one that comes after its row keeps "
            f"its own length, which '{k.open}' tells later (put entry last)"
        )
    # whatever told how long a note lasts, from here on the next one does
    k.out.steps = [
        replace(s, a=1) if s.op == "JOINED" else s for s in k.out.steps if s.op != "HELD"
    ]
    k.add(Step("HELD", a=int(r.across), c=min(_q16(r.longest), 2**31 - 1)))
    k.across = r.across
    k.opened("held")


def _levels(k: _Known, count: int, fades: list[float], shifts: list[int], name: str) -> int:
    """New levels, `count` times as many as there are; how far apart those of two copies are."""
    have = len(k.out.shifts)
    if have * (count + 1) > MOST_LEVELS:
        raise Refusal(f"'{name}' makes more than {MOST_LEVELS} kinds of echo")
    old, factors = list(k.out.shifts), [list(f) for f in k.factors]
    for fade, shift in zip(fades, shifts, strict=True):
        k.out.shifts += [s + shift for s in old]
        k.out.by_chance += k.out.by_chance[:have]
        k.factors += [[*f, (NOTHING, np.array([fade]))] for f in factors]
    return have


def _echoes(r: Echoes, k: _Known) -> None:
    k.doubled += 1
    if k.doubled > 2:
        raise Refusal("more than two rules that make notes of notes: RAM holds no more of them")
    ks = range(1, r.count + 1)
    onsets = list(k.onsets)
    stride = _levels(k, r.count, [r.fade**n for n in ks], [n * r.shift for n in ks], "echoes")
    for n in ks:
        k.onsets += [None if o is None else o + n * r.delay for o in onsets]
    k.add(Step("ECHOES", a=r.count, b=stride, c=_q16(r.delay)))
    k.out.copies = [
        replace(c, delay=c.delay + n * r.delay) for n in range(r.count + 1) for c in k.copies
    ]
    k.order, k.moved, k.chord = "echoes", True, None


def _layered(r: Layered, k: _Known) -> None:
    k.doubled += 1
    if k.doubled > 2:
        raise Refusal("more than two rules that make notes of notes: RAM holds no more of them")
    count = len(r.shifts)
    onsets = list(k.onsets)
    stride = _levels(k, count, [r.force] * count, list(r.shifts), "layered")
    k.onsets += onsets * count
    k.add(Step("ECHOES", a=count, b=stride))
    k.out.copies = [copy for copy in k.copies for _ in range(count + 1)]
    k.twice |= k.order == "layered"
    if k.twice or k.after == "row-end-chords":
        k.out.mixed = "layered"
    together, levels = k.chord or (1, stride)
    k.chord = together * (count + 1), levels
    k.order = k.order or "layered"


def _strum(r: Strum, k: _Known) -> None:
    if k.after == "row-end-chords" and not k.order:
        _strum_chord(r, k)
        return
    if not k.order:
        return  # no two notes begin together
    if k.order != "layered" or k.chord is None:
        raise Refusal("'strum' but for chords that are all alike, as 'layered' makes them")
    count, levels = k.chord
    down = r.way == "down"
    k.add(Step("STRUM", a=count - 1, b=levels, c=_q16(r.step), d=int(down)))

    def late(level: int) -> float:
        n = level // levels % count
        return r.step * (count - 1 - n if down else n)

    k.onsets = [None if o is None else o + late(n) for n, o in enumerate(k.onsets)]
    k.later((count - 1) * r.step)
    k.moved, k.order, k.chord = True, "strum", None


def _strum_chord(r: Strum, k: _Known) -> None:
    """A row's ones, which are counted as they are read."""
    if r.way == "down":
        raise Refusal(
            "'strum' downwards of row-end-chords: the core counts their notes from the first one "
            'up (take way = "up")'
        )
    if not k.fixed:
        raise Refusal(
            "'strum' of row-end-chords that ring on to the next row: the core keeps one end for "
            "them all (give them a length first)"
        )
    k.add(Step("STRUM", c=_q16(r.step)))
    k.onsets = [None for _ in k.onsets]
    k.later((k.machine.positions - 1) * r.step)
    k.out.copies = [replace(c, together=False) for c in k.copies]
    k.order = "strum"


def _repeat(r: Repeat, k: _Known) -> None:
    k.need_length("repeat")
    if k.after == "row-end-chords" and not k.fixed:
        raise Refusal(
            "'repeat' of row-end-chords: how long the last row's rings shows only at the disc's "
            "end (give them a length first)"
        )
    k.doubled += 1
    if k.doubled > 2:
        raise Refusal("more than two rules that make notes of notes: RAM holds no more of them")
    ks = range(1, r.times)
    stride = _levels(k, r.times - 1, [r.fade**n for n in ks], [0 for _ in ks], "repeat")
    k.add(Step("REPEAT", a=r.times, b=stride))
    k.out.copies = [
        replace(c, delay=c.delay + n * c.length / r.times, length=c.length / r.times)
        for n in range(r.times)
        for c in k.copies
    ]
    k.shortest /= r.times
    k.onsets = k.onsets + [None] * (len(k.out.shifts) - len(k.onsets))
    k.order, k.moved, k.chord = "repeat", True, None


def _ghosts(r: Ghosts, k: _Known) -> None:
    if k.after == "row-changes":
        raise Refusal(
            "'ghosts' after row-changes: whether a row's last zero sounds for itself hangs on "
            "whether another row follows"
        )
    level = len(k.out.shifts)
    if level >= MOST_LEVELS:
        raise Refusal("'ghosts' makes too many kinds of note")
    k.out.shifts.append(0)
    k.out.by_chance.append(False)
    k.ghosts = True
    k.factors.append([(NOTHING, np.array([r.force]))])
    k.onsets.append(np.arange(k.machine.positions, dtype=np.float64))
    k.add(Step("GHOSTS", b=level))
    if k.copies[0].delay >= 1:
        k.order = k.order or "ghosts"
        k.out.mixed = "ghosts"
    if k.shaken:
        k.out.mixed = "ghosts"
    k.out.room = min(k.out.room, 0.0)
    k.out.when_over = False
    k.copies.append(Copy(0.0, 1.0))
    k.shortest = min(k.shortest, 1.0)
    k.chord = None


_ACCENTS = {"position": "STEP", "place": "PLACE", "character": "CHARACTER", "row": "ROW"}


def _accents(r: Accents, k: _Known) -> None:
    pattern = np.asarray(r.pattern or (1.0,))
    if r.by == "note":
        k.need_order("accents by note", chords=True)
        # the number of the rule is put in where the voice's rules are laid down
        lead = Lead("NOTE", len(pattern), up=len(k.out.steps))
        k.add(Step("COUNT"))
    else:
        lead = Lead(_ACCENTS[r.by], len(pattern))
    k.factors = [[*f, (lead, pattern)] for f in k.factors]


def _humanise(r: Humanise, k: _Known) -> None:
    if not r.time and not r.force:
        return
    k.need_order("humanise", chords=True)
    chord = k.order == "layered"
    if chord and (k.ghosts or k.chord is None or k.after == "row-end-chords"):
        raise Refusal(
            "'humanise' of chords that are not all alike: which chance each note has hangs on "
            "those that sound beside it (put layered last)"
        )
    if r.time:
        _shake(r, k, chord)
    if r.force:
        k.add(Step("FORCE", a=int(chord), c=round(r.force * _UNIT), d=r.seed))
        k.out.by_chance = [True for _ in k.out.by_chance]


def _shake(r: Humanise, k: _Known, chord: bool) -> None:
    if k.out.room < r.time - 1e-9:
        raise Refusal(
            f"the rhythm rule 'humanise': {r.why_not} (put "
            f'{{ rule = "entry", steps = {r.time:g} }} before it, or take time = 0)'
        )
    if (k.open and chord) or (k.after == "row-end-chords" and not k.fixed):
        raise Refusal(
            "'humanise' in time of chords whose end shows later: the core keeps one difference a "
            "voice in mind (give them a length first, or take time = 0)"
        )
    k.add(Step("SHAKE", a=int(chord), c=round(r.time * _UNIT), d=r.seed))
    k.onsets = [None for _ in k.onsets]
    k.later(r.time)
    k.out.room -= r.time
    if chord or k.near < 2 * r.time:
        k.out.mixed = "humanise"
    k.moved, k.shaken, k.order, k.chord = True, True, "humanise", None
    k.out.copies = [replace(c, together=False) for c in k.copies]


_STEPS: dict[type[Rule], Callable[[Any, _Known], None]] = {
    Each: _each,
    Joined: _joined,
    Held: _held,
    Changes: _changes,
    Thinned: _thinned,
    Sparse: _sparse,
    Pattern: _pattern,
    Even: _even,
    Breath: _breath,
    Gate: _gate,
    Length: _length,
    Accents: _accents,
    Ghosts: _ghosts,
    Swing: _swing,
    Echoes: _echoes,
    Repeat: _repeat,
    Layered: _layered,
    Strum: _strum,
    HalfTime: _half_time,
    Entry: _entry,
    Humanise: _humanise,
}


def steps_of(
    rules: list[Rule],
    velocity: int,
    curves: tuple[Curve, ...],
    masks: list[Mask],
    source: str,
    machine: Machine,
) -> Steps:
    """A voice's rules as the core takes them.

    Parameters
    ----------
    rules : list of Rule
    velocity : int
        The voice's.
    curves : tuple of Curve
    masks : list of Mask
        Where the voice may sound.
    source : str
        The voice's.
    machine : Machine

    Raises
    ------
    Refusal
        What can't be followed, and why.
    """
    k = _Known(machine, Steps(), onsets=[np.arange(machine.positions, dtype=np.float64)])
    filters = [Step("MASK", mask=m) for m in masks]
    _begin(source, k)
    # a drone ends where the next row begins, whether the voice sounds there or not
    k.out.steps += filters
    ghosts = False
    for rule in rules:
        name = str(type(rule).__struct_config__.tag)
        ok, why = rule.follows()
        if not ok and type(rule) not in _STEPS:
            raise Refusal(f"the rhythm rule '{name}': {why}")
        step = _STEPS.get(type(rule))
        if step is None:
            raise Refusal(f"the core does not know the rhythm rule '{name}'")
        step(rule, k)
        ghosts |= isinstance(rule, Ghosts)
    if ghosts:
        # zeros that a rule added are kept to the voice's places too
        k.out.steps += filters
    for curve in curves:
        _curve(curve, k)
    _velocities(k, velocity)
    return k.out


def _begin(source: str, k: _Known) -> None:
    """What a source's notes are before any rule."""
    m = k.machine
    spacing = 1
    if source in ("row-starts", "row-ends", "drone", "row-changes", "row-end-chords"):
        spacing = m.stride
    elif source == "character-starts" and (m.straight or m.positions % m.unit_bits == 0):
        spacing = m.unit_bits
    k.out.copies = [Copy(0.0, 1.0, spacing=spacing)]
    if source == "drone":
        k.add(Step("HELD", a=1, c=2**31 - 1))
        k.opened("drone")
        k.across = True
    elif source == "row-changes" and not m.gap:
        k.add(Step("MASK", mask=Mask("NOTHING", (False,))))
    elif source in ("row-changes", "row-end-chords"):
        k.after = source
        length = m.gap or m.unit_bits
        chords = source == "row-end-chords"
        k.add(Step("AFTER", a=int(not chords), c=length * ONE, d=m.unit_bits * ONE))
        delay, lot = (float(m.positions), m.positions) if chords else (1.0, 1)
        long = float(max(length, m.unit_bits))
        k.out.copies = [Copy(delay, long, spacing=spacing, lot=lot, together=chords)]
        k.onsets = [np.full(m.positions, float(m.positions))]
        k.moved, k.shortest = True, float(length)
        k.out.room, k.out.when_over = 1.0, True


def _curve(curve: Curve, k: _Known) -> None:
    points = np.asarray(curve.points)
    m = k.machine
    if len(points) == 1:
        lead, count = NOTHING, 1
    elif curve.over == "position":
        lead, count = Lead("POSITION", m.positions), m.positions
    elif curve.over == "character":
        lead, count = Lead("PLACE", m.unit_bits), m.unit_bits
    elif curve.over == "row":
        _curve_of_rows(points, k)
        return
    else:
        raise Refusal(
            f"a velocity curve over {'the rows' if curve.over == 'rows' else 'the piece'}: how "
            "long the disc is shows only at its end"
        )
    values = points if count == 1 else _along_curve(np.arange(count), count, points)
    k.factors = [[*f, (lead, np.asarray(values))] for f in k.factors]


def _along_curve(
    at: NDArray[np.float64] | NDArray[np.int64], count: int, points: NDArray[np.float64]
) -> NDArray[np.float64]:
    share = np.clip(at / max(count - 1, 1), 0.0, 1.0)
    return np.interp(share, np.linspace(0, 1, len(points)), points)


def _curve_of_rows(points: NDArray[np.float64], k: _Known) -> None:
    """A curve over the time of a row, which for each kind of note begins at another point."""
    count = k.machine.positions
    lead = Lead("STEP", count)
    for factors, onsets in zip(k.factors, k.onsets, strict=True):
        if onsets is None:
            raise Refusal(
                "a velocity curve over rows of notes that are struck again, one by one or by "
                "chance: each would need a table (take a curve over position or character)"
            )
        factors.append((lead, _along_curve(onsets, count, points)))


def _velocities(k: _Known, velocity: int) -> None:
    """All velocities that can come, along the leads of all factors."""
    leads: list[Lead] = []
    for factors in k.factors:
        for lead, _ in factors:
            if lead.by == "NOTHING":
                continue
            for n, other in enumerate(leads):
                both = common(other, lead)
                if both is not None:
                    leads[n] = both
                    break
            else:
                leads.append(lead)
    if len(leads) > MOST_LOUD:
        raise Refusal(f"its loudness goes by {len(leads)} things; the core takes {MOST_LOUD}")
    counts = [lead.count for lead in leads]
    size = len(k.factors) * math.prod(counts)
    if size > MOST_VELOCITIES:
        raise Refusal(f"its loudness needs {size:,} velocities; a table holds {MOST_VELOCITIES:,}")
    levels = []
    for factors in k.factors:
        force = np.ones(tuple(reversed(counts)))
        for lead, values in factors:
            if lead.by == "NOTHING":
                force = force * values[0]
                continue
            axis = next(n for n, other in enumerate(leads) if common(other, lead))
            shape = [1] * len(counts)
            shape[len(counts) - 1 - axis] = counts[axis]
            force = force * values[np.arange(counts[axis]) % len(values)].reshape(shape)
        levels.append(velocity * force)
    k.out.loud = [replace(lead) for lead in leads]
    k.out.velocities = np.stack(levels)

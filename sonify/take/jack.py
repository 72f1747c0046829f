"""A MIDI file from the jack held against a disc: which bits its notes tell of."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.moves import Swing
from sonify.music.notes import rules_of
from sonify.music.rule import Rule
from sonify.music.rules import (
    Accents,
    Breath,
    Each,
    Even,
    Gate,
    Held,
    Joined,
    Length,
    Pattern,
)
from sonify.performance import Performance
from sonify.take.observed import Observed, Wire
from sonify.take.place import (
    Placing,
    Plan,
    place_rows,
    turn_phase,
    usual_move,
)
from sonify.take.source import MidiTake

__all__ = ["Listening", "listen_to", "observe_midi"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

ASTRAY = 0.3  # of a position: a note so far from any is none of them
STARTING = 2.5  # turns in which a motor may come up to its speed
LONG = 12  # positions: over so long a rest the speed of the last turn counts
KEEPS = (Each, Gate, Accents, Held, Length, Breath, Pattern, Even, Swing)
MOST_SWING = 0.68


@dataclass(frozen=True, eq=False)
class Listening:
    """The voice that is listened to.

    Attributes
    ----------
    voice : int
    channel : int
    sounds : ndarray of int8, shape (rows, positions)
        1 where it should sound, 0 where not, -1 where the disc's bit is unknown.
    tells : ndarray of bool, shape (rows, positions)
        Where its sounding or not tells the bit.
    ones : bool
        Whether a note tells of a one.
    runs : bool
        Whether a note sounds on over all positions of a run.
    exact : bool
        Whether its notes tell bits at all; if not, only notes can be compared.
    pitch : ndarray of int16, shape (rows, positions), or None
        The pitch at each place, where that goes by the place alone.
    about : str
    swings : bool
        Whether every other note comes late.
    """

    voice: int
    channel: int
    sounds: NDArray[np.int8]
    tells: NDArray[np.bool_]
    ones: bool
    runs: bool
    exact: bool
    pitch: NDArray[np.int16] | None
    about: str
    swings: bool = False


def listen_to(show: Performance) -> Listening:
    """Choose the voice whose notes tell most of the bits."""
    parts = show.parts
    channels = [p.channel for p in parts]
    best: Listening | None = None
    for n, part in enumerate(parts):
        one = _listening(show, n)
        if channels.count(part.channel) > 1:
            one = replace(one, exact=False, about=f"'{part.name}' shares its channel")
        if not len(part):
            continue
        if best is None or (one.exact, one.tells.mean(), len(part)) > (
            best.exact,
            best.tells.mean(),
            len(parts[best.voice]),
        ):
            best = one
    if best is None:
        raise InputError("nothing sounds with this preset, so a MIDI file can't tell of the disc")
    return best


def _listening(show: Performance, n: int) -> Listening:
    part = show.parts[n]
    voice = part.voice
    rules = rules_of(voice, f"music.voice[{n}]")
    grid = show.disc.grid
    lost = _what_loses(voice.source, rules)
    runs = any(isinstance(r, Joined) for r in rules)
    exact = lost is None
    if exact:
        allowed = _allowed(show, n)
        ones = voice.source == "ones"
        bits = np.where(grid < 0, -1, grid if ones else 1 - grid)
        sounds = np.where(allowed, bits, 0).astype(np.int8)
        tells = allowed
        about = f"'{part.name}' sounds every {'one' if ones else 'zero'}"
    else:
        ones, tells = True, np.zeros(grid.shape, bool)
        sounds = np.zeros(grid.shape, np.int8)
        row, position = show.material.row(part.index), show.material.position(part.index)
        sounds[row, position] = 1
        about = f"'{part.name}': {lost}"
    return Listening(
        n, part.channel, sounds, tells, ones, runs and exact, exact,
        _pitches(show, n) if exact else None, about, any(isinstance(r, Swing) for r in rules),
    )  # fmt: skip


def _what_loses(source: str, rules: list[Rule]) -> str | None:
    """What keeps a voice's notes from telling the bits; None if nothing does."""
    if source not in ("ones", "zeros"):
        return f"its source '{source}' does not sound the bits"
    for k, rule in enumerate(rules):
        name = str(type(rule).__struct_config__.tag)
        if isinstance(rule, Joined) and k == 0:
            continue
        if isinstance(rule, Gate) and rule.amount < 1 and isinstance(rules[0], Joined):
            return "'gate' after 'joined' hides how long runs are"
        if isinstance(rule, Swing) and rule.amount > MOST_SWING:
            return "so strong a swing hides which position a note is"
        if isinstance(rule, KEEPS) and not (
            isinstance(rules[0], Joined) and isinstance(rule, Held | Length | Breath)
        ):
            continue
        return f"the rule '{name}' leaves bits out or adds notes"
    return None


def _with_bits(show: Performance, grid: NDArray[np.int8]) -> Performance:
    from sonify.disc.disc import Disc

    disc = Disc.from_bits(grid, code=show.disc.code, layout=show.disc.layout)
    return Performance(disc, show.setup, show.timeline, show.grid)


def _allowed(show: Performance, n: int) -> NDArray[np.bool_]:
    """Where the voice would sound if every bit asked for it."""
    full = 1 if show.parts[n].voice.source == "ones" else 0
    all_on = _with_bits(show, np.full(show.disc.grid.shape, full, np.int8))
    part = all_on.parts[n]
    out = np.zeros(show.disc.grid.shape, bool)
    if any(isinstance(r, Joined) for r in rules_of(part.voice, "")):
        return np.ones_like(out)
    out[all_on.material.row(part.index), all_on.material.position(part.index)] = True
    return out


def _pitches(show: Performance, n: int) -> NDArray[np.int16] | None:
    """Pitches by place, if they do not depend on the bits."""
    full = 1 if show.parts[n].voice.source == "ones" else 0
    out = np.full(show.disc.grid.shape, -1, np.int16)
    if any(isinstance(r, Joined) for r in rules_of(show.parts[n].voice, "")):
        return None
    all_on = _with_bits(show, np.full(show.disc.grid.shape, full, np.int8))
    part = all_on.parts[n]
    row, position = all_on.material.row(part.index), all_on.material.position(part.index)
    out[row, position] = np.rint(part.pitch)
    mine = show.parts[n]
    row, position = show.material.row(mine.index), show.material.position(mine.index)
    same = out[row, position] == np.rint(mine.pitch)
    return out if bool(same.all()) else None


# ---- notes to slots ----


def _first_period(t: Reals, period_s: float) -> float:
    """How long a position lasts, from the gaps between notes that follow each other soon."""
    gaps = np.diff(t)
    gaps = gaps[(gaps > 0.4 * period_s) & (gaps < 9 * period_s)]
    if not len(gaps):
        return period_s
    tries = period_s * np.exp(np.arange(-0.32, 0.32, 0.002))
    score = np.cos(2 * np.pi * gaps[None, :] / tries[:, None]).mean(axis=1)
    # the usual speed is likelier than one far off that fits as well
    score -= 0.15 * np.abs(np.log(tries / period_s))
    return float(tries[int(np.argmax(score))])


def _numbered(
    t: Reals, period_s: float, turn: int, swings: bool = False
) -> tuple[Index, NDArray[np.bool_]]:
    """The slot of each onset, and which onsets lie between slots."""
    begin = _first_period(t, period_s)
    # every other note of a swing is late by a part of a position, which is no change of speed
    astray_from = 0.46 if swings else ASTRAY
    start = _calmest(t, begin)
    slot = np.zeros(len(t), np.int64)
    astray = np.zeros(len(t), bool)
    for way in (1, -1):
        fast = begin
        trend = 1.0
        seen_slot, seen_t = [0], [float(t[start])]
        k = start + way
        while 0 <= k < len(t):
            gone = abs(float(t[k]) - seen_t[-1])
            # a motor that starts slowly: the speed goes on changing as it did
            period = fast * (trend if abs(np.log(trend)) > 0.025 else 1.0)
            if gone > LONG * fast and len(seen_slot) > 8:
                first = next(
                    (j for j, s in enumerate(seen_slot) if abs(seen_slot[-1] - s) <= turn - 1), 0
                )
                wide = abs(seen_slot[-1] - seen_slot[first])
                if wide >= 8:
                    period = abs(seen_t[-1] - seen_t[first]) / wide
            steps = round(gone / period)
            off = gone / period - steps
            if steps < 1 or (abs(off) > astray_from and gone < 6 * period):
                if gone > 0.02 * period:
                    astray[k] = True
                slot[k] = seen_slot[-1] + way * steps
                k += way
                continue
            slot[k] = seen_slot[-1] + way * steps
            if steps <= LONG:
                here = gone / steps
                # only a motor that starts changes its speed at once; later it is a note astray
                starts = way < 0 and t[k] - t[0] < STARTING * turn * begin
                quick = starts and not swings and abs(np.log(here / fast)) > 0.06
                new = fast + (
                    0.8 if quick else 0.04 * steps if swings else min(0.35, 0.2 * steps)
                ) * (here - fast)
                trend = float(np.clip(new / fast, 0.75, 1.35)) if quick else 1.0
                fast = new
            elif abs(off) < 0.2:
                fast = period
            seen_slot.append(int(slot[k]))
            seen_t.append(float(t[k]))
            if len(seen_slot) > 2 * turn:
                seen_slot, seen_t = seen_slot[-turn:], seen_t[-turn:]
            k += way
    return slot - slot.min(), astray


def _calmest(t: Reals, period: float) -> int:
    """Where the gaps fit the period best."""
    gaps = np.diff(t) / period
    off = np.where(gaps < 9, np.abs(gaps - np.rint(gaps)), 0.5)
    if len(off) < 12:
        return len(t) // 2
    calm = np.convolve(off, np.ones(11), "valid")
    return int(np.argmin(calm)) + 5


def observe_midi(
    take: MidiTake, show: Performance, listening: Listening, plan: Plan, period_s: float
) -> Observed:
    """Read a MIDI file as bits.

    Parameters
    ----------
    take : MidiTake
    show : Performance
        What should have been played.
    listening : Listening
    plan : Plan
        With a sounding place as 1.
    period_s : float
        How long a position should last.

    Raises
    ------
    InputError
        Too few notes.
    """
    notes = take.notes[take.notes["channel"] == listening.channel]
    if not len(notes):
        heard = sorted({int(c) + 1 for c in take.notes["channel"]})
        raise InputError(
            f"it has no note on channel {listening.channel + 1}, where this preset plays "
            f"{listening.about.split(':')[0].split(' sounds')[0]}; it has notes on "
            f"{', '.join(map(str, heard))}: give the preset that the player has",
            file=take.path,
        )
    n, rows = plan.positions, plan.rows
    if len(notes) < 8:
        raise InputError(
            f"it has {len(notes)} note{'s' * (len(notes) != 1)} on channel "
            f"{listening.channel + 1} and should have about {int((plan.grid == 1).sum())}: too "
            "few to lay along the disc",
            file=take.path,
        )
    on = notes["on_s"]
    slot, astray = _numbered(on, period_s, n, listening.swings)
    good = np.flatnonzero(~astray)
    if not plan.index:
        slot = _across_silence(slot, good, plan)
    count = int(slot[good].max()) + 1
    beat_slot, first_at = np.unique(slot[good], return_index=True)
    beat_s = on[good][first_at]
    slot_s = np.interp(np.arange(count), beat_slot, beat_s)
    seen = np.full(count, -1, np.int8)
    seen[beat_slot] = 1
    if listening.runs:
        seen = _with_runs(seen, notes[good], slot[good], slot_s)
    # after the last note the player may have read zeros
    seen = np.concatenate([seen, np.full(n, -1, np.int8)])
    phase = 0
    if not plan.index:
        phase, _ = turn_phase(seen, plan.grid)
    if plan.index:
        placing = place_rows(seen, plan, phase, turning=False)
        slips = _slips(placing, n)
        if slips.any():
            # the disc has not slipped: rows that wait for the index begin whole turns apart
            row = np.clip(np.searchsorted(placing.start, slot, "right") - 1, 0, rows - 1)
            return _renumbered(
                take, listening, plan, replace(placing, start=placing.start - slips), notes,
                slot - slips[row], astray,
            )  # fmt: skip
    else:
        usual = float(np.median(np.diff(slot_s)))
        passed = _time_of(np.arange(-n, len(slot_s) + 5 * n), slot_s)
        move = usual_move(seen, plan, phase, usual, lambda at, m: _following(passed, n, at, m)[0])
        following = _following(passed, n, np.arange(len(slot_s)), np.float64(move.move_s))
        placing = place_rows(seen, plan, phase, True, following, move.wrong)
    return _renumbered(take, listening, plan, placing, notes, slot, astray)


def _across_silence(slot: Index, good: Index, plan: Plan) -> Index:
    """Put right what slots were lost or won over a silence of a turn or more.

    Each stretch between silences has its own phase; on a disc that turns on they must be one.
    """
    n = plan.positions
    jumps = np.flatnonzero(np.diff(slot[good]) > n)
    if not len(jumps):
        return slot
    edges = [0, *(jumps + 1).tolist(), len(good)]
    parts = [good[a:b] for a, b in itertools.pairwise(edges)]
    long = [p for p in parts if slot[p[-1]] - slot[p[0]] >= 0.8 * n]
    if len(long) < 2:
        return slot
    phases = {}
    for part in long:
        first = int(slot[part[0]])
        seen = np.full(int(slot[part[-1]]) - first + 1, -1, np.int8)
        seen[slot[part] - first] = 1
        phase, _ = turn_phase(np.concatenate([seen, np.zeros(n, np.int8)]), plan.grid)
        phases[first] = (phase - first) % n
    longest = max(long, key=lambda p: int(slot[p[-1]] - slot[p[0]]))
    base = phases[int(slot[longest[0]])]
    out = slot.copy()
    for part in long:
        first = int(slot[part[0]])
        off = (phases[first] - base + n // 2) % n - n // 2
        if 0 < abs(off) <= 5:
            out[part[0] : part[-1] + 1] += off
    return out - min(0, int(out.min()))


def _slips(placing: Placing, n: int) -> Index:
    """By how many slots each row's start is off whole turns from the row that most agree with."""
    off = placing.start % n
    base = int(np.argmax(np.bincount(off, minlength=n)))
    out: Index = (off - base + n // 2) % n - n // 2
    return np.where(np.abs(out) <= 4, out, 0)


def _renumbered(
    take: MidiTake,
    listening: Listening,
    plan: Plan,
    placing: Placing,
    notes: NDArray[np.void],
    slot: Index,
    astray: NDArray[np.bool_],
) -> Observed:
    """The bits, from notes with their slots."""
    slot, placing = _mended_start(notes["on_s"], slot, astray, plan, placing)
    low = int(slot[~astray].min())
    slot, placing = slot - low, replace(
        placing, start=placing.start - low, phase=(placing.phase + low) % plan.positions
    )  # fmt: skip
    good = np.flatnonzero(~astray)
    beat_slot, first_at = np.unique(slot[good], return_index=True)
    beat_s = notes["on_s"][good][first_at]
    slot_s = np.interp(np.arange(int(beat_slot[-1]) + 1), beat_slot, beat_s)
    seen = np.full(len(slot_s), -1, np.int8)
    seen[beat_slot] = 1
    if listening.runs:
        seen = _with_runs(seen, notes[good], slot[good], slot_s)
    return _observed(
        take, listening, plan, placing, seen, slot_s, beat_slot, beat_s, notes, slot, astray
    )


def _mended_start(
    t: Reals, slot: Index, astray: NDArray[np.bool_], plan: Plan, placing: Placing
) -> tuple[Index, Placing]:
    """Number the first row's notes anew where the motor started slowly.

    From a note late in the row back to the first, the slots are chosen whose speed changes least
    from step to step and whose notes are those that the row should have.
    """
    n = plan.positions
    start = int(placing.start[0])
    good = np.flatnonzero(~astray)
    row = good[(slot[good] >= start - 3) & (slot[good] < start + n)]
    first = 0 if plan.index else (start + placing.phase) % n
    expected = np.roll(plan.grid[int(placing.seen_row[0])], -first) == 1
    heard = np.zeros(n, bool)
    inside = slot[row] - start
    heard[inside[(inside >= 0) & (inside < n)]] = True
    wrong = int((heard != expected).sum()) + int((inside < 0).sum())
    early = np.flatnonzero(astray[: int(row[-1])]) if len(row) else row
    if len(row) < 8 or wrong + len(early) == 0:
        return slot, placing
    anchor = int(row[min(len(row) - 1, int(0.75 * len(row)))])
    times = t[: anchor + 1]
    keep = np.concatenate([np.diff(times) > 1e-3, [True]])
    index = np.flatnonzero(keep)
    ahead = t[anchor + 1 : anchor + 7]
    if len(ahead) < 2:
        return slot, placing
    period = float((ahead[-1] - t[anchor]) / max(1, slot[anchor + len(ahead)] - slot[anchor]))
    if not 0 < period < np.inf:
        return slot, placing
    found = _way_back(t[index], int(slot[anchor] - start), period, expected)
    if found is None:
        return slot, placing
    mended = np.zeros(n, bool)
    mended[found] = True
    pace = np.diff(t[index]) / np.diff(found)
    # both ways, as far as the notes that were numbered anew go
    part = slice(0, int(found[-1]) + 1)
    before = int((heard[part] != expected[part]).sum()) + int((inside < 0).sum()) + len(early)
    if int((mended[part] != expected[part]).sum()) + 2 > before or pace[0] < 1.1 * period:
        return slot, placing
    out = slot.copy()
    out[index] = found + start
    astray[index] = False
    return out, placing


def _way_back(t: Reals, last: int, period: float, expected: NDArray[np.bool_]) -> Index | None:
    """Slots of notes back from one that stands at `last`, where the next position took `period`."""
    states: dict[int, tuple[float, float, tuple[int, ...]]] = {last: (0.0, period, (last,))}
    missed = np.concatenate([[0], np.cumsum(expected)])
    for j in range(len(t) - 2, -1, -1):
        gap = float(t[j + 1] - t[j])
        now: dict[int, tuple[float, float, tuple[int, ...]]] = {}
        for s, (cost, before, way) in states.items():
            for steps in range(1, min(13, s + 1)):
                pace = gap / steps
                change = np.log(pace / before)
                if not -0.12 < change < 0.75:
                    continue
                at = s - steps
                price = cost + (change / 0.1) ** 2 + 2.5 * (missed[s] - missed[at + 1])
                price += 0.0 if expected[at] else 2.5
                if at not in now or price < now[at][0]:
                    now[at] = (price, pace, (at, *way))
        if not now:
            return None
        states = now
    best = min(states, key=lambda s: states[s][0] + 2.5 * missed[s])
    return np.array(states[best][2], np.int64)


def _following(
    passed: Reals, n: int, slots: Index, move_s: Reals | np.float64
) -> tuple[Index, Reals, Reals]:
    """For rows that begin in slots, the slots in which the next ones should begin, and how far
    before that moment the slot before passes and after it this one, in slots.

    `passed` tells when slots pass, from n before the first one on.
    """
    ends = passed[np.clip(slots + 2 * n - 1, 0, len(passed) - 1)] + move_s
    at = np.searchsorted(passed, ends, "right")
    next_at = np.clip(at, 1, len(passed) - 1)
    period = np.maximum(passed[next_at] - passed[next_at - 1], 1e-9)
    early = np.clip((ends - passed[next_at - 1]) / period, 0.0, 1.0)
    return at - n, early, 1.0 - early


def _with_runs(
    seen: NDArray[np.int8], notes: NDArray[np.void], slot: Index, slot_s: Reals
) -> NDArray[np.int8]:
    """The slots with all positions marked over which a note sounds on."""
    more = np.full(len(seen) + 64, -1, np.int8)
    more[: len(seen)] = seen
    times = _time_of(np.arange(len(more)), slot_s)
    last = len(seen)
    for note, k in zip(notes, slot, strict=True):
        if np.isfinite(note["off_s"]):
            end = int(np.searchsorted(times, note["off_s"] - 0.4 * _about(slot_s, int(k))))
            more[k:end] = 1
            last = max(last, min(end, len(more)))
    return more[:last]


def _about(slot_s: Reals, k: int) -> float:
    a, b = max(0, k - 8), min(len(slot_s) - 1, k + 8)
    return float((slot_s[b] - slot_s[a]) / max(1, b - a))


def _observed(
    take: MidiTake,
    listening: Listening,
    plan: Plan,
    placing: Placing,
    seen: NDArray[np.int8],
    slot_s: Reals,
    beat_slot: Index,
    beat_s: Reals,
    notes: NDArray[np.void],
    slot: Index,
    astray: NDArray[np.bool_],
) -> Observed:
    n, rows = plan.positions, plan.rows
    bits = np.full((rows, n), -1, np.int8)
    time = np.full((rows, n), np.nan)
    under = np.full((rows, n + 3), -1, np.int8)
    pitch = np.full((rows, n + 3), -1, np.int16)
    heard = np.full(len(seen), -1, np.int16)
    heard[slot[~astray]] = notes["pitch"][~astray]
    steps = np.arange(n + 3)
    for r in range(rows):
        start = int(placing.start[r])
        at = start + steps
        inside = (at >= 0) & (at < len(seen))
        under[r, inside] = (seen[at[inside]] > 0).astype(np.int8)
        under[r, ~inside] = 0
        pitch[r, inside] = heard[at[inside]]
        place = steps[:n] if plan.index else (start + placing.phase + steps[:n]) % n
        bits[r, place] = under[r, :n]
        time[r, place] = _time_of(start + steps[:n], slot_s)
    extra = notes["on_s"][astray]
    observed = Observed(
        kind="midi",
        bits=bits,
        time_s=time,
        under=under,
        beat_slot=beat_slot,
        beat_s=beat_s,
        slot_s=slot_s,
        placing=placing,
        told=float(listening.tells.mean()),
        extra_s=extra,
        extra_place=_places_of(extra, slot_s, placing, n),
        under_pitch=pitch,
    )
    return replace(observed, wire=_wire(take, listening, observed, plan))


def _time_of(slots: Index, slot_s: Reals) -> Reals:
    """When slots pass, beyond the ends as the speed was there."""
    n = len(slot_s)
    out = np.interp(slots, np.arange(n), slot_s)
    if n > 8:
        before, after = slots < 0, slots > n - 1
        out[before] = slot_s[0] + slots[before] * _about(slot_s, 0)
        out[after] = slot_s[-1] + (slots[after] - (n - 1)) * _about(slot_s, n - 1)
    return out


def _places_of(times: Reals, slot_s: Reals, placing: Placing, n: int) -> list[tuple[int, float]]:
    out = []
    for t in times:
        slot = float(np.interp(t, slot_s, np.arange(len(slot_s))))
        r = int(np.searchsorted(placing.start, slot, "right")) - 1
        if 0 <= r < len(placing.start) and slot < placing.start[r] + n + 1:
            out.append((r, slot - float(placing.start[r])))
    return out


def _wire(take: MidiTake, listening: Listening, seen: Observed, plan: Plan) -> Wire:
    """What was lost on the wire: note-offs alone, notes that hang."""
    n = plan.positions
    lost = []
    for t in take.orphans:
        slot = float(np.interp(t, seen.slot_s, np.arange(len(seen.slot_s)))) - 1.0
        r = int(np.searchsorted(seen.placing.start, slot + 0.5, "right")) - 1
        if r < 0:
            continue
        step = round(slot - float(seen.placing.start[r]))
        if 0 <= step < n:
            start = int(seen.placing.start[r])
            place = step if plan.index else (start + seen.placing.phase + step) % n
            if seen.bits[r, place] == 0:
                lost.append((r, int(place)))
    hanging = int(np.count_nonzero(~np.isfinite(take.notes["off_s"])))
    return Wire(len(take.orphans), hanging, len(take.struck_again), [], lost)

"""Takes of a disc player with or without faults, from mechanics, light and electronics alone.

The machine is simulated, not its signals: `motor_c` integrates motor, belt and disc; `detector_c`
has the light through an aperture, the amplifier and the comparator; `plan_c` draws a cheap
machine, runs its rule of rows and samples; `faults_c` has what goes wrong; `files_c` what a
recorder writes; `midi_c` recordings of notes. Sources of ranges stand there.

`Take.grid_read` is what the machine itself samples, put back in its places: 1, 0, and -1 where
the recorder has nothing. `Take.settings` is what the maker believes. `Take.where` counts from 0.

A healthy take has all bits right. A take with a fault is drawn again until the fault does harm.
Everything random comes from `default_rng([seed, 3, ...])`. Seeds that three divides are kept
back: nobody looks at results from them before the work on readers is done. This whole generator
is kept back as well.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.detector_c import compared
from tests.world.disc_c import LETTER, disc
from tests.world.faults_c import ALL, GROUPS, MACHINE, VOLTS
from tests.world.files_c import analog, digital
from tests.world.midi_c import ALSO, MIDI, Notes, midi_take
from tests.world.plan_c import ANALOG, Plan, Run, plan, run

FAULTS: tuple[str, ...] = (*MACHINE, *MIDI)
"""Faults by name."""


@dataclass(frozen=True)
class Take:
    """A recording of a player, and the truth about it."""

    disc: sonify.Disc
    settings: dict[str, Any]
    files: dict[str, bytes]
    faults: tuple[str, ...]
    where: dict[str, Any]
    grid_read: NDArray[np.int8]
    conditions: dict[str, Any]
    threshold: float | None = None
    """The threshold set in the machine, in V, where the fault is in it."""
    presets: tuple[str, ...] = ()
    """Of a MIDI recording: the presets that it was played with."""


def _attempt(seed: int, tag: int, number: int, faults: Sequence[str], kinds: Sequence[str]) -> Plan:
    """A machine with faults; the same machine whatever the faults are."""
    rng = np.random.default_rng([seed, LETTER, tag, number])
    kind = str(rng.choice(list(kinds)))
    out = plan(rng, disc(rng), kind)
    for fault in faults:
        own = np.random.default_rng([seed, LETTER, tag, number, zlib.crc32(fault.encode())])
        MACHINE[fault][0](out, own)
    return out


def _run(seed: int, tag: int, number: int, made: Plan) -> Run:
    return run(np.random.default_rng([seed, LETTER, tag, number, 1]), made)


def _sound(seed: int, tag: int, number: int, kinds: Sequence[str]) -> bool:
    """Whether the machine reads all bits while nothing is wrong with it."""
    made = _attempt(seed, tag, number, (), kinds)
    return bool(np.array_equal(_run(seed, tag, number, made).bits, made.disc.grid))


def _harm(made: Plan, ran: Run, fault: str) -> bool:
    """Whether a fault shows."""
    wrong = int((ran.bits != made.disc.grid).sum())
    if fault == "wrong-setting" and made.where["unit"] == "row-start":
        n = made.disc.positions
        settings = made.settings
        wait = settings["stage"] + settings["settle"]
        return bool((ran.work.starts % n).any()) or wait < 0.8 * made.turn_s
    if fault == "wrong-setting":
        return wrong > 0
    return wrong > 0 if MACHINE[fault][2] else True


def _files(seed: int, tag: int, made: Plan, ran: Run) -> tuple[dict[str, bytes], NDArray[np.int8]]:
    """The file and the bits that it can show."""
    rng = np.random.default_rng([seed, LETTER, tag, 2])
    t = np.arange(len(ran.clock_v)) / ran.rate
    kept = np.ones(len(t), np.bool_)
    bits = ran.bits
    if made.drops:
        first, last = ran.work.row_s[0], ran.work.end_s[-1]
        length = max(2, int(made.drop_length * made.position_s * ran.rate))
        for at in rng.uniform(first, last, made.drops):
            kept[int(at * ran.rate) : int(at * ran.rate) + length] = False
        lost = ~kept[np.minimum(np.round(ran.passes_s * ran.rate).astype(int), len(t) - 1)]
        row, place = np.nonzero(lost)
        bits = bits.copy()
        bits[row, (ran.work.starts[row] + place) % made.disc.positions] = -1
        if rng.random() < 0.5 or made.kind not in ("csv", "digital"):
            t = np.arange(int(kept.sum())) / ran.rate  # the recorder counts samples, not time
        else:
            t = t[kept]
    clock, data = ran.clock_v[kept], ran.data_v[kept]
    if made.kind in ANALOG:
        return analog(rng, made.kind, t, clock, data, ran.rate), bits
    levels = []
    for v, channel, middle in (
        (clock, made.clock, made.clock.middle),
        (data, made.data, made.middle),
    ):
        half = made.hysteresis * channel.swing
        level = compared(v, middle - half, middle + half)
        levels.append(1 - level if made.hole_is_one else level)
    return digital(rng, made.kind, t, levels[0], levels[1], ran.rate), bits


def _take(seed: int, tag: int, made: Plan, ran: Run, faults: tuple[str, ...], where: Any) -> Take:
    files, bits = _files(seed, tag, made, ran)
    return Take(
        disc=made.disc,
        settings=made.settings,
        files=files,
        faults=faults,
        where=where,
        grid_read=bits,
        conditions=made.conditions
        | {
            "kind": made.kind,
            "drift": made.drive.drift,
            "flutter": made.drive.flutter + made.drive.pulley_flutter,
            "rate": ran.rate,
            "row_start": made.row_start,
            "passes_s": ran.passes_s,
            "starts": ran.work.starts,
            "middle": made.middle,
            "hole_is_one": made.hole_is_one,
        },
        threshold=made.threshold,
    )


def _notes_take(notes: Notes) -> Take:
    return Take(
        disc=notes.disc,
        settings=notes.settings,
        files={"recording.mid": notes.mid},
        faults=notes.faults,
        where=notes.where,
        grid_read=notes.grid_read,
        conditions=notes.conditions | {"kind": "midi"},
        presets=notes.presets,
    )


def healthy(seed: int) -> Take:
    """A take of a machine without a fault; one in eight is of its notes."""
    if np.random.default_rng([seed, LETTER, 9]).random() < 0.125:
        return _notes_take(midi_take(seed, None))
    for number in range(100):
        made = _attempt(seed, 0, number, (), ALL)
        ran = _run(seed, 0, number, made)
        if np.array_equal(ran.bits, made.disc.grid):
            return _take(seed, 0, made, ran, (), {})
    raise AssertionError("no healthy machine in a hundred")


def faulty(seed: int, fault: str) -> Take:
    """A take with one fault of `FAULTS`, at a size that does harm."""
    tag = 10 + FAULTS.index(fault)
    notes = np.random.default_rng([seed, LETTER, tag]).random() < 0.15
    if fault in MIDI or (fault in ALSO and notes):
        return _notes_take(midi_take(seed, fault))
    for number in range(200):
        kinds = MACHINE[fault][1]
        made = _attempt(seed, tag, number, (fault,), kinds)
        few = made.disc.rows < 3 and fault in ("wrong-row-pitch", "backlash", "data-dead")
        if few or not _sound(seed, tag, number, kinds):
            continue
        ran = _run(seed, tag, number, made)
        if _harm(made, ran, fault):
            return _take(seed, tag, made, ran, (fault,), made.where)
    raise AssertionError(f"{fault} does no harm in two hundred machines")


def two_faults(seed: int) -> Take:
    """A take with two faults of different kinds, each of which does harm without the other."""
    rng = np.random.default_rng([seed, LETTER, 8])
    for number in range(200):
        groups = rng.choice(len(GROUPS), 2, replace=False)
        pair = tuple(str(rng.choice(list(GROUPS[int(g)]))) for g in sorted(groups))
        kinds = [k for k in MACHINE[pair[0]][1] if k in MACHINE[pair[1]][1]]
        if not kinds:
            kinds = list(VOLTS)
        if not _sound(seed, 8, number, kinds):
            continue
        both = []
        for fault in pair:
            made = _attempt(seed, 8, number, (fault,), kinds)
            if made.disc.rows < 4 or not _harm(made, _run(seed, 8, number, made), fault):
                break
            both.append(made.where)
        if len(both) == 2:
            made = _attempt(seed, 8, number, pair, kinds)
            ran = _run(seed, 8, number, made)
            return _take(seed, 8, made, ran, pair, dict(zip(pair, both, strict=True)))
    raise AssertionError("no two faults in two hundred machines")

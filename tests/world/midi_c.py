"""Recordings of a player's notes, over a wire that may fail.

The machine turns and reads as in `plan_c`; what it reads plays the notes of a preset that ships,
each at the moment at which its place passes. A sequencer records them at a fixed tempo of its
own. The wire is MIDI 1.0 (31,250 baud, three bytes a message: 0.96 ms); its jitter of 0 to 3 ms
is common practice, no source.

- midi-lost-note-offs: a share of note-offs is lost; their notes hang.
- midi-lost-notes: a share of notes is lost, in bursts or singly, their note-offs with them.
- midi-rows-missing: the recorder stopped early or started late, or the cable was out for some
  rows.
- midi-late: a buffer stalls now and then, for half a position or longer, and lets go of all that
  has gathered at once; a note comes late by a third of a position or more.

A row that the recorder has not heard is -1 in `grid_read`; a one whose notes are all lost is 0.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sonify
from sonify.performance import Performance
from tests.world.disc_c import LETTER, disc, with_grid
from tests.world.faults_c import MACHINE
from tests.world.notes_c import Song, file, song
from tests.world.plan_c import Plan, Run, plan, run

Reals = NDArray[np.float64]
Rng = np.random.Generator

MIDI = ("midi-lost-note-offs", "midi-lost-notes", "midi-rows-missing", "midi-late")
ALSO = (
    "rows-swapped", "stage-missed-step", "data-dead", "motor-off-speed", "motor-drift",
    "blocked-hole", "extra-hole", "disc-other",
)  # fmt: skip
"""Faults of the machine that a recording of notes shows too."""

PRESETS = tuple(
    sorted(p.stem for p in (Path(__file__).parents[2] / "presets" / "music").glob("*.toml"))
)


@dataclass(frozen=True)
class Notes:
    """A recording of notes and the truth about it."""

    disc: sonify.Disc
    settings: dict[str, Any]
    mid: bytes
    faults: tuple[str, ...]
    where: dict[str, Any]
    grid_read: NDArray[np.int8]
    conditions: dict[str, Any]
    presets: tuple[str, ...]


def _played(made: Plan, ran: Run, grid: NDArray[np.int8], preset: str) -> Performance:
    """What the machine plays, row by row when it reads them."""
    settings: dict[str, Any] = {f"player.{k}": v for k, v in made.settings.items()}
    show = sonify.perform(
        with_grid(made.disc, grid), [preset], settings | {"music.timing": "player"}
    )
    starts = ran.work.starts - ran.work.starts[0]
    first = starts % made.disc.positions
    return replace(show, timeline=replace(show.timeline, row_slot=starts, row_first=first))


def _clear(show: Performance) -> bool:
    """Whether nearly every one has a note of its own."""
    notes, grid = show.notes, show.disc.grid
    told = set(zip(notes["row"].tolist(), notes["position"].tolist(), strict=True))
    ones = list(zip(*(a.tolist() for a in np.nonzero(grid == 1)), strict=True))
    return bool(ones) and sum(one in told for one in ones) >= 0.97 * len(ones)


def _in_time(made: Plan, ran: Run, show: Performance, heard: Song) -> Song:
    """Ticks of the performance to the seconds at which they come."""
    n, step = made.disc.positions, show.grid.step_ticks
    slot = ((ran.work.starts - ran.work.starts[0])[:, None] + np.arange(n)).ravel()
    when = np.maximum.accumulate(ran.passes_s.ravel())
    last = float(np.median(np.diff(when[-n:])))
    slots = np.append(slot, slot[-1] + 1000.0)
    times = np.append(when, when[-1] + 1000.0 * last)
    on, off = (np.interp(x / step, slots, times) for x in (heard.on, heard.off))
    return replace(heard.at(on, off), control_at=np.maximum(0.0, np.interp(
        heard.control_at / step, slots, times) - 0.002))  # fmt: skip


def _lost_note_offs(heard: Song, rng: Rng, made: Plan, grid: NDArray[np.int8]) -> tuple[Song, Any]:
    share = 0.02 * 25 ** float(rng.random())
    gone = rng.random(len(heard.on)) < share
    gone[rng.integers(len(gone))] = True
    return replace(heard, ended=~gone), (100 * float(gone.mean()), "% of note-offs", None)


def _lost_notes(heard: Song, rng: Rng, made: Plan, grid: NDArray[np.int8]) -> tuple[Song, Any]:
    share = 0.01 * 35 ** float(rng.random())
    n = len(heard.on)
    if rng.random() < 0.5:
        gone = rng.random(n) < share
    else:
        gone = np.zeros(n, np.bool_)
        for at in rng.integers(0, n, max(1, round(share * n / 5))):
            gone[at : at + int(rng.integers(2, 9))] = True
    gone[rng.integers(n)] = True
    left = heard.keep(~gone)
    told = set(zip(left.row.tolist(), left.position.tolist(), strict=True))
    lost = heard.keep(gone)
    for row, position in zip(lost.row.tolist(), lost.position.tolist(), strict=True):
        if (row, position) not in told and grid[row, position] == 1:
            grid[row, position] = 0
    return left, (100 * float(gone.mean()), "% of notes", int(lost.row[0]))


def _rows_missing(heard: Song, rng: Rng, made: Plan, grid: NDArray[np.int8]) -> tuple[Song, Any]:
    rows = made.disc.rows
    count = int(rng.integers(1, max(2, rows // 2 + 1)))
    way = rng.random()
    first = (
        rows - count if way < 0.6 else 0 if way < 0.75 else int(rng.integers(0, rows - count + 1))
    )
    gone = (heard.row >= first) & (heard.row < first + count)
    grid[first : first + count] = -1
    return heard.keep(~gone), (count, "rows", first)


def _late(heard: Song, rng: Rng, made: Plan, grid: NDArray[np.int8]) -> tuple[Song, Any]:
    length = max(0.03, 0.5 * made.position_s) * 12 ** float(rng.random())
    end = float(heard.on[-1])
    count = max(2, int(end / 12 * float(rng.uniform(0.3, 2))))
    starts = np.sort(rng.choice(heard.on, count) - rng.uniform(0, length * 0.7, count))
    stalls = np.column_stack((starts, starts + length * rng.uniform(0.5, 1, count)))

    def through(t: Reals) -> Reals:
        out = t.copy()
        for low, high in stalls:
            stuck = (out >= low) & (out < high)
            # three bytes a message once the wire is free
            out[stuck] = high + 0.00096 * np.argsort(np.argsort(out[stuck], kind="stable"))
        return out

    late = through(heard.on) - heard.on
    worst = int(np.argmax(late))
    if late[worst] < made.position_s / 3:
        return heard.keep(np.zeros(len(heard.on), np.bool_)), (0.0, "s", None)
    told = (float(late[worst]), "s", int(heard.row[worst]))
    return heard.at(through(heard.on), through(heard.off)), told


_WIRE = dict(zip(MIDI, (_lost_note_offs, _lost_notes, _rows_missing, _late), strict=True))


def midi_take(seed: int, fault: str | None) -> Notes:
    """A recording of notes, with one of `MIDI` or `ALSO`, or healthy."""
    tag = zlib.crc32((fault or "healthy").encode())
    for number in range(300):
        rng = np.random.default_rng([seed, LETTER, 7, tag, number])
        made = plan(rng, disc(rng, most_bits=1500), "edges")
        sound = run(np.random.default_rng([seed, LETTER, 6, number]), made)
        if made.disc.rows < 3 or not np.array_equal(sound.bits, made.disc.grid):
            continue
        if fault in MACHINE:
            MACHINE[fault][0](made, rng)
            ran = run(np.random.default_rng([seed, LETTER, 6, number]), made)
            if MACHINE[fault][2] and np.array_equal(ran.bits, made.disc.grid):
                continue
        else:
            ran = sound
        grid = ran.bits.copy()
        preset = str(rng.choice(PRESETS))
        show = _played(made, ran, grid, preset)
        if not _clear(show) or len(show.notes) < 12:
            continue
        heard = _in_time(made, ran, show, song(show))
        where: dict[str, Any] = made.where
        if fault in _WIRE:
            heard, (size, unit, row) = _WIRE[fault](heard, rng, made, grid)
            where = {"row": row, "position": None, "size": size, "unit": unit}
            if len(heard.on) < 8:
                continue
        wire = rng.uniform(0, 0.003 * float(rng.random()), len(heard.on))
        heard = heard.at(heard.on + wire, heard.off + wire)
        # some sequencers begin at the first note, others when their user pressed record
        begin = 0.0 if rng.random() < 0.5 else max(0.0, float(heard.on[0]) - 0.5)
        per_quarter = int(rng.choice([96, 240, 480, 960]))
        tempo = round(60e6 / float(rng.choice([90, 100, 120, 120, 120, 140])))
        ticks = per_quarter * 1e6 / tempo
        heard = replace(
            heard,
            on=(heard.on - begin) * ticks,
            off=(heard.off - begin) * ticks,
            control_at=np.maximum(0, heard.control_at - begin) * ticks,
        )
        mid = file(heard, [(0, tempo)], per_quarter, int(rng.random() < 0.5))
        return Notes(
            disc=made.disc,
            settings=made.settings,
            mid=mid,
            faults=() if fault is None else (fault,),
            where=where if fault else {},
            grid_read=grid,
            conditions={"preset": preset, "passes_s": ran.passes_s, "starts": ran.work.starts},
            presets=(preset,),
        )
    raise AssertionError(f"no recording of {fault} in three hundred")

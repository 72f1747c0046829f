"""How many bits of a disc are kept by the notes of some voice.

A voice keeps a bit if no disc that differs in this bit and in others near it makes the same notes.
All values of a short window of bits are tried, and all values of a code unit where a voice waits
for the whole unit. The search of `sonify read` compares whole discs, but takes seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream
from sonify.music.metre import Grid
from sonify.music.mixing import GOLDEN, mixed
from sonify.music.note_changes import NoteChange
from sonify.music.notes import untuned_parts
from sonify.music.settings import Music, Voice
from sonify.music.trials import Before, Trials
from sonify.music.voices import rules_of, scheme_of

__all__ = ["bits_kept"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]

WIDTH = 6
"""Bits of a window. Own choice: windows of 8 take four times as long, and found at most 7 % more
lost bits in 25 presets."""

MOST_UNIT_BITS = 8
"""The most bits of a code unit that are tried in all ways."""

ROWS = 2
"""How many rows are compared from a window's own on: the next one for notes that come late."""

AT_ONCE = 400_000
"""The most positions of trial discs that are made side by side: some tens of megabytes."""


@dataclass(frozen=True, eq=False)
class _Mapping:
    """What makes the notes; `units` tells whether some depend on whole code units."""

    music: Music
    grid: Grid
    changes: tuple[NoteChange, ...]
    units: bool


def bits_kept(
    music: Music, m: BitStream, grid: Grid, most: int = 0, changes: tuple[NoteChange, ...] = ()
) -> tuple[int, int]:
    """How many bits the notes of some voice keep, and of how many.

    Parameters
    ----------
    music : Music
    m : BitStream
    grid : Grid
    most : int
        About how many bits to try, in rows spread evenly over the disc; 0 for all of them.
    changes : tuple of NoteChange
        Notes changed by hand: a bit whose notes are all muted is lost.

    Returns
    -------
    kept, tried : int
        Unknown bits are not tried.
    """
    rows = np.arange(m.rows)
    if most and most < len(m.bits):
        count = max(1, most // m.positions)
        rows = rows[np.linspace(0, m.rows - 1, count + 2).astype(np.int64)[1:-1]]
    tried = (m.bits >= 0) & np.isin(m.row(np.arange(len(m.bits))), rows)
    lost = np.zeros((len(music.voice), len(m.bits)), bool)
    by = _Mapping(music, grid, changes, any(_waits(v) for v in music.voice))
    for row in rows.tolist():
        _mark_lost(lost, by, m, row)
    kept = tried & ~lost.all(axis=0)
    return int(kept.sum()), int(tried.sum())


def _waits(voice: Voice) -> bool:
    """Whether its notes depend on whole code units."""
    if any(rule.waits_for_character() for rule in rules_of(voice, "music.voice")):
        return True
    pitched = voice.drum is None or isinstance(voice.drum, tuple)
    return pitched and scheme_of(voice, "music.voice").waits_for_character()


def _windows(m: BitStream, row: int, units: bool) -> list[Ints]:
    """The windows of bits to try that begin in a row, by their index in the order of reading."""
    after = np.arange(row * m.positions, min((row + 2) * m.positions, len(m.bits)))
    out = [after[k : k + WIDTH] for k in range(0, m.positions, WIDTH // 2)]
    if units:
        unit = m.character(after)
        starts = after[: m.positions][m.in_character(after[: m.positions]) == 0]
        out += [after[unit == u][:MOST_UNIT_BITS] for u in m.character(starts)]
    return out


def _mark_lost(lost: NDArray[np.bool_], by: _Mapping, m: BitStream, row: int) -> None:
    """Mark the bits that each voice loses in a row's windows; `lost` is (voices, bits)."""
    begin, end = row * m.positions, min((row + ROWS) * m.positions, len(m.bits))
    every = np.concatenate([_flips(w - begin, end - begin) for w in _windows(m, row, by.units)])
    every &= m.bits[begin:end] >= 0
    every = every[every.any(axis=1)]
    # a change within a row mostly shows there; where it always does in some voice, all is told
    alone = ~every[:, m.positions :].any(axis=1)
    own = every[alone]
    unheard = _same_by_voice(by, m, own[:, : m.positions], row)
    if end - begin > m.positions and unheard.any(axis=1).all():
        every = np.concatenate([every[~alone], own[unheard.any(axis=0)]])
    else:
        every = every[~alone]
        for mine, these in zip(lost, unheard, strict=True):
            mine[begin:end] |= own[these].any(axis=0)
    same = _same_by_voice(by, m, every, row)
    for mine, these in zip(lost, same, strict=True):
        mine[begin:end] |= every[these].any(axis=0)


def _flips(window: Ints, span: int) -> NDArray[np.bool_]:
    """All ways to change the bits of a window, shape (ways, span)."""
    ways = np.arange(1, 1 << len(window))
    out = np.zeros((len(ways), span), bool)
    out[:, window] = (ways[:, None] >> np.arange(len(window))) & 1
    return out


def _same_by_voice(
    by: _Mapping, m: BitStream, flips: NDArray[np.bool_], row: int
) -> NDArray[np.bool_]:
    """Which discs with some bits from a row on flipped make the same notes, (voices, discs)."""
    lots = max(1, AT_ONCE // flips.shape[1])
    some = [_same(by, m, flips[k : k + lots], row) for k in range(0, len(flips), lots)]
    none = np.zeros((len(by.music.voice), 0), bool)
    return np.concatenate([none, *some], axis=1)


def _same(by: _Mapping, m: BitStream, flip: NDArray[np.bool_], row: int) -> NDArray[np.bool_]:
    # a unit that ends in this row may have notes in the row before
    split = row > 0 and row * m.positions % m.unit_bits > 0
    lead = m.positions if split and by.units else 0
    begin = row * m.positions - lead
    flip = np.pad(flip, ((0, 0), (lead, 0)))
    mine = m.bits[begin : begin + flip.shape[1]]
    bits = np.where(np.vstack([np.zeros_like(flip[:1]), flip]), 1 - mine, mine).astype(np.int8)
    before = Before.of(m.bits[None, :begin]).repeated(len(bits))
    first = begin // m.positions
    trials = Trials.side_by_side(bits, m.timeline, m.unit_bits, first, before)
    trials = replace(trials, space=m.space)
    out = []
    for part in untuned_parts(by.music, trials, by.grid, by.changes):
        trial = part.index // trials.span
        start = trial * (trials.apart * by.grid.step_ticks)
        pitch = np.rint(part.pitch * 1024).astype(np.int64)
        sign = np.zeros(len(part), np.uint64)
        total = np.zeros(len(bits), np.uint64)
        with np.errstate(over="ignore"):
            for column in (pitch, part.on - start, part.off - start, part.velocity):
                sign = mixed(sign + column.astype(np.uint64) + np.uint64(GOLDEN))
            np.add.at(total, trial, sign)
        out.append(total[1:] == total[0])
    return np.stack(out)

"""Every musical preset on five discs that it was not made for, measured, in one table.

    python -m tests.benchmarks.preset_table [PRESET ...] [--each]

The figures are means over the discs (endings: on how many discs the bass ends on the root; silence:
the longest on any; kept: on how many discs all bits are kept). `chg` is how far bars 9 to 16 are
from bars 1 to 8; `ret` how much of that way some later eight bars come back. `mach` says on how
many discs a machine can play it, at the machine's own timing. `near` is the nearest other preset
and its distance, from 0 to 1; for it all presets are always compared, and the
closest pairs are listed. `--each` prints every disc.
"""

from __future__ import annotations

import itertools
import sys
import warnings
from dataclasses import replace

import numpy as np
from msgspec import structs

import sonify
from sonify.export.firmware import plan_of
from sonify.music.measures.bits_kept import bits_kept
from sonify.music.measures.ending import CLOSED
from sonify.music.measures.nearness import (
    Profile,
    distances,
    piece_distance,
    profile_of_parts,
)
from sonify.music.measures.piece import Measures, measured
from sonify.music.notes import Part
from tests.benchmarks.discs import FIVE
from tests.shipped import MUSIC

MEDIAN, NEAREST = 0.425, 0.252
"""The median distance between two of the 25 presets on these discs, and that to the nearest other
one, when this was first measured."""

HEAD = (
    "preset            key   bpm  dens  arc  dyn  reg span rest  sil with betw  chg   ret end "
    " trace   kept     mach  near"
)

CLOSEST = 10
"""Pairs of presets that are printed with what tells them apart."""

EIGHT = 8
"""Bars after which something should have changed, and after twice as many come back."""


def main() -> None:
    each = "--each" in sys.argv
    names = [p.stem for p in MUSIC]
    wanted = [a for a in sys.argv[1:] if a != "--each"] or names
    warnings.simplefilter("ignore", RuntimeWarning)  # means of nothing, where pieces are short
    print(HEAD)
    profiles: dict[str, list[Profile]] = {}
    rows = []
    for name in names:
        shows = [sonify.perform(disc, ["usual", name]) for disc in FIVE]
        profiles[name] = [profile_of_parts(s.parts, s.grid, s.tick_s) for s in shows]
        if name not in wanted:
            continue
        found = [measured(s.parts, s.bit_stream, s.grid, s.setup.music) for s in shows]
        kept = [bits_kept(s.setup.music, s.bit_stream, s.grid) for s in shows]
        more = [(s.tempo_bpm, *change_and_return(s), followed(name, s.disc)) for s in shows]
        rows.append((name, found, kept, more))
    apart = {
        frozenset((a, b)): float(np.mean(list(map(piece_distance, profiles[a], profiles[b]))))
        for a, b in itertools.combinations(names, 2)
    }
    for name, found, kept, more in rows:
        others = {b: apart[frozenset((name, b))] for b in names if b != name}
        near = min(others, key=others.__getitem__)
        print(f"{_line(name, found, kept, more)}  {others[near]:.2f} {near}")
        if each:
            for disc, one, bits, m in zip(FIVE, found, kept, more, strict=True):
                ending = f"{one.ending}, {bits[0]}/{bits[1]} bits, {one.key}"
                print(f"{_line('  ' + disc.name, [one], [bits], [m])}  {ending}; {one.traced_in}")
    print(
        f"distances: median {np.median(list(apart.values())):.3f} (at first {MEDIAN}), "
        f"least {min(apart.values()):.3f} (at first the median of the nearest was {NEAREST})"
    )
    for pair, far in sorted(apart.items(), key=lambda e: e[1])[:CLOSEST]:
        print(f"  {far:.3f}  {' and '.join(sorted(pair))}: {_told_apart(profiles, *sorted(pair))}")
    told = [np.mean([m.traceability for m in found]) for _, found, *_ in rows]
    whole = [all(k == of for k, of in kept) for _, _, kept, _ in rows]
    played = sum(all(m[-1] for m in more) for *_, more in rows)
    print(
        f"traceability over 0.5: {np.sum(np.array(told) > 0.5)}; every bit kept: {sum(whole)}; "
        f"a machine plays {played} on all discs"
    )


def _told_apart(profiles: dict[str, list[Profile]], a: str, b: str) -> str:
    """By what two presets are told apart: each part of their distance but the instruments."""
    ways = [distances(x, y, transposed=True) for x, y in zip(profiles[a], profiles[b], strict=True)]
    return ", ".join(f"{way} {np.mean([w[way] for w in ways]):.2f}" for way in ways[0])


def followed(name: str, disc: sonify.Disc) -> bool:
    """Whether a machine can play a preset on a disc, in the machine's own timing."""
    if disc.code is not None and disc.code.check == "reed-solomon":
        # no core repairs bits, whatever it plays
        disc = replace(disc, code=structs.replace(disc.code, check="none"))
    try:
        plan_of(sonify.perform(disc, ["usual", name], {"music.timing": "player"}))
    except sonify.InputError:
        return False
    return True


def change_and_return(show: sonify.Performance) -> tuple[float, float]:
    """How far the second eight bars are from the first, and how much of that way a later eight
    come back; nan in a piece that is too short."""
    eight = EIGHT * show.grid.bar_ticks
    windows = []
    for start in range(0, show.end_tick - eight // 2, eight):
        parts = [_within(p, start, start + eight) for p in show.parts]
        windows.append(profile_of_parts(parts, show.grid, show.tick_s))
    if len(windows) < 3:
        return float("nan"), float("nan")
    changed = piece_distance(windows[0], windows[1])
    back = min(piece_distance(windows[0], w) for w in windows[2:])
    return changed, (changed - back) / max(changed, 1e-9)


def _within(part: Part, start: int, stop: int) -> Part:
    there = (part.on >= start) & (part.on < stop)
    columns = {c: getattr(part, c)[there] for c in ("index", "pitch", "velocity")}
    return replace(part, on=part.on[there] - start, off=part.off[there] - start, **columns)


def _line(
    name: str, found: list[Measures], kept: list[tuple[int, int]], more: list[tuple[float, ...]]
) -> str:
    def mean(field: str) -> float:
        return float(np.mean([getattr(m, field) for m in found]))

    ends = sum(m.ending in CLOSED for m in found)
    whole = sum(k == of for k, of in kept)
    share = sum(k for k, _ in kept) / sum(of for _, of in kept)
    bpm, changed, back, machine = np.nanmean(np.array(more, float), axis=0)
    return (
        f"{name:16} {mean('clarity'):5.2f} {bpm:5.0f} {mean('density'):5.1f} "
        f"{mean('density_arc'):4.0%} "
        f"{mean('dynamics_arc'):4.1f} {mean('register_arc'):4.1f} {mean('span'):4.0f} "
        f"{mean('rests'):4.0%} {max(m.silence for m in found):4.1f} {mean('within'):4.2f} "
        f"{mean('between'):4.2f} {changed:4.2f} {back:5.0%} {ends:3} {mean('traceability'):6.2f} "
        f"{whole}/{len(kept)} {share:4.0%} {machine:4.0%}"
    )


if __name__ == "__main__":
    main()

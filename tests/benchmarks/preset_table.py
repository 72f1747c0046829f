"""Every musical preset on five discs that it was not made for, measured, in one table.

    python -m tests.benchmarks.preset_table [PRESET ...] [--each]

The figures are means over the discs (endings: on how many discs the bass ends on the root; silence:
the longest on any; kept: on how many discs all bits are kept). `--each` prints every disc. `near`
is the nearest other preset and its distance, from 0 to 1; for it all presets are always compared.
"""

from __future__ import annotations

import itertools
import sys

import numpy as np

import sonify
from sonify.music.measures.bits_kept import bits_kept
from sonify.music.measures.ending import CLOSED
from sonify.music.measures.nearness import Profile, piece_distance, profile_of_parts
from sonify.music.measures.piece import Measures, measured
from tests.benchmarks.discs import FIVE
from tests.shipped import MUSIC

MEDIAN = 0.425
"""The median distance between two of the 25 presets on these discs when this was first measured."""

HEAD = "preset            key  dens  arc  dyn  reg span rest  sil with betw end  trace   kept  near"


def main() -> None:
    each = "--each" in sys.argv
    names = [p.stem for p in MUSIC]
    wanted = [a for a in sys.argv[1:] if a != "--each"] or names
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
        rows.append((name, found, kept))
    apart = {
        frozenset((a, b)): float(np.mean(list(map(piece_distance, profiles[a], profiles[b]))))
        for a, b in itertools.combinations(names, 2)
    }
    for name, found, kept in rows:
        others = {b: apart[frozenset((name, b))] for b in names if b != name}
        near = min(others, key=others.__getitem__)
        print(f"{_line(name, found, kept)}  {others[near]:.2f} {near}")
        if each:
            for disc, one, bits in zip(FIVE, found, kept, strict=True):
                ending = f"{one.ending}, {bits[0]}/{bits[1]} bits, {one.key}"
                print(f"{_line('  ' + disc.name, [one], [bits])}  {ending}; {one.traced_in}")
    print(
        f"distances: median {np.median(list(apart.values())):.3f} (at first {MEDIAN}), "
        f"least {min(apart.values()):.3f}"
    )
    told = [np.mean([m.traceability for m in found]) for _, found, _ in rows]
    whole = [all(k == of for k, of in kept) for _, _, kept in rows]
    print(f"traceability over 0.5: {np.sum(np.array(told) > 0.5)}; every bit kept: {sum(whole)}")


def _line(name: str, found: list[Measures], kept: list[tuple[int, int]]) -> str:
    def mean(field: str) -> float:
        return float(np.mean([getattr(m, field) for m in found]))

    ends = sum(m.ending in CLOSED for m in found)
    whole = sum(k == of for k, of in kept)
    share = sum(k for k, _ in kept) / sum(of for _, of in kept)
    return (
        f"{name:16} {mean('clarity'):5.2f} {mean('density'):5.1f} {mean('density_arc'):4.0%} "
        f"{mean('dynamics_arc'):4.1f} {mean('register_arc'):4.1f} {mean('span'):4.0f} "
        f"{mean('rests'):4.0%} {max(m.silence for m in found):4.1f} {mean('within'):4.2f} "
        f"{mean('between'):4.2f} {ends:3} {mean('traceability'):6.2f} {whole}/{len(kept)} "
        f"{share:4.0%}"
    )


if __name__ == "__main__":
    main()

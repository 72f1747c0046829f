"""Every musical preset on twenty discs of all sizes: what it can't play, or plays out of shape.

    python -m tests.benchmarks.preset_discs [PRESET ...] [--timing player|bars]

Reported for each preset: on how many discs it fails, is silent for more than a beat and a bar,
has a voice that only plays the last chord, fills rows up to a bar line with more rest than the
stage's move needs, or begins rows inside bars.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

import sonify
from sonify.music.measures.piece import measured
from tests.benchmarks.discs import many_discs
from tests.shipped import MUSIC


def problems(show: sonify.Performance) -> dict[str, str]:
    """What is wrong with a performance: a word for each kind of fault, and a figure."""
    out: dict[str, str] = {}
    grid, line = show.grid, show.timeline
    m = measured(show.parts, show.bit_stream, grid, show.setup.music)
    if m.silence > grid.metre[0] + 1:
        out["silence"] = f"{m.silence:g} beats in {grid.metre[0]}/{grid.metre[1]}"
    end = line.end_slot * grid.step_ticks
    silent = [p.name for p in show.parts if not (p.on < end).any()]
    if silent:
        out["no notes"] = ", ".join(silent)
    bar = 4 * grid.ticks_per_quarter * grid.metre[0] / grid.metre[1]
    beat = bar / grid.metre[0] / grid.step_ticks
    if show.setup.music.timing == "bars" and line.rows > 1:
        player = show.setup.player
        move = math.ceil((player.stage + player.settle) / line.position_s - 1e-9)
        extra = int(line.gaps.max()) - math.ceil(move / beat) * beat
        if extra > 0:
            share = extra / (line.positions + int(line.gaps.max()))
            out["padding"] = f"{extra / beat:g} beats, {share:.0%} of a row"
    starts = line.row_slot * grid.step_ticks % bar
    if starts.any():
        out["metre"] = f"rows begin inside bars of {grid.metre[0]}/{grid.metre[1]}"
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("preset", nargs="*")
    parser.add_argument("--timing", choices=("player", "bars"))
    arguments = parser.parse_args()
    discs = many_discs()
    settings = {"music.timing": arguments.timing} if arguments.timing else {}
    kinds = ("fails", "silence", "no notes", "padding", "metre")
    print(f"{'on ' + str(len(discs)) + ' discs':16}", *(f"{k:>8}" for k in kinds), " worst")
    total = np.zeros(len(kinds), int)
    for name in arguments.preset or [p.stem for p in MUSIC]:
        count = dict.fromkeys(kinds, 0)
        examples: dict[str, str] = {}
        for disc in discs:
            try:
                found = problems(sonify.perform(disc, ["usual", name], settings))
            except sonify.InputError as e:
                found = {"fails": str(e)}
            for kind, what in found.items():
                count[kind] += 1
                examples.setdefault(kind, f"{disc.name}: {what}")
        total += np.array(list(count.values()))
        print(f"{name:16}", *(f"{c:8}" for c in count.values()), " ", "; ".join(examples.values()))
    print(f"{'all':16}", *(f"{c:8}" for c in total))


if __name__ == "__main__":
    main()

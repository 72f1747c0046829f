"""Every shipped disc from the MIDI of every shipped preset, and back.

    python -m tests.benchmarks.recordings [DISC ...] [played]

Each line tells how many bits are unknown, for the mapping loses them, and how many are wrong.
With `played` the file is not the one that `midi` writes but a recording of a player's output, up
to 3 % off its speed and with notes up to 3 ms late.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

import sonify
from sonify.errors import InputError
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from tests.recover.midi_recorder import record
from tests.shipped import DISCS, MUSIC


def one(disc: sonify.Disc, preset: str, folder: Path, speed: float | None) -> tuple[str, int, int]:
    """What became of one recording, with its unknown and its wrong bits."""
    path = sonify.perform(disc, presets=[preset]).save(folder / f"{disc.name}-{preset}.mid")
    if speed is not None:
        record(path, path, speed, late=0.003)
    positions = None if speed is None else disc.positions
    start = time.perf_counter()
    try:
        seen = read_source(path, ReadOptions(presets=(preset,), positions=positions))
    except InputError as e:
        return f"refused: {e.what}", 0, 0
    took = time.perf_counter() - start
    bits = seen.bits()
    if bits.shape != disc.grid.shape:
        return f"{bits.shape} for {disc.grid.shape}", 0, disc.grid.size
    known = bits >= 0
    # a bit that nobody can read is silent, as a zero is
    wrong = int((known & (disc.grid >= 0) & (bits != disc.grid)).sum())
    return f"{took:.1f} s, {seen.facts['differences_a_note']:.4f}", int((~known).sum()), wrong


def main() -> None:
    rng = np.random.default_rng(5)
    names = [a for a in sys.argv[1:] if a != "played"] or [p.stem for p in DISCS]
    played = "played" in sys.argv
    lots = whole = bad = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            disc = sonify.load_disc(name)
            for preset in (p.stem for p in MUSIC):
                speed = float(rng.uniform(0.97, 1.03)) if played else None
                said, unknown, wrong = one(disc, preset, Path(folder), speed)
                print(f"{name:<14} {preset:<16} unknown {unknown:>5} wrong {wrong:>4}  {said}",
                      flush=True)  # fmt: skip
                lots += 1
                whole += not unknown and not wrong and not said.startswith("refused")
                bad += wrong > 0
    print(f"{lots} recordings: {whole} whole, {bad} with wrong bits")


if __name__ == "__main__":
    main()

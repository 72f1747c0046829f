"""Every shipped disc on every player with every preset that a machine can follow, against the C.

    python -m tests.benchmarks.firmware

Compiles the generated C for each (gcc), runs it as an exact machine would and holds all MIDI
bytes and lamp changes against the performance. Prints a line for each preset; the test suite runs
a part of this.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import sonify
from sonify.errors import InputError
from sonify.presets import shipped
from tests.export import firmware_host as host

FILLS = ("rows", "running", "columns", "furrows", "characters", "rolling")


def main() -> None:
    names = {k: [s.name for s in shipped() if s.kind == k] for k in ("music", "player", "disc")}
    runs = bad = 0
    worst = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for preset in [None, *names["music"]]:
            mine, late = 0, 0.0
            reason = ""
            for disc in names["disc"]:
                for player in names["player"]:
                    presets = [p for p in (preset, player) if p]
                    settings = {"music.timing": "player", "player.matrix.fill": FILLS[runs % 6]}
                    show = sonify.perform(sonify.load_disc(disc), presets, settings)
                    try:
                        program = host.build(show, Path(folder) / "c")
                    except InputError as e:
                        reason = str(e).partition(": ")[2]
                        continue
                    events, when = host.schedule(show, told=runs % 2 == 0)
                    records = host.run(program, events)
                    runs += 1
                    mine += 1
                    try:
                        late = max(
                            late,
                            host.compare_midi(show, records, when),
                            host.compare_lights(show, records, when),
                        )
                    except AssertionError as e:
                        bad += 1
                        print("  differs:", preset, disc, player, str(e)[:200])
            worst = max(worst, late)
            told = f"{mine} runs, at most {late:.3f} ms" if mine else f"not followed: {reason}"
            print(f"{preset or '(plain)':<16} {told[:150]}", flush=True)
    print(f"{runs} runs, {bad} differ, at most {worst:.3f} ms")


if __name__ == "__main__":
    main()

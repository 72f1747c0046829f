"""Mappings, discs and players drawn at random, to hold the core against the performance.

    python -m tests.export.firmware_random [COUNT] [FIRST SEED]

runs as many as are asked for, and prints each that differs.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.export.firmware.plan import plan_of
from tests.export import firmware_host as host

FILLS = ("fitted", "scaled", "rows", "running", "columns", "furrows", "characters", "rolling")
SCALES = ("dorian", "major", "chromatic", "major-pentatonic", "bayati", "just-major", "slendro")
COLOURS = ("row", "character", "voice", "pitch", "velocity", "age")
MOST_MS = 1.0 + 1e-6


def _scheme(r: random.Random, inner: bool = False) -> dict[str, Any]:
    span = r.choice((1, 2, 5, 8, 15))
    found: dict[str, Any] = r.choice(
        (
            {"scheme": "row-ladder", "span": span, "way": r.choice(("up", "down", "middle"))},
            {"scheme": "place", "spread": r.choice((1, 2, 3)), "way": r.choice(("up", "down")),
             "row-step": r.choice((0, 0, 1, -2))},
            {"scheme": "sweep", "span": span, "way": r.choice(("up", "down", "arch"))},
            {"scheme": "character", "span": span},
            {"scheme": "last-character", "span": span},
            {"scheme": "number", "bits": r.randint(1, 6), "span": span},
            {"scheme": "walk", "span": span, "up": r.randint(0, 3), "down": r.randint(0, 3),
             "start": r.randint(-3, 9)},
            {"scheme": "run-length", "span": span, "row-step": r.choice((0, 2))},
            {"scheme": "gap", "span": span, "step": r.randint(1, 4)},
            {"scheme": "count", "span": span, "step": r.randint(1, 3), "turn": r.random() < 0.5},
            {"scheme": "density", "window": r.choice((2, 9, 40, 200)), "span": span},
            {"scheme": "arpeggio", "span": span, "tones": r.randint(1, 4)},
            {"scheme": "table", "degrees": [r.randint(-5, 9) for _ in range(r.randint(1, 6))],
             "by": r.choice(("position", "place", "row", "character", "one", "value", "number"))},
            {"scheme": "table", "notes": r.sample(["D4", "A4", "F5", "C3"], r.randint(1, 4)),
             "by": r.choice(("position", "place", "row", "character", "one", "number"))},
            {"scheme": "isorhythm", "color": [r.randint(-3, 9) for _ in range(r.randint(1, 6))],
             "talea": r.choice(("x.x", "xx.x.", "..x"))},
            "one-tone",
        )
    )  # fmt: skip
    if found == "one-tone":
        found = {"scheme": "one-tone", "degree": r.randint(-9, 9)}
    if inner:
        return found if "notes" not in found else {"scheme": "place"}
    if r.random() < 0.25:
        found = {
            "scheme": "progression", "chords": r.choice(("i VI III VII", "I IV7 V", "ii V9 Imaj7")),
            "each": r.choice(("row", "character", "bar")), "hold": r.choice((1, 1, 2)),
            "line": _scheme(r, inner=True),
        }  # fmt: skip
    if r.random() < 0.3:
        found["range"] = r.choice((["C4", "E5"], ["G3", "A3"], ["D2", "D6"]))
        found["fold"] = r.choice(("octave", "turn", "nearest"))
    if r.random() < 0.25:
        found["leading"] = "nearest"
    return found


def _share(r: random.Random) -> float:
    return round(r.uniform(0.05, 1.0), 2)


def _rule(r: random.Random) -> list[Any]:
    at = r.randrange(25)
    pattern = [round(r.uniform(0.2, 1.3), 2) for _ in range(r.randint(1, 7))]
    table: list[Any] = [
        "joined", "joined",
        r.choice(("held", {"rule": "held", "longest": r.choice((0.5, 2.5, 9))})),
        {"rule": "held", "across": True},
        "changes",
        {"rule": "thinned", "every": r.randint(1, 4), "first": r.randint(0, 3)},
        {"rule": "sparse", "keep": _share(r), "seed": r.randint(0, 99)},
        {"rule": "numbered", "numbers": r.sample(range(8), 4), "bits": r.randint(1, 5)},
        {"rule": "pattern", "pattern": "".join(r.choice("x.") for _ in range(r.randint(1, 9)))},
        {"rule": "even", "notes": r.randint(0, 5), "steps": r.randint(5, 9), "turn": 1},
        {"rule": "breath", "rest": r.randint(1, 8)},
        {"rule": "gate", "amount": round(r.choice((r.uniform(0.1, 1), r.uniform(1, 3))), 2)},
        {"rule": "gate", "amount": round(r.uniform(1, 2), 2)},
        {"rule": "length", "steps": round(r.choice((0.5, 3.0, 7.25, r.uniform(0.1, 20))), 2)},
        {"rule": "swing", "amount": round(r.uniform(0.5, 0.8), 2)},
        {"rule": "accents", "pattern": pattern,
         "by": r.choice(("position", "place", "character", "row", "note"))},
        {"rule": "ghosts", "velocity-scale": _share(r)},
        {"rule": "layered", "shifts": [r.randint(-4, 9) for _ in range(r.randint(1, 3))],
         "velocity-scale": _share(r)},
        {"rule": "echoes", "count": r.randint(1, 3), "delay": round(r.uniform(0.3, 9), 2),
         "fade": _share(r), "shift": r.choice((0, 0, 2, -3))},
        {"rule": "repeat", "times": r.randint(1, 5), "fade": _share(r)},
        "half-time",
        {"rule": "turns", "pattern": r.choice(("x.", ".xx")), "each": r.choice(("bar", "row"))},
        {"rule": "pattern", "pattern": r.choice(("x.x", "xx.x.")), "per": "piece"},
        {"rule": "entry", "steps": round(r.choice((r.uniform(0.1, 3), r.uniform(3, 30))), 2)},
        {"rule": "strum", "step": round(r.uniform(0.05, 1.2), 2), "way": r.choice(("up", "down"))},
        None,
    ]  # fmt: skip
    rule = table[at]
    if rule is None:
        time = r.choice((0, 0.1, 0.5))
        chance = {"rule": "humanise", "time": time, "velocity": _share(r), "seed": r.randint(0, 9)}
        return [{"rule": "entry", "steps": time}, chance] if time else [chance]
    return [rule]


def _voice(r: random.Random, n: int) -> dict[str, Any]:
    out: dict[str, Any] = {"name": f"v{n}", "pitch": _scheme(r), "velocity": r.randint(20, 127)}
    out["source"] = r.choice(
        ("ones",) * 6
        + ("zeros", "unknown", "clock", "row-starts", "row-ends", "character-starts", "drone",
           "row-changes", "row-end-chords")
    )  # fmt: skip
    out["rhythm"] = [rule for _ in range(r.choice((0, 1, 1, 2, 2, 3, 4))) for rule in _rule(r)]
    if '"character"' in str(out["pitch"]).replace("'", '"') or "arpeggio" in str(out["pitch"]):
        out["rhythm"].insert(0, {"rule": "entry", "steps": r.choice((6, 8, 7.5, 60))})
    if r.random() < 0.15:
        out["drum"] = r.choice((56, ["claves", 40, 41]))
    if r.random() < 0.2:
        out["octave"] = r.randint(-2, 2)
    if r.random() < 0.2:
        out["bank"] = r.choice((0, 8 << 7, 1 << 7 | 5, 16383))
    if r.random() < 0.3:
        out["channel"] = r.randint(1, 3)
    if r.random() < 0.15:
        out["rows"] = r.choice(("odd", "2-/3", "1"))
    if r.random() < 0.15:
        out["positions"] = r.choice(("odd", "1-/3", "1-5"))
    if r.random() < 0.15:
        out["places"] = r.choice(("1-3", "odd", "2-"))
    if r.random() < 0.2:
        points = [_share(r) for _ in range(r.randint(1, 5))]
        out["curves"] = [{"over": r.choice(("position", "character", "row")), "points": points}]
    return out


def drawn(seed: int) -> tuple[sonify.Disc, dict[str, Any]]:
    """A disc, and the settings of a mapping and a player."""
    r = random.Random(f"firmware {seed}")
    rng = np.random.default_rng(seed)
    positions, rows = r.choice((1, 7, 16, 28, 45, 56, 61)), r.randint(1, 6)
    if r.random() < 0.6:
        grid = (rng.random((rows, positions)) < r.choice((0.1, 0.5, 0.9))).astype(np.int8)
        if r.random() < 0.3:
            grid[rng.random(grid.shape) < 0.1] = -1
        code = r.choice((None, Code(), Code(alphabet="ita2"), Code(alphabet="utf-8")))
        disc = sonify.Disc.from_bits(grid, code=code)
    else:
        alphabet = r.choice(("ascii", "ita2"))
        framing = "plain" if alphabet == "ita2" else r.choice(("plain", "framed"))
        code = Code(
            alphabet=alphabet, check=r.choice(("none", "parity", "reed-solomon")), framing=framing
        )
        text = "".join(r.choice("AB 90TE") for _ in range(r.randint(3, 20)))
        disc = sonify.Disc.from_message(text, code=code, layout=Layout(positions=max(positions, 7)))
    positions = disc.positions
    start = r.choice(("index", "next-position"))
    slot = r.choice((11.0, 20.0, 37.5, 60.0 / 0.7, 107.3))
    settings = {
        "music.timing": "player",
        "music.root": r.choice(("D4", "A3", "G5")),
        "music.scale": r.choice(SCALES + ("dorian",) * 6),
        "music.concert-pitch": r.choice((440.0,) * 4 + (432.0,)),
        "music.step": r.choice(("1/16", "1/16", "1/12", "1/8", "3/32")),
        "music.metre": r.choice(("auto", "auto", "3/4", "7/8")),
        "music.voice": [_voice(r, n) for n in range(r.choice((1, 1, 2, 3)))],
        "player.rpm": 60_000.0 / (slot * positions),
        "player.row-start": start,
        "player.stage": r.choice((0.05, 0.3, 0.9)),
        "player.settle": r.choice((0.0, 0.123)),
        "player.matrix.fill": r.choice(FILLS),
        "player.message-pause": 3.0,
        "light.colours": r.choice(("lamp", *COLOURS)),
        "light.velocity": r.random() < 0.3,
        "light.trail": r.choice((0.0, 0.0, 0.3, 2.5)),
    }
    return disc, settings


def tried(seed: int, folder: Path) -> str:
    """What came of one: "" where all agrees, else why it is refused.

    Raises
    ------
    AssertionError
        The core and the performance differ.
    """
    disc, settings = drawn(seed)
    try:
        show = sonify.perform(disc, settings=settings)
        plan = plan_of(show)
        # lamps that fade leave a small chip less room for text
        room = max(plan.text, plan.needed)
        program = host.build(show, folder, *host.SANITIZE, text=room)
    except InputError as e:
        return str(e)
    events, when = host.schedule(show, told=seed % 2 == 0, start=0.37 if seed % 3 else 0.81)
    records = host.run(program, events)
    assert host.compare_midi(show, records, when) <= MOST_MS
    assert host.compare_lights(show, records, when) <= MOST_MS
    if show.setup.light.colours != "lamp":
        assert host.compare_colours(show, records, when) <= MOST_MS
    assert records[-1]["a"] == 0, "something still sounds or scrolls"
    return ""


def main() -> None:
    count, first = (int(a) for a in (sys.argv[1:] + ["200", "0"][len(sys.argv) - 1 :]))
    refused: Counter[str] = Counter()
    same = bad = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            try:
                why = tried(seed, Path(folder))
            except AssertionError as e:
                bad += 1
                print(f"seed {seed} differs: {str(e)[:300]}", flush=True)
                continue
            same += not why
            refused[why.partition("as it reads: ")[2] or why] += bool(why)
    for why, n in refused.most_common():
        if why:
            print(n, why[:220])
    print(f"{same} one for one, {bad} differ, {sum(refused.values())} refused")


if __name__ == "__main__":
    main()

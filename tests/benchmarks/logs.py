"""Detector logs by the hundred: bit errors against theory, and each fault of a real machine.

    python -m tests.benchmarks.logs [COUNT] [POSITIONS]
    python -m tests.benchmarks.logs geometry [COUNT] [FIRST]
    python -m tests.benchmarks.logs world [abde] [FIRST:LAST]

`geometry` reads logs of discs of 8 to 200 positions and 2 to 40 rows, in every code, of players of
both kinds, without being told the number of positions; `world` does so with the sound takes of the
generators. A disc is right if all its bits and its message came back, and has the size if its rows
and positions did; it is doubted if the report says that its geometry or message is unsure, and else
silently wrong.

Theory: the matched detector of on-off signals in white Gaussian noise errs with the chance
Q(sqrt(Eb / N0)), where Eb is the mean energy a bit and N0 twice the variance of a sample
(J. G. Proakis, Digital Communications, binary orthogonal and on-off signalling; the formula is
from memory). Both channels carry the same noise, so the clock row is found in it too.
"""

from __future__ import annotations

import importlib
import math
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

import sonify
from sonify.disc_player.profile import Player
from sonify.errors import InputError
from sonify.recover.search.find import find_message
from sonify.recover.sources.log.log import sighting_of_trace
from sonify.recover.sources.log.trace import trace_log
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from tests.benchmarks.world import seeds
from tests.recover.log_player import Machine, record

TEXT = "WIND SW 6, CLOUD BASE 900 M. FOG UNTIL TEN, THEN SUN. HUT OPEN, SOUP ON."


def theory(decibels: float) -> float:
    """Q(sqrt(Eb / N0))."""
    return 0.5 * math.erfc(math.sqrt(10 ** (decibels / 10)) / math.sqrt(2))


def measured(decibels: float, positions: int, seed: int, folder: Path) -> float:
    """The share of wrong bits in a log of one long row at Eb / N0."""
    rng = np.random.default_rng(seed)
    bits = rng.integers(0, 2, positions)
    period, width = 60, 24
    place = np.arange(positions * period)
    inside = np.abs(place % period - period / 2 + 0.5) < width / 2
    clean = np.stack([inside, inside & (bits[place // period] == 1)], axis=1).astype(float)
    # Eb = width * step^2 / 2, N0 = 2 sigma^2, step 1
    sigma = math.sqrt(width / 4 / 10 ** (decibels / 10))
    path = folder / "ber.npy"
    np.save(path, (3 - clean + sigma * rng.standard_normal(clean.shape)).astype(np.float32))
    trace = trace_log(path, 6000.0)
    seen = trace.passed["odds"] > 0
    # the first and last position may be cut off
    best = 1.0
    for shift in range(-4, 5):
        a, b = max(0, shift), max(0, -shift)
        n = min(len(seen) - b, positions - a)
        best = min(best, float((seen[b : b + n] != (bits[a : a + n] == 1)).mean()))
    return best


def shortfall(rate: float, decibels: float) -> float:
    """How many decibels worse the signal would have to be for theory to err as often."""
    low, high = -10.0, decibels + 5
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if theory(middle) > rate else (low, middle)
    return decibels - low


FAULTS: dict[str, dict[str, object]] = {
    "none": {},
    "drift of 20 %": {"drift": 0.20},
    "flutter of 5 %": {"flutter": 0.05},
    "missing clock pulses": {"missing": 0.04},
    "doubled clock pulses": {"doubled": 0.05},
    "delay between detectors": {"delay": 0.3},
    "begins in mid-row": {"before": 25.0, "cut": 9.0},
    "several passes": {"passes": 3},
    "ambient light": {"ambient": 0.5},
    "reads on at the next position": {"row_start": "next-position"},
    "all of them": {
        "drift": 0.15, "flutter": 0.04, "missing": 0.03, "doubled": 0.03, "delay": -0.2,
        "before": 11.0, "ambient": 0.3,
    },
}  # fmt: skip


def one(fault: str, seed: int, folder: Path) -> tuple[str, str]:
    """What became of one log: right, doubted, refused or wrong; and what was said."""
    rng = np.random.default_rng(seed)
    positions = int(rng.integers(24, 90))
    made = sonify.Disc.from_message(
        TEXT, code=sonify.Code(framing="framed", check="crc-16") if seed % 2 else sonify.Code(),
        layout=sonify.Layout(positions=positions),
    )  # fmt: skip
    given = dict(FAULTS[fault])
    machine = Machine(
        rate=2500.0, rpm=float(rng.uniform(8, 20)), noise=float(rng.uniform(0.02, 0.6)),
        seed=seed, **given,
    )  # fmt: skip
    path = folder / "log.npy"
    np.save(path, record(made.grid, machine))
    hint = None
    if machine.row_start == "next-position":
        hint = Player(row_start="next-position", stage=machine.stage, settle=machine.settle)
    try:
        trace = trace_log(path, 2500.0)
        sighting = sighting_of_trace(trace, path, positions if hint else None, hint)
        found = find_message(sighting)
    except InputError as e:
        return "refused", str(e)
    said = "; ".join(map(str, (*sighting.cautions, *found.cautions)))
    grid = found.disc.grid
    if grid.shape == made.grid.shape:
        wrong = int(((grid >= 0) & (grid != made.grid)).sum())
        unknown = int((grid < 0).sum())
        if wrong == 0:
            return ("right" if unknown == 0 else "doubted"), f"{unknown} unknown; {said}"
    decoding = found.disc.decoding
    told = (
        decoding is None or decoding.verdict == "failed" or "\ufffd" in (found.disc.message or "")
    )
    return ("doubted" if told else "wrong"), f"{grid.shape}, {found.disc.message!r}; {said}"


def faults(count: int = 200, first: int = 0) -> dict[str, dict[str, int]]:
    """Each fault so many times; prints what became of the logs."""
    table = {}
    with tempfile.TemporaryDirectory() as folder:
        for fault in FAULTS:
            sums = {"right": 0, "doubted": 0, "refused": 0, "wrong": 0}
            for k in range(count):
                verdict, said = one(fault, first + k, Path(folder))
                sums[verdict] += 1
                if verdict == "wrong":
                    print(f"  {fault}, log {first + k}: {said[:300]}", flush=True)
            table[fault] = sums
            print(f"{fault:32}" + ", ".join(f"{v} {k}" for k, v in sums.items()), flush=True)
    return table


def noise(positions: int = 20_000) -> list[tuple[float, float, float, float]]:
    """(dB, theory, measured, shortfall in dB) from 0 to 20 dB; prints them."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for decibels in range(0, 21, 2):
            rate = measured(decibels, positions, decibels, Path(folder))
            expected = theory(decibels)
            short = shortfall(rate, decibels) if rate * positions >= 10 else 0.0
            rows.append((decibels, expected, rate, short))
            print(
                f"{decibels:3d} dB  theory {expected:.3e}  measured {rate:.3e}"
                + (
                    f"  short by {short:+.2f} dB"
                    if rate * positions >= 10
                    else "  (too few to say)"
                ),
                flush=True,
            )
    return rows


WORDS = """
WIND CLOUD FOG SUN SNOW RAIN HAIL STORM HUT SOUP STOVE ROPE RIDGE PATH BRIDGE SPRING LAMP BUNK OPEN
SHUT UNTIL THEN FROM ABOVE BELOW BASE 900 M 14 06:30 SW NE CLEAR COLD ICE TODAY TONIGHT KEEP LEFT AT
THE CAIRN TAKE WATER MEET DOOR KEY UNDER STONE NO YES SIX TEN NOON
"""


def varied(seed: int) -> tuple[sonify.Disc, Machine]:
    """A disc in any code, of any size from 8 to 200 positions and 2 to 40 rows, and its player."""
    rng = np.random.default_rng(seed)
    framing = str(rng.choice(["framed", "plain"]))
    while True:
        alphabet = str(rng.choice(["ascii", "ascii", "utf-8", "ita2"]))
        code = sonify.Code(
            alphabet=alphabet, bit_order=str(rng.choice(["high-first"] * 3 + ["low-first"])),
            framing="plain" if alphabet == "ita2" else framing,
            check=str(rng.choice(["none", "parity", "crc-16", "reed-solomon"])),
        )  # fmt: skip
        positions = round(8 * 25 ** rng.random())
        rows = round(2 * 20 ** rng.random())
        share = 0.6 if code.check == "reed-solomon" else 0.95
        length = int(rows * positions * share / code.unit_bits) - 4 * (code.framing == "framed")
        text = " ".join(rng.choice(WORDS.split(), max(1, length // 4)))[: max(0, length)].strip(
            " .:"
        )
        if alphabet != "ita2" and rng.random() < 0.5:
            text = text.capitalize()
        if len(text) < 8:
            continue
        disc = sonify.Disc.from_message(text, code=code, layout=sonify.Layout(positions=positions))
        if disc.rows >= 2:
            break
    index = rng.random() < 0.5
    rpm = float(rng.uniform(6, 30))
    machine = Machine(
        rate=max(1000.0, 24 * positions * rpm / 60), rpm=rpm, seed=seed,
        row_start="index" if index else "next-position",
        passes=int(rng.choice([1, 1, 1, 2, 3])) if index else 1,
        stage=float(rng.uniform(0.1, 1.2)), settle=float(rng.uniform(0.05, 0.3)),
        noise=float(rng.uniform(0.02, 0.3)), drift=float(rng.uniform(0, 0.08)),
        flutter=float(rng.uniform(0, 0.02)), delay=float(rng.uniform(-0.2, 0.2)),
        before=0.0 if rng.random() < 0.7 else float(rng.integers(1, positions)),
        after=0.0 if rng.random() < 0.7 else float(rng.integers(1, positions)),
    )  # fmt: skip
    return disc, machine


def unaided(disc: sonify.Disc, path: Path, rate: float | None) -> tuple[str, str]:
    """What became of a log whose positions are not told, and what was said."""
    try:
        sighting = read_source(path, ReadOptions(sample_rate=rate))
        found = find_message(sighting)
    except InputError as e:
        return "refused", str(e)
    cautions = (*sighting.cautions, *found.cautions)
    seen = found.disc
    said = f"{seen.grid.shape} for {disc.grid.shape}, {seen.message!r}: " + "; ".join(
        map(str, cautions)
    )
    same = seen.grid.shape == disc.grid.shape
    wrong = int(((seen.grid >= 0) & (seen.grid != disc.grid)).sum()) if same else -1
    if not wrong and (disc.code is None or seen.message == disc.message):
        return "right", said
    doubt = seen.decoding is None or seen.decoding.verdict == "failed" or (seen.grid < 0).any()
    doubt = doubt or any("{positions}" in c.hint or "plausible" in c.what or "barely" in c.what
                         for c in cautions)  # fmt: skip
    return "doubted" if doubt else "wrong", said


def takes(letters: str, span: tuple[int, int], folder: Path) -> Iterator[tuple[str, Any, Path]]:
    """The sound takes of generators that are logs: which, the disc, the file."""
    for letter in letters:
        world = importlib.import_module(f"tests.world.machine_{letter}")
        for seed in seeds(*span, held_back=False, letter=letter):
            made = world.healthy(seed)
            ((name, data),) = made.files.items()
            if not name.endswith((".mid", ".midi")):
                (folder / name).write_bytes(data)
                yield f"{letter} {seed}", made.disc, folder / name


def played(first: int, count: int, folder: Path) -> Iterator[tuple[str, sonify.Disc, Path]]:
    """Varied logs: which, the disc, the file."""
    for seed in range(first, first + count):
        disc, machine = varied(seed)
        volts = record(disc.grid, machine)
        time_s = np.arange(len(volts))[:, None] / machine.rate
        np.save(folder / "log.npy", np.hstack([time_s, volts]))
        kind = machine.row_start if machine.row_start != "index" else f"index x{machine.passes}"
        yield f"{seed} {kind}", disc, folder / "log.npy"


def geometry(logs: Iterator[tuple[str, Any, Path]]) -> dict[str, Counter[str]]:
    """Reads logs without their number of positions; prints what became of them."""
    table: dict[str, Counter[str]] = {}
    took, shapes = [], Counter[str]()
    for which, disc, path in logs:
        begin = time.process_time()
        verdict, said = unaided(disc, path, None)
        took.append(time.process_time() - begin)
        code = disc.code or sonify.Code()
        settles = disc.code is not None and (code.framing == "framed" or code.check != "none")
        rows = next(f"{low} to {high} rows" for low, high in ((1, 1), (2, 3), (4, 9), (10, 999))
                    if disc.rows <= high)  # fmt: skip
        kind = f"{code.framing}, {code.check}" if disc.code else "bits only"
        for name in ("all", "framed or checked" if settles else "plain, none", rows, kind,
                     which.split(maxsplit=1)[1] if which[0].isdigit() else which[0]):  # fmt: skip
            table.setdefault(name, Counter())[verdict] += 1
            shapes[name] += said.startswith(f"{disc.grid.shape} for")
        if verdict != "right":
            print(f"  {which}: {kind} {took[-1]:.1f} s: {verdict}: {said[:300]}", flush=True)
    for name, sums in sorted(table.items()):
        total = sums.total()
        others = ", ".join(f"{sums[v]} {v}" for v in ("doubted", "refused", "wrong"))
        right, shape = (100 * n / total for n in (sums["right"], shapes[name]))
        print(f"{name:24} {total:>5} logs, {right:5.1f} % right, {shape:5.1f} % the size, {others}")
    print(f"median {np.median(took):.2f} s of processor time, longest {max(took):.2f} s")
    return table


def main() -> None:
    """Run what the command line asks for."""
    words = sys.argv[1:]
    kind = words.pop(0) if words and words[0] in ("geometry", "world") else ""
    with tempfile.TemporaryDirectory() as name:
        if kind == "world":
            letters = next((w for w in words if w.isalpha()), "abde")
            first, last = map(int, next((w for w in words if ":" in w), "0:30").split(":"))
            geometry(takes(letters, (first, last), Path(name)))
            return
        given = [int(a) for a in words]
        if kind:
            geometry(played(given[1] if len(given) > 1 else 0, given[0] if given else 400,
                            Path(name)))  # fmt: skip
            return
    noise(given[1] if len(given) > 1 else 20_000)
    faults(given[0] if given else 200)


if __name__ == "__main__":
    main()

"""How well takes fit discs that they are not of, against takes with faults that are.

    python -m tests.benchmarks.strangers [log] [midi] [faulty recordings of each] [-v]

Takes of every shipped disc and of a dozen invented ones are held against all others, with both
players. Prints how much of the disc each recording tells, in hundredths: for other discs, for near
texts (the same message with a part of its characters changed), and for each fault at each strength
with the right disc. The bound below which
`sonify compare` refuses a recording lies between them.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

import sonify
from sonify.errors import InputError
from sonify.recover.diagnosis import compare, comparison
from tests.recover.diagnosis.faults import FAULTS, PLAYERS, make
from tests.recover.diagnosis.machine import Machine

SHIPPED = ("cairn-large", "cairn-middle", "cairn-quilt", "cairn-small", "cairn-wire")
WORDS = (
    "CORNICE ABOVE THE GULLY HOLDS. WAX THE SKIS; THE KEY HANGS BY THE STOVE. LAMP OIL IS LOW AND "
    "TWO ROPES ARE OUT. RAIN FROM NOON, THEN CLEAR. MULES COME ON FRIDAY WITH BREAD AND FLOUR. THE "
    "SPRING RUNS AGAIN BELOW THE THIRD CAIRN. NO FIRE AFTER TEN. LIGHTNING ON THE WEST RIDGE AT 6."
)
NEAR = (0.15, 0.3, 0.5, 0.75)  # of the characters changed


def near(disc: sonify.Disc, share: float, seed: int) -> sonify.Disc:
    """The same message with a part of its characters changed for others, in one stretch."""
    rng = np.random.default_rng(seed)
    text = list(disc.message)
    many = max(1, round(share * len(text)))
    begin = int(rng.integers(0, len(text) - many + 1))
    from_words = int(rng.integers(0, len(WORDS) - many))
    text[begin : begin + many] = WORDS[from_words : from_words + many].replace(";", ",")
    return as_long(disc, "".join(text))


def as_long(disc: sonify.Disc, text: str) -> sonify.Disc:
    """A disc of the same size with another text."""
    other = sonify.Disc.from_message(text, code=disc.code, layout=disc.layout)
    flat = np.zeros(disc.grid.size, np.int8)
    bits = other.grid.reshape(-1)[: flat.size]
    flat[: len(bits)] = bits
    return sonify.Disc.from_bits(
        flat.reshape(disc.grid.shape), code=disc.code, layout=disc.layout
    )  # fmt: skip


def unlike(disc: sonify.Disc, seed: int) -> sonify.Disc:
    """A disc of the same size with a text of its own."""
    long = len(disc.message)
    begin = int(np.random.default_rng(seed).integers(0, len(WORDS) - long))
    return as_long(disc, WORDS[begin : begin + long].replace(";", ","))


def show_of(disc: sonify.Disc, start: str) -> sonify.Performance:
    p = PLAYERS[start]
    return sonify.perform(
        disc,
        settings={
            "player.rpm": p["rpm"], "player.row-start": start, "player.stage": p["stage"],
            "player.settle": p["settle"],
        },
    )  # fmt: skip


def fit(show: sonify.Performance, path: Path, threshold: float | None = None) -> float:
    """How much of the disc the recording tells; nan where no comparison is possible."""
    kept, comparison.FITS = comparison.FITS, 0.0
    try:
        return compare(show, path, threshold=threshold).fit
    except InputError:
        return float("nan")
    finally:
        comparison.FITS = kept


def figures(name: str, kind: str, values: list[float]) -> str:
    known = np.array([v for v in values if np.isfinite(v)])
    if not len(known):
        return f"{name:<40} {kind:<5} none could be laid along"
    at = np.percentile(known, [0, 5, 50, 95, 100])
    return f"{name:<40} {kind:<5} {len(known):>5} " + " ".join(f"{100 * v:>7.1f}" for v in at)


def main() -> None:
    loud = "-v" in sys.argv
    kinds = [k for k in ("log", "midi") if k in sys.argv] or ["log", "midi"]
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    count = numbers[0] if numbers else 10
    discs = {name: sonify.load_disc(name) for name in SHIPPED}
    pairs = [(a, b, "other shipped discs", 0.0) for a in SHIPPED for b in SHIPPED if a != b]
    for name in ("cairn-middle", "cairn-wire"):
        for k in range(6):
            discs[f"{name} unlike {k}"] = unlike(discs[name], k)
            pairs += [
                (f"{name} unlike {k}", name, "other texts, same size", 0.0),
                (name, f"{name} unlike {k}", "other texts, same size", 0.0),
            ]
        for share in NEAR:
            for k in range(3):
                key = f"{name} near {share} {k}"
                discs[key] = near(discs[name], share, k)
                pairs.append((key, name, f"near texts, {100 * share:.0f} % changed", share))
    print(f"{'score of 100':<40} {'recording':<5} {'takes':>5} "
          f"{'least':>7} {'5 %':>7} {'half':>7} {'95 %':>7} {'most':>7}")  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:
            found: dict[str, list[float]] = {}
            made = {}
            for start, profile in PLAYERS.items():
                for key, disc in discs.items():
                    seed = sum(map(ord, key + start))
                    rng = np.random.default_rng(seed)
                    recording = Machine(
                        grid=disc.grid.tolist(),
                        unit_bits=disc.code.unit_bits if disc.code else 7,
                        row_start=start,
                        seed=seed,
                        **profile
                        | {"rpm": profile["rpm"] * (1 + rng.uniform(-0.03, 0.03)),
                           "drift": rng.uniform(-0.04, 0.04)},
                    ).run()  # fmt: skip
                    path = Path(folder) / f"{len(made)}.{'mid' if kind == 'midi' else 'npy'}"
                    made[key, start] = (
                        recording.write_midi if kind == "midi" else recording.write_log
                    )(path)
                for a, b, group, _ in pairs:
                    value = fit(show_of(discs[b], start), made[a, start])
                    found.setdefault(group, []).append(value)
                    if loud:
                        print(f"   {start} {kind}: {a} held against {b}: {100 * value:.1f}")
            for group, values in found.items():
                print(figures(group, kind, values), flush=True)
            for fault, (_, _, strengths) in FAULTS.items():
                if kind == "log" and fault == "wire":
                    continue
                for k, strength in enumerate(strengths):
                    values = []
                    for seed in range(count):
                        show, recording = make(fault, k, seed)
                        path = Path(folder) / f"fault.{'mid' if kind == 'midi' else 'npy'}"
                        (recording.write_midi if kind == "midi" else recording.write_log)(path)
                        values.append(fit(show, path, recording.machine.threshold))
                    print(figures(f"{fault}, {strength}", kind, values), flush=True)


if __name__ == "__main__":
    main()

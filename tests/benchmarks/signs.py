"""How far each sign of a cause can be trusted: fits the table of odds, and checks it on strangers.

    python -m tests.benchmarks.signs collect FILE LETTERS FIRST:LAST [part/parts]
    python -m tests.benchmarks.signs fit FILE ...

The first compares the takes of generators in tests/world with each of their faults, and adds a line
of JSON for each take to FILE: what is wrong, and the signs found. Every third seed is left out. The
letter o stands for the takes of tests/recover/diagnosis/faults.py, which have faults of their own.

The second fits the log odds of every sign, so that the causes that are really there become
likeliest (a conditional logit: D. McFadden, Conditional logit analysis of qualitative choice
behavior, 1974). It scores each generator by a table that was fitted on the others, and prints the
table of all of them. Half of the takes are taken to be healthy, and each fault to be as common as
any other.
"""

from __future__ import annotations

import importlib
import json
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from sonify.errors import InputError
from sonify.recover.diagnosis import comparison
from sonify.recover.diagnosis.causes import signs_in
from sonify.recover.diagnosis.causes.cause import SOUND, measures
from sonify.recover.diagnosis.causes.odds import APART, LOST, ODDS, losses
from tests.benchmarks.world import SAME_CAUSE, diagnosed, seeds
from tests.recover.diagnosis.faults import FAULTS, judge, make

Take = dict[str, Any]
Odds = tuple[dict[str, float], np.ndarray]

USUAL, RIDGE = 2.0, 1.0
"""The log odds of a sign of which nothing is known, and the weight of the squared difference from
that (the likeliest of 0 to 3 and of 0.3 to 4 on generators that were left out)."""


def signs_of(judged: Callable[[Path], Any], folder: Path) -> Take:
    """The causes of which a take shows signs as it is judged (name, sign and strength), what
    tells the bits, whether some are wrong though nothing shows, and the sizes that are bounded."""
    found: Take = {"signs": [], "tells": "", "hidden": False, "sizes": {}}

    def spy(case: Any) -> list[Any]:
        found["signs"] = [(f.name, f.sign, float(f.strength)) for f in signs_in(case)]
        found["tells"], found["sizes"] = case.tells, measures(case) if case.fits else {}
        return []

    with mock.patch.object(comparison, "likely_causes", spy), suppress(InputError):
        hidden = judged(folder)[3:4]
        found["hidden"] = hidden == (True,) and not found["signs"]
    return found


def takes_of(letter: str, seed: int, part: int, parts: int) -> Iterator[tuple[str, Any]]:
    """Each fault of a generator, and a function that finds the signs of a take with it."""
    if letter == "o":
        every = [(f, k, kind) for f in FAULTS for k in range(3) for kind in ("log", "midi")]
        for fault, strength, kind in every[part::parts]:
            made = make(fault, strength, seed)
            yield FAULTS[fault][0], lambda folder, m=made, k=kind: judge(*m, k, folder)
        return
    world = importlib.import_module(f"tests.world.machine_{letter}")
    for fault in ["", *world.FAULTS][part::parts]:
        made = world.faulty(seed, fault) if fault else world.healthy(seed)
        yield fault, lambda folder, m=made: diagnosed(m, folder)


def collect(out: Path, letters: str, span: str, part: int, parts: int) -> None:
    """Write the signs of all takes."""
    first, last = map(int, span.split(":"))
    with out.open("a") as file, tempfile.TemporaryDirectory() as name:
        for seed in seeds(first, last, False):
            for letter in letters:
                for fault, judged in takes_of(letter, seed, part, parts):
                    take = {"letter": letter, "fault": fault, "seed": seed}
                    take |= signs_of(judged, Path(name))
                    print(json.dumps(take), file=file, flush=True)
                    for one in Path(name).iterdir():
                        one.unlink()


def named(take: Take) -> list[bool]:
    """Which of its signs are of the cause that is there."""
    names = SAME_CAUSE.get(take["fault"], (take["fault"],))
    return [name in names for name, _, _ in take["signs"]]


def lost_by(take: Take) -> np.ndarray:
    """Which of its signs lose what."""
    return losses([sign for _, sign, _ in take["signs"]])


def sheet(take: Take, at: dict[str, int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What each of its signs takes of the numbers that are fitted, with the strengths, and which
    signs are right; the last line says that it is none of them."""
    lines, names = np.zeros((len(take["signs"]) + 1, len(at) + len(LOST))), named(take)
    for line, (_, sign, _) in zip(lines, take["signs"], strict=False):
        if sign in at:
            line[at[sign]] = 1.0
    lines[:-1, len(at) :] = -lost_by(take).astype(float)
    right = np.array([*names, not any(names)], float)
    return lines, np.array([*(x for _, _, x in take["signs"]), 0.0]), right / right.sum()


def fit(takes: list[Take]) -> Odds:
    """The likeliest odds of signs, and what signs behind others lose (Newton's method)."""
    healthy = len({take["fault"] for take in takes} - {""})
    names = sorted({sign for take in takes for _, sign, _ in take["signs"]})
    at = {sign: k for k, sign in enumerate(names)}
    count = Counter(take["fault"] for take in takes)
    scale = np.mean(list(count.values()))
    weights = [scale * (1 if t["fault"] else healthy) / count[t["fault"]] for t in takes]
    sheets = [(sheet(take, at), w) for take, w in zip(takes, weights, strict=True) if take["signs"]]
    usual = np.array([USUAL] * len(names) + [0.0] * len(LOST))
    value = usual.copy()
    for _ in range(60):
        slope, bend = RIDGE * (usual - value), RIDGE * np.eye(len(value))
        for (x, strength, right), weight in sheets:
            odds = x @ value + strength
            p = np.exp(odds - np.logaddexp.reduce(odds))
            slope = slope + weight * (x.T @ (right - p))
            bend = bend + weight * (x.T @ (p[:, None] * x) - np.outer(x.T @ p, p @ x))
        step = np.linalg.solve(bend, slope)
        value += step * min(1.0, 2.0 / max(np.abs(step).max(), 1e-9))
        if np.abs(step).max() < 1e-6:
            break
    return {s: float(value[k]) for s, k in at.items()}, value[len(names) :]


def values(take: Take, fitted: Odds) -> np.ndarray:
    """The log odds of its signs."""
    odds, lost = fitted
    own = np.array([odds.get(sign, USUAL) + x for _, sign, x in take["signs"]])
    return own - lost_by(take) @ lost


def score(takes: list[Take], fitted: Odds) -> tuple[int, int]:
    """In how many takes the right cause comes first, and in two."""
    first = two = 0
    for take in takes:
        right = np.array(named(take), bool)[np.argsort(-values(take, fitted), kind="stable")]
        first, two = first + bool(right[:1].any()), two + bool(right[:2].any())
    return first, two


def chances(take: Take, fitted: Odds) -> np.ndarray:
    """The probability of the cause of each of its signs, and last that it is none of them."""
    odds = np.append(values(take, fitted), 0.0)
    return np.exp(odds - np.logaddexp.reduce(odds))


BINS = (0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.01)
"""Bounds of the rows of the table that tells how often causes of a probability are right."""


def reliability(takes: list[Take], tables: dict[str, Odds]) -> None:
    """Print how often causes of a probability are right, by tables of other generators, and how
    likely it must be that a take is faulty so that none of the healthy ones is accused."""
    of = [(chances(t, tables[t["letter"]]), t) for t in takes]
    share = np.concatenate([p[:-1] for p, _ in of])
    right = np.concatenate([np.array(named(t), bool) for _, t in of])
    for low, high in pairwise(BINS):
        here = (share >= low) & (share < high)
        print(
            f"probability {low:.2f} to {min(high, 1):.2f}: {here.sum():>4} causes, "
            f"{100 * share[here].mean():.0f} % expected, {100 * right[here].mean():.0f} % right"
        )
    calm = sorted(((1 - p[-1], t["letter"], t["seed"]) for p, t in of if not t["fault"]))[::-1]
    print(f"{len(calm)} healthy takes, the most suspect: {calm[:8]}")


def sound(takes: list[Take]) -> None:
    """Print the most that one in 500 healthy takes shows, by the excess of the largest ones."""
    for name, bound in SOUND.items():
        sizes = [t["sizes"][name] for t in takes if not t["fault"] and name in t["sizes"]]
        largest = np.sort(sizes)[::-1][: len(sizes) // 20 + 2]
        excess = (largest[:-1] - largest[-1]).mean()
        most = largest[-1] + excess * np.log(500 * (len(largest) - 1) / len(sizes))
        print(
            f"{name}: {len(sizes)} takes, at most {largest[0]:.3f}, one in 500 {most:.3f} ({bound})"
        )


def main() -> None:
    """Run what the command line asks for."""
    warnings.simplefilter("ignore")
    if sys.argv[1] == "collect":
        part, parts = map(int, (sys.argv[5] if len(sys.argv) > 5 else "0/1").split("/"))
        collect(Path(sys.argv[2]), sys.argv[3], sys.argv[4], part, parts)
        return
    lines = [line for name in sys.argv[2:] for line in Path(name).read_text().splitlines()]
    takes = [json.loads(line) for line in lines]
    in_use = {sign: at for sign, (_, at) in ODDS.items()}, np.array(LOST)
    tables = {}
    for letter in sorted({take["letter"] for take in takes}):
        own = [t for t in takes if t["letter"] == letter and t["fault"]]
        tables[letter] = others = fit([t for t in takes if t["letter"] != letter])
        some = sum(any(named(t)) for t in own)
        print(
            f"{letter}: {len(own)} takes; fitted on the others {score(own, others)}, "
            f"table in use {score(own, in_use)}, at best {some}"
        )
    reliability(takes, tables)
    sound(takes)
    for tells in sorted({take["tells"] for take in takes} - {""}):
        of = [take["hidden"] for take in takes if take["tells"] == tells]
        print(f"{tells}: {sum(of)} of {len(of)} takes hide wrong bits")
    fitted, lost = fit(takes)
    for sign, at in fitted.items():
        place = "APART" if ODDS[sign][0] == APART else ODDS[sign][0]
        print(f'    "{sign}": ({place}, {at:.1f}),')
    print(f"LOST = ({', '.join(f'{x:.1f}' for x in lost)})")


if __name__ == "__main__":
    main()

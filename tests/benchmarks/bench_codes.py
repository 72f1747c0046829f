"""Codes: how reliable each check is, beside its theory, and how fast the repair is.

`python -m tests.benchmarks.bench_codes [DISCS]` prints the table of reliability for that many
random discs (10,000 if not given): random text, rows and positions; 1 to 20 wrong bits at random
places, one whole row unknown, or one whole row read wrong. `python -m tests.benchmarks codes`
prints the speed beside reedsolo.

Theory, for a disc with k wrong bits among N:

* none: there is no theory. What is refused are control characters and what breaks the framing.
* parity: damage passes if every code unit has an even number of wrong bits. Of a unit of b bits,
  ((1+x)^b + (1-x)^b) / 2 counts the even sets by their size; the product over all units over
  C(N, k) is the chance. A row of random bits passes with a half for each unit that it touches.
  Half of the discs are framed, and control characters are none of a text's: that catches some more.
* crc-16: 2^-16 for k > 3 (the polynomial has distance 4 at these lengths: 0 for k <= 3).
* reed-solomon: all within the bound of 2 e + v <= checks of each codeword is repaired; beyond it,
  the CRC-32 lets 2^-32 of the guesses through.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from math import comb

import numpy as np

from sonify.disc.code import reed_solomon
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import decode_grid
from sonify.disc.code.encoding import encode_grid
from tests.benchmarks.measure import alternating

LETTERS = np.array(list("ABCDEFGHIJKLMNOPQRSTUVWXYZ 0123456789,.-"))
MOST_WRONG = 20


@dataclass
class Count:
    """What became of discs."""

    discs: int = 0
    right: int = 0
    refused: int = 0
    silent: int = 0
    bound: int = 0
    bound_right: int = 0
    theory: float = 0.0

    def line(self, name: str, damage: str) -> str:
        bound = f"{self.bound_right:,} of {self.bound:,}" if self.bound else ""
        theory = "-" if name == "none" else f"{self.theory:.2f}"
        return (
            f"{name:<13} {damage:<18} {self.discs:>8,} {self.right:>9,} {self.refused:>9,} "
            f"{self.silent:>8,} {theory:>10}   {bound}"
        )


def even_chance(units: int, width: int, rest: int, wrong: int) -> float:
    """The chance that each unit has an even number of `wrong` bits, `rest` being outside units."""
    even = [comb(width, k) if k % 2 == 0 else 0 for k in range(wrong + 1)]
    poly = [1] + [0] * wrong

    def times(a: list[int], b: list[int]) -> list[int]:
        out = [0] * (wrong + 1)
        for i, x in enumerate(a):
            if x:
                for j, y in enumerate(b[: wrong + 1 - i]):
                    out[i + j] += x * y
        return out

    base, power = even, units
    while power:
        if power & 1:
            poly = times(poly, base)
        base = times(base, base)
        power >>= 1
    poly = times(poly, [comb(rest, k) for k in range(wrong + 1)])
    return poly[wrong] / comb(units * width + rest, wrong)


def within_bound(code: Code, grid: np.ndarray, damaged: np.ndarray) -> bool:
    """Whether the damage is one that the Reed-Solomon code must repair."""
    p = reed_solomon.plan(*grid.shape, code.share)
    cut = 8 * p.symbols
    was, now = grid.reshape(-1)[:cut], damaged.reshape(-1)[:cut]
    erased = (now.reshape(-1, 8) < 0).any(axis=1)
    wrong = (was != now).reshape(-1, 8).any(axis=1) & ~erased
    word = (np.arange(p.symbols) + p.codewords * p.length - p.symbols) % p.codewords
    cost = np.bincount(word, 2 * wrong + erased, p.codewords)
    return bool(np.all(cost <= p.checks))


def trial(rng: np.random.Generator, check: str, damage: str, count: Count) -> None:
    code = Code(
        check=check,
        framing="framed" if rng.random() < 0.5 else "plain",
        bit_order="high-first" if rng.random() < 0.5 else "low-first",
    )
    text = "".join(rng.choice(LETTERS, int(rng.integers(8, 120)))).strip() or "FOG"
    positions = int(rng.integers(16, 100))
    grid = encode_grid(text, code, positions)
    damaged = grid.copy()
    if damage == "wrong bits":
        wrong = int(rng.integers(1, MOST_WRONG + 1))
        at = rng.choice(grid.size, wrong, replace=False)
        damaged.reshape(-1)[at] ^= 1
        if check == "parity":
            units, rest = divmod(grid.size, 8)
            count.theory += even_chance(units, 8, rest, wrong)
        elif check == "crc-16":
            count.theory += 2.0**-16 if wrong > 3 else 0.0
    elif damage == "row unknown":
        damaged[rng.integers(len(grid))] = -1
    else:
        row = int(rng.integers(len(grid)))
        damaged[row] = rng.integers(0, 2, positions)
        if check == "crc-16":
            count.theory += 2.0**-16
        elif check == "parity":
            last = min((row + 1) * positions, grid.size // 8 * 8) - 1
            count.theory += 2.0 ** -(last // 8 - row * positions // 8 + 1)
    found = decode_grid(damaged, code)
    right = found.text == text
    passed = found.verdict in ("valid", "repaired", "unchecked")
    count.discs += 1
    count.right += passed and right
    count.refused += not passed
    count.silent += passed and not right
    if check == "reed-solomon" and within_bound(code, grid, damaged):
        count.bound += 1
        count.bound_right += passed and right


def table(discs: int) -> None:
    print(
        f"{'check':<13} {'damage':<18} {'discs':>8} {'right':>9} {'refused':>9} {'silent':>8} "
        f"{'in theory':>10}   within the bound, right"
    )
    for check in ("none", "parity", "crc-16", "reed-solomon"):
        for damage in ("wrong bits", "row unknown", "row read wrong"):
            rng = np.random.default_rng(20)
            count = Count()
            for _ in range(discs):
                trial(rng, check, damage, count)
            print(count.line(check, damage), flush=True)


def run():
    """Speed, beside reedsolo, which is written in plain Python."""
    import reedsolo

    rng = np.random.default_rng(1)
    code = Code(check="reed-solomon")
    grid = encode_grid("".join(rng.choice(LETTERS, 20_000)), code, 1000)
    damaged = grid.copy()
    damaged[5] = -1
    p = reed_solomon.plan(*grid.shape, code.share)
    other = reedsolo.RSCodec(p.checks)
    symbols = np.packbits(damaged.reshape(-1)[: 8 * p.symbols] > 0)
    erased = (damaged.reshape(-1)[: 8 * p.symbols].reshape(-1, 8) < 0).any(axis=1)
    words = reed_solomon._words(symbols, p)
    marks = reed_solomon._words(erased, p)

    def theirs() -> None:
        for word, mark in zip(words, marks, strict=True):
            other.decode(bytes(word), erase_pos=np.flatnonzero(mark).tolist())

    def ours() -> None:
        assert decode_grid(damaged, code).verdict == "repaired"

    mine, peer = alternating((ours, theirs), 3)
    yield (
        f"a lost row of {grid.size:,} bits repaired, times as fast as reedsolo",
        peer / mine,
        f"{mine * 1000:.0f} ms beside {peer * 1000:.0f} ms",
    )
    plain = Code()
    bits = rng.integers(0, 2, (10_000, 1000)).astype(np.int8)
    start = time.perf_counter()
    np.packbits(bits > 0)
    least = time.perf_counter() - start
    start = time.perf_counter()
    decode_grid(bits, plain)
    took = time.perf_counter() - start
    yield (
        "10 million bits decoded, plain, in times of packing them",
        took / least,
        f"{bits.size / took / 1e6:.0f} million bits/s",
    )


if __name__ == "__main__":
    table(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)

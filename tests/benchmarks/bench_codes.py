"""Codes: what becomes of damaged discs, beside what theory allows, and how fast the repair is.

`python -m tests.benchmarks.bench_codes [DISCS]` prints the table for that many random discs of each
check (100,000 if not given), shared out among the kinds of damage: random text, rows and positions,
framed or plain. `python -m tests.benchmarks codes` prints the speed beside reedsolo.

How many may be silently wrong (the column `allowed` is the sum over the discs):

* none: all. What is refused are control characters and what breaks the framing.
* parity: damage passes if every code unit has an even number of wrong bits. Of a unit of b bits,
  ((1+x)^b + (1-x)^b) / 2 counts the even sets by their size; the product over all units over
  C(N, k) is the chance. Where bits become others at random, it is a half for each unit that they
  touch. Rows of whole units that are lost or swapped pass always. Half of the discs are framed,
  and control characters are none of a text's: that catches some more.
* crc-16: 2^-16 for k > 3 wrong bits (the polynomial has distance 4 at these lengths; k <= 3: 0),
  2^-15 for a burst (Peterson & Brown, "Cyclic codes for error detection", Proc. IRE 49, 1961).
  Up to three unknown bits are repaired, as only one way to fill them passes at that distance.
* reed-solomon: all within the bound of 2 e + v <= checks of each codeword is repaired; beyond it,
  the CRC-32 lets 2^-32 of the guesses through: one, and one for each row taken as lost.

The last lines are about codewords without the CRC: with more than t errors the decoder gives
another codeword in at most (q - 1)^-2t sum_s=0^t C(n, s) (q - 1)^s of the cases, and never in more
than 1 / t! (McEliece & Swanson, "On the decoder error probability for Reed-Solomon codes", IEEE
Trans. Inform. Theory 32, 1986; the sum is from memory).
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import comb

import numpy as np

from sonify.disc.code import gf256, reed_solomon
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import decode_grid
from sonify.disc.code.encoding import encode_grid
from tests.benchmarks.measure import alternating

LETTERS = np.array(list("ABCDEFGHIJKLMNOPQRSTUVWXYZ 0123456789,.-"))
MOST_WRONG = 20
LONGEST_BURST = 40


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
        theory = "all" if name == "none" else f"{self.theory:.3g}"
        return (
            f"{name:<13} {damage:<15} {self.discs:>8,} {self.right:>9,} {self.refused:>9,} "
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


@dataclass
class Hit:
    """A damaged grid, and the bits that were touched: wrong ones, or the span that was replaced.

    `moved` says that whole rows changed places, so that units may have stayed whole.
    """

    grid: np.ndarray
    wrong: int = 0
    spans: tuple[tuple[int, int], ...] = ()
    moved: bool = False


def flips(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    wrong = int(rng.integers(1, MOST_WRONG + 1))
    grid.reshape(-1)[rng.choice(grid.size, wrong, replace=False)] ^= 1
    return Hit(grid, wrong)


def erasures(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    unknown = int(rng.integers(1, MOST_WRONG + 1))
    grid.reshape(-1)[rng.choice(grid.size, unknown, replace=False)] = -1
    return Hit(grid)


def burst(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    """Both ends wrong, and random bits between them."""
    size = int(rng.integers(3, LONGEST_BURST + 1))
    first = int(rng.integers(grid.size - size + 1))
    part = grid.reshape(-1)[first : first + size]
    part[[0, -1]] ^= 1
    part[1:-1] = rng.integers(0, 2, size - 2)
    return Hit(grid, spans=((first, first + size - 1),))


def row_unknown(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    grid[rng.integers(len(grid))] = -1
    return Hit(grid)


def _span(row: int, grid: np.ndarray) -> tuple[int, int]:
    return row * grid.shape[1], (row + 1) * grid.shape[1] - 1


def row_wrong(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    row = int(rng.integers(len(grid)))
    grid[row] = rng.integers(0, 2, grid.shape[1])
    return Hit(grid, spans=(_span(row, grid),))


def row_shifted(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    row = int(rng.integers(len(grid)))
    grid[row] = np.roll(grid[row], int(rng.integers(1, 4)))
    return Hit(grid, spans=(_span(row, grid),))


def rows_swapped(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    if len(grid) < 2:
        return row_shifted(rng, grid)
    one, two = map(int, rng.choice(len(grid), 2, replace=False))
    grid[[one, two]] = grid[[two, one]]
    return Hit(grid, spans=(_span(one, grid), _span(two, grid)), moved=True)


def row_lost(rng: np.random.Generator, grid: np.ndarray) -> Hit:
    if len(grid) < 2:
        return row_wrong(rng, grid)
    row = int(rng.integers(len(grid)))
    left = np.delete(grid, row, axis=0)
    return Hit(left, spans=((row * grid.shape[1], left.size - 1),), moved=True)


DAMAGES: dict[str, Callable[[np.random.Generator, np.ndarray], Hit]] = {
    "wrong bits": flips, "erasures": erasures, "burst": burst, "row unknown": row_unknown,
    "row read wrong": row_wrong, "row shifted": row_shifted, "rows swapped": rows_swapped,
    "row lost": row_lost,
}  # fmt: skip


def allowed(check: str, damage: str, hit: Hit, within: bool) -> float:
    """The most that the chance of a silent error may be."""
    rows, positions = hit.grid.shape
    if check == "none":
        return 1.0
    if check == "reed-solomon":
        guesses = 1 + min(rows, reed_solomon.MOST_SUSPECTS)
        return 0.0 if within else guesses * 2.0**-32
    if damage in ("erasures", "row unknown"):
        return 0.0
    if check == "crc-16":
        if hit.wrong:
            return 2.0**-16 if hit.wrong > 3 else 0.0
        return 2.0**-15 if damage == "burst" else 2.0**-16
    units, rest = divmod(hit.grid.size, 8)
    if hit.wrong:
        return even_chance(units, 8, rest, hit.wrong)
    if hit.moved and positions % 8 == 0:
        return 1.0
    # of a row that is only turned, or swapped, the last unit follows from the others
    follows = damage in ("row shifted", "rows swapped")
    touched = sum(max(0, min(b // 8, units - 1) - a // 8 + 1) for a, b in hit.spans)
    return 2.0 ** -max(0, touched - follows * len(hit.spans))


def trial(rng: np.random.Generator, check: str, damage: str, count: Count) -> None:
    """Damage a random disc, read it, and count what became of it."""
    code = Code(
        check=check,
        framing="framed" if rng.random() < 0.5 else "plain",
        bit_order="high-first" if rng.random() < 0.5 else "low-first",
    )
    text = "".join(rng.choice(LETTERS, int(rng.integers(8, 120)))).strip() or "FOG"
    grid = encode_grid(text, code, int(rng.integers(16, 100)))
    hit = DAMAGES[damage](rng, grid.copy())
    within = (
        check == "reed-solomon"
        and hit.grid.shape == grid.shape
        and within_bound(code, grid, hit.grid)
    )
    count.theory += allowed(check, damage, hit, within)
    found = decode_grid(hit.grid, code)
    right = found.text == text
    passed = found.verdict in ("valid", "repaired", "unchecked")
    count.discs += 1
    count.right += passed and right
    count.refused += not passed
    count.silent += passed and not right
    if within:
        count.bound += 1
        count.bound_right += passed and right


def table(discs: int) -> None:
    print(
        f"{'check':<13} {'damage':<15} {'discs':>8} {'right':>9} {'refused':>9} {'silent':>8} "
        f"{'allowed':>10}   within the bound, right"
    )
    for check in ("none", "parity", "crc-16", "reed-solomon"):
        rng, whole = np.random.default_rng(20), Count()
        for damage in DAMAGES:
            count = Count()
            for _ in range(-(-discs // len(DAMAGES))):
                trial(rng, check, damage, count)
            print(count.line(check, damage), flush=True)
            for name, value in vars(count).items():
                setattr(whole, name, getattr(whole, name) + value)
        print(whole.line(check, "all"), flush=True)
    print("codewords of 60 symbols with t + 1 to 60 errors, given as another one:")
    for most in (1, 2, 3, 4):
        wrong = miscorrected(np.random.default_rng(20), discs, 60, most)
        print(f"  t = {most}: {wrong:,} of {discs:,}; {discs * swanson(60, most):,.1f} allowed")


def swanson(length: int, most: int) -> float:
    """The bound on the share of codewords with more than `most` errors that become another one."""
    return float(sum(comb(length, s) * 255**s for s in range(most + 1)) / 255 ** (2 * most))


def miscorrected(rng: np.random.Generator, words: int, length: int, most: int) -> int:
    """How many codewords with more than `most` errors the decoder gives as another one."""
    wrong = 0
    for first in range(0, words, 10_000):
        n = min(10_000, words - first)
        data = rng.integers(0, 256, (n, length - 2 * most), dtype=np.uint8)
        sent = np.concatenate((data, gf256.checks(data, 2 * most)), axis=1)
        errors = rng.integers(1, 256, sent.shape, dtype=np.uint8)
        weight = rng.integers(most + 1, length + 1, (n, 1))
        errors[np.argsort(rng.random(sent.shape), axis=1) >= weight] = 0
        found = gf256.correct(sent ^ errors, 2 * most)
        wrong += int((found.ok & (found.words != sent).any(axis=1)).sum())
    return wrong


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
    table(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)

"""Ways to read a sighting: where it starts, which way it runs and what a hole means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.recover.sighting import Sighting

__all__ = [
    "ELSEWHERE",
    "Arrangement",
    "Candidate",
    "Space",
    "Wanted",
    "arrange",
    "space_of",
    "units_of",
]

Bits = NDArray[np.int8]
T = TypeVar("T", str, int)

ELSEWHERE = 8.0
"""How many bits of evidence more a start elsewhere needs than one at the mark."""
ANTICLOCKWISE = 3.0
"""How many more a disc needs that turns anticlockwise, without an arrow. Own choice."""


@dataclass(frozen=True)
class Arrangement:
    """How a sighting's rows and positions become a grid.

    `start` is the sighting's position that becomes position 0; the rest is as in a layout.
    """

    start: int = 0
    turning: str = "clockwise"
    reading: str = "outside-in"
    hole_means: int = 1

    def __str__(self) -> str:
        return (
            f"start {self.start + 1}, turning {self.turning}, {self.reading}, "
            f"a hole means {self.hole_means}"
        )


@dataclass(frozen=True)
class Wanted:
    """What the user has given; None leaves it open."""

    start: int | None = None
    turning: str | None = None
    reading: str | None = None
    hole_means: int | None = None
    alphabet: str | None = None
    bit_order: str | None = None
    framing: str | None = None
    check: str | None = None

    @property
    def names_code(self) -> bool:
        """Whether anything about the code is given."""
        return (self.alphabet, self.framing, self.check) != (None, None, None)


@dataclass(frozen=True, eq=False)
class Candidate:
    """One way to read the disc, and how plausible its message is.

    Attributes
    ----------
    arrangement : Arrangement
    code : Code
    text : str
    score : float
        Bits of evidence, minus the cost of trying many ways; each bit doubles the odds against
        chance.
    why : str
        The score in words.
    """

    arrangement: Arrangement
    code: Code
    text: str
    score: float
    why: str


@dataclass(frozen=True, eq=False)
class Space:
    """The arrangements to try: each of `choices` with each of `starts`.

    `start_cost` has how many bits of evidence more each position needs as a start, and
    `turning_cost` each way to turn.
    """

    choices: tuple[Arrangement, ...]
    starts: NDArray[np.int64]
    start_cost: NDArray[np.float64]
    turning_cost: dict[str, float]

    def __len__(self) -> int:
        return len(self.choices) * len(self.starts)

    def readings(
        self, bits: Bits, most: int
    ) -> Iterator[tuple[Arrangement, NDArray[np.int64], Bits]]:
        """The first `most` bits in reading order, for many starts at once.

        Yields
        ------
        how : Arrangement
        starts : ndarray, shape (starts,)
        lines : ndarray of int8, shape (starts, bits)
        """
        for how in self.choices:
            base = arrange(bits, how)
            rows = min(len(base), -(-most // base.shape[1]))
            step = 1 if how.turning == "clockwise" else -1
            for starts in np.array_split(self.starts, -(-len(self.starts) // 256)):
                places = (step * starts[:, None] + np.arange(base.shape[1])) % base.shape[1]
                lines = base[:rows][:, places].transpose(1, 0, 2).reshape(len(starts), -1)
                yield how, starts, lines[:, :most]


def arrange(bits: Bits, how: Arrangement) -> Bits:
    """The grid that an arrangement makes of a sighting's bits, shape (rows, positions)."""
    rows = bits[::-1] if how.reading == "inside-out" else bits
    step = 1 if how.turning == "clockwise" else -1
    places = (how.start + step * np.arange(bits.shape[1])) % bits.shape[1]
    out = rows[:, places]
    if how.hole_means == 0:
        out = np.where(out >= 0, 1 - out, out)
    return np.ascontiguousarray(out, np.int8)


def space_of(sighting: Sighting, wanted: Wanted, wide: bool) -> Space:
    """The arrangements still open; with `wide`, all that the user has not ruled out."""

    def open_ways(settled: T | None, known: bool, ways: tuple[T, T]) -> tuple[T, ...]:
        if settled is not None:
            return (settled,)
        return ways[:1] if known and not wide else ways

    turnings = open_ways(wanted.turning, sighting.order_known, ("clockwise", "anticlockwise"))
    readings = open_ways(wanted.reading, sighting.order_known, ("outside-in", "inside-out"))
    means = open_ways(wanted.hole_means, sighting.sense_known, (1, 0))
    if wanted.start is not None:
        if not 0 <= wanted.start < sighting.positions:
            raise InputError(
                f"{wanted.start + 1} is not a position; this disc has 1 to {sighting.positions}",
                key="start",
            )
        starts = np.array([wanted.start])
    elif sighting.start_known and sighting.order_known and sighting.sense_known:
        starts = np.array([0])
    else:
        # the mark may be anywhere, even if it is known
        starts = np.arange(sighting.positions)
    choices = tuple(Arrangement(0, t, r, m) for t, r, m in product(turnings, readings, means))
    cost = np.zeros(sighting.positions)
    if wanted.start is None and sighting.start_evidence is not None:
        cost = sighting.start_evidence.max() - sighting.start_evidence
    elif wanted.start is None and sighting.start_known:
        cost[1:] = ELSEWHERE
    more = ANTICLOCKWISE + sighting.clockwise
    turning = {"clockwise": max(0.0, -more), "anticlockwise": max(0.0, more)}
    return Space(choices, starts, cost, turning)


def units_of(lines: Bits, code: Code) -> tuple[NDArray[np.int64], NDArray[np.bool_], Bits]:
    """Code units of many readings at once.

    Parameters
    ----------
    lines : ndarray of int8, shape (readings, bits)
    code : Code

    Returns
    -------
    units : ndarray, shape (readings, units)
        Without their parity bit.
    known : ndarray of bool
    parity : ndarray of int8
        1 if the parity is right, 0 if it is wrong, -1 if it is unknown or there is none.
    """
    width, data = code.unit_bits, code.data_bits
    count = lines.shape[1] // width
    cells = lines[:, : count * width].reshape(len(lines), count, width)
    known: NDArray[np.bool_] = np.all(cells[:, :, :data] >= 0, axis=2)
    powers = 1 << np.arange(data)[:: -1 if code.bit_order == "high-first" else 1]
    units: NDArray[np.int64] = (cells[:, :, :data] > 0) @ powers
    parity: Bits = np.full(units.shape, -1, np.int8)
    if width > data:
        even = (cells > 0).sum(axis=2) % 2 == 0
        parity = np.where((cells >= 0).all(axis=2), even, -1).astype(np.int8)
    return units, known, parity

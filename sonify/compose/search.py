"""The search: annealing over the maker's choices, and a beam over what fills spare places.

All limits are numbers of discs, so the same input gives the same disc on any machine.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.compose.choices import Choices, Design
from sonify.compose.judge import Judge, Tail, random_fills
from sonify.disc.disc import Disc

__all__ = ["ALL_WAYS", "Best", "Composed", "compose", "fill"]

Bits = NDArray[np.int8]
Pick = tuple[int, ...]

ALL_WAYS = 1 << 16
"""Up to so many discs, all are scored, and the best one is certain."""

BEAM = 32
"""How many fillings the beam keeps. Own choice."""

SAMPLES = 8
"""How many random fillings are scored to judge a design. Own choice."""

FEW_BITS, LAP_BITS = 4, 8
"""How many bits are tried in all ways at a time: by the beam at least, and when the filling is gone
over again. Own choice."""

LEAST_FILL = 300
"""The fewest discs with which a filling is worth looking for. Own choice."""

FINALISTS = (64, 16, 4)
"""How many designs are filled by the beam in each round, from few discs each to many. Own choice:
a few random fillings alone are a poor judge."""

STARTS = 3
"""How many times the annealing starts. Own choice."""

TOGETHER = 256
"""How many designs are scored before the best one is kept. Own choice."""

MOST_IDLE = 1000
"""After so many steps in a row among known designs, all designs in reach are known. Own choice."""

HOT, COLD = 0.02, 0.0005
"""The first and the last temperature of the annealing, in units of the score. Own choice: the
designs of a sentence differ by some hundredths."""


@dataclass(frozen=True, eq=False)
class Best:
    """The best disc so far.

    Attributes
    ----------
    design : Design
    grid : ndarray of int8, shape (rows * positions,)
    score : float
    """

    design: Design
    grid: Bits
    score: float


class Hunt:
    """A search under way, with the best disc so far."""

    def __init__(self, choices: Choices, judge: Judge, seed: int) -> None:
        self.choices, self.judge, self.random = choices, judge, random.Random(f"compose {seed}")
        self.seed = seed
        self.found: dict[Pick, Best | None] = {}
        first = choices.before()
        grids = first.disc.grid.reshape(1, -1)
        self.first = self.best = _best_of(first, grids, judge.scores(first, grids))

    def keep(self, one: Best) -> None:
        """Keep a disc if it is better than the best one."""
        self.best = _better(self.best, one)

    def sample(self, picks: Sequence[Pick]) -> None:
        """Find the best disc of each design among its first one and some with random fillings."""
        lots: dict[Pick, tuple[Design, Bits]] = {}
        for pick in picks:
            if pick not in self.found:
                self.found[pick] = None
                design = self.choices.design(pick)
                if design is not None:
                    grids = design.disc.grid.reshape(1, -1)
                    if len(design.slots.at):
                        more = random_fills(design, SAMPLES - 1, self.seed)
                        grids = np.concatenate([grids, more])
                    lots[pick] = design, grids
        scores = self.judge.scores_of(list(lots.values()))
        for (pick, (design, grids)), own in zip(lots.items(), scores, strict=True):
            self.found[pick] = best = _best_of(design, grids, own)
            self.keep(best)

    def anneal(self, budget: int) -> None:
        """Walk through the choices: each step draws the value of one choice, the likelier the
        better its disc (a heat bath), ever colder, until so many discs are scored."""
        axes = list(self.choices.axes.values())
        moving = [k for k, values in enumerate(axes) if len(values) > 1]
        pick, begin = (0,) * len(axes), self.judge.budget.used
        self.sample([pick])
        for lap in range(STARTS if moving else 0):
            until = begin + budget * (lap + 1) // STARTS
            first, idle = self.judge.budget.used, 0
            while (used := self.judge.budget.used) < until and idle < MOST_IDLE:
                share = (used - first) / max(1, until - first)
                heat = HOT * (COLD / HOT) ** share
                axis = self.random.choice(moving)
                ways = [(*pick[:axis], v, *pick[axis + 1 :]) for v in range(len(axes[axis]))]
                self.sample(ways)
                scores = [-1.0 if (b := self.found[w]) is None else b.score for w in ways]
                top = max(scores)
                weights = [math.exp((s - top) / heat) for s in scores]
                pick = self.random.choices(ways, weights)[0]
                idle = 0 if self.judge.budget.used > used else idle + 1
                if idle > 2 * len(moving):
                    pick = tuple(self.random.randrange(len(values)) for values in axes)

    def fill_finalists(self) -> bool:
        """Fill the best designs by the beam, fewer in each round; or all of them in all ways, if
        they have few discs. Whether that was done."""
        some = sorted(p for p, b in self.found.items() if b and len(b.design.slots.at))
        few = sum(self._at(p).design.ways for p in some) <= ALL_WAYS
        for n, count in enumerate((len(some),) if few else FINALISTS):
            left = self.judge.budget.left // (1 if few else len(FINALISTS) - n)
            most = count if few else min(count, max(1, left // LEAST_FILL))
            some = sorted(some, key=lambda p: -self._at(p).score)[:most]
            for pick in some:
                each = ALL_WAYS if few else left // len(some)
                for better in fill(self._at(pick), self.judge, each):
                    self.found[pick] = better
                    self.keep(better)
        return few

    def _at(self, pick: Pick) -> Best:
        best = self.found[pick]
        assert best is not None
        return best

    def changes(self, first: Design, last: Design) -> tuple[Change, ...]:
        """What differs between two designs."""
        known = [b for b in self.found.values() if b is not None]
        out = []
        for name, value in last.picks.items():
            if value != (old := first.picks[name]):
                scores = [b.score for b in known if b.design.picks[name] == old]
                out.append(Change(name, old, value, max(scores, default=None)))
        return tuple(out)

    def all_designs(self) -> bool:
        """Sample all designs if they are few; whether they are."""
        if self.choices.size > ALL_WAYS // SAMPLES:
            return False
        picks = list(product(*(range(len(v)) for v in self.choices.axes.values())))
        designs = [d for d in map(self.choices.design, picks) if d is not None]
        ways = sum(d.ways for d in designs)
        if ways > ALL_WAYS and len(designs) * SAMPLES > self.judge.budget.left // 2:
            return False
        picks.sort(key=lambda p: p[-1])
        for k in range(0, len(picks), TOGETHER):
            self.sample(picks[k : k + TOGETHER])
        return True


@dataclass(frozen=True, eq=False)
class Change:
    """A choice that differs from the disc before: its name, both values, and the best score that
    was found with the value before (None for none)."""

    name: str
    before: Any
    after: Any
    without: float | None


@dataclass(frozen=True, eq=False)
class Composed:
    """The disc that a search found, beside the one that the message makes without it.

    Attributes
    ----------
    before, after : Disc
    score_before, score : float
    values_before, values : dict
        Of the objectives by name.
    changes : tuple of Change
    filling : int
        How many bits were chosen freely.
    scored : int
        How many discs were scored.
    all_ways : bool
        Whether these were all discs that there are.
    stopped : bool
        Whether the user stopped the search.
    """

    before: Disc
    after: Disc
    score_before: float
    score: float
    values_before: dict[str, float]
    values: dict[str, float]
    changes: tuple[Change, ...]
    filling: int
    scored: int
    all_ways: bool
    stopped: bool

    def __repr__(self) -> str:
        return f"<Composed {self.after!r}: score {self.score_before:.3f}, now {self.score:.3f}>"


def compose(choices: Choices, judge: Judge, seed: int = 1) -> Composed:
    """Search for the best disc.

    Parameters
    ----------
    choices : Choices
    judge : Judge
        Its budget limits the search, unless all discs are few enough to score them all.
    seed : int

    Raises
    ------
    RuntimeError
        A disc does not decode to its message: an error in the program.
    """
    hunt = Hunt(choices, judge, seed)
    complete = stopped = False
    try:
        complete = hunt.all_designs()
        if not complete:
            hunt.anneal(judge.budget.left // 2)
        complete &= hunt.fill_finalists()
    except KeyboardInterrupt:
        stopped = True
    first, best = hunt.first, hunt.best
    after = best.design.filled(best.grid)
    decoding, meant = after.decoding, best.design.disc.message
    if decoding is None or decoding.text != meant or decoding.verdict == "failed":
        raise RuntimeError(f"the disc reads '{after.message}' and not '{meant}'")
    return Composed(
        first.design.disc, after, first.score, best.score, _single(judge, first),
        _single(judge, best), hunt.changes(first.design, best.design),
        best.design.slots.at.size, judge.budget.used, complete, stopped,
    )  # fmt: skip


def _single(judge: Judge, one: Best) -> dict[str, float]:
    return {n: float(v[0]) for n, v in judge.values(one.design, one.grid[None]).items()}


def _best_of(design: Design, grids: Bits, scores: NDArray[np.float64]) -> Best:
    k = int(np.argmax(scores))
    return Best(design, grids[k], float(scores[k]))


def fill(start: Best, judge: Judge, budget: int) -> Iterator[Best]:
    """Ever better fillings of a design.

    A few slots at a time, each of the best fillings so far is tried with all their values. Then the
    slots are gone over again, as long as that helps.

    Parameters
    ----------
    start : Best
        A disc of the design.
    judge : Judge
    budget : int
        About how many discs to score. Where the design has no more, all are scored.
    """
    design, best = start.design, start
    tail, count = judge.tail(design), len(design.slots.at)
    # what is not chosen yet is empty in one disc, and as good as chance made it in the other
    beam = np.stack([design.disc.grid.reshape(-1), start.grid])
    if design.ways <= budget:
        yield _better(start, _tried(design, judge, tail, beam[:1], range(count))[0])
        return
    # half of the budget is for the beam: so many discs for each slot
    each, until = budget // 2 // count, judge.budget.used + budget
    bits = math.log2(len(design.slots.ways))
    wide = max(1, min(BEAM, each * FEW_BITS >> FEW_BITS))
    few = max(1, int(max(FEW_BITS, math.log2(max(1, each // wide))) / bits))
    for slot in range(0, count, few):
        lot = range(slot, min(slot + few, count))
        top, grids, scores = _tried(design, judge, tail, beam, lot)
        yield (best := _better(best, top))
        beam = grids[np.argsort(-scores, kind="stable")[:wide]]
    few, before = max(1, int(LAP_BITS / bits)), -1.0
    while best.score > before:
        before = best.score
        for slot in range(0, count, max(1, few // 2)):
            if judge.budget.used >= until:
                return
            lot = range(slot, min(slot + few, count))
            yield (best := _better(best, _tried(design, judge, tail, best.grid[None], lot)[0]))


def _better(one: Best, other: Best) -> Best:
    return other if other.score > one.score else one


def _tried(
    design: Design, judge: Judge, tail: Tail | None, beam: Bits, lot: range
) -> tuple[Best, Bits, NDArray[np.float64]]:
    """All values of some slots on top of each disc of a beam: the best, all, and their scores."""
    at, ways = design.slots
    combinations = np.array(list(product(range(len(ways)), repeat=len(lot))), np.int64)
    grids = np.repeat(beam, len(combinations), axis=0)
    grids[:, at[lot.start : lot.stop]] = np.tile(ways[combinations], (len(beam), 1, 1))
    scores = judge.scores(design, grids, tail)
    return _best_of(design, grids, scores), grids, scores

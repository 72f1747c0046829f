"""What a cause is, and how causes that only the pattern of the errors shows are compared."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.error_pattern import ErrorPattern

__all__ = [
    "SOUND", "Cause", "Finding", "PatternCause", "beyond", "measures", "percent", "shares",
]  # fmt: skip

PATTERN = "errors-like-"
"""How the signs begin that only the pattern of the errors shows; a cause's name follows."""

NEXT_TO = 0.05
"""Of the most that is sound: how exactly a measure is known (own estimate)."""

SOUND = {"drift": 0.252, "hum": 0.074, "late": 0.16, "noise": 0.251, "swing": 0.099}
"""The most that one in 500 sound recordings shows, by the name of its measure: a bound for accusing
a machine that did no harm. `python -m tests.benchmarks.signs fit` measures it on all generators,
from the largest twentieth of the values (their tail taken to be exponential: J. Pickands,
Statistical inference using extreme order statistics, 1975); by the largest tenth, they are up to a
fifth larger."""

LEAST = 0.06
"""Causes of a lower probability by the pattern are not listed (own choice)."""


@dataclass(frozen=True)
class Finding:
    """A likely cause.

    Attributes
    ----------
    cause : Cause
    sign : str
        What shows it: a row of `ODDS`.
    strength : float
        Of the sign: what it adds to the log odds of the cause.
    evidence : tuple of str
    try_this : tuple of str
    probability : float
        Once it is compared with other causes.
    """

    cause: Cause
    sign: str
    strength: float
    evidence: tuple[str, ...]
    try_this: tuple[str, ...]
    probability: float = 0.0

    @property
    def name(self) -> str:
        """The cause's name."""
        return self.cause.name

    @property
    def title(self) -> str:
        """The cause in plain words."""
        return self.cause.title

    @property
    def surely(self) -> str:
        """The cause in plain words, with its probability."""
        return f"{self.title} ({self.probability:.0%})"

    @property
    def by_pattern(self) -> bool:
        """Whether only the pattern of the errors shows it."""
        return self.sign.startswith(PATTERN)


class Cause:
    """A cause of errors.

    Attributes
    ----------
    name : str
        In the JSON report.
    title : str
        In plain words.
    repairs : tuple of str
        What to try.
    group : str
        Of causes of one group only the likeliest is listed.
    breaks : bool
        Whether it may spoil a recording so much that its bits do not fit the disc.
    harms : bool
        Whether it makes bits wrong; anywhere, unless `explains` says more.
    """

    name: str
    title: str
    repairs: tuple[str, ...]
    group: str = ""
    breaks: bool = False
    harms: bool = True

    def find(self, case: Case, share: float) -> Finding | None:
        """The evidence for this cause in a case; None for none.

        Parameters
        ----------
        case : Case
        share : float
            The probability of this cause by the pattern of the errors; 0 if it takes no part.
        """
        raise NotImplementedError

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """Where it may have made bits wrong, shape (rows, positions)."""
        return np.full_like(case.wrong, self.harms)

    def found(self, sign: str, *evidence: str, strength: float = 0.0) -> Finding:
        """A finding of this cause with its usual repairs."""
        return Finding(self, sign, strength, evidence, self.repairs)


class PatternCause(Cause):
    """A cause that only the pattern of the errors, and the levels of a log, show.

    Attributes
    ----------
    prior : float
        How common it is, relative to the others.
    fewest : int
        Errors from which on it is named.
    """

    prior: float
    fewest: int = 1

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """The log probability of just these errors, averaged over all that the cause leaves open;
        None if it can't be the cause. The levels of a log, if there are any, count as well."""
        raise NotImplementedError

    def evidence(self, case: Case) -> list[str]:
        """What to say for it."""
        raise NotImplementedError

    def find(self, case: Case, share: float) -> Finding | None:
        """By other signs than the pattern too, if it has any."""
        return self.by_pattern(case, share)

    def by_pattern(self, case: Case, share: float) -> Finding | None:
        """With the probability by the pattern as its strength."""
        if not share > LEAST or case.count < self.fewest:
            return None
        return self.found(PATTERN + self.name, *self.evidence(case), strength=math.log(share))


def shares(
    causes: Iterable[PatternCause], errors: ErrorPattern, levels: LevelSigns | None
) -> dict[str, float]:
    """The posterior probability of each cause by the pattern of the errors; they add up to 1."""
    logs = {}
    for cause in causes:
        likely = cause.log_likelihood(errors, levels)
        if likely is not None:
            logs[cause.name] = likely + math.log(cause.prior)
    value = np.exp(np.array(list(logs.values())) - max(logs.values()))
    return dict(zip(logs, (value / value.sum()).tolist(), strict=True))


def measures(case: Case) -> dict[str, float]:
    """The sizes that `SOUND` bounds: the drift and the swing of the speed as shares of it, how much
    later than set the data come, in positions, and hum and noise as shares of the data's swing."""
    out = {"drift": abs(case.motion.drift), "swing": case.motion.flutter}
    v, clock = case.seen.levels, case.seen.clock
    if v is None or clock is None or case.channels is None:
        return out
    data, swing = case.channels.data, max(case.channels.data.swing, 1e-30)
    late = (v.delay_s - case.delay_s) / clock.usual_s
    return out | {"late": late, "hum": data.hum / swing, "noise": data.usual_noise / swing}


def beyond(x: float, most: float) -> float:
    """How far a measure is beyond the most that sound players show: the logarithm of the excess as
    a share of that, from `NEXT_TO` on."""
    return math.log(max(x / most - 1, NEXT_TO))


def percent(x: float) -> str:
    """A share as text."""
    return f"{100 * x:.3g} %"

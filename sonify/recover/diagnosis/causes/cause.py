"""What a cause is, and how causes that only the pattern of the errors shows are compared."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.error_pattern import ErrorPattern

__all__ = ["CERTAIN", "PATTERN", "Cause", "Finding", "PatternCause", "percent", "shares"]

CERTAIN = 10.0
"""Weight of a cause that is certain by itself, such as a disc that fits when reversed."""

PATTERN = 4.0
"""Weight of a cause that the pattern of the errors alone makes certain."""


@dataclass(frozen=True)
class Finding:
    """A likely cause.

    Attributes
    ----------
    cause : Cause
    weight : float
        From 0, no evidence for it, upwards.
    evidence : tuple of str
    try_this : tuple of str
    """

    cause: Cause
    weight: float
    evidence: tuple[str, ...]
    try_this: tuple[str, ...]

    @property
    def name(self) -> str:
        """The cause's name."""
        return self.cause.name

    @property
    def title(self) -> str:
        """The cause in plain words."""
        return self.cause.title


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
    """

    name: str
    title: str
    repairs: tuple[str, ...]
    group: str = ""
    breaks: bool = False

    def find(self, case: Case, share: float) -> Finding | None:
        """The evidence for this cause in a case; None for none.

        Parameters
        ----------
        case : Case
        share : float
            The probability of this cause by the pattern of the errors; 0 if it takes no part.
        """
        raise NotImplementedError

    def found(self, weight: float, *evidence: str) -> Finding:
        """A finding of this cause with its usual repairs."""
        return Finding(self, weight, evidence, self.repairs)


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
        """With the probability by the pattern as its weight."""
        if not share or case.count < self.fewest:
            return None
        return self.found(PATTERN * share, *self.evidence(case))


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


def percent(x: float) -> str:
    """A share as text."""
    return f"{100 * x:.3g} %"

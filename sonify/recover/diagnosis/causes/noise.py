"""Noise."""

from __future__ import annotations

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import PatternCause
from sonify.recover.diagnosis.error_pattern import MANY, ErrorPattern, share_between

__all__ = ["Noise"]

SHARE = (0.005, 0.4)
"""The share of bits that noise gets wrong: from a few in a disc to nearly half."""


class Noise(PatternCause):
    """Any bit, either way."""

    name = "noise"
    title = "a weak or noisy signal"
    repairs = (
        "clean the detectors, move them closer to the disc, and keep their leads away from the "
        "motor's",
    )
    prior = 0.2
    fewest = MANY

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """All bits equally likely."""
        few = errors.every < self.fewest
        return None if few else share_between(errors.every, errors.bits, *SHARE)

    def evidence(self, case: Case) -> list[str]:
        """How many, either way."""
        missed, added = int(case.missed.sum()), int(case.added.sum())
        return [f"{missed} missed and {added} added ones without a pattern"]

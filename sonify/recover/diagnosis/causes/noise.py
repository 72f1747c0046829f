"""Noise."""

from __future__ import annotations

import math

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import SOUND, Finding, PatternCause, percent
from sonify.recover.diagnosis.causes.channel import CHATTER, quietened
from sonify.recover.diagnosis.error_pattern import MANY, ErrorPattern, share_between
from sonify.recover.diagnosis.quiet import DROWNED

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
    breaks = True

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """All bits equally likely."""
        few = errors.every < self.fewest
        return None if few else share_between(errors.every, errors.bits, *SHARE)

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if the log shows more noise than such a detector has."""
        found = quietened(self, case)
        if found is not None or case.channels is None or case.quiet is not None:
            return found or super().find(case, share)
        data = case.channels.data
        if data.clipped:  # what is left of its swing is no measure
            return super().find(case, share)
        part = data.usual_noise / max(data.swing, 1e-30)
        clock = case.channels.clock
        # of a clock that is drowned no position can be counted
        lost = clock.usual_noise > DROWNED * clock.swing > 0
        if not case.fits and part < DROWNED and not lost:
            return None
        chatters = data.digital and data.edges > CHATTER
        if not (case.harmed and chatters) and (data.digital or part < SOUND["noise"]):
            return super().find(case, share)
        said = (
            f"the data channel changes {data.edges:.1f} times in a position; holes alone make it "
            "change twice at the most"
            if chatters
            else f"noise of {percent(part)} of the swing between holes and material, or "
            f"{-20 * math.log10(part):.0f} dB"
        )
        return self.found("noisy", said, *self.evidence(case))

    def evidence(self, case: Case) -> list[str]:
        """How many, either way."""
        missed, added = int(case.missed.sum()), int(case.added.sum())
        return [f"{missed} missed and {added} added ones without a pattern"]

"""Single holes that are blocked or torn."""

from __future__ import annotations

import math

import numpy as np

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import PatternCause
from sonify.recover.diagnosis.causes.light import SEEN
from sonify.recover.diagnosis.error_pattern import ErrorPattern, log_choose

__all__ = ["Hole"]

MORE_HOLES = 0.5
"""Each further hole is this much rarer than the one before (a guess that dust comes in specks)."""


class Hole(PatternCause):
    """Any few places are equally likely."""

    name = "hole"
    title = "a blocked or torn hole"
    repairs = (
        "hold the disc against the light and check the places named",
        "clear dust and splinters from blocked holes; patch torn ones with tape",
    )
    prior = 1.0  # dust and splinters are the most common

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float:
        """All places equally likely, or all of one kind, or all in a patch. A blocked hole looks
        like solid material, and a torn one like a hole."""
        likely = -log_choose(errors.bits, errors.every)
        if not errors.others:
            likely = float(np.logaddexp(likely, -log_choose(len(errors.hit), errors.every)))
        likely += errors.every * math.log(MORE_HOLES)
        # or a scratch or a splash, over neighbouring places
        likely = float(np.logaddexp(likely, errors.in_patch)) - math.log(2)
        if levels is None:
            return likely
        return likely + (SEEN if levels.plain else -SEEN / 2 if levels.smeared else 0.0)

    def evidence(self, case: Case) -> list[str]:
        """The places."""
        r, p = case.at
        places = ", ".join(
            f"row {a + 1} position {b + 1} ({'blocked' if case.missed[a, b] else 'torn'})"
            for a, b in zip(r.tolist()[:4], p.tolist()[:4], strict=True)
        )
        return [f"{'one place' if case.count == 1 else f'{case.count} separate places'}: {places}"]

"""The stage that moves the data detector from row to row."""

from __future__ import annotations

import math

import numpy as np

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import CERTAIN, Finding, PatternCause, percent
from sonify.recover.diagnosis.causes.light import SEEN
from sonify.recover.diagnosis.error_pattern import MANY, ErrorPattern

__all__ = ["Stage"]

SHALLOW = 0.8
"""Of the usual depth of holes: in a shallower row the detector is beside the row's middle."""


class Stage(PatternCause):
    """Other rows than those due, or errors in one row."""

    name = "stage"
    title = "the stage stops short of its row or past it"
    repairs = (
        "look for slip, a loose belt and backlash at the row named",
        "adjust the steps per row, and let the stage find its end stop before each disc",
    )
    prior = 0.5
    fewest = MANY

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """Errors in any one row; its holes then look shallow."""
        if errors.every < self.fewest:
            return None
        row, likely = errors.by_row
        likely -= math.log(2) + math.log(errors.wrong.shape[0])
        if levels is None or not np.isfinite(levels.depth[row]):
            return likely
        # a fading light makes all holes shallow, whatever the stage does
        return likely + (SEEN if levels.depth[row] < SHALLOW and not levels.fades else -SEEN / 2)

    def evidence(self, case: Case) -> list[str]:
        """The row, and how shallow its holes look."""
        row, _ = case.errors.by_row
        here, could = int(case.wrong[row].sum()), case.errors.could[row]
        share = (case.wrong[row] & could).sum() / max(1, int(could.sum()))
        out = [
            f"{here} of {case.count} errors are in row {row + 1}, where {percent(share)} of the "
            "bits that could be wrong are"
        ]
        if case.levels is not None and case.levels.depth[row] < SHALLOW:
            out.append(
                f"the holes of row {row + 1} show at {percent(float(case.levels.depth[row]))} of "
                "the usual depth: the detector sees only part of them"
            )
        return out

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if other rows were read than those due."""
        off = case.other_rows
        at = np.flatnonzero(off)
        if not len(at):
            return super().find(case, share)
        first, last = int(at[0]) + 1, int(at[-1]) + 1
        short = off[at[0]] < 0
        return self.found(
            CERTAIN - 1.5,
            f"from row {first} to row {last}, the row {'before' if short else 'after'} was read "
            "instead",
            f"the stage stopped {'short of' if short else 'past'} row {first}, so row "
            + (f"{first - 1} was read twice" if short else f"{first} was skipped"),
        )

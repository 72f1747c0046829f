"""The stage that moves the data detector from row to row."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import CERTAIN, Cause, Finding, PatternCause, percent
from sonify.recover.diagnosis.causes.light import SEEN
from sonify.recover.diagnosis.error_pattern import MANY, ErrorPattern

__all__ = ["RowsSwapped", "Stage"]

Index = NDArray[np.int64]

SAME, OTHER = 0.95, 0.85
"""Shares of correct bits from which a row is another one, and below which it is not the one due:
two texts in one alphabet share some 0.6 of their bits, at most 0.8 (measured on random texts)."""

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
        if len(_swapped(case)):
            return None
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


def _swapped(case: Case) -> Index:
    """The row that was seen in each one's place, if rows took each other's places; empty if not."""
    design, place = case.design, case.seen.alignment.places(case.design)
    heard = case.seen.under[:, None, : design.positions]
    meant = design.grid[:, place].swapaxes(0, 1)
    known = (heard >= 0) & (meant >= 0)
    fit = (known & (heard == meant)).sum(axis=2) / np.maximum(known.sum(axis=2), 1)
    own, best = np.diag(fit), fit.argmax(axis=1)
    moved = (fit.max(axis=1) > SAME) & (own < OTHER)
    order = np.where(moved, best, np.arange(design.rows))
    whole = len(np.unique(order)) == design.rows
    return order if moved.any() and whole else order[:0]


class RowsSwapped(Cause):
    """Rows that took each other's places."""

    name = "rows-swapped"
    title = "rows are in each other's places"
    repairs = (
        "compare the rows named with the drawing: they may have been cut in the wrong order",
        "check that the disc's file is the one it was cut from",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if the rows read are those due, in another order."""
        order = _swapped(case)
        at = np.flatnonzero(order != np.arange(len(order)))
        if not len(at):
            return None
        said = [f"row {order[r] + 1} was read where row {r + 1} is due" for r in at[:4].tolist()]
        return self.found(CERTAIN, "; ".join(said) + "; ..." * (len(at) > 4))

"""The stage that moves the data detector from row to row."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import Cause, Finding, PatternCause, percent
from sonify.recover.diagnosis.causes.light import SEEN
from sonify.recover.diagnosis.error_pattern import ErrorPattern
from sonify.recover.diagnosis.stage_move import OPEN
from sonify.recover.diagnosis.under_detector import BLANK

__all__ = ["RowsSwapped", "Stage", "StageEarly", "StageLate", "moving"]

SHALLOW = 0.8
"""Of the usual depth of holes: in a shallower row the detector is beside the row's middle."""


NAMES = {"early": "stage-early", "late": "stage-late", "slow": "slow-stage"}
"""The causes by the kinds of moves."""


class Stage(PatternCause):
    """Other rows than those due, or errors in one row."""

    name = "stage"
    title = "the stage stops short of its row or past it"
    repairs = (
        "look for slip, a loose belt and backlash at the row named",
        "adjust the steps per row, and let the stage find its end stop before each disc",
    )
    prior = 0.5
    fewest = 2
    group = "stage"

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """Errors in any one row, or from one on; its holes then look shallow."""
        if errors.every < self.fewest:
            return None
        rows, likely = errors.by_row
        likely -= math.log(2)
        if levels is None:
            return likely
        depth = levels.depth[rows.start]
        if rows.stop > rows.start + 1:  # a log shows it by its levels
            return None
        if not np.isfinite(depth):
            return likely
        # a fading light makes all holes shallow, whatever the stage does
        return likely + (SEEN if depth < SHALLOW and not levels.fades else -SEEN / 2)

    def evidence(self, case: Case) -> list[str]:
        """The row, and how shallow its holes look."""
        rows, _ = case.errors.by_row
        here, could = int(case.wrong[rows].sum()), case.errors.could[rows]
        share = (case.wrong[rows] & could).sum() / max(1, int(could.sum()))
        named = f"row {rows.start + 1}" + f" to row {rows.stop}" * (rows.stop > rows.start + 1)
        out = [
            f"{here} of {case.count} errors are in {named}, where {percent(share)} of the "
            "bits that could be wrong are"
        ]
        if case.levels is not None and case.levels.depth[rows.start] < SHALLOW:
            depth = percent(float(case.levels.depth[rows.start]))
            out.append(
                f"the holes of row {rows.start + 1} show at {depth} of the usual depth: the "
                "detector sees only part of them"
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
            "other-rows",
            f"from row {first} to row {last}, the row {'before' if short else 'after'} was read "
            "instead",
            f"the stage stopped {'short of' if short else 'past'} row {first}, so row "
            + (f"{first - 1} was read twice" if short else f"{first} was skipped"),
        )

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """The rows concerned."""
        return np.broadcast_to((case.other_rows != 0)[:, None], case.wrong.shape)


class RowsSwapped(Cause):
    """Rows that took each other's places."""

    name = "rows-swapped"
    title = "rows are in each other's places"
    repairs = (
        "compare the holes of the rows named with the drawing: they may have been cut in the wrong "
        "order, or the disc file changed since",
        "if the disc is right, watch the stage at these rows: it passes a row and comes back",
    )
    group = "stage"

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if all rows were read, in another order than due."""
        shown, due = case.shown, np.arange(case.design.rows)
        at = np.flatnonzero(shown != due)
        if not len(at) or (np.sort(shown) != due).any():
            return None
        said = [f"row {shown[r] + 1} was read where row {r + 1} is due" for r in at[:4].tolist()]
        return self.found("rows-swapped", "; ".join(said) + "; ..." * (len(at) > 4))

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """The rows concerned."""
        off = case.shown != np.arange(case.design.rows)
        return np.broadcast_to(off[:, None], case.wrong.shape)


def moving(cause: Cause, kind: str, case: Case) -> Finding | None:
    """A finding of a cause by how the stage moves from row to row."""
    move = None if case.seen.stage is None else case.seen.stage.move
    if move is None or kind not in (move.kind, *move.others):
        return None
    ms = 60e3 / abs(case.motion.rpm * case.design.positions)
    when = "before" if move.begins < 0 else "after"
    said = [
        f"the stage starts {abs(move.begins) * ms:.0f} ms {when} the end of a row's reading and "
        f"moves for {move.lasts * ms:.0f} ms; it should move for {move.usual * ms:.0f} ms"
    ]
    if move.others:
        every = " and ".join(f"'{NAMES[k]}'" for k in sorted((move.kind, *move.others)))
        said.append(
            f"{every} explain the recording nearly as well: film the stage, and see whether it "
            "starts at another moment than it should or moves for longer"
        )
    return cause.found("moves", *said, strength=0.0 if kind == move.kind else -OPEN)


def half_read(case: Case, late: bool) -> NDArray[np.bool_]:
    """The places that were read in the first half of each row, or in the second one."""
    read = case.seen.time_s
    middle = np.nanmean(np.where(np.isfinite(read), read, np.nan), axis=1, keepdims=True)
    return np.asarray((read > middle) if late else (read <= middle))


class _Untimely(PatternCause):
    """A stage that is not at its row while that is read: errors are at one end of the rows, in the
    order of reading, at the last end if it is early."""

    group = "stage"
    prior = 0.25
    fewest = 2
    early: bool
    beginning: str
    shift: str

    def ends(self, rows: int) -> tuple[int, int]:
        """The first and the last row that it shows if it begins a row off."""
        raise NotImplementedError

    def moments(self, case: Case) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """The rows concerned, and by how many positions."""
        raise NotImplementedError

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """All bits equally likely there; a stage that moves makes both kinds of errors."""
        return None if errors.wrong.shape[0] < 2 else errors.at_ends(self.early)[1]

    def evidence(self, case: Case) -> list[str]:
        """At which end the errors are."""
        many, _ = case.errors.at_ends(self.early)
        end = "last" if self.early else "first"
        return [f"the errors are among the {end} {many} positions of rows, as they are read"]

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """One end of each row, or all of them if it begins a row off."""
        in_order = case.seen.stage is None or case.seen.stage.in_order
        return half_read(case, self.early) | (not in_order)

    def find(self, case: Case, share: float) -> Finding | None:
        """By the path of the stage in a log, or by which bits are wrong."""
        return self._by_path(case) or self.by_pattern(case, share)

    def _by_path(self, case: Case) -> Finding | None:
        stage = case.seen.stage
        if stage is None:
            return None
        if (stage.shown[0], stage.shown[-1]) == self.ends(case.design.rows):
            return self.found("moves", self.beginning)
        if stage.ends_within(case.design.positions, len(case.seen.slot_s)) and not case.quiet:
            if self.early:
                return None
            return self.found(
                "moves",
                f"the log ends while row {case.design.rows} is read, if the stage is in time; if "
                "it comes late, all rows are in the log, and their first bits were read wrong",
                "let the log run on after the last row, or note when reading begins",
            )
        # a move that ends before its row is read harms nothing, whenever it begins
        found = moving(self, "early" if self.early else "late", case) if case.harmed else None
        if found is not None:
            return found
        at, by = self.moments(case)
        if not len(at) or (stage.move is not None and stage.move.kind != "sound"):
            return None
        ms = 60e3 / (case.motion.rpm * case.design.positions)
        named = ", ".join(str(r + 1) for r in at[:8].tolist()) + ", ..." * (len(at) > 8)
        return self.found(
            "moves",
            f"{self.shift} by {by.min():.0f} to {by.max():.0f} positions, in the middle "
            f"{np.median(by) * ms:.0f} ms, at row{'s' * (len(at) != 1)} {named}",
        )


class StageEarly(_Untimely):
    """A stage that leaves a row before its end, or begins a row too early."""

    name = "stage-early"
    title = "the stage is early: it leaves rows before they are read, or begins before the first"
    repairs = (
        "let the stage start only when the last position has been sampled: count the pulses of "
        "the row, not the time",
        "if it is a whole row off, find the end stop again, and move the first row's place by one "
        "row pitch",
    )
    early = True
    beginning = (
        "solid material was under the detector where row 1 is due, and each later reading saw the "
        "row before the one due: the stage begins one row pitch too early"
    )
    shift = "the stage left before the reading's end"

    def ends(self, rows: int) -> tuple[int, int]:
        """Material before the first row."""
        return BLANK, rows - 2

    def moments(self, case: Case) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """By how many positions before the end of a reading it left."""
        stage = case.seen.stage
        assert stage is not None
        return stage.early, -stage.left[stage.early]


class StageLate(_Untimely):
    """A stage that comes to a row after its beginning, or begins a row too late."""

    name = "stage-late"
    title = "the stage is late: it comes when rows are being read, or begins after the first"
    repairs = (
        "give the stage more time: raise player.stage or player.settle above the time measured",
        "start its move as soon as the row's last position has been sampled; look for what holds "
        "it up (friction, a weak supply, a slow ramp)",
        "if it is a whole row off, find the end stop again, and move the first row's place by one "
        "row pitch",
    )
    early = False
    beginning = (
        "each reading saw the row after the one due, and the last one solid material: the stage "
        "begins one row pitch too late"
    )
    shift = "the stage came after the reading's beginning"

    def ends(self, rows: int) -> tuple[int, int]:
        """Material behind the last row."""
        return 1, BLANK

    def moments(self, case: Case) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """By how many positions after the beginning of a reading it came."""
        stage = case.seen.stage
        assert stage is not None
        return stage.late, stage.came[stage.late]

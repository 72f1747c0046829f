"""Where the data detector's path leaves the rows: row pitch, backlash, a slow stage, a warped
disc."""

from __future__ import annotations

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import CERTAIN, Cause, Finding, percent
from sonify.recover.diagnosis.causes.stage import moving

__all__ = ["Backlash", "RowPitch", "SlowStage", "Warped"]

WOBBLE = 0.3
"""Of its mean, by which the clock's swing rises and falls once a turn: the clock detector then sees
only a part of the holes on one side. Healthy clocks: 0.1 or less (measured on the project's own
simulated players, tests/recover/diagnosis/machine.py)."""


class _Path(Cause):
    """A cause with a shape of the holes' depth of its own."""

    shape: str
    breaks = True

    def says(self, case: Case) -> list[str]:
        """The evidence in a shape."""
        raise NotImplementedError

    def find(self, case: Case, share: float) -> Finding | None:
        """From the depth of the holes."""
        if case.depth is None or case.depth.name != self.shape or not case.harmed:
            return None
        return self.found(CERTAIN - 0.3, *self.says(case))


class RowPitch(_Path):
    """The stage's steps are not those of the rows."""

    name = "wrong-row-pitch"
    title = "the stage's step is not the distance of the rows"
    shape = "rows"
    repairs = (
        "measure how far the stage moves over all rows, and compare it with the rows' distance",
        "set the steps per row, or the lead of the screw, to fit",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """Rows that are seen in part are no sign of a detector that fails."""
        found = super().find(case, share)
        # a light that fades makes holes shallow as well, and moves the material's level
        if found is None or case.levels is None or case.levels.moves:
            return None
        if case.quiet is None:
            return found
        return self.found(CERTAIN + 0.6, *found.evidence)

    def says(self, case: Case) -> list[str]:
        """How the depth falls from row to row."""
        assert case.depth is not None
        depths = ", ".join("-" if x != x else f"{100 * x:.0f} %" for x in case.depth.by_row[:12])
        return [f"holes look shallower from row to row: {depths} of the usual depth"]


class Backlash(_Path):
    """The stage's first step is too short."""

    name = "backlash"
    title = "play in the stage's drive shortens its first step"
    shape = "first"
    repairs = (
        "let the stage approach its first row from the same side as all others",
        "take up the play in the screw, the nut or the belt",
    )

    def says(self, case: Case) -> list[str]:
        """How shallow later rows look."""
        assert case.depth is not None
        return [
            "the first row's holes look as deep as usual, and those of all others only "
            f"{percent(max(case.depth.least, 0.0))} as deep"
        ]


class SlowStage(_Path):
    """A stage that still moves when its row begins."""

    name = "slow-stage"
    title = "the stage is still moving when a row begins"
    shape = "start"
    repairs = (
        "give the stage more time: raise player.settle or player.stage to what it needs",
        "look for friction in the stage, or raise its motor's speed",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By how the stage moves, if all rows were seen; else by the depth of the holes."""
        stage = case.seen.stage
        sound = stage is None or stage.move is None or stage.move.kind == "sound"
        return super().find(case, share) if sound else moving(self, "slow", case)

    def says(self, case: Case) -> list[str]:
        """How long each row looks shallow."""
        assert case.depth is not None
        long = case.depth.at
        late = 1000 * long * abs(60 / (case.motion.rpm * case.design.positions))
        return [
            f"in every row but the first, the holes of the first {long} positions look shallow: "
            f"the stage comes {late:.0f} ms late"
        ]


class Warped(_Path):
    """A disc that leaves its detectors once a turn."""

    name = "warped-disc"
    title = "the disc is warped, or runs off centre: the detectors lose it once a turn"
    shape = "turn"
    repairs = (
        "turn the disc by hand and watch its height and its rim at the detectors",
        "press it flat, or reseat it on its hub; look for chips and for play in the bore",
    )

    def says(self, case: Case) -> list[str]:
        """Where in the turn."""
        assert case.depth is not None
        return [
            f"holes look shallowest near position {case.depth.at + 1} of every row, with "
            f"{percent(max(case.depth.least, 0.0))} of the usual depth"
        ]

    def find(self, case: Case, share: float) -> Finding | None:
        """The clock's holes, which are all alike, show it as well."""
        found = super().find(case, share)
        clock = None if case.channels is None else case.channels.clock
        if clock is None or clock.wobble < WOBBLE or not case.harmed:
            return found
        said = f"the clock channel's swing rises and falls by {percent(clock.wobble)} once a turn"
        more = () if found is None else found.evidence
        return self.found(CERTAIN - 0.2, said, *more)

"""Where the data detector's path leaves the rows: row pitch, backlash, a slow stage, a warped
disc."""

from __future__ import annotations

import numpy as np

from sonify.recover.diagnosis.beside_rows import Way
from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import CERTAIN, Cause, Finding, percent
from sonify.recover.diagnosis.causes.stage import moving
from sonify.recover.diagnosis.quiet import WOBBLE

__all__ = ["Backlash", "MissedStep", "RowPitch", "SlowStage", "Warped"]


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


class _Beside(Cause):
    """A detector that stands beside its rows."""

    kinds: tuple[str, ...]
    breaks = True

    def says(self, case: Case, kind: str, way: Way) -> str:
        """By how much."""
        raise NotImplementedError

    def find(self, case: Case, share: float) -> Finding | None:
        """By how deep the holes of each row look, against the other explanations of that."""
        offsets = case.seen.offsets
        every = [] if offsets is None else [*offsets.ways]
        mine = [k for k in every if k in self.kinds]
        if offsets is None or not mine or "rows" in every or not case.harmed:
            return None
        rank = every.index(mine[0])
        way = offsets.ways[mine[0]]
        said = [self.says(case, mine[0], way)]
        if way.swing:
            said.append(
                f"once a turn the rows move {_length(abs(way.swing), case)} either way: the disc "
                "is off centre too"
            )
        names = list(dict.fromkeys(NAMES[kind] for kind in every))
        if len(names) > 1:
            said.append(
                "the recording shows too little to tell "
                + " from ".join(f"'{name}'" for name in names)
                + ": measure how far the stage moves from row to row with a ruler, forwards and "
                "backwards"
            )
        # how the stage moves is told by its own causes
        first = CERTAIN + 0.6 if offsets.kind != "moved" else CERTAIN
        return self.found(first - 0.3 * rank, *said)


NAMES = {
    "pitch": "wrong-row-pitch",
    "play": "backlash",
    "loose": "backlash",
    "step": "missed-step",
    "dead": "data-dead",
    "moved": "slow-stage",
}
"""The causes by the kinds of offsets."""


def _length(rows: float, case: Case) -> str:
    """A distance in mm, if the disc has a geometry, else as a share of the rows' distance."""
    mm = case.design.pitch_mm
    return (
        f"{percent(abs(rows))} of the rows' distance" if mm is None else f"{abs(rows * mm):.2f} mm"
    )


class RowPitch(_Beside):
    """The stage's steps are not those of the rows."""

    name = "wrong-row-pitch"
    title = "the stage's step is not the distance of the rows"
    kinds = ("pitch",)
    repairs = (
        "measure how far the stage moves over all rows, and compare it with the rows' distance",
        "set the steps per row, or the lead of the screw, to fit",
    )

    def says(self, case: Case, kind: str, way: Way) -> str:
        """By how much each step is off."""
        step = _length(way.off[1] - way.off[0], case)
        return (
            f"each step of the stage is about {step} too long or too short, if "
            f"the detector sees a spot of {_length(way.spot, case)}, which fits best: its "
            "holes look shallower from row to row"
        )


class Backlash(_Beside):
    """The stage's first step is too short, or any place within the play may be its last."""

    name = "backlash"
    title = "play in the stage's drive lets it stop beside its rows"
    kinds = ("play", "loose")
    repairs = (
        "let the stage approach its first row from the same side as all others",
        "take up the play in the screw, the nut or the belt",
    )

    def says(self, case: Case, kind: str, way: Way) -> str:
        """By how much rows are missed."""
        spot = f"if it sees a spot of {_length(way.spot, case)}, which fits best"
        if kind == "loose":
            off = np.abs(way.off)
            named = ", ".join(str(r + 1) for r in np.argsort(-off, kind="stable")[:4].tolist())
            return (
                f"the detector stops beside its rows, at each one by another length of up to "
                f"{_length(float(off.max()), case)}, most at rows {named}, {spot}"
            )
        return (
            f"the first row's holes look as deep as usual, and the detector is about "
            f"{_length(way.off[-1], case)} beside all others, {spot}"
        )


class MissedStep(_Beside):
    """A stage that lost steps of its motor, and is beside all rows from there on."""

    name = "missed-step"
    title = "the stage lost steps on its way to a row"
    kinds = ("step",)
    repairs = (
        "look for what holds the stage up at the row named: friction, a cable, a weak supply",
        "give its motor a slower ramp or more current; let the stage find its end stop before each "
        "disc",
    )

    def says(self, case: Case, kind: str, way: Way) -> str:
        """From which row on, and by how much."""
        first = int(np.flatnonzero(way.off)[0])
        return (
            f"from row {first + 1} on the detector is about {_length(way.off[-1], case)} beside "
            f"its rows, if it sees a spot of {_length(way.spot, case)}, which fits best; until "
            "then it is at them"
        )


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

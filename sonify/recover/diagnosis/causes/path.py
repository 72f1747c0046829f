"""Where the data detector's path leaves the rows: row pitch, backlash, a slow stage, a warped
disc."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.beside_rows import Way
from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import Cause, Finding, percent
from sonify.recover.diagnosis.causes.stage import half_read, moving
from sonify.recover.diagnosis.quiet import WOBBLE
from sonify.recover.diagnosis.stage_path import BLUR, SLOWER

__all__ = ["Backlash", "MissedStep", "RowPitch", "SlowStage", "Warped"]


FLAT = 0.6
"""Of the samples at a limit: so the material's level as a whole, as it is seen for 0.7 of the time
or more (common practice, no source), less the edges of holes."""


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
        # of a level that stays at a limit, holes are no measure of depth
        if case.channels is not None and case.channels.data.at_limit > FLAT:
            return None
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
        return self.found("beside", *said, strength=offsets.less(mine[0]))


NAMES = {
    "pitch": "wrong-row-pitch",
    "play": "backlash",
    "loose": "backlash",
    "step": "missed-step",
    "dead": "data-dead",
    "moved": "slow-stage",
    "stretch": "ambient-light",
    "other": "disc-other",
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


def _waited_s(case: Case) -> float:
    """How much longer than it should a player that waits for its stage takes from row to row, at
    least; by the speed at which the disc really turns."""
    stage, clock, n = case.seen.stage, case.seen.clock, case.design.positions
    index = case.design.index
    if stage is None or clock is None or stage.index > index or len(stage.start) < 3:
        return 0.0
    # a player may pause once or twice, and waits for the next position or turn
    after = float(np.diff(stage.start).min()) - n
    least = after - (n if index else 1) - BLUR
    slow = least * clock.usual_s > SLOWER * case.design.move_s
    return after * clock.usual_s - case.design.move_s if slow else 0.0


class SlowStage(Cause):
    """A stage that still moves when its row begins."""

    name = "slow-stage"
    title = "the stage is still moving when a row begins"
    breaks = True
    repairs = (
        "give the stage more time: raise player.settle or player.stage to what it needs",
        "look for friction in the stage, or raise its motor's speed",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By how the stage moves, if all rows were seen; else by the depth of the holes."""
        stage = case.seen.stage
        if stage is not None and stage.move is not None and stage.move.kind != "sound":
            return moving(self, "slow", case)
        waited = _waited_s(case)
        if waited:
            return self.found("moves", f"each row starts up to {waited:.1f} s later than it should")
        if case.shallow is None or not case.harmed:
            return None
        late = 1000 * case.shallow.long * abs(60 / (case.motion.rpm * case.design.positions))
        return self.found(
            "moves",
            f"in every row but the first, the holes of the first {case.shallow.long} positions "
            f"look shallow: the stage comes {late:.0f} ms late",
        )

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """The beginning of each row."""
        return half_read(case, False)


TIMES = ("once", "twice", "three times", "four times")


class Warped(Cause):
    """A disc that moves towards its detectors and away with the turn."""

    name = "warped-disc"
    title = "the disc is warped, or runs off centre: the detectors lose it once a turn"
    breaks = True
    repairs = (
        "turn the disc by hand and watch its height and its rim at the detectors",
        "press it flat, or reseat it on its hub; look for chips and for play in the bore",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By the material's level, or by the clock's holes, which are all alike."""
        said = list[str]()
        sway, clock = case.sway, None if case.channels is None else case.channels.clock
        if sway is not None:
            said.append(
                f"the material's level rises and falls {TIMES[sway.times - 1]} a turn "
                f"by {percent(sway.amount)} of the swing either way; it is nearest to the holes' "
                f"near position {sway.at + 1}"
            )
        if case.dip is not None:
            said.append(
                "in all rows alike, the holes' depth falls and rises by "
                f"{percent(case.dip.amount)} either way once a turn; they are least deep near "
                f"position {case.dip.at + 1}"
            )
        if clock is not None and clock.wobble > WOBBLE and case.harmed:
            said.append(
                f"the clock channel's swing rises and falls by {percent(clock.wobble)} once a turn"
            )
        return self.found("sways", *said) if said else None

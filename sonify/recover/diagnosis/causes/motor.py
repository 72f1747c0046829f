"""The motor and the disc's seat."""

from __future__ import annotations

import numpy as np

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import SOUND, Cause, Finding, percent

__all__ = ["MotorDrift", "MotorSpeed", "OffCentre", "SlowStart"]

SLOW = 0.88
"""Of the settled speed: a start below this is slow."""

SWING = 0.055
"""Of the speed: motors and belts of cheap players swing by up to a twentieth (common practice, no
source), measured to a tenth of that; a larger swing once a turn is a sign of an off-centre disc."""

OFF_SPEED = 0.03
"""Of the speed that is set: motors differ by less (common practice, no source)."""

HARMLESS = 0.05
"""The same where the clock row made up for it: half as much again, and a tenth of the usual drift,
by which the middle of a drift may miss its half."""

FEWEST = 8
"""Moments at which the speed must be known (own choice)."""

SOME_SWING = 0.006
"""Of the speed: a swing that shows, though motors alone may cause it."""


END, MOSTLY = 0.25, 0.9
"""Of a row, and of the errors there: those of a disc off centre take up to half a turn, and lie
within this much from a row's beginning or end once in four times."""


class SlowStart(Cause):
    """The first positions pass slowly."""

    name = "slow-start"
    title = "the motor is too slow to start"
    repairs = (
        "wait a turn, or until the clock pulses are steady, before reading the first row",
        "look for a dry bearing, a slack belt or a weak supply",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By the speed at the first positions."""
        m = case.motion
        # a speed that rises all the time is no slow start
        if not m.start < SLOW * min(1.0, 1 - m.drift / 2):
            return None
        return self.found(
            "starts-slowly",
            f"the first positions pass at {percent(m.start)} of the settled speed",
            f"the speed comes within a tenth of it after {m.settled_s:.1f} s",
        )


class OffCentre(Cause):
    """The speed swings once a turn, or errors gather in one part of the turn."""

    name = "off-centre"
    title = "the disc runs off centre"
    repairs = (
        "reseat the disc on its hub, and look for chips and for play in the bore",
        "turn it by hand and watch a row under the detector: it should not wander",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By the swing of the speed and the place of the errors."""
        m = case.motion
        weight, evidence = 0.0, []
        if m.flutter > (SWING if case.harmed else SOUND["swing"]):
            weight += min(3.0, 1.0 + 20 * (m.flutter - SWING))
        swings = m.flutter > SOME_SWING
        if swings:
            evidence.append(
                f"the speed swings by {percent(m.flutter)} once a turn, fastest near position "
                f"{m.flutter_phase + 1:.0f}"
            )
        if case.count >= 6 and not _at_an_end(case):
            gathered, middle, parts = _gathering(case)
            rows = len(np.unique(case.at[0])) / case.design.rows
            if rows > 0.45 and (gathered > 0.42 or (swings and gathered > 0.28)):
                weight += 5.0 * gathered + (2.0 if swings else 0.0)
                where = "one part of the turn" if parts == 1 else "two opposite parts of the turn"
                evidence.append(
                    f"the errors gather in {where}, around position {middle + 1:.0f}, in "
                    f"{percent(rows)} of the rows"
                )
        return self.found("once-a-turn", *evidence, strength=weight) if weight else None


def _at_an_end(case: Case) -> bool:
    """Whether nearly all errors are near one end of the rows as they are read: where all rows start
    at one position, they then gather in one part of the turn whatever the disc does."""
    order = np.argsort(np.argsort(case.seen.time_s, axis=1), axis=1)[case.wrong]
    into = (order + 0.5) / case.design.positions
    return bool(max((into < END).mean(), (into > 1 - END).mean()) > MOSTLY)


def _gathering(case: Case) -> tuple[float, float, int]:
    """How much the errors gather in one part of the turn, or in two opposite ones (0 to 1, above
    chance), the middle of that part, and 1 or 2."""
    n, position = case.design.positions, case.at[1]
    could = np.nonzero(case.errors.could)[1]
    best = (0.0, 0.0, 1)
    for parts in (1, 2):
        mean = np.exp(2j * np.pi * parts * position / n).mean()
        base = np.exp(2j * np.pi * parts * could / n).mean() if len(could) else 0.0
        middle = float(np.angle(mean) / (2 * np.pi * parts) * n % (n / parts))
        best = max(best, (float(abs(mean - base)), middle, parts), key=lambda b: b[0])
    return best


def _measured(case: Case) -> bool:
    """Whether the recording tells the speed: notes that are numbered wrong do not."""
    enough = len(case.motion.curve_rpm) >= FEWEST
    return enough and (case.seen.kind == "log" or not case.count)


class MotorSpeed(Cause):
    """Another speed than the one that was set."""

    name = "motor-off-speed"
    harms = False
    title = "the motor does not turn at the speed that is set"
    repairs = (
        "set player.rpm to the speed measured, or adjust the motor until it fits",
        "check the supply's voltage and the belt's pulleys",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By the usual speed."""
        if not _measured(case):
            return None
        usual = float(np.median(case.motion.curve_rpm))
        off = usual / case.rpm - 1
        # where a motor drifts, half of it lies before the middle; in a log the clock row makes up
        # for what harms nothing
        counted = case.seen.kind == "log" and not case.harmed
        least = (HARMLESS if counted else OFF_SPEED) + abs(case.motion.drift) / 2
        if abs(off) < least:
            return None
        return self.found(
            "off-speed",
            f"the disc turns at {usual:.3g} rpm and {case.rpm:.3g} rpm are set: "
            f"{percent(abs(off))} too {'fast' if off > 0 else 'slow'}",
        )


class MotorDrift(Cause):
    """A speed that changes over the reading."""

    name = "motor-drift"
    harms = False
    title = "the motor's speed drifts while the disc is read"
    repairs = (
        "let the motor warm up for some minutes before reading",
        "look for a slipping belt, a dry bearing and a supply that sags",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By the change from the beginning to the end."""
        drift = case.motion.drift
        if abs(drift) < SOUND["drift"] or not _measured(case):
            return None
        way = "rises" if drift > 0 else "falls"
        said = f"the speed {way} by {percent(abs(drift))} from the first row to the last"
        return self.found("drifts", said)

"""The motor and the disc's seat."""

from __future__ import annotations

import math
from itertools import product

import numpy as np

from sonify.recover.diagnosis.case import Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import (
    SOUND,
    Cause,
    Finding,
    PatternCause,
    beyond,
    percent,
)
from sonify.recover.diagnosis.error_pattern import STRAY, ErrorPattern, share_between

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

GATHERED = (0.1, 0.9)
"""The share of bits that are wrong where rows leave the detector (own choice)."""


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


class OffCentre(PatternCause):
    """The speed swings once a turn, or errors gather in one part of the turn."""

    name = "off-centre"
    title = "the disc runs off centre"
    repairs = (
        "reseat the disc on its hub, and look for chips and for play in the bore",
        "turn it by hand and watch a row under the detector: it should not wander",
    )
    prior = 0.25
    fewest = 6

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """Errors in any part of the turn, or in two opposite ones, in all rows alike."""
        if errors.every < self.fewest:
            return None
        n, read = errors.wrong.shape[1], np.isfinite(errors.time_s) & errors.could
        each = []
        for parts, long in product((1, 2), (n // 8, n // 4, n // 2)):
            at = np.arange(n) * parts % n
            wrong, bits = (
                np.cumsum(np.tile(np.bincount(at, x.sum(axis=0), n), 2))
                for x in (errors.wrong & read, read)
            )
            each += [
                share_between(k, of, *GATHERED) + (errors.every - k) * math.log(STRAY)
                for k, of in zip(
                    (wrong[long:][:n] - wrong[:n]).tolist(),
                    (bits[long:][:n] - bits[:n]).tolist(),
                    strict=True,
                )
            ]
        return float(np.logaddexp.reduce(each)) - math.log(len(each))

    def evidence(self, case: Case) -> list[str]:
        """How the speed swings, and where the errors are."""
        m, said = case.motion, []
        if m.flutter > SOME_SWING:
            said.append(
                f"the speed swings by {percent(m.flutter)} once a turn, fastest near position "
                f"{m.flutter_phase + 1:.0f}"
            )
        if case.count >= self.fewest:
            n = case.design.positions
            mean = np.exp(2j * np.pi * case.at[1] / n).mean()
            said.append(
                f"{percent(float(abs(mean)))} of the errors gather around position "
                f"{np.angle(mean) / (2 * np.pi) * n % n + 1:.0f}"
            )
        return said

    def find(self, case: Case, share: float) -> Finding | None:
        """By the swing of the speed, or the place of the errors."""
        swing = case.motion.flutter
        if swing < (SWING if case.harmed else SOUND["swing"]):
            return super().find(case, share)
        return self.found("once-a-turn", *self.evidence(case), strength=beyond(swing, SWING))


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

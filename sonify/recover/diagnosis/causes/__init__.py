"""Causes of what went wrong: one class each, with its test, its evidence and its repairs.

To add one, write a `Cause` (or a `PatternCause`, if only the pattern of the errors shows it) in a
module here, and put it into `CAUSES`.
"""

from __future__ import annotations

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import (
    CERTAIN,
    PATTERN,
    Cause,
    Finding,
    PatternCause,
    shares,
)
from sonify.recover.diagnosis.causes.channel import (
    DataDead,
    DataStuck,
    FilterDelay,
    LampHum,
    LampOut,
    RecorderDrops,
    Saturated,
)
from sonify.recover.diagnosis.causes.clock import ClockDoubled, ClockLoose, ClockMissing
from sonify.recover.diagnosis.causes.hole import Hole
from sonify.recover.diagnosis.causes.light import AmbientLight, Threshold
from sonify.recover.diagnosis.causes.motor import MotorDrift, MotorSpeed, OffCentre, SlowStart
from sonify.recover.diagnosis.causes.noise import Noise
from sonify.recover.diagnosis.causes.path import Backlash, MissedStep, RowPitch, SlowStage, Warped
from sonify.recover.diagnosis.causes.settings import BitOrder, Inverted, RowStart, Turned
from sonify.recover.diagnosis.causes.stage import RowsSwapped, Stage, StageEarly, StageLate
from sonify.recover.diagnosis.causes.wire import Late, RowsMissing, Wire

__all__ = ["CAUSES", "Cause", "Finding", "likely_causes"]

CAUSES: tuple[Cause, ...] = (
    Inverted(),
    Turned(),
    BitOrder(),
    RowStart(),
    DataStuck(),
    DataDead(),
    LampOut(),
    Saturated(),
    LampHum(),
    FilterDelay(),
    RecorderDrops(),
    RowPitch(),
    Backlash(),
    MissedStep(),
    SlowStage(),
    Warped(),
    ClockMissing(),
    ClockLoose(),
    ClockDoubled(),
    RowsMissing(),
    Wire(),
    Late(),
    MotorSpeed(),
    MotorDrift(),
    SlowStart(),
    OffCentre(),
    RowsSwapped(),
    StageEarly(),
    StageLate(),
    Stage(),
    AmbientLight(),
    Threshold(),
    Hole(),
    Noise(),
)
"""Of causes of the same weight, the first here is listed first."""

LEAST = 0.25
"""Causes of less weight are not listed."""


def likely_causes(case: Case) -> list[Finding]:
    """The causes with evidence for them, the likeliest first."""
    patterns = [c for c in CAUSES if isinstance(c, PatternCause)]
    share = shares(patterns, case.errors, case.levels) if case.errors.every else {}
    found = [f for c in CAUSES if (f := c.find(case, share.get(c.name, 0.0))) is not None]
    found = sorted((f for f in found if f.weight >= LEAST), key=lambda f: -f.weight)
    groups = [f.cause.group for f in found]
    found = [f for k, f in enumerate(found) if not groups[k] or groups[k] not in groups[:k]]
    if found and found[0].weight >= CERTAIN - 2:
        # a certain cause explains the errors; what they merely look like adds nothing
        found = [f for f in found if f.weight > PATTERN]
    return found

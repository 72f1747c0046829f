"""Causes of what went wrong: one class each, with its test, its evidence and its repairs.

To add one, write a `Cause` (or a `PatternCause`, if only the pattern of the errors shows it) in a
module here, put it into `CAUSES`, and its signs into `ODDS`.
"""

from __future__ import annotations

from dataclasses import replace

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import (
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
from sonify.recover.diagnosis.causes.odds import ranked
from sonify.recover.diagnosis.causes.path import Backlash, MissedStep, RowPitch, SlowStage, Warped
from sonify.recover.diagnosis.causes.settings import (
    BitOrder,
    DiscOther,
    Inverted,
    Reversed,
    RowStart,
    Turned,
)
from sonify.recover.diagnosis.causes.stage import RowsSwapped, Stage, StageEarly, StageLate
from sonify.recover.diagnosis.causes.wire import Late, RowsMissing, Wire

__all__ = ["CAUSES", "Cause", "Finding", "likely_causes", "signs_in"]

CAUSES: tuple[Cause, ...] = (
    Inverted(),
    Turned(),
    BitOrder(),
    Reversed(),
    RowStart(),
    DiscOther(),
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
"""Of causes that are equally likely, the first here is listed first."""

OF_MOTION = ("wire", "midi-late", "slow-start", "off-centre", "motor-off-speed", "motor-drift")
"""Causes that show even if no note can be assigned to its place."""


def signs_in(case: Case) -> list[Finding]:
    """All causes of which there are signs, in the order of `CAUSES`."""
    share = _by_pattern(case)
    found = [f for c in CAUSES if (f := c.find(case, share.get(c.name, 0.0))) is not None]
    if case.vague:
        return [f for f in found if f.name in OF_MOTION]
    return [f for f in found if case.fits or f.cause.breaks]


def likely_causes(case: Case) -> list[Finding]:
    """The causes of which there are signs, the likeliest first.

    What the first one explains is taken out before the pattern of the errors is judged again.
    """
    found = ranked(signs_in(case))
    if found and not found[0].by_pattern:
        left = ~found[0].cause.explains(case)
        rest = replace(case, missed=case.missed & left, added=case.added & left)
        share, names = _by_pattern(rest), {f.name for f in found if not f.by_pattern}
        again = [c.by_pattern(rest, share.get(c.name, 0.0)) for c in PATTERNS]
        found = [f for f in found if not f.by_pattern]
        found = ranked(found + [f for f in again if f is not None and f.name not in names])
    groups = [f.cause.group for f in found]
    return [f for k, f in enumerate(found) if not groups[k] or groups[k] not in groups[:k]]


PATTERNS = [c for c in CAUSES if isinstance(c, PatternCause)]


def _by_pattern(case: Case) -> dict[str, float]:
    """The probabilities of causes by the pattern of the errors alone."""
    return shares(PATTERNS, case.errors, case.levels) if case.errors.every else {}

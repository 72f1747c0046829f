"""Light: from elsewhere, or the detector's own, against its threshold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sonify.recover.diagnosis.case import FADES, Case, LevelSigns
from sonify.recover.diagnosis.causes.cause import Finding, PatternCause, percent
from sonify.recover.diagnosis.causes.channel import CALM, quietened
from sonify.recover.diagnosis.channels import LIT
from sonify.recover.diagnosis.error_pattern import (
    MANY,
    STRAY,
    ErrorPattern,
    burst_log_likelihood,
    share_between,
)
from sonify.recover.diagnosis.quiet import DROWNED

__all__ = ["AmbientLight", "Threshold"]

SEEN = 8.0
"""Weight of the evidence in a log's levels, as a logarithm: it outweighs most patterns."""

ONE_KIND = 0.8
"""Share of the errors that are missed ones, or added ones, if a threshold causes them."""

STEPS = 0.9
"""Of the changes of a level that one stretch must explain: of those of a level that wanders, it
explains 0.68, and 0.89 once in a hundred times (900 random walks of 20 to 200 steps)."""

NEAR = 0.12
"""Of the swing: a threshold nearer than this to a level lies among that level's holes or webs,
which are never quite alike (own estimate)."""

SHARE = (0.02, 0.6)
"""The share of bits that a wrong threshold gets wrong: one row's worth to most."""


def _burst(errors: ErrorPattern) -> float | None:
    """The log likelihood of light that is on for a while; half of each of the two ways."""
    if errors.burst is None:
        return None
    likely = burst_log_likelihood(errors.burst, errors.when_s, errors.position_s)
    return likely - math.log(2)


class AmbientLight(PatternCause):
    """A stretch of time in which nearly all bits of one kind are wrong."""

    name = "ambient-light"
    breaks = True
    title = "ambient light reaches the data detector"
    repairs = (
        "shade the detectors or put a cover over them, and see whether the errors go away",
        "switch off or screen any lamp or window that shone at the times named",
    )
    prior = 0.5

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """Light adds to the material's level, so material that reads darker speaks against it."""
        likely = _burst(errors)
        if likely is None or levels is None:
            return likely
        return None if levels.darkened else likely + (SEEN if levels.shifted else -SEEN)

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if both levels move together, or the material's and with it the errors come."""
        v, light = case.levels, quietened(self, case)
        c = case.channels
        if c is not None and c.data.clipped and not case.lit_rows:
            return light or super().find(case, share)
        told = case.fits and case.variant == "normal" and not case.seen.followed
        told &= case.quiet is None and not case.jumps.apart
        # a comparator shows no levels
        if told and v is not None and c is not None and not c.data.digital:
            # an amplifier whose level wanders does not step up and back
            least = FADES if v.stretch > STEPS and not case.harmed else LIT
            if v.both > least and c.data.usual_noise < CALM * c.data.swing:
                said = f"both levels of the data channel move by {percent(v.both)} of its swing"
                return self.found("levels-move", said, *self.evidence(case))
        if case.quiet is None and c is not None and v is not None and case.count >= MANY:
            calm = c.data.usual_noise < DROWNED * c.data.swing
            moved = v.moves and v.shifted and not v.darkened
            if calm and not c.data.digital and (case.lit_rows or moved):
                return self.found("levels-move", *self.evidence(case))
        return super().find(case, share) if light is None else light

    def evidence(self, case: Case) -> list[str]:
        """When, and what the material showed."""
        out = []
        if case.levels is not None and case.levels.shifted:
            out.append(
                "where bits are wrong, the level of the solid material is off by "
                f"{percent(case.levels.shift)} of the swing"
            )
        burst = case.errors.burst
        if burst is not None:
            out.append(
                f"from {burst.begin_s:.1f} s to {burst.end_s:.1f} s in the recording, "
                f"{percent(burst.share)} of the bits of one kind are wrong; before and after, "
                f"{burst.outside or 'none'}"
            )
        return out


class Threshold(PatternCause):
    """Errors of one kind all over the disc."""

    name = "threshold"
    breaks = True
    title = "the threshold of the data detector is too high or too low"
    repairs = (
        "set it halfway between the levels of holes and of solid material",
        "clean the detector's window, and check whether its light has faded",
    )
    prior = 0.5
    fewest = MANY

    def log_likelihood(self, errors: ErrorPattern, levels: LevelSigns | None) -> float | None:
        """The detector's own light may also fail from some moment on."""
        out: list[float] = []
        if errors.every >= MANY:
            count = len(errors.hit)
            likely = share_between(errors.every - errors.others, count, *SHARE)
            out.append(likely - math.log(2) + errors.others * math.log(STRAY))
        burst = _burst(errors)
        if burst is not None and levels is not None and levels.darkened:
            out.append(burst)
        if not out:
            return None
        if levels is None or levels.threshold_place is None:
            return max(out)
        return max(out) + (SEEN / 2 if levels.fades or levels.threshold_off else -SEEN / 4)

    def evidence(self, case: Case) -> list[str]:
        """How many of which kind, and where the threshold lies."""
        missed, added = int(case.missed.sum()), int(case.added.sum())
        kind = "missed" if missed >= added else "added"
        rows, most = len(np.unique(case.at[0])), max(missed, added)
        share = f"all {most}" if most == case.count else f"{most} of {case.count}"
        said = f"{share} errors are {kind} ones, in {rows} row{'s' * (rows != 1)}"
        out, levels = [said] * (most > 0), case.levels
        if levels is not None and levels.threshold_place is not None and levels.threshold_off:
            out.append(self.place(levels.threshold_place))
        if levels is not None and levels.fades:
            out.append(
                f"the material's level moves by {percent(abs(levels.drift))} of the swing "
                f"{'towards' if levels.drift > 0 else 'away from'} the holes' during the recording"
            )
        return out

    @staticmethod
    def place(part: float) -> str:
        """Where the threshold lies."""
        return (
            f"the threshold lies {percent(part)} of the way from the material's level to the "
            "holes'; halfway is best"
        )

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if the threshold lies outside the levels, or far from their middle while they
        stay. A level that changes by itself is cleaned before the threshold is set again."""
        found = quietened(self, case)
        if found is not None:
            return found
        found = super().find(case, share)
        v, c = case.levels, case.channels
        # light that drives a channel to its limit moves all levels past a good threshold
        if v is not None and v.threshold_place is not None and c and not c.data.clipped:
            beyond = max(-v.threshold_place, v.threshold_place - 1)
            near = not c.data.digital and c.data.usual_noise < CALM * c.data.swing
            near &= beyond > -NEAR
            one_kind = max(case.missed.sum(), case.added.sum()) > ONE_KIND * case.count
            many = v.threshold_off and case.count >= self.fewest
            told = one_kind and (near or many) if case.count else near
            if told and case.fits and (not v.moves or beyond > v.moved / 2):
                found = self.found("threshold-off", *self.evidence(case))
        if found is not None and case.levels is not None and case.levels.fades:
            return replace(found, try_this=self.repairs[::-1])
        return found

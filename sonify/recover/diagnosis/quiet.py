"""A data channel that tells nothing, all along or from some moment on: what that looks like."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.channels import LITTLE, STILL, Channel, Channels, runs
from sonify.recover.diagnosis.observed import Levels, Observed

__all__ = ["WOBBLE", "Quiet", "quiet_of", "ringing_of"]

HOLES = 5
"""Holes that must be missing at the end: if one in twenty is missed, five in a row are missed by
chance once in three million."""

BY_CHANCE = 1e-4
"""How seldom as many are missed in a row by chance, for a MIDI recording to tell (own choice)."""

TURNS = 2.0
"""Turns without a hole, where the rows can't be told: an empty row at the end is common, two are
not."""

TOGETHER = 2.0
"""Turns within which two channels fall silent together: the moments are known to a turn each."""

DROWNED = 0.35
"""Noise, as a share of the clock's swing, above which it may hide holes: with 12 dB it is 0.25."""

FAINT, SIGMAS = 0.05, 5.0
"""Of the swing, and in standard errors: holes that are deeper than both on average still show."""

MOVED = 0.25
"""Of the swing: a silent channel this far from the material's level just before is not at it."""

ALIKE, LOUDER, SELDOM = 0.1, 1.25, 10.0
"""Of the swing, and as a factor: a silent channel whose level is this near to the material's, and
whose noise is this much like that before, is one that works and sees only material; a dead one
looks like that once in ten times (the share that this is of a range twice as wide as the swing).
"""

WOBBLE = 0.3
"""Of its mean, by which the clock's swing rises and falls once a turn: the clock detector then sees
only a part of the holes on one side. Healthy clocks: 0.1 or less (measured on the project's own
simulated players, tests/recover/diagnosis/machine.py)."""

FIRST = 0.05
"""Of a recording: that light comes on in so early a part, and harms nothing before, happens once in
twenty times."""

CUT = 0.33
"""Of the noise before: less is left of it if the channel is cut off. An amplifier's own noise goes
on without light (common practice, no source)."""

DARK = 0.05
"""Of the swing above the holes' level: as dark as a hole, or darker. A broken lead may end at any
level."""


@dataclass(frozen=True)
class Quiet:
    """A silent data channel.

    Attributes
    ----------
    since_s : float
        From when on; 0 for all along.
    shows : str
        What the recording shows, with a place for {when}.
    causes : tuple of str
        Names of what may cause it, the likeliest first.
    strength : float
        The log likelihood that the channel is at fault, and not what passes it.
    """

    since_s: float
    shows: str
    causes: tuple[str, ...]
    strength: float = 0.0


def _shallow(v: Levels, data: Channel, late: NDArray[np.bool_]) -> bool:
    """Whether holes still show after the last one that was deep enough, on average."""
    holes, webs = (v.level - v.web)[late], (v.level - v.web)[(v.truth == 0)]
    holes, webs = holes[np.isfinite(holes)], webs[np.isfinite(webs)]
    if len(holes) < 2 or len(webs) < 2:
        return False
    depth = abs(float(np.median(holes) - np.median(webs)))
    sure = 1.25 * 1.4826 * float(np.median(np.abs(webs - np.median(webs)))) / np.sqrt(len(holes))
    return bool(depth > max(FAINT * data.swing, SIGMAS * sure))


def _silent(c: Channel, turn_s: float) -> bool:
    return not c.ever or c.long_s - c.last_s > TURNS * turn_s


def quiet_of(channels: Channels, seen: Observed, turn_s: float, fits: bool) -> Quiet | None:
    """Whether the data channel falls silent.

    Parameters
    ----------
    channels : Channels
    seen : Observed
        By which the missing holes are counted, if the recording `fits` the disc.
    turn_s : float
        How long a turn lasts.
    fits : bool
    """
    clock, data = channels
    # a clock channel has a hole at every position
    both = not clock.ever or clock.long_s - clock.last_s > turn_s / 2
    both &= abs(clock.last_s - data.last_s) <= TOGETHER * turn_s
    if data.ever and data.usual_noise > DROWNED * data.swing:
        if fits or data.swing > LITTLE * clock.swing:
            return None
        shows = f"the data channel shows no hole {{when}}, only noise about {data.rest:.3g}"
        return Quiet(0.0, shows, _whole(clock, data, both))
    strength = 0.0
    if data.ever and not (both and _silent(data, turn_s)):
        if fits:
            assert seen.levels is not None
            late = (seen.levels.truth == 1) & (seen.time_s > data.last_s)
            # light that fades or drifts moves the level while holes still show
            before = seen.levels.web[np.abs(seen.time_s - data.last_s + turn_s / 2) < turn_s / 2]
            before = before[np.isfinite(before)]
            jump = abs(data.rest - float(np.median(before))) if len(before) else 0.0
            moved = jump > MOVED * data.swing and clock.wobble < WOBBLE
            louder = data.noise / max(data.noise_before, 1e-30)
            alike = len(before) > 0 and jump < ALIKE * data.swing and 1 / LOUDER < louder < LOUDER
            # only between two rows can the stage take the detector away from all holes
            row = np.flatnonzero((seen.time_s <= data.last_s).any(axis=1))[-1:]
            if alike and late[row].sum() < HOLES:
                strength = -math.log(SELDOM)
            after = (seen.time_s > data.last_s) if moved else late
            if np.count_nonzero(after) < HOLES and not (moved and both):
                return None
            if not moved and _shallow(seen.levels, data, late):
                return None
        elif not _silent(data, turn_s):
            return None
    low = seen.levels is None or seen.levels.low
    causes = _whole(clock, data, both) if not data.ever else _from(clock, data, both, low, turn_s)
    shows = f"the data channel shows no hole {{when}}; it stays at {data.rest:.3g}"
    return Quiet(data.last_s, shows, causes, strength)


def ringing_of(seen: Observed, grid: NDArray[np.int8]) -> Quiet | None:
    """Whether no note of the bits comes from some moment on, or one at every position: a detector
    that is dark or dead may read as a hole.

    Parameters
    ----------
    seen : Observed
        The notes of one voice.
    grid : ndarray of int8, shape (rows, positions)
        1 where it should sound.
    """
    heard, n = seen.heard, grid.shape[1]
    if heard is None:
        return None
    last = max(seen.time_s[seen.bits == 1], default=math.inf)
    late = (grid == 1) & (seen.bits == 0) & (seen.time_s > last)
    before = seen.bits[(grid == 1) & (seen.time_s <= last)]
    rarely = ((before == 0).sum() + 1) / (len(before) + 2)
    if late.sum() >= HOLES and rarely ** late.sum() < BY_CHANCE and seen.delivery is not None:
        # a stage that is beside its rows loses them from the beginning of one on
        inside = late[(seen.time_s <= last).any(axis=1)].any()
        shows = "no note of the bits came {when}, but other voices went on"
        return Quiet(
            float(last), shows, ("data-dead", "lamp-out"), 0.0 if inside else -math.log(SELDOM)
        )
    # a note that sounds on may have lost its note-off
    sounds = np.isin(np.arange(len(heard.seen)), heard.beat_slot)
    due = max(runs(np.tile(row, 2) == 1)[1].max(initial=0) for row in grid)
    begin, long = runs(sounds)
    rings = np.flatnonzero((long >= min(due, n) + HOLES) & (long > n / 2))
    if not len(rings):
        return None
    first = int(begin[rings[0]])
    since = float(heard.slot_s[first]) if np.count_nonzero(heard.seen[:first] < 0) >= HOLES else 0.0
    causes = ("data-dead", "lamp-out") if since else ("data-stuck", "lamp-out")
    return Quiet(since, "a note comes at every position {when}", causes)


def _whole(clock: Channel, data: Channel, both: bool) -> tuple[str, ...]:
    """What may silence a channel all along."""
    if both and data.digital and clock.digital:
        lit = ("ambient-light", "lamp-out")
        return lit if data.rest == 1 else lit[::-1]
    if not clock.digital and not data.spread and data.rest > clock.high:
        # what is cut off at a limit has lost its noise too
        return ("amplifier-saturated", "data-stuck")
    if data.digital or data.spread < STILL * clock.swing:
        # a comparator whose threshold is outside all levels gives the same log
        return ("data-stuck", "amplifier-saturated" if data.rest > 0 else "threshold")
    if data.clipped:
        return ("amplifier-saturated", "data-stuck")
    if data.noise > DROWNED * clock.swing:
        return ("noise", "lamp-out")
    return ("lamp-out", "data-dead")


def _from(clock: Channel, data: Channel, both: bool, low: bool, turn_s: float) -> tuple[str, ...]:
    """What may silence it from some moment on; whether holes read low."""
    place = (data.rest - data.low) / max(data.swing, 1e-30)
    lit = (place > 0.5) == low
    dark = place < DARK if low else place > 1 - DARK
    if both:
        return ("ambient-light", "lamp-out") if lit else ("lamp-out", "data-dead")
    if data.digital:
        # an open input may end at either level
        return ("data-dead", "ambient-light" if lit else "lamp-out")
    if data.clipped and lit and abs(data.rest - data.limit) <= STILL * clock.swing:
        saturated = ("amplifier-saturated", "ambient-light")
        # what shows a hole or two at first and none in all later turns hardly showed any
        hardly = data.last_s < min(turn_s, FIRST * data.long_s)
        return saturated if hardly or data.swing < clock.swing / 2 else saturated[::-1]
    # without light, the amplifier's noise goes on
    live = data.noise > CUT * data.noise_before or not data.noise_before
    return ("lamp-out", "data-dead") if dark and live else ("data-dead", "lamp-out")

"""The data detector's lamp, wiring and amplifier, and light that flickers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import SOUND, Cause, Finding, beyond, measures, percent
from sonify.recover.diagnosis.channels import LITTLE
from sonify.recover.diagnosis.error_pattern import MANY
from sonify.recover.diagnosis.quiet import DROWNED

__all__ = [
    "CALM",
    "CHATTER",
    "TELL",
    "DataDead",
    "DataStuck",
    "FilterDelay",
    "LampHum",
    "LampOut",
    "RecorderDrops",
    "Saturated",
    "quietened",
]

HUM = 0.05
"""Of the swing: from this amplitude on, hum is named. Hum below a tenth of the way to the
threshold, which is half of the swing, does no harm by itself."""

SMALL = 0.5
"""Of the clock's swing: a clipped channel that swings less has lost its holes to the limit."""

CHATTER = 2.2
"""Changes of a digital channel in a position: two for a hole, and a tenth more for the speed."""

LAG = 0.085
"""Of a position: with a longer time constant, a filter takes a tenth off a hole of a fifth of a
position (1 - exp(-0.2 / 0.085) = 0.9)."""

CALM = 0.25
"""Noise, as a share of the swing, up to which a hole's passage shows its shape: 12 dB."""

SECOND = 2.0
"""Log odds by which the next of the causes of a silent channel is less likely (fitted with the odds
of signs: 1.7 to 2.0)."""

LATE, MOST_LATE = 0.115, 0.45
"""Positions by which data that are wrong must come later than set: detectors stand within a tenth
of a position of their line (common practice, no source; generators a, b and d: 0.11). From almost
half a position on, nobody can tell late from early."""


def quietened(cause: Cause, case: Case) -> Finding | None:
    """A finding of a cause that may have silenced the data channel."""
    quiet = case.quiet
    if quiet is None or cause.name not in quiet.causes:
        return None
    rank = quiet.causes.index(cause.name)
    when = f"from {quiet.since_s:.1f} s on" if quiet.since_s else "in the whole recording"
    others = [name for name in quiet.causes if name != cause.name]
    evidence = [quiet.shows.format(when=when)]
    if others:
        named = " or ".join(f"'{name}'" for name in others)
        evidence.append(f"the recording can't tell this from {named}")
    tell = [TELL[name] for name in (cause.name, *others) if name in TELL][:1]
    sign = "falls-silent" if quiet.since_s else "silent"
    strength = quiet.strength - SECOND * rank
    return Finding(cause, sign, strength, tuple(evidence), (*tell, *cause.repairs))


TELL = {
    "data-stuck": "measure the detector's output while you cover and uncover it: it should move",
    "data-dead": "measure the voltage at the detector's output and at its supply",
    "lamp-out": (
        "look at the lamp through a phone's camera, which shows most infrared lamps, or measure "
        "its current"
    ),
    "amplifier-saturated": "measure the amplifier's output with the detector covered",
    "ambient-light": "cover the detectors and read again",
}
"""The measurement that tells each of them from the others."""


class DataStuck(Cause):
    """A channel that never moves."""

    name = "data-stuck"
    title = "the data detector's output does not move"
    repairs: tuple[str, ...] = (
        "check the detector's and the comparator's wiring for a short or a wrong pin",
        "set the threshold between the levels of holes and of solid material",
    )
    breaks = True

    def find(self, case: Case, share: float) -> Finding | None:
        """From a silent channel."""
        return quietened(self, case)

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """What was read from then on."""
        since = 0.0 if case.quiet is None else case.quiet.since_s
        return ~(case.seen.time_s < since)


class DataDead(DataStuck):
    """A channel that falls silent during the reading."""

    name = "data-dead"
    title = "the data detector stops working during the reading"
    repairs = (
        "look for a broken or loose lead between the moving detector and the board",
        "move the stage by hand from end to end and watch the signal",
    )


class LampOut(DataStuck):
    """No light."""

    name = "lamp-out"
    title = "the detector's lamp is out"
    repairs = ("check the lamp's supply, its leads and its series resistor",)


class Saturated(DataStuck):
    """An amplifier at its limit."""

    name = "amplifier-saturated"
    title = "the data detector's amplifier is at its limit"
    repairs = (
        "turn the gain or the lamp's current down until the highest level stays below the limit",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """From samples that stay at a limit."""
        found = quietened(self, case)
        if found is not None or case.channels is None or case.quiet is not None or case.lit_rows:
            return found
        clock, data = case.channels
        # light and a lamp's flicker drive the clock channel to its limit as well
        alone = data.clipped and data.at_limit > 2 * clock.at_limit
        said = f"{percent(data.at_limit)} of the samples are at exactly {data.limit:.3g}"
        if not case.harmed:
            if not alone:
                return None
            return self.found(
                "at-limit",
                f"{said}; of the clock channel's, {percent(clock.at_limit)} are at its limit",
            )
        usual = abs(data.limit) if clock.clipped else clock.swing
        small = max(SMALL * usual, LITTLE * abs(data.limit))
        drowned = data.usual_noise > DROWNED * data.swing
        if not data.clipped or not (alone or drowned or data.swing < small):
            return None
        return self.found(
            "at-limit",
            f"{said}, and the data channel swings by {data.swing:.3g}, the clock channel by "
            f"{clock.swing:.3g}",
        )


class LampHum(Cause):
    """Lamps that flicker with the mains."""

    name = "lamp-hum"
    title = "light of lamps that flicker with the mains reaches the detectors"
    repairs = (
        "shade the detectors, or switch off lamps nearby and see whether the errors go away",
        "average each level over a whole flicker period, 10 ms at 50 Hz or 8.3 ms at 60 Hz",
    )
    breaks = True

    def find(self, case: Case, share: float) -> Finding | None:
        """From a line in the spectrum at twice the mains frequency."""
        if case.channels is None:
            return None
        clock, data = case.channels
        name, c, part = "data", data, data.hum / max(data.swing, 1e-30)
        also = clock.hum / max(clock.swing, 1e-30)
        # a limit hides the hum of the material's level; a line in the clock alone may be its own
        if also > part > HUM:
            name, c, part = "clock", clock, also
        sure = part > SOUND["hum"]
        chatter = [k for k in (data, clock) if k.edges > CHATTER and k.hum]
        if case.harmed and chatter:
            name, c, sure = "data" if chatter[0] is data else "clock", chatter[0], True
        # a wrong bit or two have another cause
        some = part > HUM and (case.count >= MANY or not case.fits)
        if c.swing < LITTLE * clock.swing or not (sure or some):
            return None
        swings = percent(2 * c.hum / max(c.swing, 1e-30))
        said = f"the {name} channel swings by {swings} of its levels at {c.hum_hz:g} Hz"
        return self.found("hum", said, strength=beyond(part, HUM) if not chatter else 3.0)


class FilterDelay(Cause):
    """Data that come late."""

    name = "filter-delay"
    title = "the data detector's signal comes late"
    repairs = (
        "use a faster filter, or one of the same speed for both detectors",
        "or set player.delay to the delay measured",
    )
    breaks = True

    def find(self, case: Case, share: float) -> Finding | None:
        """By the tail that a filter adds to holes, or by how much later than the clock's the data
        channel's holes pass."""
        v, clock = case.seen.levels, case.seen.clock
        if v is None or clock is None or case.channels is None:
            return None
        data = case.channels.data
        if data.clipped:  # what is left of its holes tells no delay
            return None
        if v.lag > LAG and data.usual_noise < CALM * data.swing:
            return self.found(
                "data-late",
                f"the data channel follows its holes with a time constant of "
                f"{1000 * v.lag * clock.usual_s:.1f} ms, {percent(v.lag)} of a position",
            )
        late = measures(case)["late"]
        # against a detector that moves there is no one delay
        moves = case.jumps.apart or case.jumps.wander
        if moves or not (LATE if case.harmed else SOUND["late"]) < late < MOST_LATE:
            return None
        return self.found(
            "data-late",
            f"the data channel's holes pass {1000 * v.delay_s:.1f} ms after the clock's, "
            f"{percent(late)} of a position later than set",
            "read the disc at another speed: a filter's delay stays, and that of a detector beside "
            "its line changes with the speed",
        )


ONCE = 2
"""Jumps of the phase that accuse a recorder of a log without errors: one also comes of a motor that
jerks (own choice)."""


class RecorderDrops(Cause):
    """Samples that the recorder missed."""

    name = "recorder-drops"
    title = "the recorder drops samples"
    repairs = (
        "record fewer samples per second, or to a faster disk, and close other programs",
        "the disc and the player may be sound: record again before you adjust anything",
    )
    breaks = True

    def find(self, case: Case, share: float) -> Finding | None:
        """From the log's own times, from seams, or from the disc's angle."""
        # where nothing is wrong, comparators that stand still may show a pause between two rows
        silent = case.channels is not None and case.channels.clock.digital and not case.harmed
        still = () if silent else case.jumps.held
        seams, read = case.told([*case.jumps.together, *still]), case.seen.time_s
        if case.fits and np.isfinite(read).any():
            seams = [t for t in seams if np.nanmin(read) < t < np.nanmax(read)]
        lost = case.lost if case.fits else ()
        at = sorted(seams or [t for t, _ in lost])
        # by the recording's own time, into which nothing is put
        at = [t - sum(long for begin, long in lost if begin < t) for t in at]
        if case.gaps:
            at = [t for t, _ in case.gaps]
        alone = len(at) < ONCE and not (case.gaps or lost or still or case.harmed)
        if not at or alone:
            return None
        when = ", ".join(f"{t:.2f} s" for t in at[:4]) + ", ..." * (len(at) > 4)
        said = []
        if case.gaps:
            longest = 1000 * max(long for _, long in case.gaps)
            said.append(
                f"by its times, {len(at)} gaps of up to {longest:.0f} ms are in it, at {when}"
            )
        elif seams:
            said.append(
                f"both channels jump at {when}, or repeat their samples, as no disc and no noise "
                "can: samples are missing there"
            )
        if lost and not case.gaps:
            said.append(
                f"the disc is farther on than its pulses tell{f' at {when}' * (not seams)}; at "
                f"least {1000 * sum(long for _, long in lost):.0f} ms are missing, and count as "
                "passed in what is said here"
            )
        return self.found("seams", *said)

"""Likely causes: each a small test on where, when and how bits went wrong, with its evidence.

A test gives a weight from 0 (nothing speaks for it) upwards; the causes are listed by weight. What
is certain by itself (a clock row that lacks the same hole every turn, a disc that reads right when
turned round) outweighs what errors merely look like.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import (
    FADES,
    MIDDLE,
    SHALLOW,
    SHONE_ON,
    Case,
    depths,
    other_rows,
    threshold_place,
    web_drift,
    web_shift,
)

__all__ = ["CAUSES", "Case", "Cause", "likely_causes"]

Index = NDArray[np.int64]

SLOW = 0.88  # of the settled speed
SWING = 0.025  # of the speed: more than this once a turn is an off-centre disc
CERTAIN = 10.0
PATTERN = 4.0  # what is sure by the pattern of errors alone
LEAST = 0.25  # weights below this are not listed


@dataclass(frozen=True)
class Cause:
    """One likely cause.

    Attributes
    ----------
    name : str
        One of `CAUSES`.
    weight : float
    evidence : tuple of str
    try_this : tuple of str
    """

    name: str
    weight: float
    evidence: tuple[str, ...]
    try_this: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """What it is, in plain words."""
        return CAUSES[self.name][0]


CAUSES: dict[str, tuple[str, tuple[str, ...]]] = {
    "hole": (
        "a blocked or torn hole",
        (
            "hold the disc against the light and look at the places named",
            "clear dust and splinters from blocked holes; patch torn ones with tape",
        ),
    ),
    "clock-missing": (
        "a clock pulse is missing: dirt, or no hole, in the clock row",
        (
            "clean the clock row at the position named, and look whether its hole is there",
            "if the hole is good, bring the clock detector nearer and its threshold to the middle",
        ),
    ),
    "clock-doubled": (
        "a clock pulse comes twice",
        (
            "look for a crack, a scratch or a stray hole in the clock row at the position named",
            "give the clock's comparator more hysteresis, or a pause of half a position",
        ),
    ),
    "stage": (
        "the stage is short or long of its row",
        (
            "look for slip or a loose belt, and for backlash, at the row named",
            "set the steps a row anew, and let the stage find its end before each disc",
        ),
    ),
    "threshold": (
        "the threshold of the data detector is too high or too low",
        (
            "set it halfway between the levels of holes and of material",
            "clean the detector's window and look whether its light has faded",
        ),
    ),
    "ambient-light": (
        "ambient light reaches the data detector",
        (
            "shade the detectors or put a cover over them, and see whether errors go",
            "switch off or screen the lamp or window that shone at the times named",
        ),
    ),
    "off-centre": (
        "the disc runs off centre",
        (
            "seat the disc on its hub again, and look for chips and for play in the bore",
            "turn it by hand and watch a row under the detector: it should not wander",
        ),
    ),
    "slow-start": (
        "the motor is too slow to start",
        (
            "wait a turn, or until the clock pulses keep time, before reading the first row",
            "look for a dry bearing, a slack belt or a weak supply",
        ),
    ),
    "inverted": (
        "the sense is reversed: holes are taken for zeros",
        ("swap the comparator's inputs, or set hole-means in the disc file's [layout]",),
    ),
    "turned": (
        "the disc turns the other way, or lies with its back up",
        ("swap the motor's leads, or turn the disc over; or set turning in [layout]",),
    ),
    "bit-order": (
        "the bits of each character come in the wrong order",
        ("set bit-order in the disc file's [code] to what the disc was cut with",),
    ),
    "wire": (
        "MIDI bytes are lost on the wire",
        (
            "queue bytes and send the next one only when the last has gone (31,250 baud)",
            "try another cable or interface; send shorter chords",
        ),
    ),
    "noise": (
        "a weak or noisy signal",
        ("clean the detectors, bring them nearer, and keep their leads from the motor's",),
    ),
}
"""Names of causes: what each is, and what to try."""


Test = Callable[[Case], Cause | None]


def _cause(name: str, weight: float, *evidence: str) -> Cause:
    return Cause(name, weight, evidence, CAUSES[name][1])


def _by_pattern(case: Case, name: str, *evidence: str) -> Cause | None:
    sure = case.pattern.sure.get(name, 0.0)
    return _cause(name, PATTERN * sure, *evidence) if sure else None


def _percent(x: float) -> str:
    return f"{100 * x:.3g} %"


def _variants(case: Case) -> Cause | None:
    name = {"inverted": "inverted", "turned": "turned", "bits-turned": "bit-order"}.get(
        case.variant
    )
    if name is None:
        return None
    return _cause(
        name,
        CERTAIN,
        f"{_percent(case.agreement[case.variant])} of the bits agree that way, and "
        f"{_percent(case.agreement['normal'])} as designed",
    )


def _clock(case: Case) -> Cause | None:
    n = case.design.positions
    if case.miscount is not None:
        m = case.miscount
        what = "missing" if m.kind == "missing" else "doubled"
        return _cause(
            f"clock-{what}",
            CERTAIN - 1,
            f"with the clock's pulse at position {m.position + 1} {what}, {m.before - m.after} of "
            f"{m.before} places that do not fit are explained",
            "every bit after it in a row is put one place "
            + ("too early" if what == "missing" else "too late"),
        )
    clock = case.seen.clock
    if clock is None:
        return None
    start = case.seen.alignment.start
    span = slice(max(0, int(start[0])), int(start[-1]) + n)
    found: Cause | None = None
    extra_slot = np.rint(
        np.interp(clock.pulse_s[clock.extra], clock.slot_s, np.arange(len(clock.slot_s))) - 0.25
    ).astype(np.int64)
    for name, slots in (("missing", clock.missing), ("doubled", extra_slot)):
        slots = slots[(slots >= span.start) & (slots < span.stop)]
        if not len(slots):
            continue
        turns = max(1, (span.stop - span.start) // n)
        count = np.bincount((slots + case.seen.alignment.phase) % n, minlength=n)
        p = int(np.argmax(count))
        often = count[p] / turns
        if often >= 0.5 or (count[p] >= 2 and turns <= 3):
            one = _cause(
                f"clock-{name}",
                CERTAIN - 1,
                f"in {int(count[p])} of {turns} turns the pulse at position {p + 1} is {name}",
                "every bit after it in a row is put one place "
                + ("too early" if name == "missing" else "too late"),
            )
        else:
            hit = sorted({int(np.searchsorted(start, s, "right")) for s in slots.tolist()})
            one = _cause(
                f"clock-{name}",
                2.0 if case.count else 0.5,
                f"{len(slots)} pulse{'s' * (len(slots) != 1)} {name} here and there, near rows "
                + ", ".join(str(h) for h in hit[:8]),
            )
        if found is None or one.weight > found.weight:
            found = one
    return found


def _wire(case: Case) -> Cause | None:
    w = case.seen.wire
    if w is None:
        return None
    signs = w.orphans + w.hanging + w.struck_again
    if signs < 2:
        return None
    evidence = []
    if w.orphans:
        evidence.append(f"{w.orphans} note-offs came without a note")
    if w.hanging:
        evidence.append(f"{w.hanging} notes have no note-off: they hang")
    if w.struck_again:
        evidence.append(f"{w.struck_again} notes were struck again while they sounded")
    if w.lost_on:
        evidence.append(f"at {len(w.lost_on)} places the note-off came and the note did not")
    return _cause("wire", CERTAIN - 2, *evidence)


def _slow_start(case: Case) -> Cause | None:
    m = case.motion
    if not m.start < SLOW:
        return None
    return _cause(
        "slow-start",
        4.0 + 4.0 * (1 - m.start),
        f"the first positions pass at {_percent(m.start)} of the settled speed",
        f"it takes {m.settled_s:.1f} s to come within a tenth of it",
    )


def _sector(case: Case) -> tuple[float, float, float, int]:
    """How much the errors gather in one part of the turn, or in two that face each other (0 to 1,
    against chance), the middle of that part, the share of rows that have any, and 1 or 2."""
    r, p = case.at
    n = case.design.positions
    could = np.nonzero(case.could)[1]
    best = (0.0, 0.0, 1)
    for parts in (1, 2):
        mean = np.exp(2j * np.pi * parts * p / n).mean()
        base = np.exp(2j * np.pi * parts * could / n).mean() if len(could) else 0.0
        middle = float(np.angle(mean) / (2 * np.pi * parts) * n % (n / parts))
        if abs(mean - base) > best[0]:
            best = float(abs(mean - base)), middle, parts
    return best[0], best[1], len(np.unique(r)) / case.design.rows, best[2]


def _off_centre(case: Case) -> Cause | None:
    m = case.motion
    weight, evidence = 0.0, []
    if m.flutter > SWING:
        weight += min(3.0, 1.0 + 20 * (m.flutter - SWING))
    if m.flutter > 0.006:
        evidence.append(
            f"the speed swings by {_percent(m.flutter)} once a turn, fastest near position "
            f"{m.flutter_phase + 1:.0f}"
        )
    if case.count >= 6:
        gathered, middle, rows, parts = _sector(case)
        swings = m.flutter > 0.006
        if rows > 0.45 and (gathered > 0.42 or (swings and gathered > 0.28)):
            weight += 5.0 * gathered + (2.0 if swings else 0.0)
            where = "one part of the turn" if parts == 1 else "two facing parts of the turn"
            evidence.append(
                f"the errors gather in {where}, about position {middle + 1:.0f}, in "
                f"{_percent(rows)} of the rows"
            )
    return _cause("off-centre", weight, *evidence) if weight else None


def _stage(case: Case) -> Cause | None:
    other = other_rows(case)
    if other.any():
        at = np.flatnonzero(other)
        r = int(at[0])
        way = "short of" if other[r] < 0 else "past"
        beside = "before" if other[r] < 0 else "after"
        evidence = [
            f"from row {r + 1} to row {int(at[-1]) + 1} the row {beside} was read",
            f"the stage stopped {way} row {r + 1}"
            + (
                f", so row {r} was read twice" if other[r] < 0 else f", so row {r + 1} was left out"
            ),
        ]
        return _cause("stage", CERTAIN - 1.5, *evidence)
    if case.count < 3:
        return None
    r = case.pattern.row
    here, could = int(case.wrong[r].sum()), int(case.could[r].sum())
    evidence = [
        f"{here} of {case.count} errors are in row {r + 1}, where "
        f"{_percent((case.wrong[r] & case.could[r]).sum() / max(1, could))} of what could go wrong "
        "did"
    ]
    depth = depths(case)
    if depth is not None and depth[r] < SHALLOW:
        evidence.append(
            f"the holes of row {r + 1} show at {_percent(float(depth[r]))} of the usual depth: "
            "the detector sees only a part of them"
        )
    return _by_pattern(case, "stage", *evidence)


def _ambient(case: Case) -> Cause | None:
    burst = case.pattern.burst
    evidence = []
    shifted = web_shift(case) if case.count else None
    if shifted is not None and shifted[0] > SHONE_ON:
        evidence.append(
            f"where bits went wrong, the material itself reads {_percent(shifted[1])} of the swing "
            "off its usual level"
        )
    if burst is not None:
        outside = f"{burst.outside or 'none'} before and after"
        evidence.append(
            f"from {burst.begin_s:.1f} s to {burst.end_s:.1f} s of the recording "
            f"{_percent(burst.share)} of what could go wrong did, and {outside}"
        )
    return _by_pattern(case, "ambient-light", *evidence)


def _threshold(case: Case) -> Cause | None:
    if case.count < 3:
        return None
    missed = int(case.missed.sum()) >= int(case.added.sum())
    rows = len(np.unique(case.at[0]))
    most = max(int(case.missed.sum()), int(case.added.sum()))
    share = f"all {most}" if most == case.count else f"{most} of {case.count}"
    evidence = [
        f"{share} errors are {'missed' if missed else 'added'} ones, over {rows} "
        f"row{'s' * (rows != 1)}"
    ]
    place = threshold_place(case)
    if place is not None and not MIDDLE[0] <= place <= MIDDLE[1]:
        evidence.append(
            f"the threshold lies {_percent(place)} of the way from the material's level to "
            "the holes'; halfway is best"
        )
    drift = web_drift(case)
    if abs(drift) > FADES:
        evidence.append(
            f"the material's level moves by {_percent(abs(drift))} of the swing "
            f"{'towards' if drift > 0 else 'away from'} the holes' through the recording"
        )
    found = _by_pattern(case, "threshold", *evidence)
    if found is not None and abs(drift) > FADES:
        # what moves by itself is cleaned before it is set anew
        found = replace(found, try_this=found.try_this[::-1])
    return found


def _hole(case: Case) -> Cause | None:
    r, p = case.at
    places = ", ".join(
        f"row {a + 1} position {b + 1} ({'blocked' if case.missed[a, b] else 'torn'})"
        for a, b in zip(r.tolist()[:4], p.tolist()[:4], strict=True)
    )
    kind = "one place" if case.count == 1 else f"{case.count} places by themselves"
    return _by_pattern(case, "hole", f"{kind}: {places}")


def _noise(case: Case) -> Cause | None:
    if case.count < 3:
        return None
    return _by_pattern(
        case,
        "noise",
        f"{int(case.missed.sum())} missed and {int(case.added.sum())} added ones without a pattern",
    )


TESTS: tuple[Test, ...] = (
    _variants,
    _clock,
    _wire,
    _slow_start,
    _off_centre,
    _stage,
    _ambient,
    _threshold,
    _hole,
    _noise,
)


def likely_causes(case: Case) -> list[Cause]:
    """The causes that something speaks for, the likeliest first."""
    found = [c for c in (test(case) for test in TESTS) if c is not None and c.weight >= LEAST]
    found.sort(key=lambda c: -c.weight)
    if found and found[0].weight >= CERTAIN - 2:
        # what is certain explains the errors; what they look like besides is no news
        found = [c for c in found if c.weight > PATTERN]
    return found

"""Takes of generator d: what a detector or a MIDI recorder wrote while a machine read a disc.

`healthy(seed)` and `faulty(seed, fault)` give a `Take`. All is drawn from the seed: disc, machine,
recorder, format, and the fault's size. A fault that leaves no mark in its record is drawn again.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import numpy as np

from sonify.disc.disc import Disc
from tests.world import faults_d, midi_d
from tests.world.build_d import machine
from tests.world.design_d import design
from tests.world.drive_d import Rng
from tests.world.eye_d import sliced
from tests.world.plant_d import Bits, Machine, Run, bits_read, run, whole_rows
from tests.world.recorder_d import recorder_of, write

FAULTS = tuple(faults_d.FAULTS)


@dataclass(frozen=True)
class Take:
    """A recording with all that its maker knows, and what really happened.

    Attributes
    ----------
    disc : Disc
        As designed.
    settings : dict
        The profile.
    files : dict of bytes
        The recording, by name.
    faults : tuple of str
    where : dict
        Sizes and places of the fault.
    grid_read : ndarray of int8, shape (rows, positions)
        What the player read, in the design's places; -1 where nothing was read.
    conditions : dict
        The machine's make-up, for people.
    threshold : float or None
        The player's threshold in the units of the log, if known.
    presets : tuple of str
        Of a MIDI take.
    """

    disc: Disc
    settings: dict[str, Any]
    files: dict[str, bytes]
    faults: tuple[str, ...]
    where: dict[str, Any]
    grid_read: Bits
    conditions: dict[str, Any]
    threshold: float | None = None
    presets: tuple[str, ...] = ()


def _settings(m: Machine, rng: Rng) -> dict[str, Any]:
    """The profile that its maker wrote down; when the player samples is not always known."""
    start = m.notes.get("profile-row-start", "index" if m.stage.on_index else "next-position")
    out: dict[str, Any] = {
        "rpm": m.drive.rpm,
        "row-start": start,
        "stage": m.stage.move,
        "settle": m.stage.settle,
        "delay": round(m.delay, 5),
    }
    if rng.random() < 0.5:
        out |= {"sample-at": round(m.sample_at, 5), "sample-width": round(m.sample_width, 3)}
    return out


def _place_late(m: Machine, r: Run, fault: str, where: dict[str, Any]) -> None:
    """Let the stage arrive a number of positions after its row began, as the sound reading `r`
    tells."""
    n = m.disc.positions
    begin = np.interp(r.start.astype(float), r.slot, r.time)
    slack = begin - r.arrived
    wait = where["positions"] * m.position_s
    if fault == "stage-late":
        rows = np.array(where["rows"])
        m.stage.lag[rows] = slack[rows] + wait
    elif m.stage.waits:
        # a move of at least one more turn, or position by position where reading goes on at once
        m.stage.taken = m.stage.move + (n * m.position_s if m.stage.on_index else 0) + 0.5 * wait
    else:
        # an evenly ramped move is near its row after 0.85 of its time
        m.stage.taken = (m.stage.taken + float(np.median(slack[1:])) + wait) / 0.85


def _wrong(disc: Disc, read: Bits) -> int:
    """How many bits are read otherwise than they were designed."""
    return int(((read >= 0) & (read != disc.grid)).sum())


SILENT = {
    "clock-missing", "clock-doubled", "motor-off-speed", "motor-drift", "lamp-hum",
    "ambient-light", "warped-disc", "clock-loose", "amplifier-saturated", "recorder-drops",
    "filter-delay", *midi_d.MIDI_FAULTS,
}  # fmt: skip
"""Faults that show in the record even if no bit is wrong."""


def _pulses(r: Run) -> int:
    """How often a comparator in the middle of the clock's levels switches."""
    low, high = np.percentile(r.clock, [1, 99])
    return int(np.diff(sliced(r.clock, (low + high) / 2, 0.4 * (high - low))).sum())


def _marked(fault: str, m: Machine, read: Bits, r: Run, before: Run) -> bool:
    """Whether the record differs from that of the sound machine."""
    if fault == "clock-doubled":
        return _pulses(r) > _pulses(before)
    if fault in ("stage-early", "stage-late") and whole_rows(m, r) == m.disc.rows:
        return False  # the record holds all rows, and could be a sound one
    if fault in SILENT or (fault == "slow-stage" and m.stage.waits):
        return True
    if m.notes.get("profile-row-start"):
        return True
    return _wrong(m.disc, read) > 0


def _drawn(seed: int, fault: str, attempt: int) -> tuple[Take, Take] | None:
    """One try: a take, and that of the same machine when it was sound; None if the fault leaves no
    mark, or the sound machine misreads."""
    number = FAULTS.index(fault) if fault else 99
    key = (4, seed, attempt, number)
    rng = np.random.default_rng(key)
    disc = design(rng, 4 if fault in ("wrong-row-pitch", "backlash") else 2)
    digital = bool(rng.random() < 0.3) and fault not in faults_d.ANALOGUE_ONLY
    sound = machine(disc, rng, digital)
    before = run(sound, np.random.default_rng(key))
    if (bits_read(sound, before) != disc.grid).any():
        return None
    m, r = deepcopy(sound), before
    u = float(rng.random())
    where: dict[str, Any] = {"size": round(u, 3)}
    apply = faults_d.FAULTS.get(fault)
    if apply is not None:
        where |= apply(m, u, rng)
        if fault in ("stage-late", "slow-stage"):
            _place_late(m, before, fault, where)
        r = run(m, np.random.default_rng(key))
        if fault == "threshold-off":
            _nearer(m, r, where)
    read = bits_read(m, r)
    if fault and not _marked(fault, m, read, r, before):
        return None
    settings = _settings(m, rng)
    conditions = {**m.notes, "kind": "midi", "snr_db": m.snr_db, "holes-high": m.upside}
    faults = (fault,) if fault else ()
    if fault in midi_d.MIDI_FAULTS or (
        (not fault or fault in midi_d.ALSO_IN_MIDI) and rng.random() < 0.25
    ):
        made = midi_d.take(m, r, read, settings, fault, u, rng, (sound, before))
        if made is None:
            return None
        *files, preset, more = made
        if fault == "midi-rows-missing":
            read[-more["rows"] :] = -1
        a, b = (
            Take(disc, settings, {"player.mid": data}, faults, where | more, bits, conditions,
                 None, (preset,))
            for data, bits in zip(files, (read, disc.grid), strict=True)
        )  # fmt: skip
        return a, b
    # a hum of which a recorder takes too few samples is not in its record
    least = 5 * m.mains if fault == "lamp-hum" else 0.0
    rec = recorder_of(rng, m, float(r.time[-1] - r.time[0]), digital, least)
    if fault.startswith("threshold") and rec.kind.startswith("wav"):
        rec.kind = "npy"  # nobody knows a threshold in a sound file's units
    whole = deepcopy(rec)
    if fault == "recorder-drops":
        where |= faults_d.recorder_drops(m, rec, u, rng)
    conditions["kind"] = rec.kind
    known = not digital and (fault.startswith("threshold") or rng.random() < 0.7)
    a, b = (
        Take(disc, settings, write(how, one, its, np.random.default_rng(key)), faults, where,
             bits, conditions, how.in_units(one.threshold) if known else None)
        for how, one, its, bits in ((rec, m, r, read), (whole, sound, before, disc.grid))
    )  # fmt: skip
    return a, b


def _nearer(m: Machine, r: Run, where: dict[str, Any]) -> None:
    """Move the threshold towards the level that it is near to until bits are wrong."""
    low, high = sorted(faults_d._bounds(m))
    share = (m.threshold - low) / (high - low)
    for _ in range(40):
        if _wrong(m.disc, bits_read(m, r)):
            break
        share = share * 0.8 if share < 0.5 else 1 - (1 - share) * 0.8
        m.threshold = low + share * (high - low)
    where["share"] = share


def pair(seed: int, fault: str) -> tuple[Take, Take]:
    """A faulty take and one of the same machine and disc before it had the fault; of a healthy one
    (no fault), the same take twice."""
    if fault and fault not in FAULTS:
        raise ValueError(f"no fault '{fault}'; one of {', '.join(FAULTS)}")
    for attempt in range(60):
        made = _drawn(seed, fault, attempt)
        if made is not None:
            return made
    raise AssertionError(f"no take of {fault or 'a healthy machine'} from seed {seed}")


def healthy(seed: int) -> Take:
    """A take of a machine with nothing wrong that its maker would mend."""
    return pair(seed, "")[0]


def faulty(seed: int, fault: str) -> Take:
    """A take of a machine with one fault."""
    return pair(seed, fault)[0]

"""Generator f of detector logs and MIDI takes: sound machines and faulty ones.

take = healthy(seed); take = faulty(seed, "backlash"); take, sound = pair(seed, "backlash")
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zlib import crc32

import numpy as np

from sonify.disc.disc import Disc
from sonify.presets import shipped
from tests.world.faults_f import CHANGES, apply
from tests.world.motion_f import drive
from tests.world.optics_f import Bits, Run, run
from tests.world.recorder_f import log, midi, settings
from tests.world.rig_f import Floats, Rig, rig_of

FAULTS = tuple(CHANGES)

MISREAD = {
    "rows-swapped", "stage-early", "stage-late", "stage-missed-step", "wrong-row-pitch", "backlash",
    "data-dead", "data-stuck", "lamp-out", "threshold-outside", "threshold-off", "blocked-hole",
    "extra-hole", "disc-other",
}  # fmt: skip
"""Faults that nobody would notice unless bits were wrong or missing."""

IN_MUSIC = (MISREAD | {"motor-off-speed", "motor-drift", "wrong-setting"}) - {
    "threshold-off", "lamp-out"}  # fmt: skip
"""Faults that a MIDI recording shows, too."""

ROWS = {"wrong-row-pitch": 4, "midi-rows-missing": 4, "stage-missed-step": 3}
"""The least rows in which a fault can show."""


@dataclass(frozen=True)
class Take:
    """A recording and what is true of it.

    Attributes
    ----------
    disc
        The design.
    settings, presets
        What the machine's settings say, and its music.
    files
        One file: its name and bytes.
    faults
        None or one.
    where
        What the fault is, for people and tests.
    grid_read
        The bits that the machine read; -1 where it read none.
    conditions
        The recorder, and in `centres` when each position's centre passed the data detector, in s
        from the start of the recording, shape (rows, positions).
    threshold
        Where the machine decides, in the file's units; None if the file has no levels.
    """

    disc: Disc
    settings: dict[str, Any]
    files: dict[str, bytes]
    faults: tuple[str, ...]
    where: dict[str, Any]
    grid_read: Bits
    conditions: dict[str, Any]
    threshold: float | None
    presets: tuple[str, ...] = ()


def play(rig: Rig, draw: int) -> Run:
    """The rig's run; the same draw has the same motor and noise."""
    rng = np.random.default_rng([draw, 1])
    return run(rig, drive(rig, rng), rng)


def take_of(rig: Rig, ran: Run, fault: str, draw: int) -> Take:
    """What the recorder saved of a run."""
    rng = np.random.default_rng([draw, 2])
    threshold = None
    if rig.kind == "midi":
        files, rig = midi(rig, ran.drive, ran.grid, rng)
    else:
        files, threshold = log(rig, ran, rng)
    n = rig.disc.positions
    slots = ran.drive.start[:, None] + np.arange(n)
    passes = ran.drive.at(slots + rig.azimuth) - ran.time[0]
    centres: Floats = np.take_along_axis(passes, np.argsort(slots % n, axis=1), axis=1)
    conditions = {"kind": rig.kind, "rate": rig.rate, "centres": centres,
                  "upside": rig.data.upside, "levels": rig.data.levels}  # fmt: skip
    where = {k: v for k, v in rig.facts.items() if k not in ("at", "width")}
    named = (fault,) if fault else ()
    known = settings(rig)
    if rig.kind == "midi":
        known["music.timing"] = "player"
    return Take(rig.disc, known, files, named, where, ran.grid, conditions, threshold, rig.presets)


def sound_rig(seed: int, fault: str) -> tuple[Rig, int]:
    """The machine of a seed as long as nothing is wrong, and the number of its draw."""
    draw = crc32(f"{fault} {seed} f".encode())
    rng = np.random.default_rng([draw, 0])
    rig = rig_of(rng, ROWS.get(fault, 2))
    on_wire = fault.startswith("midi")
    if on_wire or (rng.random() < 0.2 and (not fault or fault in IN_MUSIC)):
        names = [s.name for s in shipped() if s.kind == "music"]
        rig.kind, rig.presets = "midi", (str(rng.choice(names)),)
        if not rig.on_index:  # a machine that plays counts from its index
            rig.on_index = True
            less = min(1.0, 0.65 * 60 / rig.rpm / (rig.stage + rig.settle))
            rig.stage, rig.settle = round(rig.stage * less, 3), round(rig.settle * less, 3)
    if fault.startswith("threshold") and rig.kind == "wav":
        rig.kind = "npy"  # a sound file has no volts to compare a threshold with
    if fault in ("lamp-hum", "noise", "filter-delay", "amplifier-saturated", "warped-disc",
                 "ambient-light") and rig.kind in ("edges", "vcd"):  # fmt: skip
        rig.kind = "npy-names"  # what has to be seen in levels
    if fault == "lamp-hum":  # slower recorders see another frequency
        rig.rate = max(rig.rate, 1000.0)
    return rig, draw


def healthy(seed: int) -> Take:
    """A take of a sound machine."""
    rig, draw = sound_rig(seed, "")
    return take_of(rig, play(rig, draw), "", draw)


def pair(seed: int, fault: str) -> tuple[Take, Take]:
    """A faulty take, and one of the same machine without its fault."""
    if fault not in CHANGES:
        raise ValueError(f"there is no fault '{fault}' in generator f")
    rig, draw = sound_rig(seed, fault)
    return _broken(rig, fault, draw), take_of(rig, play(rig, draw), "", draw)


def faulty(seed: int, fault: str) -> Take:
    """A take of a machine with a fault."""
    if fault not in CHANGES:
        raise ValueError(f"there is no fault '{fault}' in generator f")
    return _broken(*_with(sound_rig(seed, fault), fault))


def _with(made: tuple[Rig, int], fault: str) -> tuple[Rig, str, int]:
    return made[0], fault, made[1]


def _broken(rig: Rig, fault: str, draw: int) -> Take:
    """Break a machine, and more so until the fault does something."""
    size = float(np.random.default_rng([draw, 3]).random())
    for attempt in range(8):
        rng = np.random.default_rng([draw, 4, attempt])
        bad = apply(rig, fault, size, rng)
        ran = play(bad, draw)
        wrong = (ran.grid != rig.disc.grid) & (rig.disc.grid >= 0)
        if fault not in MISREAD or wrong.any():
            break
        size = min(1.0, size + 0.2)
    bad.facts |= {"size": round(size, 3), "wrong_bits": int((wrong & (ran.grid >= 0)).sum())}
    return take_of(bad, ran, fault, draw)

"""Generator g: recordings of disc players, sound and faulty, from light, motion and electronics.

A disc turns by a gear motor, a belt, a stepper or a motor that runs with the mains. Pulses of its
clock row drive a controller; the stage makes its moves; each detector sees the share of its spot
that is hole; comparators and converters make bits of it; a recorder takes it down.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sonify.disc.disc import Disc
from tests.world import faults_g
from tests.world.midi_g import WireFaults, carried, preset_of, recorded, sent, settings_of
from tests.world.plan_g import SAMPLED, Machine, dice, machine
from tests.world.record_g import Samples, samples, write_edges, write_samples
from tests.world.rig_g import Bits, Defects, Run, run

FAULTS: tuple[str, ...] = tuple(faults_g.FAULTS)

CALM = 0.5
"""How much of a sound machine's unsteadiness one with a fault has, so that its fault shows."""


@dataclass(frozen=True)
class Take:
    """A recording with what its maker knows, and the truth.

    Attributes
    ----------
    disc : Disc
        The design.
    settings : dict
        The profile, as the maker tells it to the software.
    files : dict of bytes
        The one file.
    faults : tuple of str
    where : dict
        The fault's size and place.
    grid_read : ndarray of int8, shape (rows, positions)
        What the machine read; -1 where nothing was.
    conditions : dict
        How the machine is built.
    threshold : float or None
        The machine's level of decision in the file's units.
    presets : tuple of str
        Of a MIDI recording.
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


def healthy(seed: int) -> Take:
    """A sound machine's recording."""
    m, ran = _sound(machine(seed, {}))
    if m.kind == "mid":
        return _music(m, WireFaults(), (), {})
    return _log(m, ran, samples(m, ran) if m.kind in SAMPLED else None, (), {})


def faulty(seed: int, fault: str) -> Take:
    """A recording of a machine with a fault."""
    return pair(seed, fault)[0]


def pair(seed: int, fault: str) -> tuple[Take, Take]:
    """A recording of a machine with a fault, and of the same machine without it.

    Raises
    ------
    ValueError
        A fault that no machine has.
    """
    if fault not in faults_g.FAULTS:
        raise ValueError(f"no fault '{fault}'; there are {', '.join(FAULTS)}")
    size = float(dice(seed, "size", fault).random())
    kind = faults_g.FAULTS[fault]
    if kind is None:
        m, _ = _sound(machine(seed, {"kinds": ("mid",), "rows": 3, "for": fault}, CALM))
        wire, where = faults_g.wired(fault, m, dice(seed, "fault", fault), size)
        return _music(m, wire, (fault,), where), _music(m, WireFaults(), (), {})
    m = machine(seed, {**kind.needs, "for": fault}, CALM)
    if kind.needs.get("quick"):
        m = faults_g.quicker(m)
    m, sound = _sound(m)
    level = samples(m, sound) if m.kind in SAMPLED else None
    twin = _log(m, sound, level, (), {})
    if fault == "recorder-drops":
        return _drops(m, sound, size), twin
    while True:
        defects, where = kind.make(m, dice(seed, "fault", fault), size)
        ran = run(m, defects)
        if not kind.misreads or (ran.read != m.disc.grid).any() or size > 3:
            break
        size = faults_g.grow(size)
    level = samples(m, ran) if m.kind in SAMPLED else None
    return _log(m, ran, level, (fault,), {**where, "size": size}), twin


def _sound(m: Machine) -> tuple[Machine, Run]:
    """The machine, a little better made each time until it reads its disc without an error and its
    recording shows it."""
    for again in itertools.count():
        ran = run(m, Defects())
        fine = (ran.read == m.disc.grid).all()
        if fine and (m.kind not in SAMPLED or _legible(m, ran, samples(m, ran))):
            return m, ran
        motor = {k: v * 0.7 if k in ("flutter", "drift", "ringing") else v
                 for k, v in m.motor.items()}  # fmt: skip
        # a sampling moment that lies beside the clock pulse bears no stop in between
        motor["holds"] &= again < 2
        board = {**m.board, "noise": m.board["noise"] * 0.7, "trim": m.board["trim"] * 0.7}
        light = {**m.light, "grain": m.light["grain"] * 0.7, "ripple": m.light["ripple"] * 0.7}
        stage = {**m.stage, "scatter": m.stage["scatter"] * 0.7, "ring": m.stage["ring"] * 0.7}
        stage["off"] *= 0.7
        m = replace(m, motor=motor, board=board, light=light, stage=stage, jitter=m.jitter * 0.7,
                    snr_db=m.snr_db + 1.5)  # fmt: skip
    raise AssertionError


def _legible(m: Machine, ran: Run, s: Samples) -> bool:
    """Whether one who knew the true times could tell each bit from the record."""
    half = max(1, round(0.08 * m.slot_s * m.rate))
    total = np.append(0.0, np.cumsum(s.table[:, 1]))
    at = np.round((ran.sampled - s.begins) * m.rate).astype(int)
    there = (at > half) & (at < len(s.table) - half)
    at = np.where(there, at, half)
    mean = (total[at + half] - total[at - half]) / (2 * half)
    hole = m.disc.grid == m.disc.layout.hole_means
    if not hole.any() or hole.all():
        return True
    sense = 1 if m.levels[1] > m.levels[0] else -1
    if s.coupled:
        return float(sense * (mean[hole & there].mean() - mean[~hole & there].mean())) > 0
    middle = s.scale.of(ran.threshold)
    return bool(((sense * (mean - middle) > 0) == hole)[there].all())


def _conditions(m: Machine) -> dict[str, Any]:
    return {
        "kind": m.kind,
        "motor": m.motor["kind"],
        "flutter": m.motor["flutter"],
        "drift": m.motor["drift"],
        "holds": m.motor["holds"],
        "stage": m.stage["way"],
        "eye": m.eyes[1].kind,
        "reflective": m.light["reflective"],
        "holes-high": m.levels[1] > m.levels[0],
        "cropped": m.crop,
        "jitter": m.jitter,
        "snr-db": m.snr_db if m.kind in SAMPLED else None,
        "rate": m.rate if m.kind in SAMPLED else None,
        "firmware": "converter" if m.board["adc"] else "comparator",
    }


def _log(
    m: Machine, ran: Run, level: Samples | None, faults: tuple[str, ...], where: dict[str, Any]
) -> Take:
    """What a recorder at the detectors, or at their comparators, wrote."""
    told = None
    if level is None:
        name, data = write_edges(m, ran)
    else:
        name, data = write_samples(m, level)
        told = None if level.coupled else float(level.scale.of(ran.threshold))
    starts = [k - ran.starts[0] for k in ran.starts]
    return Take(m.disc, dict(m.profile), {name: data}, faults, {**where, "starts": starts},
                ran.read, _conditions(m), told)  # fmt: skip


def _drops(m: Machine, sound: Run, size: float) -> Take:
    """The sound machine, by a recorder whose bus is too slow: from a block or two to many."""
    blocks = 1 + round(7 * size)
    lost = faults_g.between(0.7, 6.0, size)
    level = samples(m, sound, lost, blocks)
    where = {"blocks": blocks, "positions": lost, "gaps-show": len(level.time) > 1
             and float(np.diff(level.time).max()) > 1.5 / m.rate}  # fmt: skip
    return _log(m, sound, level, ("recorder-drops",), where)


def _music(m: Machine, wire: WireFaults, faults: tuple[str, ...], where: dict[str, Any]) -> Take:
    """What a sequencer wrote at the player's MIDI output."""
    messages, late = carried(m, sent(m), wire)
    if late:
        where = {**where, "latest-ms": 1000 * max(late)}
    name = f"{dice(m.seed, 'file').choice(['take', 'hut', 'evening', 'rec01'])}.mid"
    return Take(m.disc, settings_of(m), {name: recorded(m, messages)}, faults, where,
                m.disc.grid.copy(), _conditions(m), None, (preset_of(m),))  # fmt: skip

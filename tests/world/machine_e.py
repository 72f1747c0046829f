"""Takes of generator e, by events: `healthy(seed)`, `faulty(seed, fault)`, and `pair` for tests.

It shares no code with the other generators, and but for the names of faults, no figures.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import numpy as np

from sonify.disc.disc import Disc
from tests.world import files_e, midi_e
from tests.world.faults_e import FAULTS as CHANGES
from tests.world.faults_e import LEVELS_ONLY
from tests.world.motion_e import Motion, moving
from tests.world.rig_e import Bits, Rig, Rng, design, profile, rig

FAULTS = tuple(CHANGES)


@dataclass(frozen=True)
class Take:
    """A recording with what its maker knows, and the truth.

    Attributes
    ----------
    disc : Disc
    settings : dict
        The profile.
    files : dict of bytes
    faults : tuple of str
    where : dict
        The fault's size and place.
    grid_read : ndarray of int8, shape (rows, positions)
        What was read; -1 where nothing was.
    conditions : dict
    threshold : float or None
        In the file's units.
    presets : tuple of str
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


@dataclass(frozen=True)
class _Record:
    motion: Motion
    files: dict[str, bytes]
    bits: Bits
    threshold: float | None


def _record(r: Rig, kind: str, key: tuple[int, ...], least: float) -> _Record:
    """Read once; the same key gives the same chances, whatever the rig."""
    m = moving(r, np.random.default_rng([*key, 1]))
    rng, choice = np.random.default_rng([*key, 2]), np.random.default_rng([*key, 3])
    if r.digital:
        return _Record(m, *files_e.events(r, m, kind, rng, choice))
    return _Record(m, *files_e.sampled(r, m, kind, rng, choice, least))


def _wrong(r: Rig, bits: Bits) -> int:
    return int(((bits >= 0) & (bits != r.disc.grid)).sum())


SHOWS = {
    "clock-missing", "clock-doubled", "motor-off-speed", "motor-drift", "lamp-hum",
    "ambient-light", "warped-disc", "clock-loose", "amplifier-saturated", "recorder-drops",
    "filter-delay", *midi_e.LINE,
}  # fmt: skip
"""Faults that a record shows without wrong bits."""


def _rows_lost(r: Rig, m: Motion) -> int:
    """How many rows never pass whole before the detector, to 0.55 of a hole; from index to index
    where they start there."""
    slots = np.arange(m.slot[0], m.start[-1] + r.positions, 0.25)
    x = m.stage(m.when(slots))
    lost = 0
    for row in range(r.disc.rows):
        on = np.abs(x - row * r.sizes.row_pitch) < 0.55 * r.sizes.hole_diameter
        edge = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
        begin, end = slots[edge[::2]], slots[edge[1::2] - 1]
        if r.on_index:
            begin = np.ceil((begin - 0.5) / r.positions) * r.positions
        lost += bool((end - begin).max(initial=0) < r.positions - 1)
    return lost


def _faulty(fault: str, r: Rig, rec: _Record, sound: Rig) -> bool:
    if fault == "clock-missing":
        return int((rec.bits < 0).sum()) >= 2
    if fault == "clock-doubled":
        return r.bounce * r.disc.grid.size > 4
    if fault in SHOWS or (fault == "slow-stage" and r.waits):
        return True
    if fault in ("stage-early", "stage-late") and not _rows_lost(r, rec.motion):
        return False
    return r.profile_on_index is not None or _wrong(r, rec.bits) > 0


def _late(r: Rig, m: Motion, fault: str, where: dict[str, Any]) -> None:
    """Delays that count from what the sound machine has to spare before each row."""
    spare = m.when(m.start.astype(float)) - m.there
    wait = where["positions"] * r.slot_s
    if fault == "stage-late":
        r.lag[where["rows"]] = spare[where["rows"]] + wait
    elif not r.waits:
        # four fifths of a move with ramps bring the detector near its row
        r.taken = (r.taken + float(np.median(spare[1:])) + wait) / 0.8


def _notes(
    seed: tuple[int, ...], fault: str, u: float, r: Rig, sound: Rig, a: _Record, b: _Record,
    settings: dict[str, Any], rng: Rng,
) -> tuple[list[bytes], str, dict[str, Any]] | None:  # fmt: skip
    """Files of the faulty and of the sound machine; None if the notes are the same."""
    settings |= {"music.timing": "player"}
    dotted = {k if "." in k else f"player.{k}": v for k, v in settings.items()}
    preset = midi_e.any_preset(rng)
    sounds = midi_e.heard(sound, b.motion, sound.disc.grid, dotted, preset)
    plays = midi_e.heard(r, a.motion, a.bits, dotted, preset)
    where: dict[str, Any] = {}
    if len(midi_e.begins(sounds)) < 10:
        return None
    if fault in midi_e.LINE:
        plays, where = midi_e.broken(plays, fault, u, r, a.motion, rng)
        if fault == "midi-rows-missing" and len(plays) > len(sounds) - 6:
            return None
    elif fault and not fault.startswith("motor") and midi_e.begins(plays) == midi_e.begins(sounds):
        return None
    if not plays:
        return None
    files = []
    for events, one, rec in ((plays, r, a), (sounds, sound, b)):
        begin, _ = files_e.span(one, rec.motion)
        files.append(midi_e.written(events, min(begin, events[0][0]), np.random.default_rng(seed)))
    return files, preset, where


def _try(seed: int, fault: str, attempt: int) -> tuple[Take, Take] | None:
    number = FAULTS.index(fault) + 1 if fault else 0
    key = (5, number, seed, attempt)
    rng = np.random.default_rng(key)
    disc = design(rng, 4 if fault in ("wrong-row-pitch", "backlash") else 2)
    digital = bool(rng.random() < 0.5) and fault not in LEVELS_ONLY
    sound = rig(disc, rng, digital)
    kinds = files_e.SWITCHED if digital else files_e.SAMPLED
    if fault.startswith("threshold"):
        # in a sound file's units nobody knows a threshold
        kinds = tuple(k for k in kinds if not k.startswith("wav"))
    kind = str(rng.choice(kinds))
    # what is too quick for the recorder is not in its record: six samples for each cycle of a hum's
    # light, three for a bounce
    quick = {"lamp-hum": 12 * sound.mains, "clock-doubled": 60 / sound.slot_s}
    least = quick.get(fault, 0.0)
    before = _record(sound, kind, key, least)
    if (before.bits != disc.grid).any():
        return None
    u = float(rng.random())
    r, where = deepcopy(sound), {"size": u}
    change = CHANGES.get(fault)
    after = before
    if change is not None:
        where |= change(r, u, rng)
        if fault in ("stage-late", "slow-stage"):
            _late(r, before.motion, fault, where)
        after = _record(r, kind, key, least)
    for _ in range(30 if fault == "threshold-off" else 0):
        if _wrong(r, after.bits):
            break
        r.threshold = r.threshold * 0.85 if r.threshold < 0.5 else 1 - (1 - r.threshold) * 0.85
        after = _record(r, kind, key, least)
    if fault and not _faulty(fault, r, after, sound):
        return None
    settings = profile(r, rng)
    named = (fault,) if fault else ()
    conditions = {"kind": kind, "holes-high": r.upside, "dB": r.snr_db}
    notes = rng.random() < 0.25 and (not fault or fault in midi_e.IN_NOTES)
    if fault in midi_e.LINE or notes:
        made = _notes(key, fault, u, r, sound, after, before, settings, rng)
        if made is None:
            return None
        files, preset, more = made
        bits = after.bits.copy()
        if "rows" in more and fault in midi_e.LINE:
            bits[-more["rows"] :] = -1
        conditions["kind"] = "midi"
        a, b = (
            Take(disc, settings, {"run.mid": f}, named, where | more, g, conditions, None,
                 (preset,))
            for f, g in zip(files, (bits, before.bits), strict=True)
        )  # fmt: skip
        return a, b
    knows = fault.startswith("threshold") or rng.random() < 0.6
    a, b = (
        Take(disc, settings, x.files, named, where, x.bits, conditions,
             x.threshold if knows else None)
        for x in (after, before)
    )  # fmt: skip
    return a, b


def pair(seed: int, fault: str) -> tuple[Take, Take]:
    """A take and one of the same machine before the fault."""
    if fault and fault not in FAULTS:
        raise ValueError(f"no fault '{fault}'; one of {', '.join(FAULTS)}")
    for attempt in range(80):
        made = _try(seed, fault, attempt)
        if made is not None:
            return made
    raise AssertionError(f"seed {seed} gives no take of {fault or 'a sound machine'}")


def healthy(seed: int) -> Take:
    """A take of a sound machine."""
    return pair(seed, "")[0]


def faulty(seed: int, fault: str) -> Take:
    """A take of a machine with one fault."""
    return pair(seed, fault)[0]

"""Takes of a simulated player: detector logs and MIDI recordings, healthy and faulty.

`plant_b` models the machine, `faults_b` what may be wrong with it, `files_b` the recorders and
`notes_b` the recorded notes. Ranges of a healthy, cheap machine are the task's where it gives one
(clock jitter to 10 % of a position, flutter to 5 %, drift to 20 %, signal to noise from 12 dB up);
the rest is said at its place or is common practice without a source. Healthy means: an ideal
decoder gets every bit. A fault means: it gets some wrong, each of two faults by itself, or the
fault is a clear departure from what was set (`faults_b.KEEPS_BITS`, and late or lost notes).
Severity runs from 0 to 1, and is raised until there is harm.

`grid_read` has, for each row and position in the player's order, the bit that the machine's signal
gives where the player samples it: the mean over the middle of the hole's passage against the
player's own threshold; -1 where the recorder lost it. `where` counts from 0.

Seeds with seed % 3 == 0 are kept back: nobody looks at results for them while working on a reader.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify import Disc
from tests.world.disc_b import disc_of, radii
from tests.world.faults_b import KEEPS_BITS, LOG_FAULTS
from tests.world.files_b import ANALOG, ANALOG_VOLTS, DIGITAL, Recorder, comparator, dropped, write
from tests.world.notes_b import MIDI_FAULTS, recording
from tests.world.plant_b import Channel, Plant, Run, decode, run

LETTER_NUMBER = 2
Rng = np.random.Generator
FAULTS = (*LOG_FAULTS, *MIDI_FAULTS)
IN_MIDI = {
    "rows-swapped", "stage-missed-step", "motor-off-speed", "motor-drift", "data-dead",
    "blocked-hole", "extra-hole", "disc-other", "wrong-setting",
}  # fmt: skip
"""Faults of the machine that its notes show too."""
AT_LEVELS = {"threshold-outside", "threshold-off", "ambient-light", "warped-disc", "lamp-hum",
             "amplifier-saturated", "filter-delay", "noise", "wrong-row-pitch", "backlash",
             "lamp-out", "data-dead"}  # fmt: skip
"""Faults whose bits depend on the threshold, so that the log must be in volts or already sliced."""
NO_SHARED_LEVEL = {"threshold-outside", "threshold-off"}
MOST_SAMPLES = 400_000


@dataclass(frozen=True)
class Take:
    """A recording of a reading, and the truth.

    `settings` are keys of the player section as the maker believes them. `threshold` is the
    maker's, in volts, where the file is in volts and the maker has one.
    """

    disc: Disc
    settings: dict[str, Any]
    files: dict[str, bytes]
    faults: tuple[str, ...]
    where: dict[str, Any]
    grid_read: NDArray[np.int8]
    conditions: dict[str, Any] = field(default_factory=dict)
    threshold: float | None = None
    presets: tuple[str, ...] = ()


def _channel(rng: Rng, hole: float, pitch: float, mild: float) -> Channel:
    supply = float(rng.choice([3.3, 5.0]))
    residue = float(rng.uniform(0.02, 0.2))
    offset = float(rng.uniform(0.05, 0.3))
    gain = float(rng.uniform(0.35, 0.75)) * (supply - offset)
    spot = hole * float(rng.uniform(0.3, 0.9))
    spot = min(spot, 2 * pitch - hole - 0.05 * hole)  # else it would see the next row
    snr = 45 - 33 * mild * float(rng.uniform(0, 1))
    return Channel(
        spot=spot,
        aside=float(rng.uniform(-0.08, 0.08)) * hole,
        residue=residue,
        gain=gain,
        offset=offset,
        supply=supply,
        noise=gain * (1 - residue) / 10 ** (snr / 20),
        grain=float(rng.uniform(0.0, 0.04)),
        ambient=float(rng.uniform(0, 0.15)),
        hum=float(rng.uniform(0, 0.05)) * (rng.random() < 0.4),
        sag=float(rng.uniform(-0.05, 0.1)),
    )


def plant_of(rng: Rng, mild: float, kind: str) -> Plant:
    """A healthy machine with a disc on it; `mild` scales what is imperfect, 0 to 1."""
    while True:
        disc = disc_of(rng, largest_bits=2000)
        rpm = float(np.round(np.exp(rng.uniform(np.log(2), np.log(60))), int(rng.integers(0, 2))))
        row_start = str(rng.choice(["index", "next-position"]))
        stage = round(float(np.exp(rng.uniform(np.log(0.15), np.log(2.5)))), 2)
        settle = round(float(rng.uniform(0.05, 0.6)), 2)
        turns = 1 + np.ceil((stage + settle) * rpm / 60) * (row_start == "index")
        if disc.grid.size * turns * 40 < MOST_SAMPLES and 60 / rpm / disc.positions > 0.004:
            break
    g, n = disc.geometry, disc.positions
    assert g is not None
    p = Plant(
        disc=disc, holes=disc.grid == disc.layout.hole_means, rpm=rpm, row_start=row_start,
        stage=stage, settle=settle, rng=rng,
    )  # fmt: skip
    p.data = _channel(rng, g.hole_diameter, g.row_pitch, mild)
    p.clock = _channel(rng, g.hole_diameter, 9 * g.hole_diameter, mild)
    p.clock.supply = p.data.supply
    p.clock.gain = float(np.clip(p.clock.gain, 0.35 * p.data.supply, 0.75 * p.data.supply))
    trend = rng.uniform(-1, 1, 8) * 0.3 + np.linspace(0, 1, 8) * rng.choice([-1, 1])
    p.drift = trend / np.ptp(trend) * mild * float(rng.uniform(0, 0.2))
    p.flutter, p.gear = mild * rng.uniform(0, 0.05, 2) / [1, 2]
    p.gear_teeth = int(rng.integers(2, 14))
    p.wander = (mild * float(rng.uniform(0, 0.03)), float(rng.uniform(0.1, 3)))
    jitter = mild * float(rng.uniform(0.002, 0.05))
    p.clock_error = np.clip(rng.normal(0, jitter, n), -0.1, 0.1)
    p.hole_error = np.clip(rng.normal(0, jitter, disc.grid.shape), -0.1, 0.1)
    p.eccentric = (mild * float(rng.uniform(0, 0.08)) * g.hole_diameter, float(rng.random()))
    p.warp = (mild * float(rng.uniform(0, 0.12)), float(rng.random()), int(rng.integers(1, 3)))
    p.clock_open = np.ones(n, bool)
    p.order = list(range(disc.rows))
    p.rest = rng.uniform(-0.1, 0.1, disc.rows) * mild * g.hole_diameter
    p.travel = float(rng.uniform(0.4, 0.75))
    p.misaligned = mild * float(rng.uniform(-0.15, 0.15))
    p.lead = float(rng.uniform(0.05, 2.0))
    if rng.random() < 0.12:
        p.spin_up = float(rng.uniform(0.1, 0.5)) * 60 / rpm
    if rng.random() < 0.3:
        for row in rng.integers(0, disc.rows, rng.integers(1, 4)):
            p.pauses[int(row)] = float(rng.uniform(0.3, 4)) * 60 / rpm
    if rng.random() < 0.35 * mild:
        for place in rng.uniform(0, disc.rows, rng.integers(1, 4)):
            factor = float(rng.choice([0.0, rng.uniform(0.1, 0.7)]))
            p.holds.append((float(place), float(rng.uniform(0.5, 6)), factor))
    return p


def _passage(p: Plant) -> float:
    """Roughly how long the spot needs to cross a data hole, s."""
    g = p.disc.geometry
    assert g is not None
    around = 2 * np.pi * float(radii(p.disc).mean())
    return (g.hole_diameter + p.data.spot) / around * 60 / p.rpm


def _rate(rng: Rng, p: Plant, least: float) -> float:
    """Samples a second: at least 6 while a clock hole passes, and 12 a position."""
    g = p.disc.geometry
    assert g is not None
    far = max(g.clock_radius, float(radii(p.disc).max()))
    share = (g.hole_diameter + p.clock.spot) / (2 * np.pi * far / p.positions)
    a_position = max(12.0, 6 / min(share, 1)) * float(rng.uniform(1, 2.5))
    want = max(a_position / p.position_s, least)
    steps = np.array([1, 1.25, 2, 2.5, 4, 5, 8, 10])
    nice = (steps[None, :] * 10.0 ** np.arange(1, 6)[:, None]).reshape(-1)
    return float(nice[nice >= want][0])


def _ideal(p: Plant, r: Run, recorder: Recorder, slicing: tuple[float, ...]) -> NDArray[np.int8]:
    if recorder.kind in DIGITAL:
        high = comparator(r.data, *slicing[2:]).astype(float)
        sliced = Run(r.rate, high, r.clock, r.sampled, r.passage, r.begin, r.end)
        grid = decode(sliced, p.disc, 0.5)
    else:
        grid = decode(r, p.disc, slicing[2])
    if recorder.drops:
        kept = np.cumsum(np.concatenate(([0], dropped(p.rng, len(r.data), r.rate, recorder))))
        half = 0.22 * r.passage
        i = np.clip(((r.sampled - half) * r.rate).astype(int), 0, len(r.data) - 1)
        j = np.clip(((r.sampled + half) * r.rate).astype(int) + 1, i + 1, len(r.data))
        grid = np.where(kept[j] - kept[i] < 0.5 * (j - i), -1, grid).astype(np.int8)
    return grid


def _log(
    rng: Rng, p: Plant, kind: str, faults: tuple[str, ...], where: dict[str, Any],
    settings: dict[str, Any], rate: float,
) -> tuple[Take, Run]:  # fmt: skip
    r = run(p, rate)
    c, d = p.clock, p.data
    threshold = p.believed.get("threshold")
    thresholds = (c.middle, d.middle if threshold is None else float(threshold))
    play = [max(0.05 * ch.swing, 5 * ch.noise) if kind in DIGITAL else 0.0 for ch in (c, d)]
    slicing = (
        thresholds[0],
        min(play[0], 0.6 * c.swing),
        thresholds[1],
        min(play[1], 0.5 * d.swing),
    )
    if "noise" in faults or NO_SHARED_LEVEL & set(faults):
        slicing = (*slicing[:3], 0.05 * d.swing)
    recorder = Recorder(
        kind, int(rng.choice([8, 10, 12, 16])), p.believed.get("drops", ()),
        stamped=kind in ("csv", "csv-digital", "csv-edges", "vcd") and rng.random() < 0.7,
        jitter=float(rng.uniform(0, 0.2)) * (kind == "csv"),
    )  # fmt: skip
    grid = _ideal(p, r, recorder, slicing)
    files = write(rng, recorder, rate, r.clock, r.data, d.supply, slicing)
    said = None
    if kind in ANALOG_VOLTS and (AT_LEVELS & set(faults) or rng.random() < 0.6):
        said = round(slicing[2], 3)
    swing_db = 20 * np.log10(d.swing / d.noise)
    conditions = {
        "kind": kind, "rate": rate, "rows": p.rows, "positions": p.positions, "rpm": p.rpm,
        "row_start": p.row_start, "snr_db": float(swing_db), "flutter": p.flutter,
        "drift": float(np.ptp(p.drift)), "jitter": float(p.clock_error.std()),
        "pauses": len(p.pauses), "holds": len(p.holds), "bits": recorder.bits,
        "seconds": r.end - r.begin,
    }  # fmt: skip
    take = Take(p.disc, settings, files, faults, where, grid, conditions, said)
    return take, r


def _settings(p: Plant, rpm: float) -> dict[str, Any]:
    return {
        "rpm": rpm, "row-start": p.believed.get("row-start", p.row_start), "stage": p.stage,
        "settle": p.settle,
    }  # fmt: skip


def _kind(rng: Rng, faults: tuple[str, ...]) -> str:
    if any(f in MIDI_FAULTS for f in faults):
        return "mid"
    if all(f in IN_MIDI for f in faults) and rng.random() < 0.15:
        return "mid"
    if AT_LEVELS & set(faults):
        return str(rng.choice((*ANALOG_VOLTS, *ANALOG_VOLTS, "csv-digital", "csv-edges", "vcd")))
    if rng.random() < 0.65:
        return str(rng.choice(ANALOG))
    return str(rng.choice(DIGITAL))


def _break(
    rng: Rng, p: Plant, faults: tuple[str, ...], u: float, rate: float
) -> dict[str, Any] | None:
    """Give a machine its faults; None if it was not sound before, or one of two does no harm."""
    if not faults:
        return {}

    def misread(p: Plant) -> bool:
        level = p.believed.get("threshold", p.data.middle)
        return bool(np.any(decode(run(copy.deepcopy(p), rate), p.disc, level) != p.disc.grid))

    if misread(p):
        return None
    sound, where = copy.deepcopy(p), {}
    for fault in faults:
        if fault not in LOG_FAULTS:
            continue
        seed = int(rng.integers(2**62))
        where[fault] = LOG_FAULTS[fault](p, np.random.default_rng(seed), u)
        if len(faults) > 1 and fault not in KEEPS_BITS:
            alone = copy.deepcopy(sound)
            LOG_FAULTS[fault](alone, np.random.default_rng(seed), u)
            if not misread(alone):
                return None
    return where.get(faults[0], {}) if len(faults) == 1 else where


def make(seed: int, faults: tuple[str, ...]) -> tuple[Take, Run | None, Plant]:
    """A take with these faults, its run (None for MIDI) and its machine; for tests, too."""
    name = list(map(ord, "+".join(faults)))
    rng = np.random.default_rng([seed, LETTER_NUMBER, *name] if faults else [seed, LETTER_NUMBER])
    kind = _kind(rng, faults)
    severity = float(rng.random())
    for attempt in range(60):
        mild = max(0.3, 0.93**attempt) * (0.7 if faults else 1.0)
        p = plant_of(rng, mild, kind)
        rpm = p.rpm
        if kind in DIGITAL:
            for c in (p.clock, p.data):  # a comparator needs a quieter signal than an eye
                c.noise = min(c.noise, c.swing / 10)
        # a slow passage averages the hum away: it harms quick ones
        if "lamp-hum" in faults and _passage(p) > 0.03:
            continue
        least = 1000.0 if "lamp-hum" in faults else 10.0
        rate = _rate(rng, p, least)
        try:
            where = _break(rng, p, faults, min(1.0, severity + 0.05 * attempt), rate)
        except RuntimeError:
            continue
        if where is None:
            continue
        settings = _settings(p, rpm)
        reading = p.rows * (1 + (p.row_start == "index") * (1 + (p.stage + p.settle) * p.rpm / 60))
        if reading * 60 / p.rpm * rate > 2 * MOST_SAMPLES:
            continue
        r: Run | None
        try:
            if kind == "mid":
                r = run(p, rate)
                grid = decode(r, p.disc, p.data.middle)
                made = recording(rng, p, r, grid, faults, min(1.0, severity + 0.05 * attempt))
                where = where | made.where
                conditions = {"kind": "mid", "rate": made.ppq, "rows": p.rows, "rpm": p.rpm,
                              "positions": p.positions, "row_start": p.row_start}  # fmt: skip
                take = Take(p.disc, settings, {"recording.mid": made.data}, faults, where, grid,
                            conditions, None, made.presets)  # fmt: skip
            else:
                take, r = _log(rng, p, kind, faults, where, settings, rate)
        except RuntimeError:
            continue
        wrong = int((take.grid_read != p.disc.grid).sum())
        take.conditions.update(wrong=wrong, severity=severity, attempt=attempt)
        bits_may_stay = set(faults) <= KEEPS_BITS | set(MIDI_FAULTS)
        if (not faults and not wrong) or (faults and (wrong or bits_may_stay)):
            return take, r, p
    raise RuntimeError(f"seed {seed}: no take with {faults} in 60 attempts")


def healthy(seed: int) -> Take:
    """A take of a cheap machine without a fault."""
    return make(seed, ())[0]


def faulty(seed: int, fault: str) -> Take:
    """A take with one fault of `FAULTS`."""
    if fault not in FAULTS:
        raise ValueError(f"{fault!r} is not one of {', '.join(FAULTS)}")
    return make(seed, (fault,))[0]


HIDES_OTHERS = {"data-stuck", "data-dead", "lamp-out", "threshold-outside", "disc-other",
                "wrong-setting", "recorder-drops"}  # fmt: skip
"""Faults that leave little of a second one to be seen."""


def two_faults(seed: int) -> Take:
    """A take with two faults of the machine that do not hide each other."""
    rng = np.random.default_rng([seed, LETTER_NUMBER, 2])
    names = sorted(set(LOG_FAULTS) - HIDES_OTHERS)
    levels = {"threshold-off", "ambient-light", "amplifier-saturated", "lamp-hum", "warped-disc"}
    stage = {"stage-early", "stage-late", "slow-stage", "backlash", "wrong-row-pitch"}
    while True:
        a, b = (str(n) for n in rng.choice(names, 2, replace=False))
        if not any({a, b} <= alike for alike in (levels, stage)):
            return make(seed, tuple(sorted((a, b))))[0]

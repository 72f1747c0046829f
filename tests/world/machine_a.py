"""Takes of a disc player: logs of its detectors, and recordings of its notes, sound and faulty.

The mechanism is in `plant_a.py`, the faults in `faults_a.py`, the recorders in `files_a.py`.

Ranges of a healthy, cheap machine. From the specification of this bench: clock jitter to 10 % of a
position (rms), flutter to 5 %, drift to 20 % over the reading, SNR from 12 dB, pauses. Common
practice, no source: a spot of 30 to 100 % of a hole, holes cut to 0.15 mm rms at most, detectors
aligned to 5 % of a position, hysteresis of 10 to 25 % of the swing, stages that move to within
0.1 mm, detectors of 0.1 to 1 V over holes and 2 to 4.5 V over material. From memory: mains of 50
or 60 Hz.

A take is drawn again until the machine's own reading (`grid_read`: it counts positions without a
mistake and compares a fifth of a position about the clock hole's middle with a fixed threshold)
equals the disc, if healthy, and until the fault does harm, if faulty: some bits are wrong, or, for
the faults in `faults_a.DEPARTURES`, the size alone departs from what was set. Where the wrong bits
depend on how the log is read (threshold, filter), `conditions["bits_certain"]` is False: another
decoder than the machine's own can rightly get others.

`grid_read` has the value that the machine takes a hole for; so it can be compared with `disc.grid`.
The log has no index mark. Its first sample lies `conditions["lead"]` positions before the first
row's position 0; for most seeds that is a recorder that starts as reading starts (under one
position).

Seeds with seed % 3 == 0 are kept back: nobody looks at results of those.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field, replace

import numpy as np

from sonify import Disc
from tests.world import faults_a, files_a, notes_a
from tests.world.disc_a import random_disc, row_radii
from tests.world.plant_a import Machine, Trace, run

LETTER_NUMBER = 1
FAULTS: tuple[str, ...] = (*faults_a.LOG_FAULTS, *notes_a.MIDI_FAULTS)
MOST_SAMPLES = 350_000


@dataclass(frozen=True)
class Take:
    """A recording, and the truth about it.

    `threshold` is what the maker set, in V, where it is known (analog logs of some seeds).
    """

    disc: Disc
    settings: dict[str, object]
    files: dict[str, bytes]
    faults: tuple[str, ...]
    where: dict[str, object]
    grid_read: np.ndarray
    conditions: dict[str, object] = field(default_factory=dict)
    threshold: float | None = None


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _mild(rng: np.random.Generator, most: float) -> float:
    """0 to `most`, small values more often."""
    return float(most * rng.random() ** 2)


def _machine(disc: Disc, rng: np.random.Generator, digital: bool) -> Machine:
    """A healthy machine."""
    sizes = disc.geometry
    assert sizes is not None
    n = disc.positions
    rpm = round(_log_uniform(rng, 2, 60), 1)
    T = 60 / (rpm * n)
    by_index = rng.random() < 0.6
    quick = float(rng.uniform(0, min(2.0, 0.9 * n * T)))
    low = rng.uniform(0.1, 1.0, 2)
    high = rng.uniform(2.0, 4.5, 2)
    radii = row_radii(disc)
    m = Machine(
        rpm=rpm,
        row_start="index" if by_index else "next-position",
        stage=round(quick * 0.8, 3),
        settle=round(quick * 0.2, 3),
        positions=n,
        radii=radii,
        clock_radius=sizes.clock_radius,
        hole=sizes.hole_diameter,
        holes=(disc.grid == disc.layout.hole_means).astype(np.int8),
        lead=float(rng.uniform(0.5, 1.0) if rng.random() < 0.75 else rng.uniform(1, 1.5 * n)),
        tail=float(rng.uniform(0.6, 3.0)),
        drift=float(rng.choice([-1, 1])) * _mild(rng, 0.2),
        drift_shape=float(rng.choice([0.5, 1.0, 2.0])),
        flutter=_mild(rng, 0.05),
        belt_ratio=float(rng.uniform(1.3, 6.0)),
        jitter=_mild(rng, 0.1),
        cut=_mild(rng, 0.15),
        stops=radii + rng.normal(0, _mild(rng, 0.1), disc.rows),
        spot=sizes.hole_diameter * float(rng.uniform(0.3, 1.0)),
        grain=_mild(rng, 0.04),
        warp=_mild(rng, 0.12),
        warp_angle=float(rng.uniform(0, n)),
        clock_depth=np.clip(rng.normal(1, 0.03, n), 0.8, 1),
        delay=float(rng.uniform(-0.05, 0.05)),
        low=(float(low[0]), float(low[1])),
        high=(float(high[0]), float(high[1])),
        snr=float(rng.uniform(26 if digital else 12, 40)),
        ambient=_mild(rng, 0.12),
        ambient_ramp=float(rng.choice([0.0, disc.rows * n])),
        ambient_from=float(rng.uniform(-n, n * disc.rows)),
        hum=_mild(rng, 0.15),
        mains=float(rng.choice([50.0, 60.0])),
        lag=(_mild(rng, 0.06), _mild(rng, 0.06)),
        threshold=(float(rng.uniform(0.4, 0.55)), float(rng.uniform(0.45, 0.55))),
        hysteresis=float(rng.uniform(0.1, 0.25)),
    )
    # above the noise: 3 times its rms either way
    m.hysteresis = max(m.hysteresis, 6 / 10 ** (m.snr / 20)) if digital else m.hysteresis
    if rng.random() < 0.35:
        whole = disc.rows * 1.5 * n
        for _ in range(int(rng.integers(1, 5))):
            m.holds.append((float(rng.uniform(1, whole)), float(rng.uniform(0.05, 0.5))))
    return m


def _rate(m: Machine, rows: int, digital: bool, rng: np.random.Generator) -> float:
    """Samples a second: a step of 1, 2 or 5 as recorders have, and enough for every position."""
    T = 60 / (m.rpm * m.positions)
    wanted = float(rng.uniform(40, 80) if digital else rng.uniform(14, 50))
    move = (m.stage + m.settle) / T
    turn = m.positions + (
        math.ceil(move / m.positions) * m.positions if m.row_start == "index" else move
    )
    wanted = max(min(wanted, MOST_SAMPLES / (rows * turn)), 12)
    rate = wanted / T
    power = 10 ** math.floor(math.log10(rate))
    return float(next(s * power for s in (1, 2, 5, 10) if s * power >= rate * 0.8))


def _kind(rng: np.random.Generator) -> str:
    return str(rng.choice(files_a.ANALOG if rng.random() < 0.65 else files_a.DIGITAL))


def _take(
    disc: Disc,
    m: Machine,
    settings: dict[str, object],
    faults: tuple[str, ...],
    where: dict[str, object],
    kind: str,
    rng: np.random.Generator,
) -> tuple[Take, Trace]:
    digital = kind in files_a.DIGITAL
    rate = _rate(m, disc.rows, digital, rng)
    if kind == "wav":
        rate = max(round(rate), 10)
    trace = run(m, rate, rng)
    read = np.where(
        trace.bits < 0,
        -1,
        np.where(trace.bits == 1, disc.layout.hole_means, 1 - disc.layout.hole_means),
    ).astype(np.int8)
    closed = bool(rng.random() < 0.5) or kind in ("npy", "wav")
    conditions: dict[str, object] = {
        "kind": kind,
        "rate": rate,
        "rpm": m.rpm,
        "rows": disc.rows,
        "positions": m.positions,
        "row_start": m.row_start,
        "lead": m.lead,
        "jitter": m.jitter,
        "flutter": m.flutter,
        "drift": m.drift,
        "snr_db": m.snr,
        "holds": tuple(m.holds),
        "hum": m.hum,
        "ambient": m.ambient,
        "spot_mm": m.spot,
        "starts": trace.starts,
        "row_time": trace.row_time,
        "threshold_share": m.threshold,
        "bits_certain": not set(faults) & faults_a.UNCERTAIN,
    }
    level = m.low[1] + m.threshold[1] * (m.high[1] - m.low[1])
    known = not digital and (bool(rng.random() < 0.3) or bool(set(faults) & faults_a.NEED_LEVEL))
    files = files_a.write(kind, trace.time, trace.volts, trace.logic, rate, rng, trace.kept, closed)
    take = Take(
        disc, settings, files, faults, where, read, conditions, round(level, 3) if known else None
    )
    return take, trace


def _settings(m: Machine, rng: np.random.Generator) -> dict[str, object]:
    """What the maker believes; the speed only to 3 %."""
    return {
        "player.rpm": round(m.rpm * float(rng.uniform(0.97, 1.03)), 2),
        "player.row-start": m.row_start,
        "player.stage": m.stage,
        "player.settle": m.settle,
    }


def _rng(seed: int, attempt: int, purpose: int, *more: int) -> np.random.Generator:
    return np.random.default_rng([seed, LETTER_NUMBER, purpose, attempt, *more])


def _pulses(trace: Trace) -> int:
    clock = trace.logic[:, 0]
    return int((clock[1:] & ~clock[:-1]).sum())


def _shown(fault: str, where: dict[str, object]) -> bool:
    """Whether a fault does harm without a wrong bit."""
    wrong = fault == "wrong-setting" and where["setting"] != "row-start"
    return fault in faults_a.DEPARTURES and not wrong


def healthy(seed: int) -> Take:
    """A take of a machine without a fault."""
    for attempt in range(60):
        rng = _rng(seed, attempt, 0)
        kind = _kind(rng)
        disc = random_disc(rng, blank=False)
        m = _machine(disc, rng, kind in files_a.DIGITAL)
        take, _ = _take(disc, m, _settings(m, rng), (), {}, kind, rng)
        if np.array_equal(take.grid_read, disc.grid):
            return take
    raise AssertionError(f"no healthy take for seed {seed}")


def _with(
    faults: tuple[str, ...],
    m: Machine,
    settings: dict[str, object],
    disc: Disc,
    kind: str,
    key: tuple[int, ...],
) -> tuple[Take, Trace, Machine]:
    """A take of a machine with these faults put in; all other chance hangs on the key alone."""
    own, believed = copy.deepcopy(m), dict(settings)
    where: dict[str, object] = {}
    for f in faults:
        chance = np.random.default_rng([*key, LETTER_NUMBER, 10, FAULTS.index(f)])
        where[f] = faults_a.apply(f, own, believed, disc, chance)
    chance = np.random.default_rng([*key, LETTER_NUMBER, 20])
    return *_take(disc, own, believed, faults, where, kind, chance), own


def _faulty(seed: int, faults: tuple[str, ...], purpose: int, tries: int) -> Take | None:
    which = [FAULTS.index(f) for f in faults]
    for attempt in range(tries):
        rng = _rng(seed, attempt, purpose, *which)
        kind = _kind(rng)
        if any(f in faults_a.ANALOG_ONLY for f in faults) and kind in files_a.DIGITAL:
            kind = str(rng.choice(files_a.ANALOG))
        disc = random_disc(rng, blank=False)
        m = _machine(disc, rng, kind in files_a.DIGITAL)
        m.holds = m.holds if rng.random() < 0.3 else []
        settings = _settings(m, rng)
        scene = (m, settings, disc, kind, (seed, attempt, *which))
        sound, sound_trace, _ = _with((), *scene)
        if not np.array_equal(sound.grid_read, disc.grid):
            continue
        take, trace, own = _with(faults, *scene)
        harmful = True
        for f in faults:
            alone = _with((f,), *scene)[0]
            without = _with(tuple(g for g in faults if g != f), *scene)[0]
            differs = not np.array_equal(alone.grid_read, disc.grid)
            adds = not np.array_equal(take.grid_read, without.grid_read)
            harmful &= (differs and adds) or _shown(f, take.where[f])  # type: ignore[arg-type]
        more = _pulses(trace) - _pulses(sound_trace)
        if not harmful or (faults[0] in faults_a.PULSES and more * faults_a.PULSES[faults[0]] <= 0):
            continue
        if len(faults) == 1:
            take = replace(take, where=take.where[faults[0]])  # type: ignore[arg-type]
        if "lamp-hum" in faults and float(take.conditions["rate"]) < 5 * own.mains:  # type: ignore[arg-type]
            continue  # Nyquist: a slower recorder shows no hum but a standing level
        take.conditions["wrong_bits"] = int((take.grid_read != disc.grid).sum())
        if set(faults) <= notes_a.SHOWN and rng.random() < 0.25:
            return replace(
                take,
                files=notes_a.record(take, own.rpm, trace, rng),
                conditions={**take.conditions, "kind": "midi", "bits_certain": True},
                threshold=None,
            )
        return take
    return None


def faulty(seed: int, fault: str) -> Take:
    """A take of a machine with one fault of `FAULTS`."""
    if fault in notes_a.MIDI_FAULTS:
        rng = _rng(seed, 0, 3, FAULTS.index(fault))
        take = healthy(seed + 1_000_000 * (1 + FAULTS.index(fault)))
        return notes_a.faulty(take, fault, rng)
    take = _faulty(seed, (fault,), 1, 200)
    assert take is not None, f"no take of {fault} for seed {seed}"
    return take


def two_faults(seed: int) -> Take:
    """A take of a machine with two faults that don't hide each other."""
    rng = _rng(seed, 0, 2)
    while True:
        pair = tuple(str(f) for f in rng.choice(faults_a.LOG_FAULTS, 2, replace=False))
        if frozenset(pair) in faults_a.hidden():
            continue
        take = _faulty(seed, pair, 2, 20)
        if take is not None:
            return take

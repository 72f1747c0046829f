"""Healthy machines of generator d, drawn at random from clean and slow to cheap and fast."""

from __future__ import annotations

import math

import numpy as np

from sonify.disc.disc import Disc
from tests.world.drive_d import Drive, Rng
from tests.world.eye_d import Eye, taken_by
from tests.world.plant_d import Machine, Stage


def between(rng: Rng, low: float, high: float) -> float:
    """Log-uniform: as many of each order of size."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _drive(rng: Rng, cheap: float, rows: int) -> Drive:
    """`cheap` is 0 for the best machine and 1 for the worst one of the healthy range: flutter of
    5 %, drift of 20 % over the read, pauses of the belt."""
    rpm = between(rng, 3.5, 40)
    d = Drive(
        rpm=round(rpm, 1),
        off=float(rng.normal(0, 0.006)),
        drift=float(rng.choice([-1, 1])) * 0.20 * cheap * float(rng.random()),
        bow=float(rng.choice([0, 0, 2, 4])),
        belt_hz=between(rng, 1.2, 8),
        damping=between(rng, 0.05, 0.35),
        pulley=float(rng.uniform(2, 12)),
        flutter=0.04 * cheap * float(rng.random()),
        cogging=0.01 * cheap * float(rng.random()),
        wow=0.004 * cheap,
        poles=int(rng.choice([6, 10, 14])),
        rest=bool(rng.random() < 0.15),
    )
    if rng.random() < 0.35 * cheap:
        # the belt holds the disc for a moment, within a row or between two
        for _ in range(int(rng.integers(1, 4))):
            d.holds.append((float(rng.uniform(2.2, 2 * rows)), between(rng, 0.05, 0.35)))
    return d


def _stage(rng: Rng, cheap: float, disc: Disc, rpm: float) -> Stage:
    """Move and settling last so long that speed drifting by a tenth either way never changes the
    number of turns that a row takes."""
    turn = 60 / rpm
    g = disc.geometry
    assert g is not None
    share = float(rng.uniform(0.12, 0.72)) if rng.random() < 0.8 else float(rng.uniform(1.2, 1.6))
    total = share * turn
    settle = round(total * float(rng.uniform(0.1, 0.35)), 3)
    move = round(total - settle, 3)
    lead = float(rng.choice([1.25, 2.0, 4.0, 8.0]))
    rows = disc.rows
    return Stage(
        move=move,
        settle=settle,
        taken=move * float(rng.uniform(0.75, 0.98)),
        pitch=g.row_pitch,
        step=lead / 200,
        order=list(range(rows)),
        # punching and homing: to a tenth of a hole on a cheap machine
        offset=g.hole_diameter * 0.05 * cheap * rng.standard_normal(rows).clip(-2, 2),
        lag=np.zeros(rows),
        on_index=bool(rng.random() < 0.7),
        drunken=0.02 * cheap * g.hole_diameter,
        play=0.02 * cheap * g.hole_diameter,
        ring=0.08 * cheap * g.hole_diameter if rng.random() < 0.5 else 0.0,
        homing=bool(rng.random() < 0.25),
    )


def _eye(rng: Rng, hole: float, position_s: float, supply: float) -> Eye:
    """A reflex coupler. Core and halo in the sizes of such couplers (spots of 0.5 to 2 mm at 2 to
    5 mm distance, common practice), time constants from 5 us (photodiode) to a fiftieth of a
    position (a phototransistor with a large resistor)."""
    solid = supply * float(rng.uniform(0.55, 0.92))
    return Eye(
        spot=hole * float(rng.uniform(0.15, 0.55)),
        halo=hole * float(rng.uniform(0.8, 1.8)),
        scatter=float(rng.uniform(0.02, 0.12)),
        through=float(rng.uniform(0.02, 0.25)),
        solid=solid,
        dark=solid * float(rng.uniform(0.0, 0.15)),
        supply=supply,
        rail=supply * float(rng.uniform(0.005, 0.03)),
        tau=min(between(rng, 5e-6, 2e-3), position_s / 50),
        hum=0.02 * float(rng.random() ** 3),
        ambient=0.05 * float(rng.random() ** 2),
        flicker=float(rng.choice([0.0, 0.1, 0.9])),
    )


def level(eye: Eye, light: float) -> float:
    """The amplifier's output in V for some light, 1 from solid material."""
    return eye.dark + (eye.solid - eye.dark) * light


def machine(disc: Disc, rng: Rng, digital: bool) -> Machine:
    """A healthy machine with this disc, as it was cut."""
    cheap = float(rng.random())
    rows, n = disc.grid.shape
    g = disc.geometry
    assert g is not None
    drive = _drive(rng, cheap, rows)
    position_s = 60 / (drive.rpm * n)
    supply = float(rng.choice([3.3, 5.0, 5.0, 9.0, 12.0]))
    clock, data = (_eye(rng, g.hole_diameter, position_s, supply) for _ in range(2))
    data.solid = min(supply * 0.95, clock.solid * float(rng.uniform(0.85, 1.15)))
    data.dark = min(data.dark, 0.15 * data.solid)
    # mounted by eye, to a third of a position
    data.angle = float(rng.uniform(-0.33, 0.33)) if rng.random() < 0.7 else 0.0
    # punched by hand: peaks of a tenth of a position on the worst discs
    jitter = 0.033 * cheap * float(rng.random())
    cut = 1 + 0.03 * cheap * rng.standard_normal((rows + 1, n)).clip(-2.5, 2.5)
    holes = disc.grid == disc.layout.hole_means
    share = float(taken_by(data, g.hole_diameter)[1][0])
    low, high = level(data, 1 - (1 - data.through) * share), level(data, 1)
    # the middle, give or take a twelfth
    threshold = low + (high - low) * float(rng.uniform(0.42, 0.58))
    upside = bool(rng.random() < 0.2)
    delay = data.angle * position_s
    narrow = g.hole_diameter / (2 * math.pi * g.first_row_radius / n)
    return Machine(
        disc=disc,
        drive=drive,
        stage=_stage(rng, cheap, disc, drive.rpm),
        clock=clock,
        data=data,
        size=g.hole_diameter * cut[1:] * holes,
        clock_size=g.hole_diameter * cut[0],
        radial=0.02 * g.hole_diameter * cheap * rng.standard_normal((rows, n)),
        along=(jitter * rng.standard_normal((rows, n))).clip(-0.1, 0.1),
        clock_along=(jitter * rng.standard_normal(n)).clip(-0.1, 0.1),
        burr=np.zeros(n),
        threshold=supply - threshold if upside else threshold,
        hysteresis=(high - low) * float(rng.uniform(0.12, 0.3)),
        delay=delay,
        sample_at=delay,
        sample_width=min(0.22, 0.5 * narrow) * float(rng.uniform(0.5, 1.0)),
        centre=0.06 * cheap * g.hole_diameter * float(rng.random()),
        centre_angle=float(rng.random()),
        warp=0.06 * cheap * float(rng.random()),
        lobes=int(rng.choice([1, 1, 2])),
        warp_angle=float(rng.random()),
        mains=float(rng.choice([50.0, 50.0, 60.0])),
        # 12 dB on the worst; a comparator needs 26 dB with its hysteresis to stay quiet
        snr_db=(26 if digital else 12) + 36 * float(rng.random()) * (1 - 0.7 * cheap),
        corner=between(rng, 0.5, 40),
        upside=upside,
        lead=float(rng.uniform(0.2, 2.0)),
        tail=float(rng.uniform(0.0, 1.2)),
        notes={"cheap": round(cheap, 2)},
    )

"""The clock of a log: every pulse gets its number, whatever the motor, the dirt and the noise do.

The signals are made here from the times of pulses; the numbers are known by construction.
"""

from __future__ import annotations

import numpy as np
import pytest

from sonify.errors import InputError
from sonify.recover.signal.clock import follow_clock

RATE = 1000.0
PERIOD = 0.05


def channel(middles, width=0.018, noise=0.0, seed=0, held=()):
    """Holes read low: 3 V on material, 0.5 V in holes; `held` are extra seconds in some holes."""
    rng = np.random.default_rng(seed)
    halves = np.full(len(middles), width / 2)
    for k, more in held:
        halves[k] += more / 2
    time = np.arange(0, middles[-1] + 0.2, 1 / RATE)
    inside = np.zeros(len(time), bool)
    for middle, half in zip(middles, halves, strict=True):
        inside |= np.abs(time - middle) < half
    return (3.0 - 2.5 * inside + noise * rng.standard_normal(len(time))).astype(np.float32)


def steady(count=300):
    return 0.1 + PERIOD * np.arange(count)


@pytest.mark.parametrize("noise", [0.0, 0.2, 0.6])
@pytest.mark.parametrize("jitter", [0.0, 0.05, 0.1])
def test_jitter_of_a_tenth_of_a_position_loses_no_count(jitter, noise):
    """Jitter to a tenth of a position is what a cheap motor has (common practice, no source)."""
    rng = np.random.default_rng(3)
    middles = steady() + PERIOD * np.clip(jitter * rng.standard_normal(300), -0.25, 0.25)
    clock = follow_clock(channel(middles, noise=noise), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 300
    assert clock.low
    assert np.abs(clock.slot_s - middles).max() < 0.15 * PERIOD


@pytest.mark.parametrize("gone", [[100], [100, 200], [100, 101, 102]])
def test_missing_pulses_are_counted_and_named(gone):
    clock = follow_clock(channel(np.delete(steady(), gone)), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 300
    assert clock.missing.tolist() == gone
    assert np.abs(clock.slot_s - steady()).max() < 0.05 * PERIOD


def test_second_pulses_are_named_and_not_counted():
    more = steady()[[50, 120]] + 0.45 * PERIOD
    middles = np.sort(np.concatenate([steady(), more]))
    clock = follow_clock(channel(middles), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 300
    assert clock.doubled.tolist() == [50, 120]


@pytest.mark.parametrize("pause", [0.6, 2.3, 6.4, 31.5])
def test_a_pause_between_holes_is_one_position(pause):
    middles = steady() + PERIOD * pause * (np.arange(300) >= 150)
    clock = follow_clock(channel(middles), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 300
    assert len(clock.missing) == 0


def test_a_disc_that_stops_with_a_hole_under_the_detector():
    middles = steady() + 0.3 * (np.arange(300) > 150) + 0.15 * (np.arange(300) == 150)
    clock = follow_clock(channel(middles, held=[(150, 0.3)]), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 300
    assert len(clock.missing) == 0
    assert not clock.extra.any()


def test_a_motor_that_starts_slowly():
    speed = 1 - 0.8 * np.exp(-np.arange(300) / 12)
    middles = 0.1 + np.cumsum(PERIOD / speed)
    clock = follow_clock(channel(middles), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 300


def test_speed_that_drifts_and_flutters():
    """Drift of a fifth and flutter of a twentieth, over turns of 40 positions."""
    at = np.arange(800)
    speed = 1 + 0.2 * (at / 800 - 0.5) + 0.05 * np.sin(2 * np.pi * at / 40)
    middles = 0.1 + np.cumsum(PERIOD / speed)
    clock = follow_clock(channel(middles, noise=0.3), RATE, PERIOD, "log")
    assert len(clock.slot_s) == 800


def test_holes_that_read_high():
    clock = follow_clock(3.5 - channel(steady()), RATE, PERIOD, "log")
    assert not clock.low
    assert len(clock.slot_s) == 300


def test_a_channel_without_pulses():
    with pytest.raises(InputError, match="the clock channel has no pulses"):
        follow_clock(np.full(5000, 3.0, np.float32), RATE, PERIOD, "log")

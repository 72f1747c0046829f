"""Causes inferred from where and when bits went wrong: hand-made patterns with known answers."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

import numpy as np
import pytest

from sonify.recover.diagnosis import causes
from sonify.recover.diagnosis.causes import CAUSES
from sonify.recover.diagnosis.causes.cause import PatternCause, shares
from sonify.recover.diagnosis.causes.odds import ODDS, ranked
from sonify.recover.diagnosis.error_pattern import (
    ErrorPattern,
    best_burst,
    burst_log_likelihood,
    share_of_row,
)

ROWS, N = 8, 40
POSITION_S = 0.1
GRID = np.random.default_rng(7).integers(0, 2, (ROWS, N)).astype(np.int8)
GRID[4, [0, 1, N - 2, N - 1]] = 1  # a row with ones at both ends
GRID[5, [0, 1]] = 1
TIME = (np.arange(ROWS)[:, None] * (N + 6) + np.arange(N)) * POSITION_S
ONES = np.argwhere(GRID == 1)


def judged(wrong, rests: float = 0.0):
    """The causes' shares for a pattern; `rests` seconds lie between rows besides."""
    missed, added = wrong & (GRID == 1), wrong & (GRID == 0)
    could = GRID == 1 if missed.sum() >= added.sum() else GRID == 0
    time = TIME + rests * np.arange(ROWS)[:, None]
    errors = ErrorPattern(wrong, could, time, POSITION_S)
    sure = shares([c for c in CAUSES if isinstance(c, PatternCause)], errors, None)
    return sure, errors.burst, errors.by_row[0]


def at(*places):
    out = np.zeros(GRID.shape, bool)
    for r, p in places:
        out[r, p] = True
    return out


def ones_of(row, share=slice(None)):
    return [(row, int(p)) for p in np.flatnonzero(GRID[row] == 1)[share]]


def test_single_places_are_holes():
    for places in ([(2, 7)], [(0, 3), (6, 30)], [(0, 3), (3, 11), (6, 30)]):
        sure, _, _ = judged(at(*places))
        assert max(sure, key=sure.get) == "hole", places


def test_one_place_may_be_a_flash_but_is_hardly():
    sure, burst, _ = judged(at(*ones_of(2, slice(3, 4))))
    assert sure["hole"] > 0.7
    assert 0.02 < sure["ambient-light"] < 0.3
    assert burst.begin_s == burst.end_s


def test_next_neighbours_are_light_and_others_are_not():
    near = ones_of(2, slice(3, 5))
    sure, burst, _ = judged(at(*near))
    assert max(sure, key=sure.get) == "ambient-light"
    assert (burst.begin_s, burst.end_s) == tuple(TIME[2, p] for _, p in near)
    sure, _, _ = judged(at(*ones_of(2, slice(3, 8, 4))))
    assert max(sure, key=sure.get) == "hole"


@pytest.mark.parametrize("rests", [0.0, 4.6])
def test_a_whole_row_is_the_stage_and_a_part_of_one_is_light(rests):
    sure, _, row = judged(at(*ones_of(4)), rests)
    assert max(sure, key=sure.get) == "stage"
    assert row == slice(4, 5)
    half = len(ones_of(4)) // 2
    for part in (slice(0, half), slice(half, None), slice(4, -4)):
        sure, _, _ = judged(at(*ones_of(4, part)), rests)
        assert max(sure, key=sure.get) == "ambient-light", part
    # some here, some there, all in the row
    sure, _, _ = judged(at(*ones_of(4, slice(0, None, 2))), rests)
    assert max(sure, key=sure.get) == "stage"


def test_light_goes_on_over_the_end_of_a_row():
    wrong = at(*ones_of(4, slice(6, None)), *ones_of(5, slice(0, 6)))
    sure, burst, _ = judged(wrong)
    assert max(sure, key=sure.get) == "ambient-light"
    assert burst.share == 1.0
    assert burst.outside == 0
    # a hole that is blocked elsewhere does not hide it
    wrong[0, int(np.flatnonzero(GRID[0])[2])] = True
    sure, burst, _ = judged(wrong)
    assert max(sure, key=sure.get) == "ambient-light"
    assert burst.outside == 1


def test_scattered_errors_are_the_threshold_if_of_one_kind_and_noise_if_not():
    rng = np.random.default_rng(3)
    some = ONES[rng.choice(len(ONES), 30, replace=False)]
    sure, _, _ = judged(at(*map(tuple, some)))
    assert max(sure, key=sure.get) == "threshold"
    wrong = rng.random(GRID.shape) < 0.12
    sure, _, _ = judged(wrong)
    assert max(sure, key=sure.get) == "noise"


@pytest.mark.parametrize(
    ("places", "named"),
    [(slice(0, 5), {"stage-late"}), (slice(-5, None), {"stage-early"})],
)
def test_errors_at_one_end_of_the_rows_are_a_stage_out_of_time(places, named):
    rng = np.random.default_rng(5)
    wrong = np.zeros(GRID.shape, bool)
    wrong[1:-1, places] = rng.random((ROWS - 2, 5)) < 0.4
    sure, _, _ = judged(wrong)
    assert sum(sure[name] for name in named) > 0.9


def test_shares_of_a_row_add_up_to_one():
    """The beta-binomial distribution (N. L. Johnson and others, Univariate Discrete Distributions)
    over all patterns of five places."""
    total = sum(
        math.exp(share_of_row(sum(pattern), 5)) for pattern in itertools.product((0, 1), repeat=5)
    )
    assert abs(total - 1) < 1e-12


def test_chances_of_light_add_up_to_less_than_one():
    """Over all stretches of a recording: what is missing is light between two holes, and light that
    never ends or is over at once."""
    time = np.arange(24) * POSITION_S
    total = 0.0
    for first in range(24):
        for last in range(first, 24):
            wrong = np.zeros(24, bool)
            wrong[first : last + 1] = True
            burst = best_burst(wrong, time, 0)
            total += math.exp(burst_log_likelihood(burst, time, POSITION_S))
    assert 0.3 < total < 1.0


def test_every_sign_that_a_cause_names_has_its_odds():
    code = "".join(path.read_text() for path in Path(causes.__file__).parent.glob("*.py"))
    named = set(re.findall(r'found\(\s*"([a-z-]+)"', code))
    assert len(named) > 20
    assert named | {f"errors-like-{c.name}" for c in CAUSES if isinstance(c, PatternCause)} <= {
        *ODDS
    }


def test_a_sign_is_worth_less_behind_one_in_an_earlier_place():
    """A disc that leaves its detectors once a turn loses the same pulses in every turn."""
    clock, disc = (
        next(c for c in CAUSES if c.name == name).found(sign, strength=strength)
        for name, sign, strength in (
            ("clock-missing", "same-pulse", 3.0),
            ("warped-disc", "sways", 1.0),
        )
    )
    assert [f.name for f in ranked([clock])] == ["clock-missing"]
    both = ranked([clock, disc])
    assert both[0].name == "warped-disc"
    assert sum(f.probability for f in both) < 1


def test_wrong_bits_out_of_nowhere_make_no_burst():
    assert best_burst(np.zeros(5, bool), np.arange(5.0), 3) is None
    burst = best_burst(np.array([1, 0, 0, 0, 1, 1, 1, 0, 0, 0, 1], bool), np.arange(11.0), 2)
    assert (burst.first, burst.last, burst.share, burst.outside) == (4, 6, 1.0, 4)

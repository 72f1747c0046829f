"""Rhythm measures and alignment against published properties and worked examples."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from sonify.music.measures.alignment import (
    Tune,
    alignment_cost,
    alignment_pairs,
    tune_likeness,
)
from sonify.music.measures.rhythm import (
    evenness,
    metrical_weights,
    swaps_to_even,
    syncopation,
)
from sonify.music.rhythm.even import even_pattern

# the six timelines of G. Toussaint, "A mathematical analysis of African, Brazilian, and Cuban
# clave rhythms", BRIDGES 2002; from memory
CLAVES = {
    "shiko": "x...x.x...x.x...",
    "son": "x..x..x...x.x...",
    "rumba": "x..x...x..x.x...",
    "soukous": "x..x..x...xx....",
    "gahu": "x..x..x...x...x.",
    "bossa-nova": "x..x..x...x..x..",
}


def rhythm(text):
    return np.array([[c == "x" for c in text]])


@pytest.mark.parametrize("steps", [5, 8, 9, 12])
def test_exactly_the_rotations_of_euclidean_rhythms_are_most_even(steps):
    every = np.array(list(product([False, True], repeat=steps)))
    count = every.sum(axis=1)
    inside = (count >= 2) & (count <= steps - 2)
    even, swaps = evenness(every), swaps_to_even(every)
    euclidean = np.zeros(len(every), bool)
    for n in range(steps + 1):
        turned = [np.roll(even_pattern(n, steps), k) for k in range(steps)]
        euclidean |= (every[:, None] == np.array(turned)).all(axis=2).any(axis=1)
    np.testing.assert_array_equal((even > 1 - 1e-9)[inside], euclidean[inside])
    np.testing.assert_array_equal(swaps == 0, euclidean)
    assert np.nanmin(even) == pytest.approx(0)
    assert np.isnan(even[count < 2]).all()


def test_evenness_by_hand():
    # a square and three corners of it in eight: chords of sqrt(2) and 2
    square = evenness(rhythm("x.x.x.x."))
    assert square == pytest.approx(1)
    side = 2 * np.sin(np.pi / 8)
    corners = rhythm("x.x.x...")
    least = 2 * side + np.sqrt(2)
    most = 2 * 2 * np.sin(3 * np.pi / 8) + np.sqrt(2)
    want = (2 * np.sqrt(2) + 2 - least) / (most - least)
    assert evenness(corners) == pytest.approx(want)


def test_bossa_nova_is_euclidean_and_son_is_a_swap_away():
    # E(5, 16) and its necklaces: Toussaint 2005
    swaps = {name: int(swaps_to_even(rhythm(text))[0]) for name, text in CLAVES.items()}
    assert swaps["bossa-nova"] == 0
    assert swaps["son"] == 1
    assert evenness(rhythm(CLAVES["bossa-nova"])) > evenness(rhythm(CLAVES["soukous"]))


def test_swaps_are_the_least_moves_over_all_rotations():
    rng = np.random.default_rng(4)
    for steps in (7, 16):
        some = rng.random((60, steps)) < 0.4
        for one, got in zip(some, swaps_to_even(some), strict=True):
            even = even_pattern(int(one.sum()), steps)
            turned = [np.flatnonzero(np.roll(even, k)) for k in range(steps)]
            assert got == min(int(np.abs(np.flatnonzero(one) - t).sum()) for t in turned)


def test_metrical_weights_of_common_metres():
    assert metrical_weights((4, 4), 8).tolist() == [0, -3, -2, -3, -1, -3, -2, -3]
    assert metrical_weights((3, 4), 6).tolist() == [0, -2, -1, -2, -1, -2]
    assert metrical_weights((6, 8), 6).tolist() == [0, -2, -2, -1, -2, -2]


@pytest.mark.parametrize(("text", "want"), [
    ("x...x...x...x...", 0),
    ("x..x..x...x.x...", 4),  # the fourth step before the second beat: 2, the seventh: 2
    ("..x...x...x...x.", 0 + 1 + 2 + 1),  # eighths off the beat; the last has no bar after it
    ("................", 0),
])  # fmt: skip
def test_syncopation_by_hand(text, want):
    weights = metrical_weights((4, 4), 16)
    assert syncopation(rhythm(text), weights).sum() == want


def test_a_note_before_a_silent_bar_line_is_syncopated_most():
    weights = metrical_weights((4, 4), 16)
    tied = rhythm("...............x" + "." * 16)
    struck = rhythm("...............xx" + "." * 15)
    assert syncopation(tied, weights).tolist() == [[4, 0]]
    assert syncopation(struck, weights).sum() == 0


def tune_of(word):
    """Letters as notes at one time that are too far apart to be paired unless they are the same."""
    return Tune(np.zeros(len(word)), np.array([40.0 * ord(c) for c in word]))


@pytest.mark.parametrize(("one", "other", "want"), [
    # insertions and deletions only: V. I. Levenshtein 1965; the classic words
    ("kitten", "sitting", 5), ("saturday", "sunday", 4), ("", "abc", 3), ("same", "same", 0),
])  # fmt: skip
def test_the_alignment_is_the_edit_distance_of_words(one, other, want):
    a, b = tune_of(one), tune_of(other)
    cost = alignment_cost(a, b.beat[None], b.pitch[None], np.array([len(other)]))
    assert cost == pytest.approx([want])
    mine, theirs = alignment_pairs(a, b)
    kept = [other[k] for k in mine if other[k] == one[theirs[list(mine).index(k)]]]
    assert len(one) + len(other) - 2 * len(kept) == want


def test_a_shifted_and_a_transposed_note_cost_their_distance():
    tune = Tune(np.array([0.0, 1.0]), np.array([60.0, 64.0]))
    beat, pitch = np.array([[0.0, 1.25], [0.0, 1.0]]), np.array([[60.0, 64.0], [60.0, 67.0]])
    like = tune_likeness(tune, beat, pitch, np.array([2, 2]))
    assert like == pytest.approx([1 - 0.25 / 4, 1 - 3 / 12 / 4])


def test_many_pieces_are_aligned_as_each_alone():
    rng = np.random.default_rng(2)
    tune = Tune.of(rng.random(9) * 4, rng.integers(50, 70, 9).astype(float))
    count = rng.integers(0, 12, 20)
    beat, pitch = np.sort(rng.random((20, 12)) * 4), rng.integers(50, 70, (20, 12)).astype(float)
    every = alignment_cost(tune, beat, pitch, count)
    for k, n in enumerate(count):
        plain = np.zeros((10, n + 1))
        plain[:, 0], plain[0] = np.arange(10), np.arange(n + 1)
        for i, j in product(range(9), range(n)):
            pair = abs(beat[k, j] - tune.beat[i]) + abs(pitch[k, j] - tune.pitch[i]) / 12
            plain[i + 1, j + 1] = min(plain[i, j + 1] + 1, plain[i + 1, j] + 1, plain[i, j] + pair)
        assert every[k] == pytest.approx(plain[9, n])

"""Even spreads against published rhythms."""

from __future__ import annotations

import numpy as np
import pytest

from sonify.music.rhythm.even import even_pattern

# G. Toussaint, "The Euclidean algorithm generates traditional musical rhythms", BRIDGES 2005
# (typed from memory)
TOUSSAINT = {
    (1, 2): "x.", (1, 3): "x..", (1, 4): "x...", (4, 12): "x..x..x..x..",
    (2, 3): "x.x", (2, 5): "x.x..", (3, 4): "x.xx", (3, 5): "x.x.x", (3, 7): "x.x.x..",
    (3, 8): "x..x..x.", (4, 7): "x.x.x.x", (4, 9): "x.x.x.x..", (4, 11): "x..x..x..x.",
    (5, 6): "x.xxxx", (5, 7): "x.xx.xx", (5, 8): "x.xx.xx.", (5, 9): "x.x.x.x.x",
    (5, 11): "x.x.x.x.x..", (5, 12): "x..x.x..x.x.", (5, 16): "x..x..x..x..x...",
    (7, 8): "x.xxxxxx", (7, 12): "x.xx.x.xx.x.", (7, 16): "x..x.x.x..x.x.x.",
    (9, 16): "x.xx.x.x.xx.x.x.", (11, 24): "x..x.x.x.x.x..x.x.x.x.x.",
    (13, 24): "x.xx.x.x.x.x.xx.x.x.x.x.",
}  # fmt: skip


@pytest.mark.parametrize("pair", TOUSSAINT)
def test_even_spreads_are_the_rhythms_that_toussaint_lists(pair):
    text = "".join("x" if b else "." for b in even_pattern(*pair))
    assert text == TOUSSAINT[pair]


def test_every_spread_has_its_notes_and_gaps_that_differ_by_one_at_most():
    for steps in range(1, 40):
        for notes in range(1, steps + 1):
            pattern = even_pattern(notes, steps)
            spots = np.flatnonzero(pattern)
            assert pattern[0]
            assert len(pattern) == steps
            assert len(spots) == notes
            gaps = np.diff([*spots, spots[0] + steps])
            assert np.ptp(gaps) <= 1

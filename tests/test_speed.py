"""A performance at another speed: everything happens at a fraction of its time."""

from __future__ import annotations

import numpy as np
import pytest

import sonify


@pytest.mark.parametrize("timing", ["player", "bars"])
@pytest.mark.parametrize("speed", [0.5, 3.0])
def test_all_that_is_seen_and_heard_comes_sooner(timing: str, speed: float) -> None:
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, ["hut-band"], {"music.timing": timing})
    other = show.at_speed(speed)
    for field in ("reading", "notes", "captions"):
        one, two = getattr(show, field), getattr(other, field)
        key = "onset_s" if field == "notes" else "time_s"
        np.testing.assert_allclose(two[key], one[key] / speed, rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(show.lights["led"], other.lights["led"])
    assert show.scroll is not None
    assert other.scroll is not None
    assert other.duration_s == pytest.approx(show.duration_s / speed)
    assert other.scroll.column_s == pytest.approx(show.scroll.column_s / speed)

"""Grooves in every metre, and ornaments by hand."""

from __future__ import annotations

import itertools

import pytest

import sonify
from sonify.music.rhythm.grooves import GROOVES, LEVELS, PARTS

# how many quarter notes the bar of each style has
BARS = {"waltz": 3, "jig": 3}


def drum(style, part, metre="4/4", positions=48, step="1/16"):
    voice = {
        "drum": "side stick", "source": "clock", "velocity": 100,
        "rhythm": [{"rule": "groove", "style": style, "part": part}],
    }  # fmt: skip
    disc = sonify.Disc.from_bits(["1" * positions] * 2)
    settings = {"music.voice": [voice], "music.metre": metre, "music.step": step}
    return sonify.perform(disc, settings=settings)


@pytest.mark.parametrize(("style", "part"), itertools.product(GROOVES, PARTS))
def test_bars_are_whole_and_struck_as_written(style, part):
    groove = GROOVES[style]
    marks = getattr(groove, part)
    above, below = map(int, groove.value.split("/"))
    assert len(marks) * above / below == BARS.get(style, 4) / 4
    assert set(marks) <= {*LEVELS, "."}
    metre = {"waltz": "3/4", "jig": "6/8"}.get(style, "4/4")
    notes = drum(style, part, metre).notes
    step = {"1/16": 1, "1/8": 2}[groove.value]
    bar = len(marks) * step
    first = notes[(notes["row"] == 0) & (notes["position"] < bar)]
    struck = [(k * step, round(100 * LEVELS[m])) for k, m in enumerate(marks) if m != "."]
    assert list(zip(first["position"], first["velocity"], strict=True)) == struck


@pytest.mark.parametrize(("metre", "bar"), [("5/4", 20), ("7/8", 14), ("3/4", 12)])
def test_bars_of_another_length_repeat_or_cut_the_pattern(metre, bar):
    positions = 2 * bar
    notes = drum("rock", "hats", metre, positions).notes
    one = notes[notes["row"] == 0]
    first, second = one[one["position"] < bar], one[one["position"] >= bar]
    assert first["position"].tolist() == [p for p in range(bar) if p % 2 == 0]
    assert second["position"].tolist() == [p + bar for p in first["position"]]
    assert second["velocity"].tolist() == first["velocity"].tolist()


def ornamented(length=4.0, **rule):
    voice = {
        "pitch": {"scheme": "one-tone", "degree": 4},
        "rhythm": [{"rule": "length", "steps": length}, {"rule": "ornament", **rule}],
    }
    settings = {"music.voice": [voice], "music.root": "C4", "music.scale": "major"}
    show = sonify.perform(sonify.Disc.from_bits(["1000000000000000"]), settings=settings)
    step = show.grid.step_ticks
    (p,) = show.parts
    return [
        (a / step, (b - a) / step, pitch) for a, b, pitch in zip(p.on, p.off, p.pitch, strict=True)
    ]


def test_ornaments_by_hand():
    # G4 is 67, with F4 and A4 beside it in C major
    assert ornamented(figure="grace") == [(0, 0.25, 69), (0.25, 3.75, 67)]
    assert ornamented(figure="grace", **{"upside-down": True})[0] == (0, 0.25, 65)
    assert ornamented(figure="mordent", time=0.5) == [(0, 0.5, 67), (0.5, 0.5, 65), (1, 3, 67)]
    assert [p for _, _, p in ornamented(figure="turn")] == [69, 67, 65, 67]
    trill = ornamented(figure="trill", time=1.0)
    assert trill == [(0, 1, 67), (1, 1, 69), (2, 1, 67), (3, 1, 69)]


def test_short_notes_stay_plain():
    assert ornamented(length=1.0, figure="grace", least=2.0) == [(0, 1, 67)]
    # no room for four notes
    assert ornamented(length=1.0, figure="turn", time=0.5, least=0.0) == [(0, 1, 67)]

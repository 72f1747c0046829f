"""Suspensions, secondary dominants and borrowed chords, as music21 and the textbooks have them."""

from __future__ import annotations

import itertools

import music21
import numpy as np
import pytest

import sonify
from sonify.music.form.plan import CHORD
from sonify.music.theory.roman import parse_chords
from tests.music.test_form import show_of


def sounding(show) -> list[tuple[int, ...]]:
    """The chord of each cell, in order."""
    plan = show.grid.plan
    return [plan.chords[n] for n in plan.tables[CHORD]]


def classes(figure: str, minor: bool = False) -> set[int]:
    key = music21.key.Key("c" if minor else "C")
    return set(music21.roman.RomanNumeral(figure, key).pitchClasses)


def modulo(chord) -> set[int]:
    return {t % 12 for t in chord}


@pytest.mark.parametrize("positions", [36, 50, 56])
@pytest.mark.parametrize("chords", ["I IV V I", "I V7 I vi ii", "Imaj7 vi7 ii7 V7"])
def test_suspensions_are_prepared_and_resolve_down_by_step(chords, positions):
    """Fux's fourth species: the dissonance is a tone of the chord before, held, and falls."""
    harmony = {"chords": chords, "restart": "never"}
    plain = show_of(4, positions, harmony=harmony).grid.plan
    show = show_of(4, positions, harmony={**harmony, "suspensions": True})
    plan = show.grid.plan
    halves = sounding(show)
    at = [int(step // plain.cell) for step in np.arange(plan.cells) * plan.cell]
    of_cell = [plain.chords[n] for n in plain.tables[CHORD]]
    whole = [of_cell[r * plain.cells + k] for r in range(4) for k in at]
    held = [n for n, (a, b) in enumerate(zip(halves, whole, strict=True)) if a != b]
    assert held
    for n in held:
        (late,) = modulo(halves[n]) - modulo(whole[n])
        (tone,) = modulo(whole[n]) - modulo(halves[n])
        assert (late - tone) % 12 in (1, 2)
        assert late in modulo(whole[n - 1])
        assert halves[n][0] == whole[n][0], "the bass does not wait"
        if n + 1 < len(halves) and plan.cells % 2 == 0:
            assert halves[n + 1] == whole[n], "it resolves in the second half"


def test_secondary_dominants_are_music21s():
    harmony = {"chords": "I vi IV ii V vi", "restart": "never", "secondary": 1.0}
    found = sounding(show_of(6, harmony=harmony))
    plain = sounding(show_of(6, harmony={**harmony, "secondary": 0.0}))
    changed = [n for n, (a, b) in enumerate(zip(found, plain, strict=True)) if a != b]
    assert len(changed) > 5
    names = {parse_chords(c, False, "x")[0]: c for c in ("vi", "IV", "ii", "V")}
    for n in changed:
        # what follows may have become a dominant too, on the same root
        follows = names[plain[n + 1]]
        assert modulo(found[n]) == classes(f"V7/{follows}")


@pytest.mark.parametrize(("minor", "pairs"), [
    (False, {"ii": "iio", "IV": "iv", "vi": "bVI", "iii": "bIII"}),
    (True, {"iv": "IV", "VI": "vi", "VII": "viio", "III": "iii"}),
])  # fmt: skip
def test_borrowed_chords_are_those_of_the_parallel_key(minor, pairs):
    tonic = "i" if minor else "I"
    harmony = {"chords": f"{tonic} {' '.join(pairs)}", "restart": "never", "borrowed": 1.0}
    show = sonify.perform(
        show_of(4).disc,
        settings={
            "music.root": "C4", "music.scale": "minor" if minor else "major",
            "music.harmony": harmony, "music.form": {"plan": "song"},
        },
    )  # fmt: skip
    heard = dict.fromkeys(map(frozenset, map(modulo, sounding(show))))
    key = not minor
    for other in pairs.values():
        figure = other.removeprefix("b") if not minor else other
        assert frozenset(classes(figure, key)) in heard


def test_colours_come_again_with_their_section():
    harmony = {"chords": "I vi IV V", "secondary": 0.5, "borrowed": 0.5, "seed": 3}
    show = show_of(16, harmony=harmony, sections="A B A")
    plan = show.grid.plan
    parts = [
        [c for c, s in zip(sounding(show), plan.tables[0], strict=True) if s == n] for n in (0, 2)
    ]
    assert all(a == b for a, b in zip(*parts, strict=False))


def test_a_pedal_point_sounds_under_every_chord():
    """A tone that is held while the chords above it change, as a voice of one tone does."""
    voices = [
        {"source": "drone", "pitch": {"scheme": "one-tone"}, "octave": -2, "sections": "B"},
        {"pitch": {"scheme": "progression"}},
    ]
    show = show_of(8, voice=voices, harmony={"chords": "I IV V ii"}, sections="A B")
    pedal = show.parts[0]
    assert set(pedal.pitch.tolist()) == {36.0}
    assert not (pedal.on[1:] - pedal.off[:-1]).any(), "it never stops"
    during = [c for c, s in zip(sounding(show), show.grid.plan.tables[0], strict=True) if s == 1]
    assert sum(a != b for a, b in itertools.pairwise(during)) > 2


@pytest.mark.parametrize("scale", ["major", "dorian", "minor", "harmonic-minor"])
@pytest.mark.parametrize(
    ("which", "away"), [("above", 1), ("second-above", 2), ("below", -1), ("second-below", -2)]
)
def test_a_triad_voice_goes_with_its_line(scale, which, away):
    line = {"scheme": "walk", "span": 15, "start": 4}
    voices = [
        {"source": "clock", "pitch": pitch}
        for pitch in (line, {"scheme": "triad", "line": line, "which": which})
    ]
    show = sonify.perform(
        show_of(4).disc,
        settings={"music.root": "C4", "music.scale": scale, "music.voice": voices},
    )
    melody, triad = (p.pitch.astype(int).tolist() for p in show.parts)
    third = 64 if scale == "major" else 63
    tones = sorted(t + 12 * k for t in (60, third, 67) for k in range(-4, 5))
    for tone, other in zip(melody, triad, strict=True):
        beyond = [t for t in tones if (t - tone) * away > 0]
        assert other == (beyond if away > 0 else beyond[::-1])[abs(away) - 1]

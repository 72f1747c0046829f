"""The scales that music21 has no class for, written as notes from C, each with its source.

test_base.py and test_scales.py hold the others against music21, Messiaen and the Scala archive.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from sonify.music.theory.scale_table import SCALES
from tests.music.test_base import MUSIC21
from tests.music.test_scales import MESSIAEN, MODES, SCALA

PRACTICE = "common practice, no source"
BHATKHANDE = "the ten thats of V. N. Bhatkhande, Hindustani Sangit Paddhati; from memory"
PERSICHETTI = "V. Persichetti, Twentieth-Century Harmony (1961), chapter 2; from memory"
MAQAM = "quarter tones as at the Congress of Arab Music, Cairo 1932; the tones from memory"

# + is a quarter tone up and d a quarter tone down
NOTES = {
    "harmonic-major": ("C D E F G Ab B", "N. Rimsky-Korsakov, Practical Manual of Harmony; "
                       "from memory"),
    "major-pentatonic": ("C D E G A", PRACTICE),
    "suspended-pentatonic": ("C D F G Bb", PRACTICE),
    "blues-minor-pentatonic": ("C Eb F Ab Bb", PRACTICE),
    "blues-major-pentatonic": ("C D F G A", PRACTICE),
    "minor-pentatonic": ("C Eb F G Bb", PRACTICE),
    "dominant-pentatonic": ("C D E G Bb", PRACTICE),
    "blues": ("C Eb F Gb G Bb", PRACTICE),
    "major-blues": ("C D Eb E G A", PRACTICE),
    "augmented": ("C D# E G Ab B", PRACTICE),
    "tritone": ("C Db E Gb G Bb", "the triads of C and F# in I. Stravinsky, Petrushka (1911)"),
    "neapolitan-major": ("C Db Eb F G A B", PERSICHETTI),
    "neapolitan-minor": ("C Db Eb F G Ab B", PERSICHETTI),
    "enigmatic": ("C Db E F# G# A# B", "G. Verdi, Ave Maria sulla scala enigmatica (1889)"),
    "prometheus": ("C D E F# A Bb", "A. Scriabin, Prometheus (1910): the chord C F# Bb E A D"),
    "bebop-dominant": ("C D E F G A Bb B", PRACTICE),
    "bebop-major": ("C D E F G G# A B", PRACTICE),
    "hirajoshi": ("C D Eb G Ab", "Helmholtz/Ellis no. 110, in the Scala archive (hirajoshi2.scl)"),
    "in": ("C Db F G Ab", PRACTICE),
    "yo": ("C D F G A", PRACTICE),
    "iwato": ("C Db F Gb Bb", PRACTICE),
    "kumoi": ("C D Eb G A", PRACTICE),
    "insen": ("C Db F G Bb", PRACTICE),
    "ryukyu": ("C E F G B", PRACTICE),
    "hungarian-minor": ("C D Eb F# G Ab B", PERSICHETTI),
    "hungarian-major": ("C D# E F# G A Bb", PERSICHETTI),
    "double-harmonic": ("C Db E F G Ab B", PERSICHETTI),
    "persian": ("C Db E F Gb Ab B", PRACTICE),
    "spanish-eight-tone": ("C Db Eb E F Gb Ab Bb", PERSICHETTI),
    "todi": ("C Db Eb F# G Ab B", BHATKHANDE),
    "purvi": ("C Db E F# G Ab B", BHATKHANDE),
    "marva": ("C Db E F# G A B", BHATKHANDE),
    "bhairav": ("C Db E F G Ab B", BHATKHANDE),
    "rast": ("C D Ed F G A Bd", MAQAM),
    "bayati": ("C Dd Eb F G Ab Bb", MAQAM),
    "sikah": ("C Dd Ed F+ G Ad Bd", MAQAM),
    "saba": ("C Dd Eb Fb G Ab Bb", MAQAM),
    "hijaz": ("C Db E F G Ab Bb", MAQAM),
    "nahawand": ("C D Eb F G Ab B", MAQAM),
    "chromatic": ("C C# D D# E F F# G G# A A# B", PRACTICE),
}  # fmt: skip

RATIOS = {
    "just-minor": ("1 9/8 6/5 4/3 3/2 8/5 9/5", "5-limit ratios, the seventh a fifth over 6/5; "
                   "common practice, no source"),
    "harmonics": ("1 9/8 10/8 11/8 12/8 13/8 14/8 15/8", "partials 8 to 15, by their definition"),
}  # fmt: skip

EQUAL = {
    "nineteen-tones": (2, 19), "quarter-tones": (2, 24), "thirty-one-tones": (2, 31),
    "seven-even": (2, 7), "five-even": (2, 5),
    # H. Bohlen, 13 Tonstufen in der Duodezime, Acustica 39 (1978), 76-86
    "bohlen-pierce": (3, 13),
}  # fmt: skip

LETTERS = dict(zip("CDEFGAB", (0, 2, 4, 5, 7, 9, 11), strict=True))
SIGNS = {"": 0, "#": 1, "b": -1, "+": 0.5, "d": -0.5}


@pytest.mark.parametrize("name", NOTES)
def test_scales_are_written_so(name):
    notes, source = NOTES[name]
    assert source
    tones = tuple(LETTERS[n[0]] + SIGNS[n[1:]] for n in notes.split())
    assert SCALES[name].semitones == tones
    assert SCALES[name].period == 12


@pytest.mark.parametrize("name", RATIOS)
def test_pure_scales_have_these_ratios(name):
    ratios = [float(Fraction(r)) for r in RATIOS[name][0].split()]
    np.testing.assert_allclose(SCALES[name].semitones, 12 * np.log2(ratios), atol=1e-6)


@pytest.mark.parametrize("name", EQUAL)
def test_equal_steps_divide_their_interval(name):
    interval, count = EQUAL[name]
    tones = [12 * math.log2(interval) * k / count for k in range(count)]
    np.testing.assert_allclose(SCALES[name].semitones, tones, atol=1e-9)
    assert SCALES[name].period == pytest.approx(12 * math.log2(interval))


@pytest.mark.parametrize(
    ("name", "file", "cents"), [("hirajoshi", "hirajoshi2.scl", 20), ("todi", "todi_av.scl", 10)]
)
def test_measured_and_pure_tunings_lie_near(name, file, cents):
    """todi_av.scl: the average of eight players, B. Bel 1988, as the Scala archive says."""
    from music21.scale import scala

    theirs = np.array(scala.parse(file).getCentsAboveTonic())
    ours = 100 * np.array([*SCALES[name].semitones[1:], 12])
    assert np.abs(ours - theirs).max() < cents


def test_every_scale_is_held_against_something():
    octatonic = {"octatonic-half-whole", "octatonic-whole-half"}
    modes = {name for family in MODES.values() for name in family}
    messiaen = {f"messiaen-{k}" for k in MESSIAEN}
    known = {*MUSIC21, *SCALA, *NOTES, *RATIOS, *EQUAL} | octatonic | modes | messiaen
    assert known == set(SCALES)

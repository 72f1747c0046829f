"""Motifs of letters: every letter its own, in every scale, on a machine too."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.export.firmware import plan_of
from sonify.music.measures.bits_kept import bits_kept
from sonify.music.measures.letters import traceability
from sonify.music.theory.motifs import LINES, RHYTHMS, STARTS, line_of, rhythm_of
from sonify.music.theory.scales import SCALES
from tests.export import firmware_host as host
from tests.nightly import sampled_product

CODES = [Code(), Code(alphabet="ita2"), Code(alphabet="utf-8"), Code(check="parity")]


def show_of(text, code=Code(), positions=56, of="letter", late=False, scale="dorian"):  # noqa: B008
    voice = {
        "name": "m", "source": "clock", "rhythm": [{"rule": "motif", "of": of, "late": late}],
        "pitch": {"scheme": "motif", "of": of, "late": late},
    }  # fmt: skip
    disc = sonify.Disc.from_message(text, code=code, layout=Layout(positions=positions))
    return sonify.perform(disc, settings={"music.voice": [voice], "music.scale": scale})


@pytest.mark.parametrize("bits", [5, 7, 8])
def test_all_values_have_motifs_of_their_own(bits):
    place = np.arange(bits)
    heard = set()
    for value in range(1 << bits):
        one = np.full(bits, value)
        struck = rhythm_of(one, place)
        assert struck[0]
        heard.add((tuple(place[struck]), tuple(line_of(one, place, bits)[struck])))
    assert len(heard) == 1 << bits


def test_rhythms_and_lines_fit_the_longest_unit():
    assert {len(x) for x in (*RHYTHMS, *LINES)} == {8}
    assert len(set(STARTS)) == len(STARTS) == 8
    # in a motif no note lies more than a fifth from its first
    assert np.abs(LINES).max() == 4


@pytest.mark.parametrize(
    ("code", "positions"),
    sampled_product(CODES, [36, 56, 97]),
    ids=lambda c: f"{c.alphabet}, {c.check}" if isinstance(c, Code) else c,
)
def test_letters_are_heard_and_no_bit_is_lost(code, positions):
    text = "THE HEN AND THE HARE ATE OATS AT THE HEARTH"
    show = show_of(text, code, positions)
    told, _ = traceability(show.parts, show.bit_stream, show.grid.step_ticks)
    assert told == pytest.approx(1)
    kept, tried = bits_kept(show.setup.music, show.bit_stream, show.grid)
    # a last unit that is cut off may lose its bits
    assert tried - kept <= tried % show.unit_bits


@pytest.mark.parametrize("scale", ["major", "minor-pentatonic", "hirajoshi", "whole-tone"])
def test_motifs_stay_in_the_scale(scale):
    show = show_of("ABCDEFGHIJKLMNOPQRSTUVWXYZ 0123456789 abcdefgh", scale=scale)
    tones = {round(s) for s in SCALES[scale].semitones}
    # the root is D
    assert {round(p - 2) % 12 for p in show.notes["pitch"]} <= tones


def test_the_same_letter_sounds_the_same_and_a_letter_late_too():
    show, late = show_of("ABBA"), show_of("ABBA", late=True)
    for s, first in ((show, 0), (late, 7)):
        notes = s.notes[s.notes["position"] >= first]
        motifs = [
            [(n["position"] % 7, n["pitch"]) for n in notes if n["position"] // 7 == k + first // 7]
            for k in range(4)
        ]
        assert motifs[0] == motifs[3] != motifs[1] == motifs[2]
    # before the first letter has been read, the value 0 sounds
    assert len(late.notes[late.notes["position"] < 7]) == RHYTHMS[0][:7].count("x")


def test_a_word_sounds_its_first_letter_again_and_again():
    show = show_of("HAT HUT HUM", of="word")
    unit, place = np.divmod(show.notes["position"] + 56 * show.notes["row"], 7)
    pitch = show.notes["pitch"]
    said = ["".join(f"{a}:{b} " for a, b in zip(place[unit == k], pitch[unit == k], strict=True))
            for k in range(11)]  # fmt: skip
    assert len({said[k] for k in (0, 1, 2, 4, 5, 6, 8, 9, 10)}) == 1
    assert said[3] == said[7] != said[0]


def test_a_row_sounds_the_letter_in_which_it_begins():
    show = show_of("SEVENTEEN BARRELS SEEN", of="row")
    for row in range(show.disc.rows):
        mine = show.notes[show.notes["row"] == row]
        tunes = {
            tuple((n["position"] % 7, n["pitch"]) for n in mine if n["position"] // 7 == k)
            for k in range(8)
        }
        assert len(tunes) == 1


@pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
@pytest.mark.parametrize("code", CODES[:3], ids=lambda c: c.alphabet)
def test_a_machine_plays_late_motifs(code, tmp_path):
    show = show_of("THE HEN AND THE HARE ATE OATS", code, 50, late=True)
    program = host.build(show, tmp_path / "core")
    events, when = host.schedule(show)
    assert host.compare_midi(show, host.run(program, events), when) <= 1.0 + 1e-6


def test_a_machine_refuses_what_it_learns_too_late():
    with pytest.raises(InputError, match="late = true"):
        plan_of(show_of("ABBA"))
    with pytest.raises(InputError, match="knows letters only"):
        plan_of(show_of("ABBA", of="word", late=True))

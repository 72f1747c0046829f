"""Isorhythm, call and response, turned motifs, an intro, glides."""

from __future__ import annotations

import itertools
import math
import shutil

import mido
import numpy as np
import pytest

import sonify
from sonify.music.form.plan import SECTION
from sonify.music.theory.motifs import LINES, RHYTHMS, motif_of
from tests.export import firmware_host as host
from tests.music.test_form import show_of

TALEA = "x..x.x.x..x."
COLOR = (0, 2, 4, 7, 4)


def isorhythm(value="") -> dict:
    talea = {"pattern": TALEA, "value": value}
    return {
        "name": "tenor", "source": "clock",
        "pitch": {"scheme": "isorhythm", "color": COLOR, "talea": TALEA, "value": value},
        "rhythm": [{"rule": "pattern", "per": "piece", **talea}],
    }  # fmt: skip


@pytest.mark.parametrize("value", ["", "1/8", "1/12"])
def test_talea_and_color_keep_their_own_periods_to_the_tick(value):
    """Both repeat exactly, over rows and moves, and together after their least common multiple."""
    show = show_of(40, 48, voice=isorhythm(value))
    part, step = show.parts[0], show.grid.step_ticks
    slot = part.on // step
    each = 16 / int(value[2:]) if value else 1
    period = len(TALEA) * each
    assert period == int(period)
    whole = int(period) * len(COLOR) // math.gcd(len(COLOR), TALEA.count("x"))
    read = np.zeros(show.timeline.end_slot + 1, bool)
    read[show.timeline.slots()] = True
    pitch = dict(zip(slot.tolist(), part.pitch.tolist(), strict=True))
    struck = set(slot.tolist())
    for s in range(0, show.timeline.end_slot - whole):
        if read[s] and read[s + int(period)]:
            assert (s in struck) == (s + int(period) in struck)
        if s in struck and s + whole in pitch:
            assert pitch[s] == pitch[s + whole]
    # note by note, the color goes on through all marks
    marks = [math.ceil(k * each) for k in range(int(whole / each) * 3) if TALEA[k % 12] == "x"]
    scale = [60, 62, 64, 65, 67, 69, 71, 72]
    for n, at in enumerate(marks):
        if at in pitch:
            assert pitch[at] == scale[COLOR[n % len(COLOR)]]


def test_a_response_repeats_the_call_a_bar_later():
    call = {"pitch": {"scheme": "walk", "span": 9}, "rhythm": ["turns"]}
    response = {**call, "rhythm": ["turns", {"rule": "entry", "value": "1/1"}]}
    show = show_of(4, 64, voice=[call, response])
    one, two = show.parts
    bar = show.grid.bar_ticks
    assert bar == 16 * show.grid.step_ticks
    assert (two.on == one.on + bar).all()
    assert (two.pitch == one.pitch).all()
    assert set((show.bit_stream.position(one.index) // 16).tolist()) == {0, 2}
    rows = show_of(6, voice={"pitch": "place", "rhythm": [{"rule": "turns", "each": "row"}]})
    assert set(rows.notes["row"].tolist()) == {0, 2, 4}


@pytest.mark.parametrize("bits", [5, 7, 8])
def test_motifs_turn_round(bits):
    value, place = np.arange(1 << bits)[:, None], np.arange(bits)[None, :]
    struck, line = motif_of(value, place, bits)
    back, retrograde = motif_of(value, place, bits, "backward")
    assert (back == struck[:, ::-1]).all()
    assert (retrograde == line[:, ::-1]).all()
    first = line[:, :1] - np.array([LINES[(v >> 2) & 7][0] for v in range(1 << bits)])[:, None]
    same, inverted = motif_of(value, place, bits, "inverted")
    assert (same == struck).all()
    assert (inverted - first == -(line - first)).all()
    assert (motif_of(value, place, bits, "both")[1] == inverted[:, ::-1]).all()


def test_motifs_are_augmented_and_diminished():
    value, place = np.arange(128)[:, None], np.arange(8)[None, :]
    struck, line = motif_of(value, place, 8)
    slow, long = motif_of(value, place, 8, speed=0.5)
    assert not slow[:, 1::2].any()
    assert (slow[:, ::2] == struck[:, :4]).all()
    assert (long[:, ::2] == line[:, :4]).all()
    quick, short = motif_of(value, place, 8, speed=2)
    assert (quick[:, :4] == (struck[:, ::2] | struck[:, 1::2])).all()
    assert (quick[:, 4:] == quick[:, :4]).all()
    assert (short[:, :4] == line[:, ::2]).all()
    assert len({r.count("x") for r in RHYTHMS}) == 1


def test_an_intro_comes_before_the_form():
    voices = [{"pitch": "place"}, {"pitch": "place", "sections": "A* B"}]
    show = show_of(18, voice=voices, plan="song", intro=1, phrase=2)
    plan = show.grid.plan
    assert plan.labels == ("Intro", "A", "A'", "B", "A''")
    rows = plan.tables[SECTION].reshape(18, -1)[:, 0]
    assert [len(list(g)) for _, g in itertools.groupby(rows.tolist())] == [2, 4, 4, 4, 4]
    first = [show.bit_stream.row(p.index).min() for p in show.parts]
    assert first == [0, 2]
    assert show_of(1, intro=3, plan="song").grid.plan.labels[0] == "Intro"


def test_glides_are_sent_before_the_first_note(tmp_path):
    show = show_of(2, voice={"pitch": "place", "glide": 0.25})
    file = mido.MidiFile(show.save(tmp_path / "a.mid"))
    sent = [(m.control, m.value) for m in file if m.type == "control_change"]
    # the pan, the glide, and all reset at the end
    assert sent == [(10, 64), (5, 32), (65, 127), (121, 0)]


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")
@pytest.mark.parametrize("disc", ["cairn-small", "cairn-middle"])
def test_a_machine_plays_them_all(disc, tmp_path):
    voices = [
        {**isorhythm("1/8"), "glide": 0.3},
        {"name": "call", "pitch": "place", "rhythm": ["turns"]},
        {"name": "by row", "pitch": "place", "rhythm": [{"rule": "turns", "each": "row"}]},
        {"name": "m", "source": "clock", "rhythm": [
            {"rule": "motif", "late": True, "way": "both", "speed": 0.5}],
         "pitch": {"scheme": "motif", "late": True, "way": "both", "speed": 0.5}},
        {"name": "chords", "pitch": {"scheme": "progression"}},
    ]  # fmt: skip
    show = sonify.perform(
        sonify.load_disc(disc),
        settings={
            "music.voice": voices, "music.form": {"plan": "song", "intro": 1},
            "music.harmony": {
                "chords": "i iv VII III", "suspensions": True, "secondary": 0.5, "borrowed": 0.5,
            },
        },
    )  # fmt: skip
    program = host.build(show, tmp_path)
    events, when = host.schedule(show)
    assert host.compare_midi(show, host.run(program, events), when) <= 1.0 + 1e-6

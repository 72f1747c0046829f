"""Mappings made for tunes: what comes out of the disc, as mido reads it, against what went in."""

from __future__ import annotations

import json
import random

import mido
import numpy as np
import pytest
from click.testing import CliRunner

from sonify.cli.app import sonify
from sonify.cli.usual import option_name
from sonify.compose.tune_mapping import fitted_disc
from sonify.compose.tune_steps import TuneFile, TunePart
from sonify.disc.layout import Layout
from sonify.disc.sizes import FitSpec
from sonify.errors import InputError
from sonify.load import load_disc
from sonify.music.measures.alignment import Tune
from sonify.performance import perform
from sonify.performance_settings import Setup, load_setup
from sonify.studio.project import project_at
from tests.nightly import late, sampled, sampled_product

MAJOR = (60, 62, 64, 65, 67, 69, 71, 72)
MELODY = [
    (0, 1, 64), (1, 1, 64), (2, 1, 65), (3, 1, 67), (4, 1, 67), (5, 1, 65), (6, 1, 64),
    (7, 1, 62), (8, 1, 60), (9, 1, 60), (10, 1, 62), (11, 1, 64), (12, 1.5, 64), (13.5, 0.5, 62),
    (14, 2, 62),
]  # fmt: skip
DRUMS = [(k / 2, 0.25, (36, 42, 38, 42)[k % 4]) for k in range(16)]
DICE = random.Random(3)
TUNES = {
    "a scale": [[(k / 2, 0.5, p) for k, p in enumerate(MAJOR + MAJOR[::-1])]],
    "a melody": [MELODY],
    "a pickup": [[(3.5, 0.5, 67), *((4 + b, d, p) for b, d, p in MELODY)]],
    "a chromatic line": [[(k / 4, 0.25, 60 + k % 13) for k in range(32)]],
    "all tones, and the highest": [[(k / 4, 0.25, p) for k, p in enumerate((*range(52, 64), 127))]],
    "one note again and again": [[(k / 2, 0.5, 60) for k in (0, 1, 3, 4, 6, 7)]],
    "triplets": [[(k / 3, 1 / 3, p) for k, p in enumerate((*MAJOR, 74))]
                 + [(3 + k / 2, 0.5, p) for k, p in enumerate(MAJOR)]],
    "two voices": [[(k / 2, 0.5, DICE.choice((72, 74, 76, 79))) for k in range(32)],
                   [(float(k), 1.0, DICE.choice((48, 50, 53))) for k in range(16)]],
    "chords": [[(k * 2.0, 2.0, p) for k in range(4) for p in (48 + k, 52 + k, 55 + k)]],
    "melody and drums": [MELODY, *[[]] * 8, DRUMS],
    "drums": [[], [], [], [], [], [], [], [], [], DRUMS],
}  # fmt: skip


def save(path, tracks, tempos=((0, 500_000),), metre=(4, 4)):
    """A MIDI file with a track and a channel for each list of onset, length and pitch."""
    file, first = mido.MidiFile(ticks_per_beat=480), mido.MidiTrack()
    file.tracks.append(first)
    first.append(mido.MetaMessage("time_signature", numerator=metre[0], denominator=metre[1]))
    last = 0
    for beat, tempo in tempos:
        first.append(mido.MetaMessage("set_tempo", tempo=tempo, time=(beat - last) * 480))
        last = beat
    for channel, notes in enumerate(tracks):
        track, now = mido.MidiTrack(), 0
        file.tracks.append(track)
        events = [(round(on * 480), 1, p) for on, _, p in notes]
        events += [(round((on + length) * 480), 0, p) for on, length, p in notes]
        for tick, on, p in sorted(events):
            kind = "note_on" if on else "note_off"
            track.append(mido.Message(kind, channel=channel, note=p, time=tick - now))
            now = tick
    file.save(path)


def heard(path):
    """Onset in beats, channel, pitch and length of each note in a file, in order."""
    file, out = mido.MidiFile(path), []
    for track in file.tracks:
        tick, began = 0, {}
        for m in track:
            tick += m.time
            if m.type == "note_on" and m.velocity:
                began[m.channel, m.note] = tick
            elif m.type in ("note_on", "note_off"):
                on = began.pop((m.channel, m.note))
                beat, length = (round(t / file.ticks_per_beat, 3) for t in (on, tick - on))
                out.append((beat, m.channel, m.note, length))
    return sorted(out)


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def go(*args):
        done = CliRunner().invoke(sonify, args, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.output

    return go


def without_waits(notes, path):
    """The same notes, with rows that follow each other at once."""
    disc, setup = project_at(path).played()
    show = perform(disc, setup=load_setup((), None, setup))
    beats = show.grid.step_beats
    start = show.timeline.row_slot * beats
    row = np.searchsorted(start, [n[0] + 1e-6 for n in notes], "right") - 1
    return [
        (round(beat - start[r] + r * disc.positions * beats, 3), *rest)
        for (beat, *rest), r in zip(notes, row, strict=True)
    ]


@pytest.mark.parametrize("name", sampled(TUNES, 6))
def test_any_tune_comes_back_under_the_mapping_made_for_it(run, tmp_path, name):
    save("tune.mid", TUNES[name])
    facts = json.loads(run("compose", "--tune", "tune.mid", "-o", "t.toml", "--json"))
    assert facts["played"] == facts["notes"]
    assert facts["added"] == 0
    run("midi", "t.toml", "-o", "out.mid")
    assert without_waits(heard("out.mid"), tmp_path / "t.toml") == heard("tune.mid")


@pytest.mark.parametrize(("seed", "tunes"), [(0, 15), *(late(seed, 50) for seed in range(4))])
def test_generated_tunes_come_back_exactly(seed, tunes):
    dice = random.Random(seed)
    for k in range(tunes):
        step, count = dice.choice((1.0, 0.5, 0.25, 1 / 3)), dice.randint(1, 40)
        tones = dice.sample(range(40, 90), dice.randint(1, 20))
        most = min(len(tones), dice.choice((1, 1, 2, 3)))
        at = sorted(dice.sample(range(2 * count), count))
        notes = [((a - at[0]) * step, p) for a in at
                 for p in sorted(dice.sample(tones, dice.randint(1, most)))]  # fmt: skip
        beat, pitch = (np.array(c, float) for c in zip(*notes, strict=True))
        metre = dice.choice(((4, 4), (3, 4), (6, 8)))
        part = np.array([dice.randint(0, 1) for _ in notes])
        tune = TuneFile(Tune(beat, pitch), np.full(len(beat), step), part,
                        (TunePart(0), TunePart(32)), metre=metre)  # fmt: skip
        found = fitted_disc(tune, Setup(), Layout(), FitSpec())
        show = perform(found.disc, setup=found.fitted.setup)
        beats = show.grid.step_beats
        start = show.timeline.row_slot * beats
        row = np.searchsorted(start, show.notes["onset_beat"] + 1e-6, "right") - 1
        a_row = found.disc.positions // found.fitted.cell * found.fitted.cell
        onset = show.notes["onset_beat"] - start[row] + row * a_row * beats
        order = np.lexsort((show.notes["pitch"], onset))
        assert len(order) == len(beat), k
        np.testing.assert_allclose(onset[order], beat, atol=1e-6)
        np.testing.assert_allclose(show.notes["pitch"][order], pitch)


@pytest.mark.parametrize("words", [(), ("SNOW BY NOON",)])
def test_the_disc_is_read_from_its_drawing(run, tmp_path, words):
    save("tune.mid", TUNES["two voices"])
    run("compose", *words, "--tune", "tune.mid", "-o", "t.toml")
    run("draw", "t.toml", "-o", "t.svg")
    made = project_at(tmp_path / "t.toml").played()[0]
    read = load_disc(tmp_path / "t.svg")
    np.testing.assert_array_equal(read.grid, made.grid)
    if words:
        assert read.message == "SNOW BY NOON"


def test_a_steady_tune_keeps_its_tempo(run):
    save("tune.mid", [MELODY], tempos=((0, 600_000),))
    run("compose", "--tune", "tune.mid", "-o", "t.toml")
    run("midi", "t.toml", "-o", "out.mid")
    tempos = {m.tempo for m in mido.MidiFile("out.mid").tracks[0] if m.type == "set_tempo"}
    assert all(abs(t - 600_000) < 100 for t in tempos)


def test_what_changes_is_said(run):
    notes = [(k / 2 + 0.2 * (k == 7), 0.25, 60 + k) for k in range(64)]
    save("tune.mid", [notes], tempos=((0, 500_000), (8, 400_000)))
    out = run("compose", "--tune", "tune.mid", "-o", "t.toml")
    assert "on the average" in out
    assert "moved      1 note" in out


def test_a_performance_by_hand_is_laid_on_steps(run):
    dice = random.Random(1)
    notes = [(k / 2 + max(-k, dice.gauss(0, 0.02)), 0.4, p) for k, p in enumerate(MAJOR)]
    save("tune.mid", [notes])
    facts = json.loads(run("compose", "--tune", "tune.mid", "-o", "t.toml", "--json"))
    assert facts["positions"] <= 32
    run("midi", "t.toml", "-o", "out.mid")
    assert [p for _, _, p, _ in heard("out.mid")] == list(MAJOR)


@pytest.mark.parametrize("player", [
    (), ("--set", "player.row-start=next-position"), ("--positions", "50"), ("-p", "quick"),
])  # fmt: skip
def test_players_and_positions_are_kept(run, player):
    save("tune.mid", [MELODY, *TUNES["two voices"][1:]])
    args = ("compose", "--tune", "tune.mid", "-o", "t.toml", "--json", *player)
    facts = json.loads(run(*args))
    assert facts["played"] == facts["notes"]
    assert facts["added"] == 0


def test_the_tune_follows_a_message(run, tmp_path):
    save("tune.mid", [MELODY])
    facts = json.loads(run("compose", "SLEET", "--tune", "tune.mid", "-o", "t.toml", "--json"))
    assert facts["played"] == facts["notes"] == 15
    assert project_at(tmp_path / "t.toml").played()[0].message == "SLEET"


@pytest.mark.parametrize("words", sampled(["SNOW", "HAIL", "WARM", "WIND"], 2))
def test_the_first_chord_takes_the_bits_before_it(run, words):
    # the message and its check fill the row
    notes = [(k / 4, 0.25, 60 + k % 9) for k in range(36)]
    save("tune.mid", [notes, [(0.0, 0.25, 40), (9.0, 0.25, 41)]])
    args = ("--tune", "tune.mid", "--positions", "77", "--check", "crc-16", "-o", "t.toml")
    facts = json.loads(run("compose", words, "--json", *args))
    assert facts["first_tune_row"] == 1
    assert facts["played"] == facts["notes"] == 38


@pytest.mark.parametrize(
    ("said", "own"),
    sampled_product(
        [("2", (4, 2)), ("3-4", (4, 2)), ("4-", (None, 3)), ("5-7", (7, 4))],
        [(), ("-p", "telegraph")],
    ),
)
def test_the_user_says_which_rows_have_the_tune(run, tmp_path, said, own):
    rows, expected = said
    save("tune.mid", [MELODY])
    args = ("--tune", "tune.mid", "--tune-rows", rows, "--positions", "64", "-o", "t.toml", *own)
    facts = json.loads(run("compose", "SNOW BY NOON", "--json", *args))
    whole, first = expected
    assert facts["first_tune_row"] == first
    assert whole in (None, facts["rows"])
    project = project_at(tmp_path / "t.toml")
    disc = load_disc(tmp_path / "t.toml") if project is None else project.played()[0]
    assert disc.message == "SNOW BY NOON"
    assert not disc.grid[2:first].any()


def test_rows_that_the_message_needs_are_refused(run):
    save("tune.mid", [MELODY])
    args = ("--tune", "tune.mid", "--positions", "40", "-o", "t.toml")
    with pytest.raises(InputError, match="begin the tune in row 4 or later"):
        run("compose", "SNOW BY NOON", "--tune-rows", "2-3", *args)
    for wrong in ("x", "0", "4-3", "201", "-3"):
        with pytest.raises(InputError, match="such as 3"):
            run("compose", "SNOW BY NOON", "--tune-rows", wrong, *args)


@pytest.mark.parametrize("own", [(), ("-p", "telegraph")])
@pytest.mark.parametrize(("args", "told"), [
    (("--check", "reed-solomon"), "whole disc"), (("--framing", "plain"), "framed"),
])  # fmt: skip
def test_codes_that_leave_no_room_for_a_tune_are_refused(run, own, args, told):
    save("tune.mid", [MELODY])
    with pytest.raises(InputError, match=told):
        run("compose", "SNOW", "--tune", "tune.mid", "-o", "t.toml", *args, *own)


def test_a_tune_too_long_is_refused_with_what_would_fit(run):
    save("tune.mid", [[(k / 4, 0.25, 55 + k * 7 % 24) for k in range(800)]])
    args = ("compose", "--tune", "tune.mid", "--outer-diameter", "150", "-o", "t.toml")
    with pytest.raises(InputError) as refused:
        run(*args)
    rows = refused.value.say(option_name).rpartition("--tune-rows ")[2].split()[0]
    facts = json.loads(run(*args, "--tune-rows", rows, "--json"))
    assert 0 < facts["played"] < 800
    assert {m["why"] for m in facts["missed"]} == {"the disc ends before it"}
    assert facts["played"] + len(facts["missed"]) == 800


def test_an_empty_file_is_refused(run):
    save("tune.mid", [[]])
    with pytest.raises(InputError, match="no notes"):
        run("compose", "--tune", "tune.mid")

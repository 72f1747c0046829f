"""A tempo that moves: every output has the same times."""

from __future__ import annotations

import music21
import numpy as np
import pretty_midi
import pytest
import tomli_w

import sonify
from sonify.errors import InputError
from sonify.export.clip.turning import Turning
from sonify.export.firmware import plan_of
from sonify.studio.answer import turning

MOVING = {
    "music.timing": "bars",
    "music.form": {
        "plan": "song", "ending": "chord", "tempo": [0.8, 1.25, 1.0], "rubato": 0.1,
        "ritardando": 0.5,
    },
}  # fmt: skip


def show_of(settings=MOVING) -> sonify.Performance:
    return sonify.perform(sonify.load_disc("cairn-middle"), settings=settings)


def quarter_s(show, at: float) -> float:
    """How long a quarter lasts at a share of the reading."""
    tick = at * show.timeline.end_slot * show.grid.step_ticks
    near = show.seconds(np.array([tick - 1, tick]))
    return float(np.diff(near)[0]) * show.grid.ticks_per_quarter


def test_the_tempo_follows_its_points_and_ends_slower():
    show = show_of({**MOVING, "music.form": {"tempo": [0.5, 1.0], "ritardando": 0.5}})
    usual = 60 / show.tempo_bpm
    assert quarter_s(show, 0.01) == pytest.approx(usual / 0.5, rel=0.05)
    assert quarter_s(show, 0.5) == pytest.approx(usual / 0.75, rel=0.05)
    slow = quarter_s(show, 1.0)
    # the last beat is nearly as slow as it gets
    assert usual / 0.65 < slow < usual / 0.5
    assert slow == pytest.approx(quarter_s(show, 1.1))


def test_phrases_are_slowest_at_their_ends():
    show = show_of({**MOVING, "music.form": {"rubato": 0.2, "phrase": 2}})
    pace = show.grid.plan.pace
    phrase = np.concatenate([pace[0], pace[1]])
    assert phrase.argmax() in (len(phrase) // 2 - 1, len(phrase) // 2)
    assert phrase[0] == phrase.min() == pytest.approx(0.8, abs=0.05)


def test_midi_notes_lights_letters_and_disc_have_the_same_times(tmp_path):
    show = show_of()
    assert len(show.timeline.pace.slot) > 10
    notes = show.notes
    midi = pretty_midi.PrettyMIDI(str(show.save(tmp_path / "a.mid")))
    read = sorted(n.start for i in midi.instruments for n in i.notes)
    assert read == pytest.approx(np.sort(notes["onset_s"]).tolist(), abs=1e-9)
    assert show.events.note_on_s == pytest.approx(np.sort(notes["onset_s"]), abs=1e-9)
    # a light and a note of one bit come together
    reading = show.reading
    when = dict(
        zip(
            zip(reading["row"].tolist(), reading["position"].tolist(), strict=True),
            reading["time_s"].tolist(), strict=True,
        )
    )  # fmt: skip
    first = {(n["row"], n["position"]): n["onset_s"] for n in notes[::-1]}
    for place in list(first)[-20:]:
        assert first[place] == pytest.approx(when[place], abs=1e-9)
    assert np.isin(show.lights["time_s"], reading["time_s"]).all()
    assert np.isin(show.captions["time_s"], reading["time_s"]).all()
    disc = Turning.of(show.timeline)
    time, turns = turning(show)
    for at in reading["time_s"][::97].tolist():
        assert disc.position(at) / show.disc.positions == pytest.approx(
            float(np.interp(at, time, turns)), abs=1e-6
        )


def test_a_moving_tempo_does_not_hide_the_bits(run, tmp_path):
    preset = tmp_path / "moving.toml"
    form = MOVING["music.form"]
    preset.write_text(tomli_w.dumps({"music": {"timing": "bars", "form": form}}))
    show = sonify.perform(sonify.load_disc("cairn-small"), [preset])
    show.save(tmp_path / "a.mid")
    result = run("read", tmp_path / "a.mid", "-p", preset, "-o", tmp_path / "read.toml")
    assert result.status == 0, result.err
    assert "edited" not in result.err
    assert "rpm" not in result.err
    assert sonify.load_disc(tmp_path / "read.toml").message == show.disc.message


def test_the_players_timing_keeps_its_speed():
    plain = show_of({"music.form": {**MOVING["music.form"]}})
    assert plain.timeline.pace is None


def test_a_length_counts_the_tempo():
    show = show_of({**MOVING, "music.length": "60 s", "player.rpm-range": [1.0, 100.0]})
    assert show.read_s == pytest.approx(60, abs=0.3)


def test_a_machine_refuses_a_moving_tempo():
    with pytest.raises(InputError, match="timing"):
        plan_of(show_of())


def test_a_score_says_where_it_slows_down(tmp_path):
    show = show_of()
    score = music21.converter.parse(show.save(tmp_path / "a.musicxml"))
    words = [e for e in score.recurse() if getattr(e, "content", "") == "rit."]
    assert len(words) == 1
    end = show.timeline.end_slot * show.grid.step_beats
    assert words[0].getOffsetInHierarchy(score) == end - 2 * show.grid.bar * 4

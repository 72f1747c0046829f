"""Recordings: a player's MIDI and its preset, back to bits."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.recover.search.find import find_message
from sonify.recover.sources.midi import recording
from sonify.recover.sources.midi.text_prior import TextPrior
from sonify.recover.sources.midi.trial_notes import Budget
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from tests.nightly import late, nightly, sampled
from tests.recover.midi_recorder import record
from tests.shipped import MUSIC

PRESETS = [p.stem for p in MUSIC]
# a bit of these discs is known in every preset but for those that their rules pass over
LOSING: dict[str, str] = {}


def check(disc, seen, preset):
    """No bit is wrong; where some are unknown, the rule that lost them is named."""
    bits = seen.bits()
    assert bits.shape == disc.grid.shape
    known = bits >= 0
    np.testing.assert_array_equal(bits[known], disc.grid[known])
    if preset in LOSING:
        lost = next(s for n in seen.cautions if "lost by the mapping" in (s := str(n)))
        assert LOSING[preset] in lost
        assert f"{int((~known).sum())} bits" in lost
    else:
        assert known.all()


@pytest.mark.parametrize("preset", sampled(PRESETS, 2))
def test_the_file_that_midi_writes_comes_back(preset, tmp_path):
    disc = sonify.load_disc("cairn-small")
    sonify.perform(disc, presets=[preset]).save(tmp_path / "t.mid")
    seen = read_source(tmp_path / "t.mid", ReadOptions(presets=(preset,)))
    assert seen.facts["differences_a_note"] == 0
    check(disc, seen, preset)
    if preset not in LOSING:
        assert find_message(seen).disc.message == disc.message


LARGER = itertools.product(
    ["music-box", "telegraph", "bell-tower", "gong-terrace", "larch-marimba", "string-weather"],
    ["cairn-middle", "cairn-wire"],
)


@pytest.mark.parametrize("case", [late(case) for case in LARGER], ids="-".join)
def test_larger_discs_come_back(case, tmp_path):
    preset, name = case
    disc = sonify.load_disc(name)
    sonify.perform(disc, presets=[preset]).save(tmp_path / "t.mid")
    check(disc, read_source(tmp_path / "t.mid", ReadOptions(presets=(preset,))), preset)


@nightly
def test_the_largest_disc_comes_back(tmp_path):
    disc = sonify.load_disc("cairn-large")
    sonify.perform(disc, presets=["music-box"]).save(tmp_path / "t.mid")
    check(disc, read_source(tmp_path / "t.mid", ReadOptions(presets=("music-box",))), "music-box")


@pytest.mark.parametrize("preset", sampled(PRESETS, 3))
def test_a_recording_of_a_player_comes_back(preset, tmp_path):
    """At another speed, notes a little late, and nothing in the file but what was sent."""
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, presets=[preset])
    speed = 0.98 + 0.0016 * PRESETS.index(preset)
    record(show.save(tmp_path / "a.mid"), tmp_path / "t.mid", speed, late=0.002)
    seen = read_source(tmp_path / "t.mid", ReadOptions(positions=56, presets=(preset,)))
    check(disc, seen, preset)
    assert seen.facts["rpm"] == pytest.approx(show.setup.player.rpm * speed, rel=2e-3)
    if abs(speed - 1) > 0.005:
        assert any("off its profile" in str(n) for n in seen.cautions)


@pytest.mark.parametrize("preset", sampled(["tide-piano", "bell-tower", "hut-band", "tin-roof"], 1))
def test_a_recording_in_which_the_form_moves_the_tempo_comes_back(preset, tmp_path):
    """A ritardando to 0.6, an arc and rubato are settings, not unknowns."""
    disc = sonify.load_disc("cairn-middle")
    form = {"ritardando": 0.6, "rubato": 0.12, "tempo": [0.9, 1.1, 1.0]}
    settings = {f"music.form.{key}": value for key, value in form.items()}
    show = sonify.perform(disc, [preset], settings)
    record(show.save(tmp_path / "a.mid"), tmp_path / "t.mid", 1.03)
    options = ReadOptions(
        positions=56, presets=(preset,), settings=tuple(f"{k}={v}" for k, v in settings.items())
    )
    seen = read_source(tmp_path / "t.mid", options)
    np.testing.assert_array_equal(seen.bits(), disc.grid)
    assert seen.facts["rpm"] == pytest.approx(show.setup.player.rpm * 1.03, rel=1e-3)


def test_the_positions_follow_from_the_rows(tmp_path):
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, presets=["music-box"])
    record(show.save(tmp_path / "a.mid"), tmp_path / "t.mid", 1.01)
    seen = read_source(tmp_path / "t.mid", ReadOptions(presets=("music-box",)))
    np.testing.assert_array_equal(seen.bits(), disc.grid)
    assert any("positions settles" in str(n) for n in seen.cautions)


def test_a_note_that_never_arrived_is_said(tmp_path):
    """Notes are missing, but other voices tell their bits: nearly all come back, none wrong."""
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, presets=["ridge-run"])
    record(show.save(tmp_path / "a.mid"), tmp_path / "t.mid", lose=0.02, seed=2)
    seen = read_source(tmp_path / "t.mid", ReadOptions(positions=56, presets=("ridge-run",)))
    bits = seen.bits()
    np.testing.assert_array_equal(bits[bits >= 0], disc.grid[bits >= 0])
    assert (bits >= 0).mean() > 0.95
    assert any("differ from the preset's" in str(n) for n in seen.cautions)


@pytest.mark.parametrize(
    ("preset", "channels"),
    [
        pytest.param("ridge-run", "kept", marks=nightly),
        ("music-box", "kept"),
        pytest.param("hut-band", "merged", marks=nightly),
    ],
)
def test_a_file_that_a_daw_exported_comes_back(preset, channels, tmp_path):
    """Another tempo, four bars ahead, notes up to 10 ms off, on their channels or all on one."""
    import mido

    disc = sonify.load_disc("cairn-small")
    sonify.perform(disc, presets=[preset]).save(tmp_path / "a.mid")
    source = mido.MidiFile(tmp_path / "a.mid")
    tempo, rng = 600_000, np.random.default_rng(7)
    ticks, now, sent = source.ticks_per_beat, 0, []
    for m in mido.merge_tracks(source.tracks):
        now += m.time
        if not m.is_meta:
            off = rng.uniform(-0.01, 0.01) if m.type == "note_on" and m.velocity else 0.0
            late = round(off * 1e6 / tempo * ticks)
            channel = 0 if channels == "merged" and m.channel != 9 else m.channel
            sent.append((now + late + 16 * ticks, m.copy(channel=channel)))
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=tempo)])
    last = 0
    for tick, m in sorted(sent, key=lambda e: e[0]):
        track.append(m.copy(time=tick - last))
        last = tick
    midi = mido.MidiFile(type=0, ticks_per_beat=ticks)
    midi.tracks.append(track)
    midi.save(tmp_path / "t.mid")
    seen = read_source(tmp_path / "t.mid", ReadOptions(presets=(preset,)))
    bits = seen.bits()
    assert bits.shape == disc.grid.shape
    assert not ((bits >= 0) & (bits != disc.grid)).any()
    assert (bits >= 0).mean() > 0.9
    assert any("the file was edited" in str(n) or "differ" in str(n) for n in seen.cautions)


def test_a_slow_machine_gives_the_same_answer(tmp_path, monkeypatch):
    """Whatever the clocks say: what is searched depends on a count of notes, which also ends it."""
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, presets=["ridge-run"])
    record(show.save(tmp_path / "a.mid"), tmp_path / "t.mid", lose=0.02, seed=4)
    options = ReadOptions(positions=56, presets=("ridge-run",))
    usual = read_source(tmp_path / "t.mid", options)
    given, spent = [], []

    def budget(count):
        given.append(count)
        spent.append(Budget(count))
        return spent[-1]

    monkeypatch.setattr(recording, "Budget", budget)
    hours = itertools.count(0, 3600)
    for clock in ("time", "perf_counter", "process_time", "monotonic", "thread_time"):
        monkeypatch.setattr(time, clock, lambda: float(next(hours)))
    slow = read_source(tmp_path / "t.mid", options)
    np.testing.assert_array_equal(slow.holes, usual.holes)
    np.testing.assert_array_equal(slow.confidence, usual.confidence)
    assert slow.facts == usual.facts
    count = given[0] - spent[0].left
    monkeypatch.setattr(recording, "MOST_NOTES", count // 20)
    for _ in range(2):
        with pytest.raises(InputError, match="do not lie in rows"):
            read_source(tmp_path / "t.mid", options)
        assert spent[-1].left <= 0
    assert spent[-1].left == spent[-2].left


def test_bits_that_nobody_could_read_come_back_as_such(tmp_path):
    """A walk doesn't move at a bit that nobody could read, so that its tones tell."""
    disc = sonify.load_disc("cairn-quilt")
    assert (disc.grid < 0).sum() == 2
    rule = 'music.voice=[{name="clarinet", pitch={scheme="walk", span=9, start=4}}]'
    key, _, value = rule.partition("=")
    import tomllib

    settings = {key: tomllib.loads(f"v={value}")["v"]}
    sonify.perform(disc, settings=settings).save(tmp_path / "t.mid")
    seen = read_source(tmp_path / "t.mid", ReadOptions(settings=(rule,)))
    bits = seen.bits()
    known = bits >= 0
    np.testing.assert_array_equal(bits[known], disc.grid[known])
    # two zeros between tones that stay could be unreadable as well
    assert (~known).sum() <= 4
    assert any("are unreadable" in str(n) for n in seen.cautions)


def test_another_preset_is_refused(tmp_path):
    disc = sonify.load_disc("cairn-small")
    sonify.perform(disc, presets=["snow-parade"]).save(tmp_path / "t.mid")
    with pytest.raises(InputError, match="of those that ship, 'snow-parade' fits best"):
        read_source(tmp_path / "t.mid", ReadOptions(positions=56, presets=("larch-marimba",)))


def test_lost_bits_are_unknown_and_the_rule_is_named(tmp_path):
    """With every second note of a row left out, no bit is wrong and the rule is named."""
    disc = sonify.Disc.from_message("FOG 9", layout=sonify.Layout(positions=18))
    rule = 'music.voice=[{name="bells", pitch="place", rhythm=[{rule="pattern", pattern="x."}]}]'
    key, _, value = rule.partition("=")
    import tomllib

    show = sonify.perform(disc, settings={key: tomllib.loads(f"v={value}")["v"]})
    show.save(tmp_path / "t.mid")
    seen = read_source(tmp_path / "t.mid", ReadOptions(positions=18, settings=(rule,)))
    bits = seen.bits()
    assert bits.shape == disc.grid.shape
    known = bits >= 0
    np.testing.assert_array_equal(bits[known], disc.grid[known])
    assert not known[:, 1::2].any()
    assert any("rule 'pattern'" in str(n) for n in seen.cautions)


def test_bad_recordings(tmp_path):
    for name, data, says in (
        ("text.mid", b"hello", "not a MIDI file"),
        ("cut.mid", b"MThd\0\0\0\6\0\1\0\1\1\xe0MTrk\0\0\1\0\0\x90", "MIDI file|no notes"),
        ("none.mid", b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk\0\0\0\4\0\xff\x2f\0", "no notes"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match=says) as e:
            read_source(tmp_path / name)
        assert "\n" not in str(e.value)


def quantised(source, to, grid):
    """Move all messages to the nearest `grid`-th of a whole note, at another tempo."""
    import mido

    midi = mido.MidiFile(source)
    step = midi.ticks_per_beat * 4 // grid
    for track in midi.tracks:
        now = last = 0
        for n, m in enumerate(track):
            now += m.time
            tick = round(now / step) * step
            track[n] = m.copy(time=tick - last)
            if m.type == "set_tempo":
                track[n].tempo = m.tempo * 4 // 5
            last = tick
    midi.save(to)


@pytest.mark.parametrize("alphabet", sampled(["utf-8", "ita2"], 1))
def test_swing_that_was_quantised_away_comes_back_for_units_with_parity(alphabet, tmp_path):
    """Notes lie a third of a position beside the mapping's, and units have nine or six bits."""
    code = sonify.disc.code.code.Code(alphabet=alphabet, check="parity")
    disc = sonify.Disc.from_message("FOG AT 900 M", code=code, layout=sonify.Layout(positions=36))
    sonify.perform(disc, presets=["larch-marimba"]).save(tmp_path / "a.mid")
    quantised(tmp_path / "a.mid", tmp_path / "t.mid", 16)
    seen = read_source(tmp_path / "t.mid", ReadOptions(presets=("larch-marimba",)))
    assert seen.holes.shape == disc.grid.shape
    known = seen.confidence >= 0.99
    np.testing.assert_array_equal(seen.holes[known], disc.grid[known])
    assert known.mean() > 0.9


def test_only_text_is_judged_as_text():
    """Random bits after a text, as a check has them, give no evidence for or against a bit."""
    text = sonify.Disc.from_message("SNOW ON THE NORTH RIDGE", layout=sonify.Layout(positions=7))
    chance = np.random.default_rng(3).integers(0, 2, 140, np.int8)
    bits = np.concatenate([text.grid.reshape(-1), chance])
    prior = TextPrior.of(bits, np.arange(len(bits)))
    near = prior.near(bits)
    assert near[: text.grid.size - 35].min() > 0.9
    assert near[-105:].max() < 0.1
    one = np.arange(len(bits)) == np.array([[0], [len(bits) - 3]])
    gain = prior.gain(np.concatenate([bits[None], bits ^ one]).astype(np.int8), one)
    assert gain[0] < -1
    assert abs(gain[1]) < 0.5

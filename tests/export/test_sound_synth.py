"""Rendering: pitch, onsets, pieces against the whole, voices enough, both renderers."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import mido
import numpy as np
import pytest

import sonify
from sonify.export.sound import synth
from sonify.export.sound.audio import RATE
from sonify.export.sound.options import SoundOptions
from sonify.export.sound.pool import Pool
from sonify.export.sound.soundfont import load_soundfont
from sonify.export.sound.synth import BLOCK, midi_piece
from sonify.export.sound.worker import render as render_wav
from sonify.midi.events import MidiEvents, TimedEvents, timed
from sonify.midi.tempo import TempoMap
from tests.export.soundfonts import TICK, onsets, render, soundfont
from tests.nightly import sampled_rows

needs_fluidsynth = pytest.mark.skipif(
    shutil.which("fluidsynth") is None, reason="FluidSynth (Debian) is not installed"
)

ENGINES = [
    pytest.param(synth.midirenderer, id="midirenderer"),
    pytest.param(synth.fluidsynth, id="fluidsynth", marks=needs_fluidsynth),
]


def file_of(events: list[tuple[float, mido.Message]], tail: float = 0.5) -> bytes:
    """A format 0 file by mido, 1 ms a tick."""
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000, time=0)])
    before = 0
    for seconds, message in sorted(events, key=lambda e: e[0]):
        tick = round(seconds * 1000)
        track.append(message.copy(time=tick - before))
        before = tick
    track.append(mido.MetaMessage("end_of_track", time=round(tail * 1000)))
    out = io.BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=1000, tracks=[track]).save(file=out)
    return out.getvalue()


def note(at: float, key: int, long: float = 0.1, channel: int = 0, velocity: int = 100):
    return [
        (at, mido.Message("note_on", note=key, velocity=velocity, channel=channel)),
        (at + long, mido.Message("note_off", note=key, channel=channel)),
    ]


def sound(engine, data: bytes, font, start: int = 0) -> np.ndarray:
    events = events_of(data)
    notes = np.ones(len(events.ons), bool)
    return np.concatenate(list(engine(events, notes, start, font)))


def events_of(data: bytes) -> TimedEvents:
    """The events of a file as mido reads them."""
    file = mido.MidiFile(file=io.BytesIO(data))
    rows, now, tempo = [], 0, 500_000
    for m in mido.merge_tracks(file.tracks):
        now += m.time
        if m.type == "set_tempo":
            tempo = m.tempo
        elif not m.is_meta:
            rows.append((now, *m.bytes(), 0)[:4])
    table = np.array(rows, np.int64).reshape(-1, 4)
    one = MidiEvents(table[:, 0], table[:, 1:].astype(np.uint8))
    at_once = TempoMap(np.zeros(1, np.int64), np.array([tempo]), file.ticks_per_beat)
    return timed([one], at_once, now)


# ---- the performance as events


def test_events_are_those_that_mido_reads(tmp_path):
    for presets in (["hut-band", "quick"], ["glass-rain", "slow"]):
        show = sonify.perform(sonify.load_disc("cairn-middle"), presets=presets)
        events = show.events
        file = mido.MidiFile(show.save(tmp_path / "a.mid"))
        want, now = [], 0.0
        for message in file:
            now += message.time
            if not message.is_meta:
                want.append((now, tuple(message.bytes()[:3]) + (0,) * (3 - len(message.bytes()))))
        assert len(want) == len(events.time_s)
        # a file's tempo is whole microseconds: 5 ms in an hour
        drift = 1e-6 + 1.4e-6 * events.time_s
        assert (np.abs(np.array([t for t, _ in want]) - events.time_s) < drift).all()
        assert sorted(b for _, b in want) == sorted(map(tuple, events.message.tolist()))
        assert events.end_s == pytest.approx(file.length, rel=1.4e-6)


def test_a_note_that_follows_another_of_its_key_ends_at_its_own_end():
    """Voices that share a channel: one ends a key at the moment at which the other strikes it."""
    on, one = np.uint8([[0x90, 60, 90]]), np.array([0, 96])
    ends = np.uint8([[0x80, 60, 64]])
    first = MidiEvents(one + 96, np.concatenate([on, ends]))
    second = MidiEvents(one, np.concatenate([on, ends]))
    tempo = TempoMap(np.zeros(1, np.int64), np.array([1_000_000]), 96)
    events = timed([first, second], tempo, 192)
    assert events.note_on_s.tolist() == pytest.approx([0.0, 1.0])
    assert events.note_off_s.tolist() == pytest.approx([1.0, 2.0])


# ---- pitch


def fundamental(x: np.ndarray, near: float) -> float:
    """The frequency of the spectral peak within half a semitone."""
    size = 1 << 17
    spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x)), size))
    low, high = (int(near * 2**c * size / RATE) for c in (-1 / 24, 1 / 24))
    k = low + int(spectrum[low : high + 2].argmax())
    a, b, c = np.log(spectrum[k - 1 : k + 2])
    return float((k + 0.5 * (a - c) / (a - 2 * b + c)) * RATE / size)


EVERY_S = 1.6


def cents_off(data_of, keys, font) -> np.ndarray:
    out = []
    x = np.frombuffer(render_wav(font, data_of(keys)), "<i2", offset=44).reshape(-1, 2)
    for k, key in enumerate(keys):
        # ISO 16: A4, MIDI note 69, is 440 Hz; twelve equal steps an octave
        want = 440.0 * 2 ** ((key - 69) / 12)
        a = int((k * EVERY_S + 0.25) * RATE)
        out.append(1200 * np.log2(fundamental(x[a : a + int(1.2 * RATE)].sum(axis=1), want) / want))
    return np.array(out)


KEYBOARD = range(21, 109)
# at 27.5 Hz most instruments have hardly a fundamental to be measured
PITCHED = [(10, KEYBOARD), (16, KEYBOARD), *((p, KEYBOARD[1:]) for p in (6, 24, 33))]


@pytest.mark.parametrize(("program", "keys"), sampled_rows(PITCHED, 2))
def test_every_key_sounds_at_its_pitch(program, keys):
    def data_of(keys):
        events = [(0, mido.Message("program_change", program=program))]
        for k, key in enumerate(keys):
            events += note(k * EVERY_S + 0.1, key, 1.45)
        return file_of(events)

    off = cents_off(data_of, keys, load_soundfont().amplified(12))
    assert np.abs(off).max() < 2.0


def test_a_tone_of_known_pitch_is_rendered_at_it(tmp_path):
    font = load_soundfont(str(soundfont(tmp_path / "t.sf2", {(0, 0): 60})))

    def data_of(keys):
        notes = [note(k * EVERY_S + 0.1, key, 1.45) for k, key in enumerate(keys)]
        return file_of([e for n in notes for e in n])

    # the sample as it is is 480 Hz and stands at key 60: so each key is off by as much
    off = cents_off(data_of, [60], font.data)[0]
    assert np.isnan(off) or abs(off) > 40, "480 Hz is not the pitch of key 60"
    x = np.frombuffer(render_wav(font.data, data_of([60])), "<i2", offset=44).reshape(-1, 2)
    f = fundamental(x[int(0.35 * RATE) : int(1.5 * RATE)].sum(axis=1), 480.0)
    assert 1200 * np.log2(f / 480.0) == pytest.approx(0, abs=0.1)


# ---- onsets


@pytest.mark.parametrize("engine", ENGINES)
def test_onsets_are_within_the_block_of_their_times(tmp_path, engine, record_property):
    font = load_soundfont(str(soundfont(tmp_path / "s.sf2", {(0, 0): 69}, sharp=True)))
    # times that fall anywhere in a block of 64
    when = 0.2 + np.arange(180) * 0.2503
    when = np.round(when, 3)
    data = file_of([e for t in when for e in note(float(t), 69, 0.05)])
    x = sound(engine, data, font)
    got = onsets(x, when)
    error = got - when
    record_property("worst_ms", float(np.abs(error).max() * 1000))
    assert np.abs(error).max() < BLOCK / RATE
    assert np.abs(error).max() < 0.002
    assert abs(error.mean()) < 0.0005


def test_onsets_of_a_disc_lie_where_its_notes_do(tmp_path):
    path = soundfont(tmp_path / "s.sf2", TICK, sharp=True)
    show = sonify.perform(
        sonify.load_disc("cairn-middle"),
        presets=["usual"],
        settings={"sound.soundfont": str(path), "music.voice": [{"name": "tick"}]},
    )
    x = render(show)
    notes = show.notes
    ends = notes["onset_s"] + notes["duration_s"]
    # those that come out of silence
    clear = np.flatnonzero(notes["onset_s"][1:] - ends[:-1] > 0.09) + 1
    when = notes["onset_s"][clear]
    got = onsets(x, when)
    assert len(when) > 30
    assert np.abs(got - when).max() < 0.002


# ---- pieces


def test_pieces_add_up_to_the_whole(monkeypatch):
    show = sonify.perform(
        sonify.load_disc("cairn-middle"),
        presets=["hut-band", "quick"],
        settings={"sound.loudness": "off"},
    )
    assert show.duration_s > 30
    one = render(show)
    monkeypatch.setattr(synth, "PIECE", 7 * RATE // BLOCK * BLOCK)
    many = render(show)
    assert len(one) == pytest.approx(len(many), abs=RATE)
    n = min(len(one), len(many))
    rest = np.sqrt(((one[:n] - many[:n]) ** 2).mean() / (one[:n] ** 2).mean())
    assert 20 * np.log10(rest) < -45


def test_the_number_of_cores_changes_nothing(monkeypatch):
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=["music-box", "usual"])
    monkeypatch.setattr(synth, "PIECE", 4 * RATE // BLOCK * BLOCK)
    one = render(show)
    if hasattr(__import__("os"), "sched_getaffinity"):
        monkeypatch.setattr("os.sched_getaffinity", lambda _: {0})
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert np.array_equal(render(show), one)


def test_a_piece_is_the_file_itself_in_other_words():
    """What is rendered has the notes, programs and bends of the file, at its times."""
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=["hut-band"])
    events = show.events
    part = events_of(midi_piece(events, np.ones(len(events.ons), bool), 0, 1.0))
    assert len(part.time_s) == len(events.time_s)
    # half a block early, as the renderer is late by that on average; first ones can't be
    early = np.maximum(events.note_on_s - BLOCK / 2 / RATE, 0)
    assert np.abs(np.sort(part.note_on_s) - np.sort(early)).max() < 1.01 / RATE
    assert sorted(map(tuple, part.message.tolist())) == sorted(map(tuple, events.message.tolist()))


def test_more_notes_than_the_renderer_has_voices_all_sound(tmp_path):
    font = load_soundfont(str(soundfont(tmp_path / "t.sf2", {(0, 0): 69})))
    keys = list(range(30, 110))
    events = []
    for channel in (0, 1):
        for key in keys:
            events += note(0.1, key, 1.5, channel, 30)
    x = sound(synth.midirenderer, file_of(events), font)
    part = x[int(0.5 * RATE) : int(1.5 * RATE)].sum(axis=1)
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part))))
    for key in keys[::7]:
        f = 480.0 * 2 ** ((key - 69) / 12)
        near = spectrum[int(f) - 2 : int(f) + 4].max()
        assert near > 0.2 * spectrum.max(), f"key {key} is missing"


def test_loud_pieces_are_rendered_below_clipping(tmp_path):
    font = load_soundfont(str(soundfont(tmp_path / "t.sf2", {(0, 0): 69})))
    events = []
    for key in range(60, 78):
        events += note(0.1, key, 1.0, 0, 127)
    x = sound(synth.midirenderer, file_of(events), font)
    one = sound(synth.midirenderer, file_of(note(0.1, 69, 1.0, 0, 127)), font)
    assert np.abs(x).max() > 2.5 * np.abs(one).max()
    flat = np.abs(x) >= np.abs(x).max() * 0.9999
    assert flat.sum() < 8, "the top is cut off"


def test_gain_is_what_it_says():
    font = load_soundfont()
    data = file_of(note(0.1, 60, 1.0), 1.0)
    level = []
    for db in (0.0, 6.0, 12.0):
        x = np.frombuffer(render_wav(font.amplified(db), data), "<i2", offset=44).astype(float)
        level.append(20 * np.log10(np.sqrt((x**2).mean())))
    assert level[1] - level[0] == pytest.approx(6.0, abs=0.15)
    assert level[2] - level[0] == pytest.approx(12.0, abs=0.15)


def test_a_long_release_is_not_cut_off(tmp_path):
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        settings={
            "sound.loudness": "off",
            "music.voice": [{"program": "fx 3 (crystal)", "name": "v"}],
        },
    )
    x = render(show)
    tail = np.abs(x[-RATE // 100 :]).max()
    assert tail < np.abs(x).max() * 10 ** (-50 / 20)


# ---- processes


def test_pool_renders_the_same_in_processes_and_without():
    font = load_soundfont()
    data = file_of(note(0.1, 60, 0.3))
    with Pool([font.data].__getitem__, 1) as alone:
        assert alone.size == 1
        one = alone.submit(0, data).result()
    with Pool([font.data, font.amplified(6)].__getitem__, 4) as several:
        two = [several.submit(0, data).result() for _ in range(3)]
    assert all(np.array_equal(one, x) for x in two)


def test_a_worker_that_dies_is_one_line(monkeypatch, tmp_path):
    bad = tmp_path / "worker.py"
    bad.write_text("raise SystemExit(3)\n")
    monkeypatch.setattr("sonify.export.sound.renderers._WORKER", bad)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 1}, raising=False)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    with (
        Pool([b"x"].__getitem__, 4) as pool,
        pytest.raises(sonify.OutputError, match="renderer stopped"),
    ):
        pool.submit(0, b"y").result()


# ---- FluidSynth


@needs_fluidsynth
def test_fluidsynth_is_used_when_asked_for(tmp_path):
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        presets=["quick"],
        settings={"sound.renderer": "fluidsynth"},
    )
    one = render(show)
    other = render(sonify.perform(sonify.load_disc("cairn-small"), presets=["quick"]))
    assert not np.array_equal(one[: len(other)], other[: len(one)])
    # the same music: its loudness over time is alike
    n = min(len(one), len(other)) // 4800 * 4800

    def shape(x: np.ndarray) -> np.ndarray:
        return np.sqrt((x[:n] ** 2).reshape(-1, 4800 * 2).mean(axis=1))

    assert np.corrcoef(shape(one), shape(other))[0, 1] > 0.9


def test_fluidsynth_that_is_not_there(monkeypatch, run, tmp_path):
    monkeypatch.setenv("PATH", str(Path("/nowhere")))
    result = run("sound", "cairn-small", "--renderer", "fluidsynth", "-o", tmp_path / "a.wav")
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert "FluidSynth is not installed" in result.err
    assert not list(tmp_path.iterdir())


def test_options_reach_the_renderer():
    show = sonify.perform(sonify.load_disc("cairn-small"))
    with pytest.raises(sonify.InputError, match="not a range of this piece"):
        render(show, options=SoundOptions(from_s=100, to_s=200))

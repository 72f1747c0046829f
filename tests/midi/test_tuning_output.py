"""How MIDI files tune: MPE, MIDI Tuning Standard, one channel; read back and heard.

Sources: MIDI Polyphonic Expression 1.1 (zones and their configuration, 48 semitones on member
channels), MIDI 1.0 Detailed Specification (registered parameters, MIDI Tuning Standard), and the
pitches that FluidSynth plays, by FFT.
"""

from __future__ import annotations

import io
import shutil
import subprocess

import mido
import numpy as np
import pytest
import soundfile

import sonify
from sonify.errors import InputError
from sonify.export.midi import Options, midi_bytes
from sonify.midi import tuning_output
from tests.export.soundfonts import soundfont

LONG = [{"rule": "length", "value": "1/2"}]
SCALES = ["bayati", "just-major", "nineteen-tones", "slendro", "bohlen-lambda"]


def show_of(output, scale="bayati", voices=None, **settings) -> sonify.Performance:
    voices = voices or [{"name": "oud", "pitch": {"scheme": "walk", "span": 12}, "rhythm": LONG}]
    return sonify.perform(
        sonify.load_disc("cairn-small"),
        settings={
            "music.scale": scale, "music.voice": voices, "music.tuning-output": output, **settings,
        },
    )  # fmt: skip


def file_of(show, **options) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(show, Options(**options)))))


def meant(show):
    return sorted(zip(np.round(show.notes["onset_beat"] * 480).astype(int).tolist(),
                      show.notes["pitch"].tolist(), strict=True))  # fmt: skip


def in_zones(file: mido.MidiFile):
    """Onsets and pitches as an MPE receiver hears them, from the messages alone."""
    zones, wheel, span, parameter, out = {}, {}, {}, {}, []
    tick = 0
    for m in mido.merge_tracks(file.tracks):
        tick += m.time
        if m.type == "control_change":
            high, low = parameter.get(m.channel, (127, 127))
            if m.control == 101:
                parameter[m.channel] = m.value, low
            elif m.control == 100:
                parameter[m.channel] = high, m.value
            elif m.control == 6 and (high, low) == (0, 6):
                assert m.channel in (0, 15), "only channels 1 and 16 are managers"
                zones[m.channel] = m.value
            elif m.control == 6 and (high, low) == (0, 0):
                span[m.channel] = m.value
        elif m.type == "pitchwheel":
            wheel[m.channel] = m.pitch
        elif m.type == "note_on":
            low, high = range(1, 1 + zones.get(0, 0)), range(15 - zones.get(15, 0), 15)
            assert m.channel in low or m.channel in high or m.channel == 9
            assert m.channel == 9 or span[m.channel] == 48
            if m.channel != 9:
                out.append((tick, m.note + wheel[m.channel] / 8192 * 48))
    return sorted(out), zones, wheel


@pytest.mark.parametrize("scale", SCALES)
def test_mpe_sounds_the_pitches_that_are_meant(scale):
    show = show_of("mpe", scale)
    heard, zones, wheel = in_zones(file_of(show))
    assert zones == {0: 0}, "the zone is closed at the end"
    assert set(wheel.values()) == {0}
    assert [t for t, _ in heard] == [t for t, _ in meant(show)]
    # half a step of 48 semitones in 8192
    assert np.allclose([p for _, p in heard], [p for _, p in meant(show)], atol=0.003)


def test_mpe_in_symusic_a_second_library():
    import symusic

    show = show_of("mpe", "just-major")
    score = symusic.Score.from_midi(b"".join(midi_bytes(show, Options(tracks="apart"))))
    found = []
    for track in score.tracks:
        bends = sorted((b.time, b.value) for b in track.pitch_bends)
        assert [b for b in bends if b[0] == 0] or not track.notes
        for note in track.notes:
            # what is sent on the tick of a note comes before it
            value = [v for t, v in bends if t <= note.time][-1]
            found.append((note.time, note.pitch + value / 8192 * 48))
    want = meant(show)
    found.sort()
    assert [t for t, _ in found] == [t for t, _ in want]
    assert np.allclose([p for _, p in found], [p for _, p in want], atol=0.003)


TWO = [
    {"name": "low", "octave": -1, "program": "cello", "rhythm": LONG},
    {"name": "high", "program": "flute", "pitch": "sweep", "rhythm": LONG},
    {"name": "kit", "drum": "side stick", "source": "zeros"},
]


def test_two_voices_have_two_zones_that_leave_the_drums_alone():
    file = file_of(show_of("mpe", voices=TWO))
    in_zones(file)
    messages = [m for t in file.tracks for m in t]
    data = [m for m in messages if m.type == "control_change" and m.control == 6]
    first = {(m.channel, m.value) for m in data if m.value not in (0, 2, 48)}
    assert first == {(0, 8), (15, 5)}, "members 2 to 9, and 15 to 11"
    programs = [(m.channel, m.program) for m in messages if m.type == "program_change"]
    assert programs == [(0, 42), (15, 73)], "on the managers only"
    # each note has a channel of its own while it sounds
    for track in file.tracks:
        sounding = set()
        for m in track:
            if m.type == "note_on" and m.channel != 9:
                assert m.channel not in sounding
                sounding.add(m.channel)
            elif m.type == "note_off":
                sounding.discard(m.channel)


def test_what_can_not_be_sent_is_refused_with_a_way_out():
    with pytest.raises(InputError, match="two zones"):
        file_of(show_of("mpe", voices=[*TWO, TWO[1]]))
    chord = {"source": "clock", "pitch": "sweep", "rhythm": LONG}
    with pytest.raises(InputError, match="differently bent notes"):
        file_of(show_of("one-channel", "just-major", [chord]))


def retuned(file: mido.MidiFile):
    """Onsets and pitches by the tuning messages, and the tuning program each channel is left at."""
    tunings, program, parameter, out, tick = {}, {}, {}, [], 0
    for m in mido.merge_tracks(file.tracks):
        tick += m.time
        if m.type == "sysex":
            kind, device, mts, change, number, count, *rows = m.data
            assert (kind, device, mts, change) == (0x7F, 0x7F, 8, 2)
            assert len(rows) == 4 * count
            for k in range(0, len(rows), 4):
                key, semitone, high, low = rows[k : k + 4]
                tunings.setdefault(number, {})[key] = semitone + (high << 7 | low) / 16384
        elif m.type == "control_change":
            both = parameter.setdefault(m.channel, [127, 127])
            if m.control in (100, 101):
                both[101 - m.control] = m.value
            elif m.control == 6 and both == [0, 3]:
                program[m.channel] = m.value
        elif m.type == "note_on" and m.channel != 9:
            out.append((tick, tunings[program[m.channel]][m.note]))
    return sorted(out), program


@pytest.mark.parametrize("scale", SCALES)
def test_mts_sounds_the_pitches_that_are_meant(scale):
    show = show_of("mts", scale, [{"pitch": {"scheme": "number", "bits": 5, "span": 31}}, *TWO])
    heard, left = retuned(file_of(show))
    drums = [n["voice"] == 3 for n in show.notes]
    want = sorted((round(n["onset_beat"] * 480), float(n["pitch"]))
                  for n, d in zip(show.notes, drums, strict=True) if not d)  # fmt: skip
    assert [t for t, _ in heard] == [t for t, _ in want]
    assert np.allclose([p for _, p in heard], [p for _, p in want], atol=1 / 32768 + 1e-6)
    assert set(left.values()) == {0}


@pytest.mark.skipif(shutil.which("fluidsynth") is None, reason="FluidSynth is not installed")
@pytest.mark.parametrize("output", ["bends", "one-channel", "mpe", "mts"])
def test_fluidsynth_plays_within_two_cents(output, tmp_path):
    bits = ["1" + "0" * 15] * 9
    voice = {
        "pitch": {"scheme": "row-ladder", "span": 9},
        "rhythm": [{"rule": "length", "value": "1/2"}],
    }
    show = sonify.perform(sonify.Disc.from_bits(bits), settings={
        "music.scale": "nineteen-tones", "music.voice": [voice], "music.tuning-output": output,
        "player.rpm": 15.0, "music.step": "1/16",
    })  # fmt: skip
    font = soundfont(tmp_path / "t.sf2", {(0, 0): 71, (0, 11): 71})
    midi, wav = show.save(tmp_path / "a.mid"), tmp_path / "a.wav"
    subprocess.run(
        ["fluidsynth", "-niq", "-R", "0", "-C", "0", "-r", "48000", "-F", wav, font, midi],
        check=True, capture_output=True,
    )  # fmt: skip
    x, rate = soundfile.read(wav)
    x = x.mean(axis=1)
    # the font's sine of 480 Hz stands at key 71: all tones are off by as much
    own = 480 / (440 * 2 ** ((71 - 69) / 12))
    apart = []
    for note in show.notes:
        at = int((note["onset_s"] + 0.05) * rate)
        part = x[at : at + int(0.35 * rate)]
        power = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 20))
        want = own * 440 * 2 ** ((note["pitch"] - 69) / 12)
        hertz = np.arange(len(power)) * rate / (1 << 20)
        near = np.abs(np.log2(np.maximum(hertz, 1) / want)) < 0.5 / 12
        apart.append(1200 * np.log2(hertz[near][power[near].argmax()] / want))
    assert len(set(np.round(show.notes["pitch"] % 1, 3))) > 4
    assert np.abs(apart).max() < 2.0


@pytest.mark.parametrize("output", ["one-channel", "mpe"])
def test_a_file_is_read_and_compared_under_its_own_preset(output, run, tmp_path):
    preset = tmp_path / "p.toml"
    preset.write_text(
        f'[music]\nscale = "bayati"\ntuning-output = "{output}"\n'
        '[[music.voice]]\nname = "oud"\npitch = { scheme = "walk", span = 9 }\n'
    )
    path = tmp_path / "a.mid"
    assert run("midi", "cairn-small", "-p", preset, "-o", path).status == 0
    assert "FOG LIFTS AT 9" in run("read", path, "-p", preset).out
    assert "all bits right" in run("compare", "cairn-small", path, "-p", preset).out


def test_retuned_keys_are_compared_but_not_read(run, tmp_path):
    words = ("--set", "music.scale=bayati", "--set", "music.tuning-output=mts")
    path = tmp_path / "a.mid"
    assert run("midi", "cairn-small", *words, "-o", path).status == 0
    assert "all bits right" in run("compare", "cairn-small", path, *words).out
    refused = run("read", path, *words)
    assert refused.status == 2
    assert "bends or mpe" in refused.err


def test_the_sound_is_the_same_however_files_tune():
    one, other = (show_of(output).events for output in ("bends", "mts"))
    assert (one.message == other.message).all()


def test_pitches_at_the_ends_of_the_keyboard_take_keys_that_there_are():
    for low in (0, 125):
        pitches = low + np.array([0.6, 0.9, 1.4, 2.2])
        keys = tuning_output._keys_near(pitches, None)
        assert keys.tolist() == sorted(set(keys.tolist()))
        assert keys.min() >= 0
        assert keys.max() <= 127
        assert np.abs(keys - pitches).max() < 3

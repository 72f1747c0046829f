"""What comes in by MIDI: transposition, root and scale from a chord, settings by controllers."""

from __future__ import annotations

import mido
import numpy as np
import pytest

import sonify
from sonify.live.changing import Changer, changed, limits_of
from sonify.live.commands import Command
from sonify.live.controllers import (
    Control,
    ControlFile,
    Controllers,
    Keyboard,
    chord_of,
    load_controls,
)
from sonify.music.settings import Music
from sonify.music.theory.scales import find_scale, note_number
from tests.live.loopback import hanging
from tests.live.simulated import Played, piece_of, show_of
from tests.live.test_terminal import pedal_of, posix

SWING = "music.voice.0.rhythm.1.amount"


def note(key, velocity=90, channel=0):
    return bytes((0x90 | channel, key, velocity))


@pytest.fixture(scope="module")
def show():
    return show_of()


# ---- chords


@pytest.mark.parametrize(
    ("keys", "now", "root", "scale"),
    [
        # names as in theory books: triads and sevenths, in any position
        ((60, 64, 67), "dorian", "C4", "major"),
        ((64, 67, 72), "major", "C4", None),
        ((57, 60, 64), "major", "A3", "natural-minor"),
        ((60, 64, 69), "major", "A3", "natural-minor"),
        ((62, 65, 69), "dorian", "D4", None),
        ((55, 59, 62, 65), "major", "G3", "mixolydian"),
        ((59, 62, 65), "major", "B3", "locrian"),
        ((60, 64, 68), "major", "C4", "ionian-sharp-5"),
        ((57, 60, 64), "major-pentatonic", "A3", "minor-pentatonic"),
        ((65, 69, 72), "major-pentatonic", "F4", None),
    ],
)
def test_a_chord_gives_root_and_scale(keys, now, root, scale):
    out = chord_of(keys, Music(root="C4", scale=now))
    assert out["music.root"] == root
    assert out.get("music.scale") == scale
    tones = {round(x) for x in find_scale(scale or now).semitones}
    assert {(k - note_number(root)) % 12 for k in keys} <= tones


def test_the_root_stays_within_a_tritone_of_the_musics_own():
    for own in ("D3", "F#5", "B2"):
        for key in range(24, 100):
            got = chord_of((key, key + 4, key + 7), Music(root=own))["music.root"]
            assert abs(note_number(got) - note_number(own)) <= 6
            assert (note_number(got) - key) % 12 == 0


def test_three_keys_are_a_chord_and_two_are_not(show):
    c = Controllers(ControlFile(Keyboard(plays="chord", channel=2)), show.setup)
    music = show.setup.music
    assert not c.midi(note(60, channel=1), music)
    assert not c.midi(note(72, channel=1), music)
    assert not c.midi(note(63, channel=1), music)
    assert not c.midi(note(67), music), "another channel's keys count"
    assert c.midi(note(67, channel=1), music) is True
    assert c.settings["music.root"] == "C4"
    assert c.at == "bar"
    c.midi(note(63, 0, channel=1), music)
    assert c.midi(note(64, channel=1), music) is True


def test_a_key_transposes_by_its_distance_from_the_middle(show):
    c = Controllers(ControlFile(Keyboard()), show.setup)
    command = c.midi(note(65), show.setup.music)
    assert isinstance(command, Command)
    assert (command.do, command.number) == ("transpose", 5)
    assert c.midi(note(65, 0), show.setup.music) is False


# ---- controllers


def test_limits_are_those_of_the_sliders(show):
    assert limits_of(show.setup, "music.voice.0.velocity") == (1, 127, True)
    least, most, whole = limits_of(show.setup, SWING)
    assert 0 <= least < most <= 1
    assert not whole
    # a soft range where the slider has one
    assert limits_of(show.setup, "music.voice.0.octave") == (-3, 3, True)


@pytest.mark.parametrize(
    ("setting", "part"),
    [
        ("player.rpm", "no setting of the music"),
        ("music.voice.77.velocity", "'77' is not an index"),
        ("music.voice.0.velocitee", "did you mean velocity"),
        ("music.voice.0.rhythm.1.amont", "did you mean amount"),
        ("music.root", "no number"),
        ("music.voice.0", "no number"),
    ],
)
def test_settings_that_no_controller_can_move(show, setting, part):
    with pytest.raises(sonify.InputError, match=part):
        limits_of(show.setup, setting)


def test_a_setting_is_learned_kept_and_moved(show, tmp_path):
    path = tmp_path / "knobs.toml"
    c = Controllers(ControlFile(), show.setup, [SWING, "music.voice.1.velocity"],
                    lambda f: f.save(path))  # fmt: skip
    music = show.setup.music
    assert c.learning == SWING
    assert c.midi(b"\xb2\x15\x7f", music) is True
    assert c.learning == "music.voice.1.velocity"
    c.midi(b"\xb2\x16\x00", music)
    assert c.learning is None
    assert c.settings == {
        SWING: limits_of(show.setup, SWING).most, "music.voice.1.velocity": 1
    }  # fmt: skip
    again = load_controls(path)
    assert again == c.file
    assert [(k.controller, k.channel, k.setting) for k in again.control] == [
        (21, 3, SWING), (22, 3, "music.voice.1.velocity")
    ]  # fmt: skip
    # on another day, a range of one's own
    own = ControlFile(control=(Control(controller=21, setting=SWING, least=0.6, most=0.5),))
    d = Controllers(own, show.setup)
    d.midi(b"\xb5\x15\x7f", music)
    assert d.settings[SWING] == 0.5
    assert d.midi(b"\xb5\x17\x7f", music) is False


def test_a_learned_setting_leaves_its_old_controller(show):
    file = ControlFile(control=(Control(controller=5, channel=1, setting=SWING),))
    c = Controllers(file, show.setup, ["music.voice.1.velocity", SWING])
    c.midi(b"\xb0\x05\x10", show.setup.music)
    c.midi(b"\xb0\x06\x10", show.setup.music)
    assert {k.setting: k.controller for k in c.file.control} == {
        "music.voice.1.velocity": 5, SWING: 6
    }  # fmt: skip


def test_changed_settings_sound_as_if_they_had_been_set():
    show = show_of()
    got = changed(show, {"music.root": "E4", "music.voice.2.velocity": 31, "music.voice.9.pan": 0})
    want = show_of(**{"music.root": "E4", "music.voice.2.velocity": 31})
    assert np.array_equal(got.notes, want.notes)


@pytest.mark.parametrize(
    "settings", [{SWING: 0.75}, {"music.root": "F4", "music.scale": "minor-pentatonic"}]
)
def test_a_change_while_it_plays_leaves_what_is_the_same(settings):
    show = show_of()
    piece = piece_of(show)
    moment = 1.6

    def move(sender, now):
        changer = Changer(sender)
        changer.want(settings, "now")
        changer.make()
        assert not changer.said

    tape = Played([piece], script=[(moment, move)]).tape
    want = Played([piece_of(changed(show, settings))]).tape
    assert tape.of(0x90) != Played([piece]).tape.of(0x90)
    later = [(t, d) for t, d in want.of(0x90) if t > moment + 1e-6]
    got = [(t, d) for t, d in tape.of(0x90) if t > moment + 1e-6]
    assert [d for _, d in got] == [d for _, d in later]
    assert [t for t, _ in got] == pytest.approx([t for t, _ in later], abs=1e-6)
    # nothing that sounds is struck again
    at = {(d[0], d[1]) for t, d in tape.of(0x90) if abs(t - moment) < 1e-6}
    before = hanging(tape.messages[: sum(t < moment for t in tape.times)])
    assert not {(s & 15, k) for s, k in at} & before
    # the channels are not set up again
    assert not [d for t, d in tape.of(0xC0) if t > 0]
    assert not hanging(tape.messages)


def test_a_setting_that_fits_no_more_is_said_and_all_plays_on():
    played = []

    def move(sender, now):
        changer = Changer(sender)
        changer.want({"music.scale": "no-such-scale"}, "now")
        changer.make()
        played.append(changer.said)

    tape = Played([piece_of(show_of())], script=[(1.0, move)]).tape
    assert "no-such-scale" in played[0]
    assert tape.data == Played([piece_of(show_of())]).tape.data


# ---- the command


@posix
def test_learning_by_the_command(tmp_path):
    file = tmp_path / "knobs.toml"
    with pedal_of(
        "cairn-small", "-p", "hut-band", "--controls", file, "--learn", SWING,
        "--keyboard", "transpose",
    ) as (t, pedal):  # fmt: skip
        t.until(f"move the controller for {SWING}")
        pedal.send(mido.Message("control_change", channel=3, control=70, value=64))
        pedal.send(mido.Message("note_on", note=58, velocity=80))
        t.until("-2 semitones")
    kept = load_controls(file)
    assert kept.control == (Control(controller=70, channel=4, setting=SWING),)
    assert kept.keyboard == Keyboard(plays="transpose")


@pytest.mark.parametrize(
    ("args", "part"),
    [
        (("--learn", SWING), "give --input"),
        (("--input", "Pedal", "--learn", SWING), "give --controls"),
        (("--input", "Pedal", "--controls", "no.toml"), "no.toml"),
        (("--input", "Pedal", "--controls", "c.toml", "--learn", "music.root"), "--learn"),
        (("--input", "Pedal", "--controls", "bad.toml"), "bad.toml: control[0].setting"),
        (("--input", "Peddal"), "did you mean Hut Pedal"),
    ],
)
def test_calls_that_make_no_sense(run, tmp_path, monkeypatch, args, part):
    monkeypatch.setenv("MIDO_BACKEND", "tests.live.loopback")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text('[[control]]\ncontroller = 3\nsetting = "music.bar"\n')
    result = run("play", "cairn-small", "-p", "hut-band", "--port", "Valley", *args)
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert part in result.err

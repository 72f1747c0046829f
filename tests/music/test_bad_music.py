"""Bad mappings are refused in one line that names the place and what would be right."""

from __future__ import annotations

import pytest

import sonify
from sonify.errors import InputError
from sonify.export.midi import midi_bytes


def refused(settings, bits=("10110111",) * 3):
    with pytest.raises(InputError) as e:
        midi_bytes(sonify.perform(sonify.Disc.from_bits(list(bits)), settings=settings))
    text = str(e.value)
    assert "\n" not in text
    return text


SCALES = [
    ({"semitones": [0, 4, 4]}, ["semitones[2]", "does not lie above"]),
    ({"cents": [0, 700, 400]}, ["cents[2]", "give them rising"]),
    ({"ratios": ["1/1", "0/2"]}, ["ratios[1]", "not above zero"]),
    ({"ratios": ["1/1", "-3/2"]}, ["ratios[1]", "not above zero"]),
    ({"ratios": ["1/1", "3/0"]}, ["ratios[1]", "not above zero"]),
    ({"ratios": ["1/1", "fifth"]}, ["ratios[1]", "not a ratio", "3/2"]),
    ({"ratios": ["1", "5/2"]}, ["ratios[1]", "repeats after 12"]),
    ({"semitones": [2, 4]}, ["begin with 0"]),
    ({"semitones": [0, 13]}, ["repeats after 12"]),
    ({"divisions": 0}, ["divisions", "at least 1"]),
    ({"divisions": 99999}, ["divisions", "at most 512"]),
    ({"divisions": 12, "of": "1/1"}, ["music.scale.of", "out of range"]),
    ({"divisions": 12, "steps": [0, 3, 2]}, ["steps[2]", "rising"]),
    ({"semitones": [0], "cents": [0]}, ["semitones and cents", "one of"]),
    ({}, ["no tones are given"]),
    ({"semitones": [0, 3], "steps": [0]}, ["divisions only"]),
    ({"cents": [0, 100], "period": "2/1"}, ["music.scale.period", "a number is needed"]),
    ({"semitone": [0, 2]}, ["semitone", "semitones"]),
]


@pytest.mark.parametrize(("scale", "parts"), SCALES)
def test_scales(scale, parts):
    text = refused({"music.scale": scale})
    for part in ("music.scale", *parts):
        assert part in text, text


VOICES = [
    ({"pitch": {"scheme": "progression"}}, ["pitch.chords", "needed"]),
    (
        {"pitch": {"scheme": "progression", "chords": "i VX"}},
        ["pitch.chords", "numeral 2", "'X'", "character 4"],
    ),
    (
        {"pitch": {"scheme": "progression", "chords": "i", "line": "progresion"}},
        ["pitch.line", "progression"],
    ),
    (
        {"pitch": {"scheme": "progression", "chords": "i", "line": {"scheme": "progression"}}},
        ["pitch.line", "can't be the line"],
    ),
    ({"pitch": {"scheme": "table"}}, ["music.voice[0].pitch", "degrees", "notes"]),
    ({"pitch": {"scheme": "table", "notes": ["D4", "H4"]}}, ["notes[1]", "H4"]),
    ({"pitch": {"scheme": "walk", "range": ["C#4", "C#4"]}}, ["pitch.range", "no tone", "C4"]),
    ({"pitch": {"scheme": "walk", "fold": "octaves"}}, ["pitch.fold", "octave"]),
    ({"pitch": {}}, ["'scheme' is needed"]),
    ({"rhythm": ["pattern"]}, ["rhythm[0].pattern", "x for a note"]),
    ({"rhythm": ["each", {"rule": "pattern", "pattern": "x-x"}]}, ["rhythm[1].pattern"]),
    ({"rhythm": [{"rule": "even", "notes": 9, "steps": 8}]}, ["rhythm[0].notes", "don't go into"]),
    ({"rhythm": [{"amount": 0.6}]}, ["rhythm[0]", "'rule' is needed"]),
    ({"rhythm": [{"rule": "swing", "amount": 2}]}, ["rhythm[0].amount", "at most 0.8"]),
    ({"drum": []}, ["music.voice[0].drum", "empty"]),
    ({"drum": ["closed hi hat", "snar"]}, ["drum[1]"]),
    ({"curves": [{"over": "rwo"}]}, ["curves[0].over", "row"]),
    ({"curves": [{"points": []}]}, ["curves[0].points"]),
    ({"places": "9-8"}, ["places", "ranges ascend"]),
]


@pytest.mark.parametrize(("voice", "parts"), VOICES)
def test_voices(voice, parts):
    text = refused({"music.voice": [voice]})
    for part in ("music.voice", *parts):
        assert part in text, text


def test_concert_pitch_out_of_range():
    assert "at least 390" in refused({"music.concert-pitch": 100.0})


def test_more_voices_than_channels():
    text = refused({"music.voice": [{}] * 16})
    assert "voice 16" in text
    assert "music.voice[15]" in text


def test_more_bent_notes_at_once_than_channels():
    voice = {"source": "row-chords", "name": "cluster", "pitch": {"scheme": "sweep", "span": 19}}
    text = refused({"music.scale": {"divisions": 19}, "music.voice": [voice]}, bits=("1" * 40,))
    for part in ("cluster", "19 differently bent", "15 channels", "music.voice[0]"):
        assert part in text, text


def test_as_many_bent_notes_as_channels_are_all_played():
    voice = {"source": "row-chords", "pitch": {"scheme": "sweep", "span": 15, "way": "up"}}
    show = sonify.perform(
        sonify.Disc.from_bits(["1" * 15]),
        settings={"music.scale": {"divisions": 19}, "music.voice": [voice]},
    )
    assert len(show.notes) == 15
    assert len(set(show.notes["channel"].tolist())) == 15
    assert 9 not in show.notes["channel"]


def test_voices_that_share_a_channel_can_not_be_bent_apart():
    voices = [{"name": "low", "channel": 3}, {"name": "high", "channel": 3, "octave": 1}]
    text = refused({"music.scale": "bayati", "music.voice": voices})
    assert "'low' and 'high' share channel 3" in text
    # one bend for all is no trouble
    tuned = {"music.scale": "hijaz", "music.concert-pitch": 441.0, "music.voice": voices}
    show = sonify.perform(sonify.Disc.from_bits(["10110111"] * 3), settings=tuned)
    assert set(show.notes["channel"].tolist()) == {2}


PROGRESSION = 'music.voice=[{ pitch = { scheme = "progression", chords = "i Q" } }]'


@pytest.mark.parametrize(
    ("setting", "part"),
    [
        ("music.scale={ semitones = [0, 5, 3] }", "does not lie above"),
        ('music.scale={ ratios = ["1/1", "-3/2"] }', "not above zero"),
        ('music.voice=[{ pitch = { scheme = "walk", range = ["C#4", "C#4"] } }]', "no tone"),
        (PROGRESSION, "'Q', does not parse"),
        ('music.voice=[{ rhythm = ["pattern"] }]', "x for a note"),
        (f"music.voice=[{', '.join(['{}'] * 16)}]", "no channel is free for voice 16"),
    ],
)
@pytest.mark.parametrize("command", ["midi", "score"])
def test_the_commands_say_so_in_one_line(run, tmp_path, command, setting, part):
    path = tmp_path / ("x.mid" if command == "midi" else "x.musicxml")
    result = run(command, "cairn-small", "--set", setting, "-o", path)
    assert result.status == 2
    lines = result.err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("sonify: ")
    assert part in lines[0]
    assert not path.exists()

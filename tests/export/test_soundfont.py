"""SoundFonts that are wrong or lack something, and places that can't be written: a line each."""

from __future__ import annotations

import itertools
import zlib

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.export.sound.soundfont import corrections, load_soundfont, untuned_default
from tests.export.soundfonts import soundfont


@pytest.fixture
def good(tmp_path):
    return soundfont(tmp_path / "good.sf2", {(0, 3): 69, (0, 40): 72, (128, 0): 80})


def refused(run, tmp_path, font, *parts, status=2):
    before = sorted(tmp_path.iterdir())
    result = run("sound", "cairn-small", "--soundfont", font, "-o", tmp_path / "a.wav")
    assert result.status == status
    assert result.err.count("\n") == 1
    for part in parts:
        assert str(part) in result.err
    assert "Traceback" not in result.err
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
def test_a_truncated_soundfont(run, tmp_path, good, share):
    data = good.read_bytes()
    (tmp_path / "cut.sf2").write_bytes(data[: int(len(data) * share)])
    refused(run, tmp_path, tmp_path / "cut.sf2", "cut.sf2", "cut off")


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "not a SoundFont"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "a WAV file"),
        (b"RIFF\x24\0\0\0DLS colh", "a DLS sound bank"),
        (b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0", "a MIDI file"),
        (b"<region> sample=a.wav", "text"),
        (bytes(4000), "something else"),
        (b"RIFF\x04\0\0\0sfbk", "no smpl"),
    ],
)
def test_a_soundfont_of_another_kind(run, tmp_path, data, what):
    (tmp_path / "x.sf2").write_bytes(data)
    refused(run, tmp_path, tmp_path / "x.sf2", "x.sf2", what)


def test_a_compressed_one(run, tmp_path, good):
    data = good.read_bytes()
    at = data.index(b"smpl") + 8
    (tmp_path / "c.sf2").write_bytes(data[:at] + b"OggS" + data[at + 4 :])
    refused(run, tmp_path, tmp_path / "c.sf2", "compressed", "fluidsynth")


def test_none_and_a_folder(run, tmp_path):
    refused(run, tmp_path, tmp_path / "none.sf2", "none.sf2", "no such file")
    (tmp_path / "folder").mkdir()
    refused(run, tmp_path, tmp_path / "folder", "folder")


def test_damage_inside_is_a_line(run, tmp_path, good):
    data = bytearray(good.read_bytes())
    rng = np.random.default_rng(8)
    for k in range(12):
        bad = bytearray(data)
        for at in rng.integers(12, len(bad), 40):
            bad[at] = rng.integers(256)
        path = tmp_path / f"bad{k}.sf2"
        path.write_bytes(bytes(bad))
        result = run(
            "sound", "cairn-small", "--rows", "1", "--soundfont", path, "-o", tmp_path / "a.wav"
        )
        assert result.status in (0, 1, 2), result.err
        assert "Traceback" not in result.err
        if result.status:
            assert result.err.count("\n") == 1


def test_a_program_that_it_lacks_is_named_with_what_stands_in(run, tmp_path, good):
    args = ("--rows", "1", "--soundfont", good, "-o", tmp_path / "a.wav")
    result = run("sound", "cairn-small", "--set", "music.voice.0.program=flute", *args)
    assert result.status == 0
    assert result.err.count("\n") == 1
    assert "'flute' (program 74)" in result.err
    assert "'tone 0:3' is used instead" in result.err
    there = run("sound", "cairn-small", "--set", "music.voice.0.program=4", *args)
    assert there.err == ""


def test_what_stands_in_is_what_sounds(tmp_path, good):
    """The preset that is named is the one that is heard: each has a pitch of its own."""
    from tests.export.soundfonts import render

    def heard(program: int) -> float:
        show = sonify.perform(
            sonify.load_disc("cairn-small"),
            settings={
                "sound.soundfont": str(good),
                "music.voice": [{"program": program, "pitch": {"scheme": "row-ladder"}}],
            },
        )
        x = render(show)[:, 0]
        spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x)), 1 << 20))
        return float(spectrum.argmax()) * 48000 / (1 << 20)

    # program 4 is there; 74 is not, and the first preset, which is that one, stands in
    assert heard(74) == pytest.approx(heard(4), rel=1e-3)
    assert abs(heard(41) / heard(4) - 1) > 0.05


def test_the_one_that_ships_has_every_program():
    font = load_soundfont()
    assert not font.missing([(p, False) for p in range(128)] + [(0, True)])


def test_tuning_is_for_that_file_alone(good):
    font = untuned_default()
    table = corrections(font.data)
    assert table
    assert max(abs(c) for c in table.values()) <= 25
    assert corrections(load_soundfont(str(good)).data) is None
    first = font.data[:-1] + bytes((font.data[-1] ^ 1,))
    assert zlib.crc32(first) != zlib.crc32(font.data)
    assert corrections(first) is None


def test_cents_go_to_zones_with_and_without_a_fine_tuning(good):
    font = load_soundfont(str(good))
    changed = font.retuned({0: 7, 2: -5})
    gens = changed.array("igen", "<i2").reshape(-1, 2)
    bags = changed.array("ibag", "<u2").reshape(-1, 2)[:, 0]
    zones = [dict(gens[a:b].tolist()) for a, b in itertools.pairwise(bags)]
    assert [z.get(52, 0) for z in zones] == [7, 0, -5]
    # the sample stays the last generator of its zone (SoundFont 2.04, section 7.9)
    assert all(gens[b - 1, 0] == 53 for b in bags[1:])
    again = changed.retuned({0: 1, 1: 2})
    gens = again.array("igen", "<i2").reshape(-1, 2)
    bags = again.array("ibag", "<u2").reshape(-1, 2)[:, 0]
    zones = [dict(gens[a:b].tolist()) for a, b in itertools.pairwise(bags)]
    assert [z.get(52, 0) for z in zones] == [8, 2, -5]


# ---- everything else that can be wrong


def test_a_suffix_that_is_not_offered(run, tmp_path):
    result = run("sound", "cairn-small", "-o", tmp_path / "a.ogg")
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert ".wav, .flac, .opus, .mp3, .m4a" in result.err


def test_an_unwritable_place(run, open_folder, nobody):
    shut = open_folder / "shut"
    shut.mkdir(mode=0o555)
    with nobody():
        result = run("sound", "cairn-small", "--rows", "1", "-o", shut / "a.wav")
    assert result.status == 1
    assert result.err.count("\n") == 1
    assert "permission denied" in result.err


@pytest.mark.parametrize("kind", [".wav", ".flac", ".opus", ".mp3", ".m4a"])
def test_a_full_disk(run, tmp_path, full_disk, kind):
    path = tmp_path / f"a{kind}"
    full_disk(path)
    result = run("sound", "cairn-small", "--rows", "1", "-o", path)
    assert result.status == 1
    assert result.err.count("\n") == 1
    assert "disk is full" in result.err
    assert not path.exists()


@pytest.mark.parametrize(
    ("args", "parts"),
    [
        (["--loudness", "loud"], ["--loudness", "LUFS"]),
        (["--loudness", "3"], ["sound.loudness"]),
        (["--rows", "9-12"], ["--rows"]),
        (["--rows", "x"], ["--rows"]),
        (["--from", "500"], ["not a range of this piece"]),
        (["--from", "5", "--to", "2"], ["not a range of this piece"]),
        (["--set", "sound.rate=8000"], ["sound.rate"]),
        (["--set", "sound.renderer=brass"], ["sound.renderer", "midirenderer"]),
    ],
)
def test_calls_that_make_no_sense(run, tmp_path, args, parts):
    result = run("sound", "cairn-small", *args, "-o", tmp_path / "a.wav")
    assert result.status == 2
    assert result.err.count("\n") == 1
    for part in parts:
        assert part in result.err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("name", "setting", "part"),
    [("a.opus", "sound.rate=44100", "48000"), ("a.flac", "sound.bits=32", "16, 24")],
)
def test_what_a_kind_can_not_hold(run, tmp_path, name, setting, part):
    result = run("sound", "cairn-small", "--rows", "1", "--set", setting, "-o", tmp_path / name)
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert part in result.err
    assert not list(tmp_path.iterdir())


def test_a_piece_of_days_is_refused_before_memory_is_taken():
    from tests.export.soundfonts import render

    disc = sonify.Disc.from_bits(["1" * 1000] * 2000)
    with pytest.raises(InputError, match="hours long"):
        render(sonify.perform(disc, settings={"player.rpm": 0.5}))

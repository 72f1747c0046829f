"""What sound files say about their place in the piece, and stems without effects.

Sources: EBU Tech 3285 version 2 (the broadcast extension) and the sampler chunk of RIFF, as
wavinfo and exiftool read them; tags as mutagen reads them.
"""

from __future__ import annotations

import json
import shutil
import struct
import subprocess

import mido
import mutagen
import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

import sonify
from tests.export.soundfonts import TICK, soundfont
from tests.nightly import sampled

VOICES = [
    {"name": "bells", "pitch": "place", "program": "vibraphone"},
    {"name": "block", "source": "row-starts", "drum": "low wood block"},
]


@pytest.fixture(scope="module")
def show() -> sonify.Performance:
    """A turn of 6 s, 140 quarters a minute."""
    return sonify.perform(sonify.load_disc("cairn-small"), settings={"music.voice": VOICES})


def test_a_loop_has_its_points_and_its_place_in_the_piece(show, tmp_path):
    path = show.save(tmp_path / "a.wav", rows="2", loop=0, stems=str(tmp_path / "stems"))
    start = round(show.timeline.row_start_s()[1] * 48000)
    for file in (path, *sorted((tmp_path / "stems").iterdir())):
        info = WavInfoReader(str(file))
        assert info.bext.version == 2
        assert info.bext.time_reference == start
        assert "140 quarter notes a minute" in info.bext.description
        (loop,) = info.smpl.sample_loops
        frames = soundfile.info(file).frames
        # the last sample belongs to the loop
        assert (loop.start, loop.end, loop.repetition_count) == (0, frames - 1, 0)
    whole = WavInfoReader(str(show.save(tmp_path / "b.wav")))
    assert whole.smpl is None
    assert whole.bext.time_reference == 0
    data, rate = soundfile.read(path)
    assert rate == 48000
    assert whole.bext.loudness_value == pytest.approx(-14.0, abs=0.02)
    assert len(data) == info.data.frame_count


def test_the_loop_byte_by_byte(show, tmp_path):
    """The sampler chunk's nine numbers, and six for each loop, as Microsoft's New Multimedia Data
    Types and Data Techniques (1994) has them, from memory."""
    path = show.save(tmp_path / "a.wav", rows="2", loop=0)
    data = path.read_bytes()
    assert struct.unpack("<4sI4s", data[:12]) == (b"RIFF", len(data) - 8, b"WAVE")
    at, chunks = 12, {}
    while at < len(data):
        tag, size = struct.unpack("<4sI", data[at : at + 8])
        chunks[tag] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(data)
    frames = soundfile.info(path).frames
    sampler = (
        0, 0,  # manufacturer and product: none
        20833,  # a sample lasts so many ns at 48 kHz
        60, 0,  # as recorded on middle C, and no fraction of a semitone
        0, 0,  # no SMPTE time
        1, 0,  # one loop, no data of a maker's own
    )  # fmt: skip
    # its number, forwards, first and last sample, no fraction, for ever
    loop = (0, 0, 0, frames - 1, 0, 0)
    assert struct.unpack("<15I", chunks[b"smpl"]) == sampler + loop


@pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool (Debian) is not installed")
def test_exiftool_reads_the_same(show, tmp_path):
    path = show.save(tmp_path / "a.wav", loop=0)
    out = subprocess.run(["exiftool", "-j", path], capture_output=True, check=True).stdout
    (told,) = json.loads(out)
    assert told["NumSampleLoops"] == 1
    assert told["BWFVersion"] == 2
    assert told["TimeReference"] == 0
    assert "Warning" not in told


@pytest.mark.parametrize(("suffix", "key", "value"), [
    (".flac", "bpm", ["140"]), (".opus", "bpm", ["140"]), (".mp3", "TBPM", ["140"]),
    (".m4a", "tmpo", [140]),
])  # fmt: skip
def test_tempo_and_loop_tags(show, tmp_path, suffix, key, value):
    tags = mutagen.File(show.save(tmp_path / f"a{suffix}", rows="1", loop=0)).tags
    found = tags[key]
    assert getattr(found, "text", found) == value
    if suffix == ".flac":
        frames = soundfile.info(tmp_path / "a.flac").frames
        assert (tags["loopstart"], tags["looplength"]) == (["0"], [str(frames)])


def test_a_tempo_that_moves_is_not_one(tmp_path):
    show = sonify.perform(sonify.load_disc("cairn-small"), ["hut-band"])
    assert "bpm" not in mutagen.File(show.save(tmp_path / "a.flac", rows="1")).tags


@pytest.mark.parametrize("rate", sampled([44100, 96000], 1))
def test_a_loop_at_another_rate_has_no_seam(show, tmp_path, rate):
    settings = {"music.voice": VOICES, "sound.bits": 32}
    one = sonify.perform(show.disc, settings=settings)
    other = sonify.perform(show.disc, settings={**settings, "sound.rate": rate})
    x, _ = soundfile.read(one.save(tmp_path / "a.wav", rows="1", loop=0))
    y, found = soundfile.read(other.save(tmp_path / "b.wav", rows="1", loop=0))
    assert found == rate
    assert len(y) == round(len(x) * rate / 48000)
    # a sound that repeats has a spectrum of lines: its exact values at another rate
    lines = np.fft.rfft(x, axis=0)
    count = len(y) // 2 + 1
    lines = np.concatenate([lines, np.zeros((max(0, count - len(lines)), 2))])[:count]
    exact = np.fft.irfft(lines, len(y), axis=0) * len(y) / len(x)
    off = np.abs(y - exact).max(axis=1)
    edge = np.r_[off[:2000], off[-2000:]].max()
    assert edge < max(2 * np.median(off), 2e-3 * np.abs(exact).max())


def test_dry_stems_have_no_room(show, tmp_path):
    show.save(tmp_path / "a.wav", stems=str(tmp_path / "stems"), stems_as="both")
    names = [f.name for f in sorted((tmp_path / "stems").iterdir())]
    assert names == [
        "cairn-small-01-bells-dry.wav", "cairn-small-01-bells.wav",
        "cairn-small-02-block-dry.wav", "cairn-small-02-block.wav",
    ]  # fmt: skip
    wet, dry = (soundfile.read(tmp_path / "stems" / n)[0] for n in (names[3], names[2]))
    assert wet.shape == dry.shape
    # a wood block is silent after 0.3 s; a room is not
    tail = slice(int(0.35 * 48000), int(0.9 * 48000))
    assert np.abs(wet[tail]).max() > 10 * np.abs(dry[tail]).max()
    hit = slice(0, int(0.05 * 48000))
    assert np.abs(dry[hit]).max() == pytest.approx(np.abs(wet[hit]).max(), rel=0.3)


def test_midi_and_stems_start_at_the_same_sample(tmp_path):
    """The first sharp tone of each stem against the MIDI file, read by mido."""
    font = soundfont(tmp_path / "t.sf2", TICK, sharp=True)
    show = sonify.perform(
        sonify.Disc.from_bits(["0001000100010001"] * 2),
        settings={"music.voice": VOICES, "sound.soundfont": str(font), "sound.loudness": "off"},
    )
    show.save(tmp_path / "a.wav", stems=str(tmp_path / "stems"), stems_as="dry")
    file = mido.MidiFile(show.save(tmp_path / "a.mid"))
    for track, stem in zip(file.tracks[1:], sorted((tmp_path / "stems").iterdir()), strict=True):
        tick = 0
        for m in track:
            tick += m.time
            if m.type == "note_on":
                break
        want = mido.tick2second(tick, file.ticks_per_beat, round(6e7 / show.tempo_bpm)) * 48000
        x = np.abs(soundfile.read(stem)[0]).max(axis=1)
        first = np.flatnonzero(x > 0.2 * x.max())[0]
        # the renderer acts on blocks of 64 samples
        assert abs(first - want) <= 64

"""Sound files: every kind decoded again, lengths, tags, ranges, loops, stems, sameness."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

import sonify
from sonify.export.sound.audio import RATE
from sonify.export.sound.file import compressed
from sonify.export.sound.master import mastered
from sonify.export.sound.options import SoundOptions
from tests.export.soundfonts import render
from tests.nightly import late, nightly, sampled

KINDS = (".wav", ".flac", ".opus", ".mp3", ".m4a")

needs_ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None, reason="ffmpeg (Debian) is not installed"
)


def decoded(path: Path) -> np.ndarray:
    """The samples of a file at 48 kHz as ffmpeg decodes them, shape (samples, 2)."""
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-ac", "2", "-ar", str(RATE), "-"],
        capture_output=True,
        check=True,
    ).stdout
    return np.frombuffer(raw, "<f4").reshape(-1, 2)


def probed(path: Path) -> dict:
    out = subprocess.run(
        ["ffprobe", "-v", "error", "-of", "json", "-show_format", "-show_streams", path],
        capture_output=True,
        check=True,
    ).stdout
    return json.loads(out)


@pytest.fixture(scope="module")
def show() -> sonify.Performance:
    return sonify.perform(sonify.load_disc("cairn-small"), presets=["music-box", "quick"])


@pytest.fixture(scope="module")
def plain() -> sonify.Performance:
    """At the level that the renderer gives, so that parts of it add up."""
    return sonify.perform(
        sonify.load_disc("cairn-middle"),
        presets=["hut-band", "quick"],
        settings={"sound.loudness": "off"},
    )


@pytest.fixture(scope="module")
def whole(show) -> np.ndarray:
    return render(show)


def alike(a: np.ndarray, b: np.ndarray) -> float:
    """Correlation of two sounds as they lie."""
    n = min(len(a), len(b))
    x, y = a[:n].astype(float).ravel(), b[:n].astype(float).ravel()
    return float(x @ y / np.sqrt((x @ x) * (y @ y)))


# samples of a codec's frame: AAC-LC 1024 (ISO/IEC 14496-3), MPEG-1 layer III 1152
# (ISO/IEC 11172-3), Opus 960 at 20 ms (RFC 6716)
FRAME = {".wav": 1, ".flac": 1, ".opus": 960, ".mp3": 1152, ".m4a": 1024}


@needs_ffmpeg
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_decodes_to_the_same_sound_length_and_title(show, whole, tmp_path, kind):
    path = show.save(tmp_path / f"a{kind}")
    got = decoded(path)
    assert abs(len(got) - len(whole)) < FRAME[kind]
    # as it lies: a shift of a few samples would be seen
    assert alike(got, whole) > (0.9999999 if FRAME[kind] == 1 else 0.99)
    facts = probed(path)
    tags = {
        k.casefold(): v
        for part in (facts["format"], *facts["streams"])
        for k, v in part.get("tags", {}).items()
    }
    assert tags["title"] == "Cairn Hut, 14 March"
    assert facts["streams"][0]["sample_rate"] == "48000"
    assert facts["streams"][0]["channels"] == 2


@pytest.mark.parametrize(
    ("kind", "bits", "subtype", "step"),
    [
        (".wav", 16, "PCM_16", 2**-15),
        (".wav", 24, "PCM_24", 2**-23),
        (".wav", 32, "FLOAT", 2**-24),
        late(".flac", 16, "PCM_16", 2**-15),
        (".flac", 24, "PCM_24", 2**-23),
    ],
)
def test_sample_sizes(whole, tmp_path, kind, bits, subtype, step):
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        presets=["music-box", "quick"],
        settings={"sound.bits": bits},
    )
    path = show.save(tmp_path / f"a{kind}")
    info = soundfile.info(path)
    assert (info.subtype, info.samplerate, info.channels) == (subtype, 48000, 2)
    got, _ = soundfile.read(path, dtype="float64")
    # dither moves a 16-bit sample by up to a step and a half
    assert np.abs(got - whole).max() <= step * (1.5 if bits == 16 else 0.51)


def test_sixteen_bits_are_dithered(tmp_path):
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        settings={"sound.bits": 16, "sound.loudness": -60, "player.rpm": 60},
    )
    got, _ = soundfile.read(show.save(tmp_path / "a.wav"), dtype="float64")
    exact = render(show)
    error = (got - exact) * 2**15
    # triangular dither: an error with a variance of a quarter step squared, whatever the signal
    # (Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40, 1992)
    assert error.var() == pytest.approx(0.25, rel=0.02)
    assert abs(np.corrcoef(error[:, 0], exact[:, 0])[0, 1]) < 0.01


@pytest.mark.parametrize("rate", sampled([44100, 96000], 1))
def test_other_rates(whole, tmp_path, rate):
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        presets=["music-box", "quick"],
        settings={"sound.rate": rate},
    )
    path = show.save(tmp_path / "a.wav")
    got, has = soundfile.read(path)
    assert has == rate
    assert len(got) == pytest.approx(len(whole) * rate / RATE, abs=2)
    # compared below 20 kHz by their spectra
    n = 1 << 17
    a, b = np.fft.rfft(got[: n * rate // RATE, 0]), np.fft.rfft(whole[:n, 0])
    k = int(15000 * n / RATE)
    assert np.abs(np.abs(a[:k]) * RATE / rate - np.abs(b[:k])).max() < 0.02 * np.abs(b[:k]).max()


@nightly
@pytest.mark.parametrize("kind", KINDS)
def test_same_input_gives_the_same_bytes(show, tmp_path, kind):
    one = show.save(tmp_path / f"a{kind}").read_bytes()
    again = sonify.perform(sonify.load_disc("cairn-small"), presets=["music-box", "quick"])
    assert again.save(tmp_path / f"b{kind}").read_bytes() == one


def test_the_library_gives_bytes(show, tmp_path):
    assert compressed(show, ".flac") == show.save(tmp_path / "a.flac").read_bytes()
    assert len(compressed(show, ".opus", 64)) < len(compressed(show, ".opus", 192))


def test_it_lasts_as_long_as_the_midi_file_and_rings_out(tmp_path):
    # tubular bells ring on long after the last bar
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        presets=["quick"],
        settings={"music.voice.0.program": "tubular bells"},
    )
    import mido

    last = mido.MidiFile(show.save(tmp_path / "a.mid")).length
    sound = mastered(show)
    assert sound.seconds >= last - 1 / RATE
    end = sound.read(sound.size - 480, sound.size)
    assert np.abs(end).max() < 10 ** (-60 / 20)
    after = sound.read(round(last * RATE), round((last + 0.2) * RATE))
    assert np.abs(after).max() > 10 ** (-45 / 20), "nothing rings after the last bar"


def test_a_range_is_that_part_of_the_whole(plain):
    everything = render(plain)
    start = plain.timeline.row_start_s()[1]
    part = render(plain, options=SoundOptions(rows="2"))
    a = round(start * RATE)
    n = round((plain.timeline.row_start_s()[2] - start) * RATE)
    # what rang before fades in within 10 ms; the renderer's steps differ by what it is given
    assert alike(part[480:n], everything[a + 480 : a + n]) > 0.998
    assert len(part) > n, "it rings out"
    end = float(plain.timeline.row_start_s()[2])
    seconds = render(plain, options=SoundOptions(from_s=start, to_s=end))
    assert alike(seconds, part) > 0.99999


def test_a_loop_is_the_sum_of_its_passes(plain):
    one = render(plain, options=SoundOptions(rows="2"))
    three = render(plain, options=SoundOptions(rows="2", loop=3))
    starts = plain.timeline.row_start_s()
    period = (starts[2] - starts[1]) * RATE
    want = np.zeros_like(three)
    for k in range(3):
        at = round(k * period)
        want[at : at + len(one)] += one
    assert len(three) == round(2 * period) + len(one)
    assert np.abs(three - want).max() < 1e-6


def test_a_loop_has_no_click(plain):
    three = render(plain, options=SoundOptions(rows="2", loop=3)).astype(float)
    starts = plain.timeline.row_start_s()
    period = round((starts[2] - starts[1]) * RATE)
    # a click is a jump: the steepest step at the seams is no steeper than elsewhere
    step = np.abs(np.diff(three, axis=0)).max(axis=1)
    seams = np.concatenate([step[k * period - 240 : k * period] for k in (1, 2)])
    assert seams.max() <= np.percentile(step, 99.99)


def test_endless_loop_repeats_without_a_seam(plain):
    starts = plain.timeline.row_start_s()
    exact = (starts[2] - starts[1]) * RATE
    period = round(exact)
    one = render(plain, options=SoundOptions(rows="2", loop=0))
    assert len(one) == period
    many = render(plain, options=SoundOptions(rows="2", loop=8))
    settled = many[round(5 * exact) :][:period]
    assert np.abs(np.tile(one, (2, 1))[period : 2 * period] - settled).max() < 5e-4


def test_stems_sum_to_the_mix(tmp_path):
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=["hut-band", "quick"])
    show.save(tmp_path / "mix.wav", stems=str(tmp_path / "stems"))
    mix, _ = soundfile.read(tmp_path / "mix.wav")
    files = sorted((tmp_path / "stems").iterdir())
    assert len(files) == len(show.parts)
    assert [soundfile.SoundFile(f).title for f in files] == [
        f"Cairn Hut, 14 March: {p.name}" for p in show.parts
    ]
    parts = [soundfile.read(f)[0] for f in files]
    assert {p.shape for p in parts} == {mix.shape}
    assert all(np.abs(p).max() > 0.01 for p, v in zip(parts, show.parts, strict=True) if len(v))
    rest = sum(parts) - mix
    assert 20 * np.log10(np.sqrt((rest**2).mean() / (mix**2).mean())) < -60
    # the mix is the same without stems
    plain = show.save(tmp_path / "again.wav")
    assert plain.read_bytes() == (tmp_path / "mix.wav").read_bytes()


def test_speed_keeps_the_pitch():
    """One long tone: notes that repeat part its spectrum into lines of their own."""
    one = {
        "music.voice.0.pitch": "one-tone",
        "music.voice.0.program": "church organ",
        "music.voice.0.rhythm": ["joined"],
    }
    tone = sonify.perform(sonify.Disc.from_bits(["1" * 56]), ["quick"], one)
    slow, quick = render(tone), render(tone, options=SoundOptions(speed=2.0))
    assert len(quick) < 0.75 * len(slow)

    def strongest(x: np.ndarray) -> float:
        spectrum = np.abs(np.fft.rfft(x[:, 0] * np.hanning(len(x)), 1 << 20))
        return float(spectrum.argmax() * RATE / (1 << 20))

    assert strongest(quick) == pytest.approx(strongest(slow), rel=0.003)


def test_a_disc_without_ones_is_silent(run, tmp_path):
    (tmp_path / "d.toml").write_text('bits = ["00000000", "00000000"]\n[code]\n')
    result = run("sound", tmp_path / "d.toml", "-o", tmp_path / "a.wav")
    assert result.status == 0
    assert "silent" in result.out
    assert "no note plays" in result.err
    got, _ = soundfile.read(tmp_path / "a.wav")
    assert len(got)
    assert not got.any()


def test_the_command_prints_a_line_with_level(run, tmp_path):
    result = run("sound", "cairn-small", "-p", "quick", "-o", tmp_path / "a.flac")
    assert result.status == 0
    assert "-14.0 LUFS" in result.out
    assert "dBTP" in result.out
    assert result.out.count("\n") == 1


def test_make_brings_the_sound(run, tmp_path):
    result = run("make", "cairn-small", "-p", "quick", "--only", "sound", "-o", tmp_path)
    assert result.status == 0
    assert [p.name for p in tmp_path.iterdir()] == ["cairn-small.wav"]


def test_loud_is_cautioned(run, tmp_path):
    result = run(
        "sound", "cairn-small", "--loudness", "-8", "--rows", "1", "-o", tmp_path / "a.wav"
    )
    assert "loud" in result.err
    assert "volume down" in run("sound", "--help").out
    assert "volume down" in run("play", "--help").out

"""Loudness and true peak, against pyloudnorm and ffmpeg's ebur128 filter."""

from __future__ import annotations

import re
import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile

import sonify
from sonify.export.sound.audio import RATE, StoredAudio
from sonify.export.sound.gain import Level, level
from sonify.export.sound.loudness import Meter, integrated, steps_of, true_peaks
from tests.nightly import sampled_rows

needs_ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None, reason="ffmpeg (Debian) is not installed"
)


def take_of(x: np.ndarray) -> StoredAudio:
    out = StoredAudio()
    out.add(np.ascontiguousarray(x, np.float32))
    return out


def measured(x: np.ndarray, lufs: float | None = None) -> Level:
    meter = Meter(take_of(x))
    meter.measure(end=True)
    return level(meter, lufs, -1.0)


def ebur128(path: Path) -> tuple[float, float]:
    """Integrated loudness and true peak, by ffmpeg."""
    says = subprocess.run(
        ["ffmpeg", "-nostats", "-hide_banner", "-i", path,
         "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True,
        check=True,
        text=True,
    ).stderr.rpartition("Summary:")[2]  # fmt: skip
    lufs = float(re.search(r"I:\s+(-?[\d.]+) LUFS", says).group(1))
    peak = float(re.search(r"Peak:\s+(-?[\d.]+) dBFS", says).group(1))
    return lufs, peak


def by_pyloudnorm(x: np.ndarray) -> float:
    import pyloudnorm

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(pyloudnorm.Meter(RATE).integrated_loudness(x))


@pytest.mark.parametrize("in_memory", [0, 8 * 250, 8 * 1000])
def test_a_take_is_what_was_put_into_it_wherever_it_lies(in_memory):
    rng = np.random.default_rng(7)
    blocks = [rng.random((n, 2)).astype(np.float32) for n in (100, 0, 130, 50, 300, 1)]
    whole = np.concatenate(blocks)
    take = StoredAudio(in_memory)
    for block in blocks:
        take.add(block)
    for start, end in ((0, 581), (-5, 90), (95, 105), (229, 231), (250, 600), (300, 300)):
        want = np.zeros((end - start, 2), np.float32)
        low, high = max(start, 0), min(end, 581)
        want[low - start : high - start] = whole[low:high]
        assert np.array_equal(take.read(start, end), want)
    take.cut(200)
    assert not take.read(200, 400).any()
    assert np.array_equal(take.read(190, 210)[:10], whole[190:200])


def tone(db: float, seconds: float = 5.0, frequency: float = 997.0) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    return np.repeat((10 ** (db / 20) * np.sin(2 * np.pi * frequency * t))[:, None], 2, axis=1)


# EBU Tech 3341 (2016), table 1, "minimum requirements test signals" 1 to 5, stereo sines of
# 1000 Hz; the values were set down from memory of that table
EBU = {
    "1": ([(-23, 20)], -23.0),
    "2": ([(-33, 20)], -33.0),
    "3": ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
    "4": ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
    "5": ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
}


@pytest.mark.parametrize("name", EBU)
def test_loudness_of_the_published_test_signals(name):
    parts, want = EBU[name]
    x = np.concatenate([tone(db, s, 1000.0) for db, s in parts])
    assert measured(x).lufs == pytest.approx(want, abs=0.1)


def test_loudness_against_pyloudnorm_on_noise_and_gaps():
    rng = np.random.default_rng(3)
    for _ in range(6):
        x = rng.standard_normal((RATE * 6, 2)) * 10 ** (rng.uniform(-40, -10) / 20)
        x[RATE * 2 : RATE * 4] *= 10 ** (-rng.uniform(0, 60) / 20)
        # bass and treble differ: the weighting is at work
        x = np.cumsum(x, axis=0) * 0.01 if rng.random() < 0.5 else x
        assert measured(x).lufs == pytest.approx(by_pyloudnorm(x), abs=0.1)


def test_true_peak_lies_between_the_samples():
    # a quarter of the sample rate, 45 degrees off: samples reach 0.7071 of the peak
    t = np.arange(RATE)
    x = np.repeat((0.5 * np.sin(np.pi / 2 * t + np.pi / 4))[:, None], 2, axis=1)
    assert np.abs(x).max() == pytest.approx(0.5 / np.sqrt(2), abs=1e-6)
    middle = np.arange(100, 300)
    assert true_peaks(take_of(x), middle).max() == pytest.approx(0.5, rel=0.02)


def test_silence_and_shortness_are_no_trouble():
    assert measured(np.zeros((RATE, 2))).lufs == -np.inf
    assert measured(np.zeros((0, 2))).lufs == -np.inf
    short = tone(-20, 0.1)
    assert np.isfinite(measured(short).lufs)


def test_the_limiter_keeps_every_true_peak_under_the_ceiling():
    rng = np.random.default_rng(5)
    # ticks on a soft ground: far more peak than loudness
    x = rng.standard_normal((RATE * 8, 2)) * 0.01
    for at in rng.integers(0, len(x) - 400, 60):
        x[at : at + 400] += np.exp(-np.arange(400) / 60)[:, None] * rng.uniform(0.3, 1)
    take = take_of(x)
    got = measured(x, -14.0)
    y = got.apply(take, 0, take.size)
    assert got.limited_db > 3, "the case is too easy to show anything"
    assert by_pyloudnorm(y) == pytest.approx(got.lufs, abs=0.1)
    cells = np.arange(take.size // 96)
    assert 20 * np.log10(true_peaks(take_of(y), cells).max()) < -0.95
    # read in any pieces it is the same
    pieces = [got.apply(take, a, min(a + 7919, take.size)) for a in range(0, take.size, 7919)]
    assert np.abs(np.concatenate(pieces) - y).max() < 1e-6
    # the gain moves slowly: no sample to sample step that could be heard as a click
    gain = got.curve.at(0, len(cells))
    assert np.abs(np.diff(20 * np.log10(gain))).max() < 2.0


CASES = [
    ("cairn-small", ["music-box", "usual"], -14.0, -1.0),
    ("cairn-middle", ["ridge-run", "quick"], -14.0, -1.0),
    ("cairn-small", ["telegraph", "quick"], -14.0, -1.0),
    ("cairn-middle", ["hut-band", "quick"], -16.0, -2.0),
    ("cairn-small", ["koto-pond", "quick"], -12.0, -1.0),
    ("cairn-wire", ["bell-tower", "quick"], -23.0, -1.0),
]


@needs_ffmpeg
@pytest.mark.parametrize(("disc", "presets", "lufs", "peak"), sampled_rows(CASES, 3))
def test_files_have_the_loudness_and_peak_that_was_asked(tmp_path, disc, presets, lufs, peak):
    show = sonify.perform(
        sonify.load_disc(disc),
        presets=presets,
        settings={"sound.loudness": lufs, "sound.true-peak": peak},
    )
    path = show.save(tmp_path / "a.wav")
    x, _ = soundfile.read(path)
    assert by_pyloudnorm(x) == pytest.approx(lufs, abs=0.2)
    said, top = ebur128(path)
    assert said == pytest.approx(lufs, abs=0.2)
    assert top <= peak + 0.2


@needs_ffmpeg
def test_where_peaks_are_cut_they_come_to_the_ceiling(tmp_path):
    """Dry ticks asked for very loud: the true peak is then the one that was asked."""
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        presets=["telegraph", "quick"],
        settings={"sound.loudness": -7.0},
    )
    path = show.save(tmp_path / "a.wav")
    assert ebur128(path)[1] == pytest.approx(-1.0, abs=0.2)


def test_off_leaves_the_level():
    disc = sonify.load_disc("cairn-small")
    from sonify.export.sound.master import mastered

    one = mastered(sonify.perform(disc, settings={"sound.loudness": "off"}))
    assert one.level.curve.gain == 1.0
    assert one.level.curve.at(0, 1000) is None
    assert one.level.lufs < -20


def test_what_can_not_be_reached_is_said(run, tmp_path):
    (tmp_path / "d.toml").write_text('bits = ["1000000000000000"]\n')
    result = run(
        "sound", tmp_path / "d.toml", "--set", "music.voice.0.program=woodblock", "--loudness",
        "-5", "-o", tmp_path / "a.wav",
    )  # fmt: skip
    assert result.status == 0
    assert "quieter than you asked for" in result.err


def test_energy_is_gated_as_published():
    # BS.1770-4: blocks under -70 LUFS don't count, nor those 10 LU under the rest
    loud, soft = np.full(50 * 10 * 30, 96 * 2 * 0.01), np.full(50 * 10 * 60, 96 * 2 * 1e-7)
    both = steps_of([loud, soft], len(loud) + len(soft))
    assert integrated(both) == pytest.approx(integrated(steps_of([loud], len(loud))), abs=0.05)

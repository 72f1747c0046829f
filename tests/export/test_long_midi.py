"""MIDI files of discs that are made in blocks: their notes, and the memory that they take."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import sonify
from tests.nightly import nightly

WIDE = 1000
STEP_TICKS = 480 // 4
STATUS = Path("/proc/self/status")

MOST_EACH = 8.0
"""Bytes that a position more may take: 1 for its bit, 1 for the array or text that a disc is made
from, and 2 for the tables of the form, twice over because a system gives memory in large pieces. In
one piece, notes and messages take 33."""

PEAK = """
import sys
import numpy as np
import sonify
bits = np.random.default_rng(1).integers(0, 2, (int(sys.argv[1]), 1000), np.int8)
sonify.perform(sonify.Disc.from_bits(bits)).save(sys.argv[2])
"""
COMMAND = """
import sys
from sonify.cli.app import sonify
sonify.main(["midi", sys.argv[1], "-o", sys.argv[2]], standalone_mode=False)
"""
SAY = "print(next(x for x in open('/proc/self/status') if x.startswith('VmHWM')).split()[1])"


def bits_of(rows: int) -> np.ndarray:
    return np.random.default_rng(1).integers(0, 2, (rows, WIDE), np.int8)


def peak(script: str, *args: object) -> int:
    """The most bytes that a Python process with this script holds at once."""
    command = [sys.executable, "-c", script + SAY, *map(str, args)]
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=True)
    return int(done.stdout.split()[-1]) * 1024


@pytest.mark.parametrize("tracks", ["voices", "one"])
def test_a_second_library_reads_every_note_of_a_long_disc(tmp_path, tracks):
    import symusic

    bits = bits_of(600)
    show = sonify.perform(
        sonify.Disc.from_bits(bits),
        settings={
            "player.stage": 0.0, "player.settle": 0.0, "player.rpm": 10.0,
            "music.step": "1/16", "music.scale": "major", "music.root": "C4",
            "music.voice": [
                {"pitch": {"scheme": "count", "span": 7, "turn": False}},
                {"drum": "hand clap", "source": "row-starts", "rhythm": "held"},
            ],
        },
    )  # fmt: skip
    assert sum(1 for _ in show.blocks()) > 2
    path = show.save(tmp_path / "a.mid", tracks=tracks)
    assert os.listdir(tmp_path) == ["a.mid"]
    score = symusic.Score(str(path))
    assert score.ticks_per_quarter == 480
    notes = {t.is_drum: t.notes.numpy() for t in score.tracks if len(t.notes)}
    ones = np.flatnonzero(bits.reshape(-1))
    np.testing.assert_array_equal(notes[False]["time"], ones * STEP_TICKS)
    assert set(notes[False]["duration"].tolist()) == {STEP_TICKS}
    # degrees of the major scale, one after the other
    tone = 60 + np.array([0, 2, 4, 5, 7, 9, 11])
    np.testing.assert_array_equal(notes[False]["pitch"], tone[np.arange(len(ones)) % 7])
    # each is held until the next row begins
    row = WIDE * STEP_TICKS
    np.testing.assert_array_equal(notes[True]["time"], np.arange(600) * row)
    assert set(notes[True]["duration"].tolist()) == {row}


@pytest.mark.skipif(not STATUS.exists(), reason="the system does not tell a process's peak")
def test_memory_does_not_grow_with_the_notes(tmp_path):
    few, many = (peak(PEAK, rows, tmp_path / "a.mid") for rows in (1000, 4000))
    assert (many - few) / (3000 * WIDE) < MOST_EACH


@nightly
@pytest.mark.skipif(not STATUS.exists(), reason="the system does not tell a process's peak")
def test_neither_does_that_of_the_command(tmp_path):
    peaks = []
    for rows in (1000, 4000, 16000):
        disc = tmp_path / f"{rows}.toml"
        with disc.open("wb") as out:
            out.write(b"bits = [\n")
            for row in bits_of(rows):
                out.write(b'"' + (row + ord("0")).astype(np.uint8).tobytes() + b'",\n')
            out.write(b"]\n")
        peaks.append(peak(COMMAND, disc, tmp_path / "a.mid"))
    assert (peaks[1] - peaks[0]) / (3000 * WIDE) < MOST_EACH
    assert (peaks[2] - peaks[1]) / (12000 * WIDE) < MOST_EACH

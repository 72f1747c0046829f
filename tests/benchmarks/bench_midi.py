"""Bits to notes to MIDI bytes, beside the libraries that others write MIDI with, and the memory.

`SONIFY_MILLIONS=100` measures the memory of a disc with so many million positions; 16 without.
"""

from __future__ import annotations

import io
import os
import tempfile
import time
from pathlib import Path

import mido
import numpy as np
import symusic

import sonify
from sonify.export.midi import midi_bytes
from tests.benchmarks.measure import alternating
from tests.export.test_long_midi import MOST_EACH, PEAK, peak

WIDE = 1000


def disc_of(positions: int) -> sonify.Disc:
    grid = np.random.default_rng(1).integers(0, 2, (positions // WIDE, WIDE)).astype(np.int8)
    return sonify.Disc.from_bits(grid, layout=sonify.Layout(positions=WIDE))


def ours(disc: sonify.Disc) -> int:
    return sum(map(len, midi_bytes(sonify.perform(disc))))


def in_blocks(disc: sonify.Disc, path: Path) -> None:
    sonify.perform(disc).save(path)


def with_mido(notes: np.ndarray) -> int:
    """The plain way: a message object a note-on and note-off."""
    file = mido.MidiFile()
    track = mido.MidiTrack()
    file.tracks.append(track)
    now = 0
    for on, long, pitch in notes:
        track.append(mido.Message("note_on", note=pitch, velocity=84, time=on - now))
        track.append(mido.Message("note_off", note=pitch, velocity=64, time=long))
        now = on + long
    out = io.BytesIO()
    file.save(file=out)
    return len(out.getvalue())


def with_symusic(on: np.ndarray, long: np.ndarray, pitch: np.ndarray) -> int:
    """A C++ library, given ready arrays."""
    score = symusic.Score(480)
    track = symusic.Track()
    track.notes = symusic.Note.from_numpy(on, long, pitch, np.full(len(on), 84, np.int8))
    score.tracks.append(track)
    return len(score.dumps_midi())


def run() -> list[tuple[str, float, str]]:
    million, ten = disc_of(1_000_000), disc_of(10_000_000)
    part = sonify.perform(million).parts[0]
    on, long = part.on.astype(np.int32), (part.off - part.on).astype(np.int32)
    pitch = part.pitch.astype(np.int8)
    few = list(
        zip(on[:20_000].tolist(), long[:20_000].tolist(), pitch[:20_000].tolist(), strict=True)
    )

    folder = tempfile.TemporaryDirectory()
    path = Path(folder.name, "a.mid")
    t_ours, t_symusic, t_ten, t_blocks, t_mido = alternating(
        [
            lambda: ours(million),
            lambda: with_symusic(on, long, pitch),
            lambda: ours(ten),
            lambda: in_blocks(ten, path),
            lambda: with_mido(few),
        ],
        tries=4,
    )
    t_mido *= len(on) / len(few)
    start = time.perf_counter()
    ours(disc_of(100_000))
    t_small = time.perf_counter() - start
    rate = 1_000_000 / t_ours / 1e6
    most = int(os.environ.get("SONIFY_MILLIONS", "16"))
    few, many = (peak(PEAK, millions * 1000, path) / 1e6 for millions in (1, most))
    folder.cleanup()
    return [
        ("million positions a second, 1 million", rate, "at least 5"),
        ("million positions a second, 10 million", 10 / t_ten, "at least 5"),
        ("time of 10 million written in blocks / in one piece", t_blocks / t_ten, "1"),
        (f"MB of memory, {most} million positions", many, f"{few:.0f} for one million"),
        ("bytes of each position more", (many - few) / (most - 1), f"at most {MOST_EACH:g}"),
        ("time of 10 million / 10 x time of 1 million", t_ten / (10 * t_ours), "linear is 1"),
        ("time of mido for the same notes / ours", t_mido / t_ours, "bits to bytes against bytes"),
        ("time of symusic given ready arrays / ours", t_symusic / t_ours, f"{t_small:.3f} s first"),
    ]

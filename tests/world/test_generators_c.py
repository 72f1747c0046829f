"""The generators whose names end in c: they repeat themselves, keep their promises, and an ideal
decoder that is told the truth gets `grid_read` from the bytes of their files.

No seed that three divides is used here.
"""

from __future__ import annotations

import io
import wave

import mido
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps

import sonify
from tests.nightly import sampled
from tests.world.daw_c import daw
from tests.world.machine_c import FAULTS, Take, faulty, healthy, two_faults
from tests.world.photos_c import Picture, picture

Reals = NDArray[np.float64]


def _numbers(data: bytes) -> Reals:
    lines = data.decode().splitlines()
    head = next(
        k for k, line in enumerate(lines) if line.lower().startswith("t") and "lock" in line
    )
    sep = next(s for s in ";\t," if s in lines[head])
    rows = [
        [float(x.replace(",", ".") if sep != "," else x) for x in line.split(sep)]
        for line in lines[head + 1 :]
    ]
    out = np.array(rows)
    if "(ms)" in lines[head]:
        out[:, 0] /= 1000
    return out


def _dump(data: bytes) -> Reals:
    text = data.decode()
    unit = {"1 us": 1e-6, "100 ns": 1e-7, "10 us": 1e-5}[
        text.split("$timescale ")[1].split(" $end")[0]
    ]
    now, clock, level, out = 0.0, 0.0, 0.0, []
    for line in text.split("$enddefinitions $end\n")[1].splitlines():
        if line[0] == "#":
            out.append((now, clock, level))
            now = int(line[1:]) * unit
        elif line[0] in "01":
            if line[1] == "!":
                clock = float(line[0])
            else:
                level = float(line[0])
    out.append((now, clock, level))
    return np.array(out[1:])


def columns(take: Take) -> Reals:
    """Time, clock and data, shape (samples, 3)."""
    ((name, data),) = take.files.items()
    rate = take.conditions["rate"]
    if name.endswith(".csv"):
        return _numbers(data)
    if name.endswith(".vcd"):
        return _dump(data)
    if name.endswith(".npy"):
        two = np.load(io.BytesIO(data)).astype(float)
    else:
        with wave.open(io.BytesIO(data)) as file:
            assert file.getframerate() == rate
            raw = file.readframes(file.getnframes())
        two = np.frombuffer(raw, "<i2").reshape(-1, 2) / 32767 * 5
    if two.shape[1] == 3:
        return two
    return np.column_stack((np.arange(len(two)) / rate, two))


def decoded(take: Take) -> NDArray[np.int8]:
    """The bits at the true moments."""
    table = columns(take)
    passes, starts = take.conditions["passes_s"], take.conditions["starts"]
    at = np.clip(np.searchsorted(table[:, 0], passes + 1e-7, side="right") - 1, 0, len(table) - 1)
    if take.conditions["kind"] in ("csv", "npy", "wav"):
        after = np.minimum(at + 1, len(table) - 1)
        nearer = np.abs(table[after, 0] - passes) < np.abs(table[at, 0] - passes)
        hole = table[np.where(nearer, after, at), 2] < take.conditions["middle"]
    else:
        hole = table[at, 2] == float(take.conditions["hole_is_one"])
    means = take.disc.layout.hole_means
    bits = np.where(hole, means, 1 - means).astype(np.int8)
    out = np.empty_like(bits)
    n = take.disc.positions
    np.put_along_axis(out, (starts[:, None] + np.arange(n)) % n, bits, axis=1)
    return out


@pytest.mark.parametrize("seed", sampled([1, 2, 4, 5, 7, 8], 2))
def test_a_healthy_take_has_all_bits(seed: int) -> None:
    take = healthy(seed)
    assert np.array_equal(take.grid_read, take.disc.grid)
    assert take.faults == ()
    if take.conditions["kind"] != "midi":
        assert np.count_nonzero(decoded(take) != take.grid_read) <= 0.002 * take.grid_read.size


@pytest.mark.parametrize("fault", sampled(FAULTS, 4))
def test_a_fault_does_harm_and_shows_in_the_file(fault: str) -> None:
    take = faulty(1, fault)
    assert take.faults == (fault,)
    assert take.where["size"] is not None
    if take.conditions["kind"] == "midi" or fault == "recorder-drops":
        return
    wrong = np.count_nonzero(decoded(take) != take.grid_read)
    assert (
        wrong
        <= (0.02 if fault in ("noise", "lamp-hum", "clock-loose") else 0.01) * take.disc.grid.size
    )


def test_takes_repeat_themselves() -> None:
    for made in (healthy, lambda seed: faulty(seed, "midi-lost-notes")):
        assert made(2).files == made(2).files


def test_two_faults_come_from_different_places() -> None:
    take = two_faults(4)
    assert len(set(take.faults)) == 2
    assert set(take.where) == set(take.faults)


@pytest.fixture(scope="module")
def pictures() -> list[Picture]:
    return [picture(seed) for seed in (13, 19, 22)]


def test_pictures_are_what_viewers_show(pictures: list[Picture]) -> None:
    for made in pictures:
        shown = ImageOps.exif_transpose(Image.open(io.BytesIO(made.jpeg)))
        assert np.array_equal(np.asarray(shown), made.image)
        assert made.image.dtype == np.uint8
        assert made.readable
        assert made.conditions["hole_px"] >= 4
        changed = int((made.grid != made.disc.grid).sum())
        assert changed == made.conditions["blocked"] <= 3


def test_pictures_repeat_themselves(pictures: list[Picture]) -> None:
    assert picture(19).jpeg == pictures[1].jpeg


@pytest.mark.parametrize("seed", sampled([1, 2, 4, 10, 23, 31], 2))
def test_files_of_music_programs_hold_the_piece(seed: int) -> None:
    disc, presets, data = daw(seed)
    assert data == daw(seed)[2]
    assert disc.grid.size <= 500
    file = mido.MidiFile(file=io.BytesIO(data))
    starts = [m for t in file.tracks for m in t if m.type == "note_on" and m.velocity]
    ends = [
        m
        for t in file.tracks
        for m in t
        if m.type == "note_off" or (m.type == "note_on" and not m.velocity)
    ]
    assert len(starts) == len(ends)
    notes = len(sonify.perform(disc, presets).notes)
    assert abs(len(starts) - notes) <= 1 + 0.05 * notes


def test_recorded_notes_tell_of_what_was_read() -> None:
    """Without loss, the machine plays one note or more for each one that it reads."""
    take = faulty(2, "extra-hole")
    assert take.conditions["kind"] == "midi"
    file = mido.MidiFile(file=io.BytesIO(take.files["recording.mid"]))
    heard = sum(m.type == "note_on" and m.velocity > 0 for t in file.tracks for m in t)
    assert heard >= np.count_nonzero(take.grid_read == 1) * 0.97

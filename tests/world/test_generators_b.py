"""The generators of letter b: the same for a seed, of the promised shapes, and true.

True means that a decoder which knows where every hole is, and nothing else, gets the bits that the
generator says are there. Only seeds that are not kept back.
"""

from __future__ import annotations

import csv
import io
import wave

import mido
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.ndimage import uniform_filter
from scipy.spatial import cKDTree

from sonify.disc.geometry.holes import holes_of
from tests.nightly import sampled
from tests.world import machine_b
from tests.world.camera_b import linear
from tests.world.daw_b import take as daw_take
from tests.world.disc_b import disc_of, sites
from tests.world.photos_b import scene
from tests.world.plant_b import Run, decode

Reals = NDArray[np.float64]


def lookup(levels: Reals, places: Reals, bits: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Whether each place is as bright as the places nearby that have the same bit."""
    likeness = []
    for bit in (0, 1):
        mine = np.flatnonzero(bits == bit)
        near = cKDTree(places[mine]).query(places, k=min(7, len(mine)))[1]
        others = np.where(mine[near] == np.arange(len(places))[:, None], np.nan, levels[mine[near]])
        likeness.append(abs(levels - np.nanmedian(others, axis=1)))
    return (likeness[1] < likeness[0]) == (bits == 1)


@pytest.mark.parametrize("seed", sampled([113, 5, 28, 22], 1))
def test_photographs_show_their_grid(seed: int) -> None:
    picture, places = scene(seed)
    again, _ = scene(seed)
    assert again.jpeg == picture.jpeg
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(picture.jpeg))))
    np.testing.assert_array_equal(upright, picture.image)
    assert picture.image.dtype == np.uint8
    assert picture.image.shape[2] == 3
    assert picture.grid.shape == picture.disc.grid.shape
    assert picture.readable
    side = max(1, int(picture.conditions["pixels_a_hole"] / 2))
    grey = uniform_filter(linear(picture.image).mean(axis=2), side)
    u, v = np.rint(places.reshape(-1, 2)).astype(int).T
    at = grey[np.clip(v, 0, len(grey) - 1), np.clip(u, 0, grey.shape[1] - 1)]
    right = lookup(at, places.reshape(-1, 2), picture.grid.reshape(-1))
    assert right.mean() > 0.97


@pytest.mark.parametrize("seed", sampled(range(1, 20, 3), 3))
def test_own_geometry_is_that_of_the_drawings(seed: int) -> None:
    disc = disc_of(np.random.default_rng([seed, 2]))
    assert disc.geometry is not None
    drawn = holes_of(disc, disc.geometry)
    data, clock = sites(disc)
    own = np.concatenate((data[disc.grid == disc.layout.hole_means], clock))
    there = np.column_stack((drawn["x_mm"], drawn["y_mm"]))
    assert len(own) == len(there)
    assert cKDTree(there).query(own)[0].max() < 1e-6


def table(text: str) -> Reals:
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    rows = list(csv.reader(lines, delimiter=";" if ";" in lines[0] else ","))
    out = np.array(rows[1:], float)
    return out * [1e-3, 1, 1] if "ms" in rows[0][0] else out


def channels(name: str, data: bytes, supply: float) -> Reals:
    """Time, clock and data of a log, written apart from the generator's writer."""
    if name.endswith(".csv"):
        out = table(data.decode())
    elif name.endswith(".npy"):
        both = np.load(io.BytesIO(data))
        rate = float(name.removesuffix("Hz.npy").split("_")[1])
        out = np.column_stack((np.arange(len(both)) / rate, both))
    elif name.endswith(".wav"):
        with wave.open(io.BytesIO(data)) as w:
            both = np.frombuffer(w.readframes(w.getnframes()), "<i2").reshape(-1, 2)
            rate = w.getframerate()
        volts = (both / 32767 / 0.9 + 1) / 2 * supply
        out = np.column_stack((np.arange(len(both)) / rate, volts))
    else:
        rows, now, unit = [], {"!": 0, '"': 0}, 1.0
        for line in data.decode().splitlines():
            if line.startswith("$timescale"):
                unit = float(line.split()[1]) * {"us": 1e-6, "ns": 1e-9}[line.split()[2]]
            elif line.startswith("#"):
                rows.append([int(line[1:]) * unit, now["!"], now['"']])
            elif line[0] in "01":
                now[line[1]] = int(line[0])
                rows[-1][1:] = [now["!"], now['"']]
        out = np.array(rows, float)
    out[:, 0] -= out[0, 0]
    return out


def bits_in(take: machine_b.Take, run: Run, supply: float, threshold: float) -> NDArray[np.int8]:
    """What a log holds at the true times, sampled evenly."""
    ((name, data),) = take.files.items()
    log = channels(name, data, supply)
    if take.conditions["kind"] in machine_b.DIGITAL:
        threshold = 0.5
    t = run.time
    if len(log) == len(t):
        level = log[:, 2]
    else:
        # changes only: each level holds until the next one
        level = log[np.clip(np.searchsorted(log[:, 0], t + 1e-7, "right") - 1, 0, None), 2]
    if take.conditions["kind"] == "npy-counts":
        level = level * supply / 2 ** take.conditions["bits"]
    copy = Run(run.rate, level, run.clock, run.sampled, run.passage, run.begin, run.end)
    return decode(copy, take.disc, threshold)


@pytest.mark.parametrize("seed", sampled([1, 2, 4, 5, 7, 8, 10], 3))
def test_healthy_takes_hold_their_disc(seed: int) -> None:
    take, run, plant = machine_b.make(seed, ())
    assert take.files == machine_b.healthy(seed).files
    assert take.faults == ()
    np.testing.assert_array_equal(take.grid_read, take.disc.grid)
    if take.conditions["kind"] != "mid":
        assert run is not None
        seen = bits_in(take, run, plant.data.supply, plant.data.middle)
        np.testing.assert_array_equal(seen, take.grid_read)


@pytest.mark.parametrize("fault", sampled(machine_b.FAULTS, 4))
def test_faulty_takes_hold_what_was_read(fault: str) -> None:
    take, run, plant = machine_b.make(2, (fault,))
    assert take.files == machine_b.faulty(2, fault).files
    assert take.faults == (fault,)
    assert take.grid_read.shape == take.disc.grid.shape
    assert set(take.settings) == {"rpm", "row-start", "stage", "settle"}
    if fault not in machine_b.KEEPS_BITS and fault not in machine_b.MIDI_FAULTS:
        assert (take.grid_read != take.disc.grid).any()
    if take.conditions["kind"] == "mid":
        assert take.presets
        mido.MidiFile(file=io.BytesIO(take.files["recording.mid"]))
    elif fault != "recorder-drops":
        assert run is not None
        said = plant.believed.get("threshold", plant.data.middle)
        seen = bits_in(take, run, plant.data.supply, said)
        # the file's own rounding may turn a bit whose level lies at the threshold
        assert (seen != take.grid_read).sum() <= 1 + 0.01 * seen.size


def test_two_faults_are_both_named() -> None:
    take = machine_b.two_faults(1)
    assert len(take.faults) == 2
    assert set(take.faults) <= set(machine_b.FAULTS)
    assert take.files == machine_b.two_faults(1).files


@pytest.mark.parametrize("seed", sampled([1, 2, 4, 5, 13], 2))
def test_music_program_files_hold_the_notes(seed: int) -> None:
    disc, presets, data, done = daw_take(seed)
    assert data == daw_take(seed)[2]
    assert presets
    assert disc.grid.size <= 500
    tracks = mido.MidiFile(file=io.BytesIO(data)).tracks
    notes = [m for t in tracks for m in t if m.type == "note_on" and m.velocity]
    assert notes
    assert any(d.startswith("type") for d in done)

"""The simulators of this folder whose names end in `a`: the same from a seed, whole, decodable."""

from __future__ import annotations

import csv
import io
import wave

import mido
import numpy as np
import pytest
from PIL import Image, ImageOps

from sonify.disc.geometry.holes import holes_of
from tests.nightly import sampled
from tests.world import daw_a, machine_a, photos_a
from tests.world.disc_a import random_disc
from tests.world.machine_a import Take
from tests.world.scene_a import sites


def _channels(take: Take) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, clock and data of a log, holes high."""
    ((name, raw),) = take.files.items()
    if name.endswith(".wav"):
        with wave.open(io.BytesIO(raw)) as file:
            volts = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2)
            time = np.arange(len(volts)) / file.getframerate()
        return time, -volts[:, 0].astype(float), -volts[:, 1].astype(float)
    if name.endswith(".npy"):
        data = np.load(io.BytesIO(raw)).astype(float)
        rate = float(name.split("_")[1].removesuffix("Hz.npy"))
        time = np.arange(len(data)) / rate if data.shape[1] == 2 else data[:, 0]
        return time, -data[:, -2], -data[:, -1]
    text = raw.decode().replace(";", ",")
    head, rows = text.split("Data (V)\n" if "Data (V)" in text else "\n", 1)
    if "channel" in head:
        return _from_edges(rows)
    table = np.array(list(csv.reader(io.StringIO(rows))), float)
    if set(np.unique(table[:, 1:])) <= {0.0, 1.0}:
        return _holes_high(table)
    return table[:, 0], -table[:, 1], -table[:, 2]


def _from_edges(rows: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times and states of an edge list, holes 1."""
    state, out = {"clock": 0.0, "data": 0.0}, []
    for time, name, value in csv.reader(io.StringIO(rows)):
        state[name] = float(value)
        out.append((float(time), state["clock"], state["data"]))
    table = np.array(out)
    return _holes_high(table)


def _holes_high(table: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A hole is the rarer state of the clock row, whose holes leave webs."""
    dwell = np.diff(table[:, 0], append=table[-1, 0])
    if np.average(table[:, 1], weights=dwell + 1e-12) > 0.5:
        return table[:, 0], 1 - table[:, 1], 1 - table[:, 2]
    return table[:, 0], table[:, 1], table[:, 2]


def _decode(take: Take) -> np.ndarray:
    """Count the clock's pulses and look at the data in the middle of each, knowing each row."""
    time, clock, data = _channels(take)
    c = take.conditions
    n, rows = int(c["positions"]), int(c["rows"])  # type: ignore[call-overload]
    if take.threshold is not None or clock.min() < 0:  # volts: average out the noise
        width = max(int(float(c["rate"]) * 60 / float(c["rpm"]) / n / 7), 1)  # type: ignore[arg-type]
        clock = np.convolve(clock, np.ones(width) / width, "same")
    low, high = np.percentile(clock, [2, 98])
    up = clock > low + 0.62 * (high - low)
    down = clock < low + 0.38 * (high - low)
    state, on, begin, pulses = False, 0.0, 0.0, []
    for k in np.flatnonzero(up | down):
        if up[k] and not state:
            state, begin = True, time[k]
        elif down[k] and state:
            state, on = False, time[k]
            pulses.append((begin + on) / 2)
    if len(pulses) < 2:
        return np.zeros((0, 0))
    starts = np.asarray(c["starts"]).astype(int)
    start = np.asarray(c["row_time"])[0]
    first = -int(np.argmin(np.abs(np.array(pulses) - start)))
    level = np.mean(np.percentile(data, [2, 98]))
    holes = np.zeros((rows, n), int)
    for r, s in enumerate(starts):
        for u in range(s, s + n):
            at = np.searchsorted(time, pulses[u - first], side="right") - 1
            near = slice(at, at + 1)
            if "edges" not in str(c["kind"]):
                near = slice(max(at - 2, 0), at + 3)
            holes[r, u % n] = np.mean(data[near]) > level
    means = take.disc.layout.hole_means
    return np.where(holes == 1, means, 1 - means)


@pytest.mark.parametrize("seed", sampled([7, 2, 8, 13], 1))
def test_a_healthy_log_decodes_by_counting_pulses(seed: int) -> None:
    take = machine_a.healthy(seed)
    np.testing.assert_array_equal(_decode(take), take.grid_read)
    np.testing.assert_array_equal(take.grid_read, take.disc.grid)


def test_a_seed_gives_the_same_take() -> None:
    first, second = machine_a.faulty(4, "backlash"), machine_a.faulty(4, "backlash")
    assert first.files == second.files
    assert first.where == second.where
    assert first.files != machine_a.faulty(5, "backlash").files


@pytest.mark.parametrize("fault", sampled(machine_a.FAULTS, 4))
def test_a_fault_does_harm(fault: str) -> None:
    take = machine_a.faulty(1 + 3 * machine_a.FAULTS.index(fault), fault)
    assert take.faults == (fault,)
    assert take.grid_read.shape == take.disc.grid.shape
    assert len(take.files) == 1
    assert take.where["unit"]
    if fault in machine_a.faults_a.LOG_FAULTS and fault not in machine_a.faults_a.DEPARTURES:
        assert (take.grid_read != take.disc.grid).any()


def test_two_faults_are_both_named() -> None:
    take = machine_a.two_faults(1)
    assert len(set(take.faults)) == 2
    assert set(take.where) == set(take.faults)


def test_a_recording_holds_the_notes_that_were_read() -> None:
    take = machine_a.faulty(91, "midi-rows-missing")
    file = mido.MidiFile(file=io.BytesIO(take.files["take.mid"]))
    ons = sum(m.type == "note_on" for m in file.tracks[0])
    assert ons == int((take.grid_read == 1).sum())


@pytest.mark.parametrize("seed", sampled([13, 23, 43], 1))
def test_a_picture_shows_the_disc(seed: int) -> None:
    shot = photos_a.picture(seed)
    assert shot.readable
    assert shot.image.dtype == np.uint8
    assert shot.image.shape[2] == 3
    assert shot.grid.shape == shot.disc.grid.shape
    assert shot.grid.dtype == np.int8


def test_holes_lie_where_a_drawing_has_them() -> None:
    disc = random_disc(np.random.default_rng(5))
    assert disc.geometry is not None
    holes = holes_of(disc, disc.geometry)
    data, clock = sites(disc)
    for hole in holes:
        place = clock[hole["position"]] if hole["row"] < 0 else data[hole["row"], hole["position"]]
        np.testing.assert_allclose(place, [hole["x_mm"], -hole["y_mm"]], atol=1e-9)


def test_a_seed_gives_the_same_picture_and_an_upright_one() -> None:
    first, second = photos_a.picture(23), photos_a.picture(23)
    assert first.jpeg == second.jpeg
    np.testing.assert_array_equal(first.image, second.image)
    assert first.jpeg is not None
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(first.jpeg)))
    assert upright.size == first.image.shape[1::-1]
    assert np.abs(np.asarray(upright, int) - first.image).mean() < 1


@pytest.mark.parametrize("seed", sampled([1, 2], 1))
def test_an_exported_recording_is_a_midi_file(seed: int) -> None:
    disc, presets, raw = daw_a.daw(seed)
    assert disc.grid.size <= daw_a.MOST_BITS
    assert len(presets) == 1
    assert raw == daw_a.daw(seed)[2]
    assert mido.MidiFile(file=io.BytesIO(raw)).length > 0

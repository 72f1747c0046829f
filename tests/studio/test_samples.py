"""The page's way of making sound against the renderer itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

import sonify
from sonify.export.sound.pool import rendered
from sonify.export.sound.soundfont import load_soundfont
from sonify.midi.events import events_at, merged, note_events
from sonify.midi.writer import single_track
from sonify.studio.samples import RATE, VELOCITY, _note, keys_of, room, samples
from tests.studio.conftest import Page, unpack


def played(notes: list[tuple[float, float, int, int]], instrument: int, end: float) -> np.ndarray:
    """Notes (onset, length, pitch, strength) as the page mixes them, shape (samples, 2)."""
    longest: dict[int, float] = {}
    for _, length, pitch, _ in notes:
        longest[pitch] = max(longest.get(pitch, 0.0), length)
    header, arrays = unpack(samples([(instrument, p, s) for p, s in longest.items()]))
    dry = np.zeros((int((end + 4) * RATE), 2))
    for onset, length, pitch, strength in notes:
        k = next(k for k, n in enumerate(header["notes"]) if n["pitch"] == pitch)
        left = arrays[f"{k}l"].astype(float)
        right = arrays.get(f"{k}r", arrays[f"{k}l"]).astype(float)
        sound = np.stack([left, right], axis=1) / 32768
        time = np.arange(len(sound)) / RATE
        release = header["notes"][k]["releaseS"]
        gain = np.where(time < length, 1.0, np.exp(-np.maximum(time - length, 0) / release))
        at = round(onset * RATE)
        sound = sound[: len(dry) - at] * gain[: len(dry) - at, None]
        dry[at : at + len(sound)] += sound * (strength / header["strength"]) ** 2
    _, wet = unpack(room())
    size = 1 << math.ceil(math.log2(len(dry) + len(wet["l"])))
    into = np.fft.rfft(dry.sum(axis=1), size)
    back = [np.fft.irfft(into * np.fft.rfft(wet[s], size), size)[: len(dry)] for s in "lr"]
    return dry + np.stack(back, axis=1)


@pytest.mark.parametrize(
    ("instrument", "least"), [(0, 0.95), (14, 0.95), (46, 0.95), (11, 0.95), (73, 0.9), (19, 0.9)]
)
def test_page_sounds_like_the_file(instrument: int, least: float) -> None:
    """A tune through the renderer, and through single notes, releases and the measured room."""
    notes = [
        (0.1, 0.5, 62, 100), (0.6, 0.25, 65, 60), (0.9, 0.9, 69, 110), (1.9, 0.2, 62, 80),
        (2.2, 0.6, 57, 100),
    ]  # fmt: skip
    # a tick is a millisecond
    onset, length, pitch, strength = np.array(notes).T
    on, off = (np.rint(t * 1000).astype(np.int64) for t in (onset, onset + length))
    key, velocity = pitch.astype(np.uint8), strength.astype(np.uint8)
    setup = events_at(0, [bytes((0xC0, instrument))])
    events = merged([setup, note_events(on, off, 0, key, velocity)])
    midi = single_track(events, 4000, 1000, 1_000_000)
    file = rendered(load_soundfont().data, midi).astype(float) / 32768
    page = played(notes, instrument, 4.0)
    n = min(len(file), len(page))

    def picture(x: np.ndarray) -> np.ndarray:
        """Loudness over time and pitch, as the ear has it: phases left aside."""
        mono = x[:n].sum(axis=1)
        frames = np.lib.stride_tricks.sliding_window_view(mono, 2048)[::1024]
        return np.log10(np.abs(np.fft.rfft(frames * np.hanning(2048), axis=1)) / 1024 + 1e-4)

    a, b = picture(file), picture(page)
    assert np.corrcoef(a.reshape(-1), b.reshape(-1))[0, 1] > least
    level = [20 * math.log10(np.sqrt((x[:n] ** 2).mean())) for x in (file, page)]
    assert level[0] == pytest.approx(level[1], abs=1.0)


def test_strength_is_the_renderers_square_law() -> None:
    loud = [np.sqrt((_note(0, 60, 0.5, 0.5, velocity=v) ** 2).mean()) for v in (30, 60, 100, 127)]
    want = [(v / VELOCITY) ** 2 for v in (30, 60, 100, 127)]
    assert np.array(loud) / loud[2] == pytest.approx(np.array(want), rel=0.05)


def test_keys_name_every_pitch_that_sounds() -> None:
    show = sonify.perform(sonify.load_disc("cairn-small"), ["hut-band"])
    keys = {(int(v), int(p)): s for v, _, p, s in keys_of(show)}
    for note in show.notes:
        key = (int(note["voice"]), round(float(note["pitch"])))
        assert keys[key] >= note["duration_s"] - 1e-3
    drums = {p.number for p in show.parts if p.channel == 9}
    assert {int(v) for v, i, _, _ in keys_of(show) if i == 128} == drums


def test_notes_are_scheduled_to_the_sample_and_pictures_follow(page: Page) -> None:
    """What is scheduled on the audio clock is the show's own onsets, whatever the pace."""
    page.page.click("#play")
    page.until("studio.sound.samples.notes.size > 4 && studio.sound.sounding.length > 3")
    # a busy machine may have a note's sound late; those after it are in time
    page.until(
        """studio.sound.sounding.filter((n) => n.time === n.due
          && n.due >= studio.sound.segments.at(-1).time).length > 1"""
    )
    off = page.js(
        """() => { const { sound, show } = studio; const onsets = [...show.onset];
          return sound.sounding.filter((n) => n.due >= sound.segments.at(-1).time).map((n) => {
            const place = sound.placeAt(n.due);
            return Math.min(...onsets.map((o) => Math.abs(o - place))); }); }"""
    )
    assert off
    assert max(off) < 1e-6
    # the picture's place is the one that is heard: behind the clock by no more than its latency
    ahead = page.js("studio.sound.context.currentTime - studio.sound.heard()")
    assert 0 <= ahead < 0.5

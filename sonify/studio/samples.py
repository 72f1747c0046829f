"""Single notes as sound, for the page to play, from the renderer that writes the files.

The page plays notes, not a finished recording: a change of rhythm, scale or speed needs no new
sound, and a new note takes about 30 ms, where a whole piece would have to be rendered and sent
again. Notes are rendered dry and held, once per instrument and pitch. Their release and the
reverberation are measured from the same renderer, so that the page sounds like the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.channels import DRUM_CHANNEL
from sonify.midi.events import events_at, merged, note_events
from sonify.midi.writer import single_track
from sonify.studio.packing import pack

if TYPE_CHECKING:
    from sonify.export.sound.pool import Pool
    from sonify.performance import Performance

__all__ = ["MAX_KEYS", "RATE", "keys_of", "rendering_apart", "room", "samples"]

RATE = 48_000
DRUMS = 128
"""The instrument that stands for the drums; programs are 0 to 127."""

VELOCITY = 100
MAX_KEYS = 64
MAX_HOLD_S = 32.0
HOLDS_S = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, MAX_HOLD_S)
_TAIL_S = 0.05
_CACHE_BYTES = 256 * 1024 * 1024
_REVERB_SEND = 91
"""The controller (MIDI 1.0)."""

_ROOM_SEND = 40
"""What a General MIDI channel sends to the reverb by default (General MIDI Level 2)."""

Sound = NDArray[np.float32]

_cache: dict[tuple[int, int, float], tuple[NDArray[np.int16], float]] = {}

_RENDERERS = 2
"""As many as the page has requests for notes under way."""

_pool: Pool | None = None


@contextmanager
def rendering_apart() -> Iterator[None]:
    """Render notes in other processes: the renderer holds Python's lock, and changes would wait."""
    from sonify.export.sound.pool import Pool
    from sonify.export.sound.soundfont import load_soundfont

    global _pool
    with Pool(lambda _: load_soundfont().data, _RENDERERS) as _pool:
        try:
            yield
        finally:
            _pool = None


def keys_of(show: Performance) -> list[list[float]]:
    """What sounds: `[voice, instrument, pitch, longest]` for each voice and pitch.

    Instruments are programs 0 to 127, and 128 for the drums; pitches whole MIDI notes; `longest`
    is the longest note of that pitch in s.
    """
    notes = show.notes
    if not len(notes):
        return []
    pitch = np.rint(notes["pitch"]).astype(np.int64)
    voice = notes["voice"].astype(np.int64)
    key, where = np.unique(voice * 128 + pitch, return_inverse=True)
    longest = np.zeros(len(key))
    np.maximum.at(longest, where, notes["duration_s"])
    kind = {p.number: DRUMS if p.channel == DRUM_CHANNEL else p.program for p in show.parts}
    return [
        [int(k // 128), kind[int(k // 128)], int(k % 128), round(float(s), 4)]
        for k, s in zip(key, longest, strict=True)
    ]


def _note(
    instrument: int, pitch: int, hold: float, tail: float, velocity: int = VELOCITY, send: int = 0
) -> Sound:
    """A note held for `hold` s and rendered for another `tail` s, shape (samples, 2)."""
    from sonify.export.sound.pool import rendered
    from sonify.export.sound.soundfont import load_soundfont

    channel = DRUM_CHANNEL if instrument == DRUMS else 0
    setup = [bytes((0xB0 | channel, _REVERB_SEND, send))]
    if instrument != DRUMS:
        setup.append(bytes((0xC0, instrument)))
    # a tick is a millisecond
    on, off = np.array([0]), np.array([round(hold * 1000)])
    key, strength = np.array([pitch], np.uint8), np.array([velocity], np.uint8)
    events = merged([events_at(0, setup), note_events(on, off, channel, key, strength)])
    midi = single_track(events, round((hold + tail) * 1000), 1000, 1_000_000)
    pool = _pool
    sound = pool.submit(0, midi).result() if pool else rendered(load_soundfont().data, midi)
    return sound.astype(np.float32) / np.float32(32768)


@lru_cache(maxsize=512)
def release_s(instrument: int, pitch: int) -> float:
    """How long a released note takes to fall by a factor e, in s.

    A released note divided by a held one is the release alone, which falls evenly in dB.
    """
    hold, tail = 0.3, 1.2
    held = _note(instrument, pitch, hold + tail, _TAIL_S)
    gone = _note(instrument, pitch, hold, tail)
    first, last = int((hold + 0.005) * RATE), min(len(held), len(gone), int((hold + tail) * RATE))
    block = 240
    count = (last - first) // block
    if count < 4:
        return 0.05

    def level(x: Sound) -> NDArray[np.float64]:
        part = x[first : first + count * block].astype(np.float64).reshape(count, block * 2)
        out: NDArray[np.float64] = np.sqrt((part**2).mean(axis=1)) + 1e-9
        return out

    a, b = level(held), level(gone)
    good = (a > 1e-4) & (b > 1e-4)
    if good.sum() < 3:
        # it ends within a block or two, or is so short that the release changes nothing
        return 0.02 if instrument != DRUMS else 1.0
    time = np.arange(count)[good] * block / RATE
    slope = np.polyfit(time, np.log(b[good] / a[good]), 1)[0]
    return float(np.clip(-1 / min(slope, -1e-3), 0.005, 20.0))


def _sample(instrument: int, pitch: int, hold: float) -> tuple[NDArray[np.int16], float]:
    """A held note as 16-bit stereo, without the silence at its end, and its release."""
    known = _cache.get((instrument, pitch, hold))
    if known is not None:
        return known
    sound = _note(instrument, pitch, hold, _TAIL_S)
    loud = np.flatnonzero(np.abs(sound).max(axis=1) > 3e-4)
    sound = sound[: int(loud[-1]) + 1 if len(loud) else 1]
    pcm = np.clip(np.rint(sound * 32768), -32768, 32767).astype(np.int16)
    if hold == MAX_HOLD_S and len(pcm) > RATE * 20:
        pcm = _endless(pcm)
    made = (pcm, release_s(instrument, pitch))
    if sum(held.nbytes for held, _ in list(_cache.values())) > _CACHE_BYTES:
        _cache.clear()
    _cache[instrument, pitch, hold] = made
    return made


def _endless(pcm: NDArray[np.int16]) -> NDArray[np.int16]:
    """A long note whose last second fades into the second before half its length, for a loop."""
    n = RATE
    half = len(pcm) // 2
    up = np.sqrt(np.linspace(0, 1, n))[:, None]
    out = pcm.copy()
    out[-n:] = np.rint(pcm[-n:] * up[::-1] + pcm[half - n : half] * up).astype(np.int16)
    return out


def samples(wanted: list[tuple[int, int, float]]) -> bytes:
    """Notes as sound, packed.

    Parameters
    ----------
    wanted : list of tuple
        Instrument (128 for drums), pitch, and how long it must last in s.

    Raises
    ------
    InputError
        Too many notes, or values out of range.
    """
    if len(wanted) > MAX_KEYS:
        raise InputError(f"{len(wanted)} notes are too many at once; up to {MAX_KEYS}")
    index: list[dict[str, Any]] = []
    arrays: dict[str, NDArray[Any]] = {}
    for n, (instrument, pitch, longest) in enumerate(wanted):
        if not (0 <= instrument <= DRUMS and 0 <= pitch <= 127 and 0 <= longest < 1e7):
            raise InputError("instrument 0 to 128, pitch 0 to 127 and a length are needed")
        hold = next((h for h in HOLDS_S if h >= longest + 0.25), MAX_HOLD_S)
        pcm, release = _sample(int(instrument), int(pitch), hold)
        index.append(
            {
                "instrument": int(instrument),
                "pitch": int(pitch),
                "holdS": hold,
                "releaseS": round(release, 5),
                "loop": hold == MAX_HOLD_S and len(pcm) > RATE * 20,
            }
        )
        left, right = pcm[:, 0], pcm[:, 1]
        arrays[f"{n}l"] = left
        if not np.array_equal(left, right):
            arrays[f"{n}r"] = right
    return pack({"rate": RATE, "strength": VELOCITY, "notes": index}, arrays)


@lru_cache(maxsize=1)
def room() -> bytes:
    """The renderer's reverberation as an impulse response, packed as `l` and `r`.

    Found from notes rendered with and without it (Wiener deconvolution): the reverberation is a
    linear, time-invariant system fed with the sum of both channels.
    """
    size = 1 << 18
    up = np.zeros((size // 2 + 1, 2), complex)
    down = np.zeros(size // 2 + 1)
    for drum in (37, 39, 44, 51, 54, 70, 76):
        wet = _note(DRUMS, drum, 0.1, 2.5, velocity=127, send=_ROOM_SEND)
        dry = _note(DRUMS, drum, 0.1, 2.5, velocity=127)
        n = min(len(wet), len(dry))
        w = np.fft.rfft(wet[:n] - dry[:n], size, axis=0)
        d = np.fft.rfft(dry[:n].sum(axis=1), size)
        up += np.conj(d)[:, None] * w
        down += np.abs(d) ** 2
    response = np.fft.irfft(up / (down + down.max() * 1e-6)[:, None], size, axis=0)
    response = response[: 2 * RATE].astype(np.float32)
    response[-RATE // 4 :] *= np.linspace(1, 0, RATE // 4, dtype=np.float32)[:, None]
    return pack({"rate": RATE}, {"l": response[:, 0], "r": response[:, 1]})

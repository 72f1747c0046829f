"""A performance's sound at its final level, to be read block by block."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.export.sound.audio import (
    IN_MEMORY,
    PIECE,
    RATE,
    Audio,
    LoopedAudio,
    Samples,
    StoredAudio,
    fold,
)
from sonify.export.sound.gain import Level, level
from sonify.export.sound.loudness import Meter
from sonify.export.sound.options import MAX_LENGTH_S, SoundOptions, sound_span
from sonify.export.sound.soundfont import SoundFont, load_soundfont
from sonify.export.sound.synth import BLOCK, fluidsynth, midirenderer
from sonify.midi.events import TimedEvents
from sonify.music.sound_settings import Sound

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Master", "mastered", "stem_audio"]

# own limit: more would need more memory than small computers have
MAX_EVENTS = 4_000_000

# own limit: longer notes end here; instruments fall silent long before that
MAX_NOTE_S = 240.0

# how long before a range its first ringing notes may have ended: own choice
_RING_BEFORE_S = 4.0

_RENDERERS = {"midirenderer": midirenderer, "fluidsynth": fluidsynth}
_EFFECTS = (91, 93)
_FADE = RATE // 100
_SILENT = 10 ** (-90 / 20) / 8


@dataclass(frozen=True, eq=False)
class Master:
    """Sound with its gain.

    Attributes
    ----------
    audio : Audio
    level : Level
    size : int
        In samples, including the ringing out.
    levels : dict of int to int
        What the renderer needs to render parts at the same level.
    """

    audio: Audio
    level: Level
    size: int
    levels: dict[int, int]

    @property
    def seconds(self) -> float:
        """Its length, including the ringing out."""
        return self.size / RATE

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, shape (end - start, 2); silence outside."""
        return self.level.apply(self.audio, start, end)


def mastered(
    show: Performance,
    options: SoundOptions | None = None,
    in_memory: int = IN_MEMORY,
) -> Master:
    """Render a performance's sound at the loudness set, at 48,000 samples/s, until it rings out.

    Parameters
    ----------
    show : Performance
    options : SoundOptions, optional
        Range, loop and speed.
    in_memory : int
        Bytes to keep in memory; the rest goes into a temporary file.

    Raises
    ------
    InputError
        The sound is too long, its range lies outside the piece, or the SoundFont can't be read.
    """
    options = options or SoundOptions()
    sound = show.setup.sound
    events, span = _prepared(show, options)
    for line in load_soundfont(sound.soundfont).missing(events.programs()):
        warnings.warn(line, Caution, stacklevel=2)
    levels: dict[int, int] = {}
    meter = _looped(_rendered(events, sound, span, levels), span, options.loop, True, in_memory)
    lufs = None if sound.loudness == "off" else sound.loudness
    gain = level(meter, lufs, sound.true_peak)
    return Master(meter.audio, gain, meter.audio.size, levels)


def stem_audio(
    show: Performance, options: SoundOptions, mix: Master, *, dry: bool = False
) -> Iterator[Master]:
    """Render each voice with the gain and the length of the mix; without effects if `dry`."""
    events, span = _prepared(show, options)
    font = load_soundfont(show.setup.sound.soundfont)
    if dry:
        events, font = _without_effects(events), font.dry
    track = events.track[events.ons]
    for number in range(len(show.parts)):
        blocks = _rendered(events, show.setup.sound, span, mix.levels, track == number, font)
        yield replace(mix, audio=_looped(blocks, span, options.loop, False, IN_MEMORY).audio)


def _without_effects(events: TimedEvents) -> TimedEvents:
    """The same events without sends to reverberation and chorus (controllers 91 and 93)."""
    keep = (events.kind != 0xB0) | ~np.isin(events.message[:, 1], _EFFECTS)
    message = np.zeros((32, 3), np.uint8)
    message[:, 0], message[:, 1] = 0xB0 | np.arange(32) // 2, np.tile(_EFFECTS, 16)
    zero = np.zeros(32, np.int64)
    return replace(
        events,
        tick=np.append(zero, events.tick[keep]), track=np.append(zero, events.track[keep]),
        time_s=np.append(zero, events.time_s[keep]),
        message=np.concatenate([message, events.message[keep]]),
    )  # fmt: skip


def _prepared(show: Performance, options: SoundOptions) -> tuple[TimedEvents, tuple[float, float]]:
    """The events to render and their range, at the speed at which they are played."""
    span = sound_span(show, options)
    if show.disc.grid.size > 20 * MAX_LENGTH_S * 10 or show.music_s > 30 * MAX_LENGTH_S:
        raise InputError(
            f"the sound would be {show.music_s / 3600:,.0f} hours long; use a disc with fewer rows"
        )
    if 2 * sum(map(len, show.parts)) > MAX_EVENTS:
        raise InputError(
            f"the piece has more than {MAX_EVENTS:,} events, too many to render; use a smaller disc"
        )
    events = show.events
    # notes end with the range, or after `MAX_NOTE_S`
    time, off = events.time_s.copy(), events.offs
    time[off] = np.minimum(np.minimum(time[off], span[1]), events.note_on_s + MAX_NOTE_S)
    speed = options.speed
    cut = replace(events, time_s=time / speed, end_s=span[1] / speed)
    return cut, (span[0] / speed, span[1] / speed)


def _rendered(
    events: TimedEvents,
    sound: Sound,
    span: tuple[float, float],
    levels: dict[int, int],
    notes: NDArray[np.bool_] | None = None,
    font: SoundFont | None = None,
) -> Iterator[Samples]:
    """Render a range until it rings out.

    Notes that already sound when the range begins fade in within 10 ms.

    Parameters
    ----------
    events : TimedEvents
    sound : Sound
    span : tuple of float
        Start and end in s.
    levels : dict of int to int
        As for the renderer.
    notes : ndarray of bool, shape (notes,), optional
        Only these.
    font : SoundFont, optional
        Instead of that of `sound`.
    """
    font, engine = font or load_soundfont(sound.soundfont), _RENDERERS[sound.renderer]
    chosen = np.ones(len(events.ons), bool) if notes is None else notes
    on, off = events.note_on_s, events.note_off_s
    tiny = 1e-6
    within = chosen & (on >= span[0] - tiny) & (on < span[1] - tiny)
    before = chosen & (on < span[0] - tiny) & (off + _RING_BEFORE_S > span[0])
    origin = round(span[0] * RATE)
    # aligned with the blocks of the whole piece, so that a part sounds as it does there
    grid = origin // BLOCK * BLOCK
    ringing = np.zeros((0, 2), np.float32)
    if before.any():
        early = int(on[before].min() * RATE) // BLOCK * BLOCK
        past = np.concatenate(list(engine(events, before, early, font, levels)))
        ringing = past[grid - early :].copy()
        fading = ringing[origin - grid :][:_FADE]
        fading *= np.linspace(0, 1, len(fading), dtype=np.float32)[:, None]
    at = grid
    for block in engine(events, within, grid, font, levels):
        part = ringing[at - grid :][: len(block)]
        if len(part):
            block = block.copy()
            block[: len(part)] += part
        yield block[max(origin - at, 0) :]
        at += len(block)
    if at - grid < len(ringing):
        yield ringing[max(at, origin) - grid :]


def _looped(
    blocks: Iterator[Samples],
    span: tuple[float, float],
    loop: int,
    measured: bool,
    in_memory: int,
) -> Meter:
    """A range's sound, stored and looped, in a meter that has measured it if `measured`."""
    one, length = StoredAudio(in_memory), (span[1] - span[0]) * RATE
    least = round(length)
    meter = Meter(one)
    for block in blocks:
        one.add(block)
        # measure while the next piece is being rendered; looped sound is measured at the end
        if measured and loop == 1:
            meter.measure()
    quiet = np.zeros((PIECE, 2), np.float32)
    while one.size < least:
        one.add(quiet[: least - one.size])
    if loop:
        one.cut(max(least, _rung_out(one)))
    if loop != 1:
        meter = Meter(LoopedAudio(one, length, loop) if loop else fold(one, least, in_memory))
    if measured:
        meter.measure(end=True)
    return meter


def _rung_out(audio: StoredAudio) -> int:
    """The sample after which sound is silent."""
    for end in range(audio.size, 0, -RATE):
        start = max(0, end - RATE)
        loud = np.flatnonzero(np.abs(audio.read(start, end)).max(axis=1) > _SILENT)
        if len(loud):
            return start + int(loud[-1]) + 1
    return 0

"""Sound: the MIDI file through a SoundFont, at a set loudness, into a file or as samples.

`render` gives all samples at once, `mastered` a take to read block by block, `compressed` the
bytes of a file. The command `sound` and `Performance.save` come in by `write`.
"""

from __future__ import annotations

import re
import tempfile
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.atomic import whole
from sonify.errors import RANGE_HINT, Caution, InputError
from sonify.export.midi import end_tick, midi_bytes
from sonify.export.sound.encode import Encoder, Kind, kind_of
from sonify.export.sound.gain import Level, level
from sonify.export.sound.loudness import Meter
from sonify.export.sound.rendered import (
    IN_MEMORY,
    STRIDE,
    Looped,
    Recorded,
    Take,
    blocks_of,
    fold,
    record,
)
from sonify.export.sound.soundfont import load_soundfont
from sonify.export.sound.synth import PIECE, Samples, fluidsynth, midirenderer
from sonify.midi.smf import BLOCK, RATE, Song, scan
from sonify.music.sound_settings import Sound
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = [
    "RATE",
    "Master",
    "Options",
    "Samples",
    "blocks",
    "compressed",
    "mastered",
    "render",
    "span_of",
    "write",
]

MAX_LENGTH_S = 12 * 3600
MAX_NOTE_S = 240.0
_RENDERERS = {"midirenderer": midirenderer, "fluidsynth": fluidsynth}
_FADE = RATE // 100
_QUIET = 10 ** (-90 / 20)


class Options(Settings, frozen=True):
    """A range (`from_s`, `to_s` in s, or `rows` as "2-5"), how often it is played, and stems.

    `loop` 0 makes one pass that can be repeated for ever: what rings on after its end is laid
    over its start. `speed` 2 plays twice as fast at the same pitch. `stems` is a folder for a
    file a voice, which together give the mix.
    """

    from_s: float | None = None
    to_s: float | None = None
    rows: str | None = None
    loop: Annotated[int, msgspec.Meta(ge=0, le=10_000)] = 1
    speed: Annotated[float, msgspec.Meta(ge=0.05, le=20)] = 1.0
    stems: str | None = None


@dataclass(frozen=True)
class Span:
    """A range of a piece, in s; `end` None is its own end."""

    start: float
    end: float

    @property
    def length(self) -> float:
        """In s."""
        return self.end - self.start


def song_of(show: Performance) -> Song:
    """The events of the MIDI file that `midi` writes.

    Raises
    ------
    InputError
        Longer than is rendered.
    """
    seconds = end_tick(show) * show.grid.tick_s(show.timeline.position_s)
    positions = show.disc.grid.size
    if positions > 20 * MAX_LENGTH_S * 10 or seconds > 30 * MAX_LENGTH_S:
        raise InputError(
            f"the sound would be {seconds / 3600:,.0f} hours long; take a disc of fewer rows"
        )
    return scan(b"".join(midi_bytes(show)))


def span_of(show: Performance, options: Options | None = None) -> Span:
    """The range that options ask for.

    Raises
    ------
    InputError
        A range outside the piece, or too long.
    """
    o = options or Options()
    whole_s = end_tick(show) * show.grid.tick_s(show.timeline.position_s)
    if o.rows is not None:
        if o.from_s is not None or o.to_s is not None:
            raise InputError("give rows or seconds, not both", key="rows")
        start, end = show.timeline.span_of_rows(o.rows)
    else:
        start = 0.0 if o.from_s is None else o.from_s
        end = whole_s if o.to_s is None else o.to_s
    end = min(end, whole_s)
    if not 0 <= start < end:
        raise InputError(
            f"{start:g} to {end:g} s is no range of this piece; it lasts {whole_s:.1f} s",
            place="range",
        )
    if end - start > MAX_LENGTH_S:
        raise InputError(
            f"the sound would be {(end - start) / 3600:,.0f} hours long; at most "
            f"{MAX_LENGTH_S // 3600} hours are written",
            hint=RANGE_HINT,
        )
    return Span(start, end)


def raw(
    song: Song,
    sound: Sound,
    span: Span,
    tracks: NDArray[np.bool_] | None = None,
    levels: dict[int, int] | None = None,
) -> Iterator[Samples]:
    """A range of a song as it comes from the renderer, until it has rung out.

    What sounds already when the range begins fades in within 10 ms.

    Parameters
    ----------
    song : Song
    sound : Sound
    span : Span
    tracks : ndarray of bool, shape (notes,), optional
        Only these notes.
    levels : dict of int to int, optional
        As for the renderer.

    Yields
    ------
    ndarray of float32, shape (samples, 2)
    """
    font = load_soundfont(sound.soundfont)
    engine = _RENDERERS[sound.renderer]
    chosen = np.ones(len(song.ons), bool) if tracks is None else tracks
    on, off = song.note_on_s, song.note_off_s
    tiny = 1e-6
    within = chosen & (on >= span.start - tiny) & (on < span.end - tiny)
    before = chosen & (on < span.start - tiny) & (off + 4.0 > span.start)
    origin = round(span.start * RATE)
    # on the whole piece's own grid of blocks, so that a part sounds as it does in the whole
    grid = origin // BLOCK * BLOCK
    ringing = np.zeros((0, 2), np.float32)
    if before.any():
        early = int(on[before].min() * RATE) // BLOCK * BLOCK
        past = np.concatenate(list(engine(song, before, early, font, levels)))
        ringing = past[origin - early :].copy()
        fade = np.linspace(0, 1, min(_FADE, len(ringing)), dtype=np.float32)
        ringing[: len(fade)] *= fade[:, None]
    at = grid - origin
    for block in engine(song, within, grid, font, levels):
        out = block if at >= 0 else block[-at:]
        at = max(at, 0)
        if at < len(ringing):
            part = ringing[at : at + len(out)]
            out = out.copy()
            out[: len(part)] += part
        at += len(out)
        yield out
    if max(at, 0) < len(ringing):
        yield ringing[max(at, 0) :]


def _cut_song(song: Song, end: float) -> Song:
    """A song whose notes end with a range, or after the longest that is rendered."""
    time = song.time_s.copy()
    offs = song.offs[song.offs >= 0]
    time[offs] = np.minimum(time[offs], end)
    ons = song.ons[song.offs >= 0]
    time[offs] = np.minimum(time[offs], song.time_s[ons] + MAX_NOTE_S)
    return Song(time, song.body, song.track, end)


def _prepared(show: Performance, options: Options) -> tuple[Song, Span]:
    """The song to render, and the range of it, at the speed it is played."""
    span = span_of(show, options)
    song = _cut_song(song_of(show), span.end)
    if options.speed == 1.0:
        return song, span
    quick = Song(song.time_s / options.speed, song.body, song.track, song.end_s / options.speed)
    return quick, Span(span.start / options.speed, span.end / options.speed)


@dataclass(frozen=True, eq=False)
class Master:
    """A take with its gain: the finished sound.

    Attributes
    ----------
    take : Take
    level : Level
    size : int
        In samples, ringing out included.
    levels : dict of int to int
        What the renderer needs to know to render parts of it alike.
    """

    take: Take
    level: Level
    size: int
    levels: dict[int, int]

    @property
    def seconds(self) -> float:
        """How long it is, ringing out included."""
        return self.size / RATE

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, shape (end - start, 2); silence outside."""
        return self.level.apply(self.take, start, end)


def mastered(
    show: Performance,
    options: Options | None = None,
    sound: Sound | None = None,
    in_memory: int = IN_MEMORY,
) -> Master:
    """A performance's sound at its loudness, to be read block by block.

    Parameters
    ----------
    show : Performance
    options : Options, optional
        Range and loop.
    sound : Sound, optional
        In place of the performance's own settings.
    in_memory : int
        Bytes of it to keep in memory; the rest goes into a temporary file.

    Returns
    -------
    Master
        48,000 samples a second; from the range's start until it has rung out.
    """
    options = options or Options()
    sound = sound or show.setup.sound
    song, span = _prepared(show, options)
    font = load_soundfont(sound.soundfont)
    for line in font.missing(song.programs()):
        warnings.warn(line, Caution, stacklevel=2)
    meter = Meter()
    levels: dict[int, int] = {}
    take = _take(song, sound, span, options, meter, levels=levels, in_memory=in_memory)
    cells = meter.done()
    lufs = None if sound.loudness == "off" else sound.loudness
    return Master(take, level(take, cells, lufs, sound.true_peak), take.size, levels)


def _take(
    song: Song,
    sound: Sound,
    span: Span,
    options: Options,
    meter: Meter | None,
    tracks: NDArray[np.bool_] | None = None,
    levels: dict[int, int] | None = None,
    in_memory: int = IN_MEMORY,
) -> Take:
    """A range's sound, looped; what `meter` is told of is what comes out."""
    plain = options.loop == 1
    each = meter.add if meter is not None and plain else None
    one = record(raw(song, sound, span, tracks, levels), each, in_memory)
    least = round(span.length * RATE)
    if one.size < least:
        quiet = np.zeros((min(PIECE, least - one.size), 2), np.float32)
        while one.size < least:
            block = quiet[: least - one.size]
            one.add(block)
            if each is not None:
                each(block)
    if plain:
        one.cut(max(least, _rung_out(one)))
        return one
    out: Take
    if options.loop == 0:
        out = fold(one, least, in_memory)
    else:
        one.cut(max(least, _rung_out(one)))
        out = Looped(one, span.length * RATE, options.loop)
    if meter is not None:
        for block in blocks_of(out):
            meter.add(block)
    return out


def _rung_out(take: Recorded) -> int:
    """The sample after which a take is silent."""
    step = RATE
    for end in range(take.size, 0, -step):
        loud = np.flatnonzero(np.abs(take.read(max(0, end - step), end)).max(axis=1) > _QUIET / 8)
        if len(loud):
            return max(0, end - step) + int(loud[-1]) + 1
    return 0


def blocks(
    show: Performance, options: Options | None = None, sound: Sound | None = None
) -> Iterator[Samples]:
    """A performance's finished sound, block by block, in flat memory.

    Yields
    ------
    ndarray of float32, shape (samples, 2)
        48,000 samples a second, full scale at 1.0.
    """
    done = mastered(show, options, sound)
    for a in range(0, done.size, PIECE):
        yield done.read(a, min(a + PIECE, done.size))


def render(
    show: Performance,
    rate: int = RATE,
    options: Options | None = None,
    sound: Sound | None = None,
) -> Samples:
    """A performance's finished sound, whole.

    Parameters
    ----------
    show : Performance
    rate : int
        Samples a second.
    options : Options, optional
        Range and loop.
    sound : Sound, optional
        In place of the performance's own settings.

    Returns
    -------
    ndarray of float32, shape (samples, 2)
        Full scale at 1.0, ringing out included.
    """
    parts = list(blocks(show, options, sound))
    out: Samples = np.concatenate(parts) if parts else np.zeros((0, 2), np.float32)
    if rate == RATE:
        return out
    import av

    resampler = av.AudioResampler("flt", "stereo", rate)
    frame = av.AudioFrame.from_ndarray(out.reshape(1, -1), format="flt", layout="stereo")
    frame.sample_rate = RATE
    frames = [*resampler.resample(frame), *resampler.resample(None)]
    return np.concatenate([f.to_ndarray().reshape(-1, 2) for f in frames])


def compressed(
    show: Performance,
    kind: str = ".opus",
    bitrate: int | None = None,
    options: Options | None = None,
    sound: Sound | None = None,
) -> bytes:
    """A performance's sound as the bytes of a file.

    Parameters
    ----------
    show : Performance
    kind : str
        A suffix: .opus, .mp3, .m4a, .flac or .wav.
    bitrate : int, optional
        In kbit/s.
    options, sound : optional
        As for `render`.

    Returns
    -------
    bytes
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"sound{kind}")
        done = mastered(show, options, sound)
        _encode(show, path, kind_of(kind), done, sound or show.setup.sound, bitrate=bitrate)
        return path.read_bytes()


def _encode(
    show: Performance,
    path: Path,
    kind: Kind,
    done: Master,
    sound: Sound,
    voice: str | None = None,
    bitrate: int | None = None,
) -> None:
    title = show.disc.title or show.disc.name
    tags = {"title": title if voice is None else f"{title}: {voice}"}
    with Encoder(path, kind, sound.rate, sound.bits, bitrate or sound.bitrate, tags) as out:
        for a in range(0, done.size, STRIDE):
            out.add(done.read(a, min(a + STRIDE, done.size)))


def write(show: Performance, path: Path, options: Options) -> Master:
    """Write a performance's sound; what it is like comes back."""
    sound = show.setup.sound
    kind = kind_of(path.suffix)
    done = mastered(show, options)
    with whole(path) as beside:
        _encode(show, beside, kind, done, sound)
    if options.stems is not None:
        _stems(show, Path(options.stems), path.suffix, options, done)
    return done


def _stems(show: Performance, folder: Path, suffix: str, options: Options, mix: Master) -> None:
    """A file a voice, each with the mix's gain, as long as the mix."""
    song, span = _prepared(show, options)
    sound, track = show.setup.sound, song.track[song.ons]
    for number, part in enumerate(show.parts):
        one = _take(song, sound, span, options, None, track == number + 1, mix.levels)
        name = re.sub(r"[^\w.-]+", "-", part.name).strip("-") or "voice"
        path = folder / f"{show.disc.name}-{number + 1:02d}-{name}{suffix}"
        with whole(path) as beside:
            _encode(
                show,
                beside,
                kind_of(suffix),
                Master(one, mix.level, mix.size, mix.levels),
                sound,
                part.name,
            )

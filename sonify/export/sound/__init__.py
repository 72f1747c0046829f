"""Sound: the performance through a SoundFont, at a set loudness, as a file or as samples."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.atomic import whole
from sonify.export.sound.audio import PIECE, RATE, STRIDE, Samples
from sonify.export.sound.encode import Encoder, kind_of
from sonify.export.sound.master import Master, mastered, stem_audio
from sonify.export.sound.options import SoundOptions, span_of
from sonify.music.sound_settings import Sound

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = [
    "RATE",
    "Master",
    "Options",
    "Samples",
    "SoundOptions",
    "blocks",
    "compressed",
    "mastered",
    "render",
    "span_of",
    "write",
]

Options = SoundOptions


def write(show: Performance, path: Path, options: SoundOptions) -> Master:
    """Write a performance's sound, and return it."""
    done = mastered(show, options)
    with whole(path) as beside:
        _encode(show, beside, done)
    if options.stems is not None:
        for number, (part, stem) in enumerate(
            zip(show.parts, stem_audio(show, options, done), strict=True), start=1
        ):
            name = re.sub(r"[^\w.-]+", "-", part.name).strip("-") or "voice"
            file = f"{show.disc.name}-{number:02d}-{name}{path.suffix}"
            with whole(Path(options.stems, file)) as beside:
                _encode(show, beside, stem, voice=part.name)
    return done


def _encode(
    show: Performance,
    path: Path,
    done: Master,
    sound: Sound | None = None,
    voice: str | None = None,
    bitrate: int | None = None,
) -> None:
    sound = sound or show.setup.sound
    title = show.disc.title or show.disc.name
    tags = {"title": title if voice is None else f"{title}: {voice}"}
    kind = kind_of(path.suffix)
    with Encoder(path, kind, sound.rate, sound.bits, bitrate or sound.bitrate, tags) as out:
        for a in range(0, done.size, STRIDE):
            out.add(done.read(a, min(a + STRIDE, done.size)))


def compressed(
    show: Performance,
    kind: str = ".opus",
    bitrate: int | None = None,
    options: SoundOptions | None = None,
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
        As for `mastered`.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"sound{kind}")
        _encode(show, path, mastered(show, options, sound), sound, bitrate=bitrate)
        return path.read_bytes()


def blocks(
    show: Performance, options: SoundOptions | None = None, sound: Sound | None = None
) -> Iterator[Samples]:
    """A performance's finished sound, block by block, in flat memory.

    Yields
    ------
    ndarray of float32, shape (samples, 2)
        48,000 samples/s, full scale at 1.0.
    """
    done = mastered(show, options, sound)
    for a in range(0, done.size, PIECE):
        yield done.read(a, min(a + PIECE, done.size))


def render(
    show: Performance,
    rate: int = RATE,
    options: SoundOptions | None = None,
    sound: Sound | None = None,
) -> Samples:
    """A performance's finished sound, ringing out included.

    Parameters
    ----------
    show : Performance
    rate : int
        Samples per second.
    options, sound : optional
        As for `mastered`.

    Returns
    -------
    ndarray of float32, shape (samples, 2)
        Full scale at 1.0.
    """
    out: Samples = np.concatenate([np.zeros((0, 2), np.float32), *blocks(show, options, sound)])
    if rate == RATE:
        return out
    import av

    resampler = av.AudioResampler("flt", "stereo", rate)
    frame = av.AudioFrame.from_ndarray(out.reshape(1, -1), format="flt", layout="stereo")
    frame.sample_rate = RATE
    frames = [*resampler.resample(frame), *resampler.resample(None)]
    return np.concatenate([f.to_ndarray().reshape(-1, 2) for f in frames])

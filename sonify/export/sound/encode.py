"""Encodes samples as sound files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, OutputError
from sonify.export.sound.audio import RATE, STRIDE, Audio, Samples, blocks_of
from sonify.export.sound.marks import Marks, finish_wav, tags_of, wav_options
from sonify.music.sound_settings import Sound

__all__ = ["encode"]


@dataclass(frozen=True)
class Kind:
    """A kind of sound file.

    Attributes
    ----------
    container, codec : str
        Their names in FFmpeg.
    bits : tuple of int
        The sample sizes it can hold; none if the compression is lossy.
    bitrate : int
        The default, in kbit/s.
    rates : tuple of int
        The sample rates it can hold.
    """

    container: str
    codec: str
    bits: tuple[int, ...] = ()
    bitrate: int = 0
    rates: tuple[int, ...] = (44100, 48000)


_ALL_RATES = (44100, 48000, 96000)

KINDS: dict[str, Kind] = {
    ".wav": Kind("wav", "pcm", (16, 24, 32), rates=_ALL_RATES),
    ".flac": Kind("flac", "flac", (16, 24), rates=_ALL_RATES),
    ".opus": Kind("ogg", "libopus", bitrate=128, rates=(48000,)),
    ".mp3": Kind("mp3", "libmp3lame", bitrate=256),
    ".m4a": Kind("ipod", "aac", bitrate=256, rates=_ALL_RATES),
}

_PCM = {16: "pcm_s16le", 24: "pcm_s24le", 32: "pcm_f32le"}
_FORMATS = {16: "s16", 24: "s32", 32: "flt"}
_WAV_LIMIT = 0xFFFFFFFF - 4096
# libopus's complexity, of 10: 2 takes half the time
_QUICK = "2"
# samples beyond the ends of a loop that a change of rate takes into account: own choice, longer
# than any resampling filter
_AROUND = 4800
# FFmpeg's AV_CODEC_FLAG_BITEXACT
_BITEXACT = 1 << 23


def encode(
    path: Path,
    suffix: str,
    audio: Audio,
    sound: Sound,
    marks: Marks,
    bitrate: int | None = None,
    *,
    quick: bool = False,
) -> None:
    """Write a sound file; its kind follows a suffix, which its path may lack.

    Parameters
    ----------
    path : Path
    suffix : str
        Such as .wav.
    audio : Audio
        Full scale at 1.0, 48,000 samples/s.
    sound : Sound
        Sample rate, sample size and bit rate.
    marks : Marks
    bitrate : int, optional
        In kbit/s, instead of that of `sound`.
    quick : bool
        Whether Opus is encoded in half the time, at a little less quality.

    Raises
    ------
    InputError
        The kind of file is unknown, or can't hold this rate or sample size.
    OutputError
        The sound is too long for a .wav.
    """
    import av

    kind = KINDS.get(suffix.casefold())
    if kind is None:
        raise InputError(f"'{suffix}' is not a kind of sound file; use {', '.join(KINDS)}")
    for name, value, unit, held in (
        ("rate", sound.rate, "samples/s", kind.rates),
        ("bits", sound.bits, "bits per sample", kind.bits or (sound.bits,)),
    ):
        if value not in held:
            raise InputError(
                f"{suffix} can't hold {value} {unit}; one of: {', '.join(map(str, held))}",
                place=f"sound.{name}",
            )
    bits = sound.bits if kind.bits else 0
    form = _FORMATS.get(bits, "flt" if kind.codec == "libopus" else "fltp")
    dither = np.random.Generator(np.random.SFC64(20)) if bits == 16 else None
    # no dates and no random numbers, so that the same sound gives the same bytes
    options = {"fflags": "+bitexact", **wav_options(kind.container)}
    samples = round(audio.size * sound.rate / RATE)
    with av.open(str(path), "w", format=kind.container, container_options=options) as out:
        out.metadata.update(tags_of(marks, kind.container, sound.rate, samples))
        codec = _PCM[bits] if kind.codec == "pcm" else kind.codec
        stream: Any = out.add_stream(codec, rate=sound.rate)
        stream.layout = "stereo"
        stream.codec_context.flags |= _BITEXACT
        if not kind.bits:
            stream.codec_context.bit_rate = (bitrate or sound.bitrate or kind.bitrate) * 1000
        if quick and kind.codec == "libopus":
            stream.codec_context.options = {"compression_level": _QUICK}
        stream.format = form
        at = 0
        for block in _at_rate(audio, sound.rate, samples, marks.loops):
            data = _shaped(block, form, dither)
            frame = av.AudioFrame.from_ndarray(data, format=form, layout="stereo")
            frame.sample_rate, frame.pts = sound.rate, at
            at += len(block)
            if kind.codec == "pcm" and at * 2 * bits // 8 > _WAV_LIMIT:
                raise OutputError("a .wav holds at most 4 GB; write .flac, or choose a range")
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    if kind.container == "wav":
        finish_wav(path, marks, sound.rate, samples)


def _at_rate(audio: Audio, rate: int, samples: int, loops: bool) -> Iterator[Samples]:
    """So many samples of a sound at another rate. The filter of one that loops sees round it."""
    if rate == RATE:
        yield from blocks_of(audio, STRIDE)
        return
    import av

    resampler = av.AudioResampler("flt", "stereo", rate)
    around = min(_AROUND, audio.size) if loops else 0

    def padded() -> Iterator[Samples | None]:
        yield audio.read(audio.size - around, audio.size)
        yield from blocks_of(audio, STRIDE)
        yield audio.read(0, around)
        yield None

    skip, left, at = round(around * rate / RATE), samples, 0
    for block in padded():
        frame = None
        if block is not None:
            if not len(block):
                continue
            frame = av.AudioFrame.from_ndarray(_shaped(block, "flt", None), "flt", "stereo")
            frame.sample_rate, frame.pts = RATE, at
            at += len(block)
        for one in resampler.resample(frame):
            part = one.to_ndarray().astype(np.float32).reshape(-1, 2)[skip:][:left]
            skip, left = max(0, skip - one.samples), left - len(part)
            if len(part):
                yield part
    while left > 0:
        yield np.zeros((min(left, STRIDE), 2), np.float32)
        left -= STRIDE


def _shaped(block: Samples, form: str, dither: np.random.Generator | None) -> NDArray[Any]:
    """Samples in FFmpeg's sample format `form`."""
    if form == "fltp":
        return np.ascontiguousarray(block.T)
    if form == "flt":
        return np.ascontiguousarray(block).reshape(1, -1)
    # single precision holds 24 bits exactly
    scale = 2.0**15 if form == "s16" else 2.0**23
    x = block * np.float32(scale)
    if dither is not None:
        # triangular, one step either way: rounding errors become noise instead of distortion
        x += dither.random(x.shape, np.float32)
        x -= dither.random(x.shape, np.float32)
    np.rint(x, out=x)
    np.clip(x, -scale, scale - 1, out=x)
    whole = x.astype(np.int16) if form == "s16" else x.astype(np.int32) << 8
    return whole.reshape(1, -1)

"""Samples into sound files, and what each kind can hold."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, OutputError
from sonify.export.sound.audio import RATE, Samples

__all__ = ["KINDS", "Encoder", "Kind", "kind_of"]


@dataclass(frozen=True)
class Kind:
    """A kind of sound file.

    Attributes
    ----------
    container, codec : str
        As the codec library calls them.
    bits : tuple of int
        The sample sizes it can hold; none where it compresses with loss.
    bitrate : int
        The usual one, in kbit/s.
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
_WAV_LIMIT = 0xFFFFFFFF - 4096


def kind_of(suffix: str) -> Kind:
    """The kind of file that a suffix stands for.

    Raises
    ------
    InputError
        With the suffixes that are offered.
    """
    kind = KINDS.get(suffix.casefold())
    if kind is None:
        raise InputError(f"'{suffix}' is no kind of sound; one of: {', '.join(KINDS)}")
    return kind


class Encoder:
    """Writes a sound file block by block.

    Parameters
    ----------
    path : Path
    kind : Kind
    rate : int
        Samples a second in the file.
    bits : int
        Sample size, where the kind has one.
    bitrate : int, optional
        In kbit/s, where the kind compresses with loss.
    tags : dict of str to str
    """

    def __init__(
        self,
        path: Path,
        kind: Kind,
        rate: int = RATE,
        bits: int = 24,
        bitrate: int | None = None,
        tags: dict[str, str] | None = None,
    ) -> None:
        import av

        if rate not in kind.rates:
            raise InputError(
                f"{rate} samples a second don't go into {kind.container}; "
                f"one of: {', '.join(map(str, kind.rates))}",
                place="sound.rate",
            )
        if bits > max(kind.bits, default=bits):
            raise InputError(
                f"{bits} bits a sample don't go into {kind.container}; "
                f"{' or '.join(map(str, kind.bits))}",
                place="sound.bits",
            )
        self._kind, self._rate = kind, rate
        self._bits = bits if kind.bits else 0
        # no dates, no random numbers: the same sound gives the same bytes
        self._out = av.open(
            str(path), "w", format=kind.container, container_options={"fflags": "+bitexact"}
        )
        self._out.metadata.update(tags or {})
        codec = _PCM[self._bits] if kind.codec == "pcm" else kind.codec
        stream: Any = self._out.add_stream(codec, rate=rate)
        stream.layout = "stereo"
        context = stream.codec_context
        context.flags |= 1 << 23
        self._form, self._scale = "fltp", 0.0
        if kind.bits:
            self._form, self._scale = {
                16: ("s16", 2.0**15),
                24: ("s32", 2.0**23),
                32: ("flt", 0.0),
            }[self._bits]
        else:
            context.bit_rate = (bitrate or kind.bitrate) * 1000
        if kind.codec == "libopus":
            self._form = "flt"
        stream.format = self._form
        self._stream = stream
        self._dither = np.random.Generator(np.random.SFC64(20)) if self._bits == 16 else None
        self._resampler = None
        if rate != RATE:
            self._resampler = av.AudioResampler(self._form, "stereo", rate)
        self._at = 0

    def __enter__(self) -> Encoder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self._end()
        self._out.close()

    def add(self, block: Samples) -> None:
        """Encode a block, shape (samples, 2), full scale at 1.0, 48,000 samples a second."""
        import av

        if not len(block):
            return
        data = self._shaped(block)
        frame = av.AudioFrame.from_ndarray(data, format=self._form, layout="stereo")
        frame.sample_rate = RATE
        frame.pts = self._at
        self._at += len(block)
        if self._kind.codec == "pcm" and self._at * 2 * self._bits // 8 > _WAV_LIMIT:
            raise OutputError("a .wav holds 4 GB at most; write .flac, or take a range")
        frames = [frame] if self._resampler is None else self._resampler.resample(frame)
        for one in frames:
            self._mux(one)

    def _shaped(self, block: Samples) -> NDArray[Any]:
        if not self._scale:
            if self._form == "fltp":
                return np.ascontiguousarray(block.T)
            return np.ascontiguousarray(block).reshape(1, -1)
        # single precision holds 24 bits exactly
        x = block * np.float32(self._scale)
        if self._dither is not None:
            # triangular, one step either way: rounding errors become noise instead of distortion
            x += self._dither.random(x.shape, np.float32)
            x -= self._dither.random(x.shape, np.float32)
        np.rint(x, out=x)
        np.clip(x, -self._scale, self._scale - 1, out=x)
        if self._form == "s32":
            whole = x.astype(np.int32)
            whole <<= 8
            return whole.reshape(1, -1)
        return x.astype(np.int16).reshape(1, -1)

    def _mux(self, frame: Any) -> None:
        for packet in self._stream.encode(frame):
            self._out.mux(packet)

    def _end(self) -> None:
        if self._resampler is not None:
            for one in self._resampler.resample(None):
                self._mux(one)
        self._mux(None)

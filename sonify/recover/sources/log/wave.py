"""Detector logs in two-channel sound files: left is the clock, right is the data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from sonify.errors import InputError
from sonify.recover.sources.log.columns import BLOCK, Floats, finite

__all__ = ["open_wave"]


@dataclass
class WaveSamples:
    """A sound file, read a block at a time."""

    path: Path
    frames: int
    rate: float
    remarks: list[str] = field(default_factory=list)

    def window(self, start: int, count: int) -> Floats:
        """Samples from `start` on."""
        import soundfile

        with soundfile.SoundFile(str(self.path)) as file:
            file.seek(min(start, self.frames))
            out: Floats = file.read(count, dtype="float32", always_2d=True)
            return out

    def blocks(self) -> Iterator[Floats]:
        """All samples."""
        import soundfile

        with soundfile.SoundFile(str(self.path)) as file:
            first = 0
            for block in file.blocks(BLOCK, dtype="float32", always_2d=True):
                yield finite(block, first, self.path)
                first += len(block)


def open_wave(path: Path) -> WaveSamples:
    """A log in a .wav file."""
    import soundfile

    try:
        info = soundfile.info(str(path))
    except (soundfile.SoundFileError, RuntimeError) as e:
        raise InputError(
            f"this is not a sound file that can be read ({e}); a two-channel WAV is needed",
            file=path,
        ) from None
    promised, there = _promised_size(path), path.stat().st_size
    if promised is not None and promised > there:
        raise InputError(
            f"the file is cut short: its header promises {promised:,} bytes and {there:,} are "
            "there; record it again, or correct the header",
            file=path,
        )
    if info.channels != 2:
        raise InputError(
            f"it has {info.channels} channel{'s' * (info.channels != 1)}; a log needs two: clock "
            "left, data right",
            file=path,
        )
    return WaveSamples(path, info.frames, float(info.samplerate))


def _promised_size(path: Path) -> int | None:
    """The size that a RIFF file must have by its data chunk; None if it does not say."""
    with path.open("rb") as f:
        head = f.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            return None
        at = 12
        while len(chunk := f.read(8)) == 8:
            size = int.from_bytes(chunk[4:], "little")
            if chunk[:4] == b"data":
                # recorders that could not seek back leave zero or all ones
                return None if size in (0, 0xFFFFFFFF) else at + 8 + size
            at = f.seek(at + 8 + size + (size & 1))
    return None

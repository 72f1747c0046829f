"""The computer's speakers.

miniaudio comes as a wheel without dependencies and finds PulseAudio, ALSA, JACK, Core Audio or
WASAPI. Where there is no wheel, samples go to a program that most Linux systems have.
"""

from __future__ import annotations

import contextlib
import importlib.util
import shutil
import subprocess
import threading
import time
from collections.abc import Generator
from typing import Any

import numpy as np

from sonify.errors import OutputError
from sonify.export.sound.audio import RATE, Samples
from sonify.export.sound.master import Master
from sonify.live.ports import quiet
from sonify.live.set_sound import SetSound

__all__ = ["BUFFER_S", "Endless", "open_speakers"]

_BUFFER_MS = 80
BUFFER_S = _BUFFER_MS / 1000
_AHEAD = RATE // 2
_RING_S = 6.0
# the operating systems' own first; the null device is left out
_SYSTEMS = ("WASAPI", "COREAUDIO", "PULSEAUDIO", "ALSA", "JACK", "DSOUND", "WINMM", "SNDIO", "OSS")
_PLAYERS = (
    ("aplay", "-q", "-t", "raw", "-f", "FLOAT_LE", "-c", "2", "-r", str(RATE), "-"),
    ("paplay", *(f"--{o}" for o in ("raw", "format=float32le", "channels=2", f"rate={RATE}"))),
)
_NO_SOUND = "write a sound file instead, or send to a MIDI port with {port}"


class Endless:
    """Sound that repeats without end: a few passes, the last but one of them repeated.

    Parameters
    ----------
    source : Master
        `times` passes, each ringing on into the next.
    period_s : float
    times : int
    """

    size = 1 << 62

    def __init__(self, source: Master, period_s: float, times: int) -> None:
        self._source = source
        self._period = max(1, round(period_s * RATE))
        self._settled = max(0, times - 2) * self._period

    @staticmethod
    def passes(period_s: float) -> int:
        """How many passes are needed: until one sounds like the next, and one more to ring out."""
        return int(_RING_S / period_s) + 3

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`."""
        out = []
        while start < end:
            low = min(start, self._settled) + max(0, start - self._settled) % self._period
            count = min(end - start, self._settled + self._period - low)
            out.append(self._source.read(low, low + count))
            start += count
        return np.concatenate(out)


Source = Master | Endless | SetSound


class _Feed:
    """A source's samples in order, read in larger pieces; silence after the end.

    A set is read as it is needed, because it may change.
    """

    def __init__(self, source: Source) -> None:
        self.size, self.given = source.size, 0
        self._ahead = 0 if isinstance(source, SetSound) else _AHEAD
        self._source, self._at = source, 0
        self._block = np.zeros((0, 2), np.float32)

    def take(self, count: int) -> bytes:
        """The next samples."""
        while len(self._block) < count:
            end = self._at + max(self._ahead, count)
            self._block = np.concatenate([self._block, self._source.read(self._at, end)])
            self._at = end
        out, self._block = self._block[:count], self._block[count:]
        self.given += count
        return out.tobytes()


class _Miniaudio:
    """Sound through miniaudio's callback."""

    def __init__(self, source: Source) -> None:
        import miniaudio

        there = {b.name: b for b in miniaudio.get_enabled_backends()}
        with quiet():
            try:
                self._device: Any = miniaudio.PlaybackDevice(
                    output_format=miniaudio.SampleFormat.FLOAT32,
                    sample_rate=RATE,
                    buffersize_msec=_BUFFER_MS,
                    backends=[there[s] for s in _SYSTEMS if s in there],
                    app_name="sonify",
                )
            except Exception as e:
                raise OutputError("this computer has no sound device", hint=_NO_SOUND) from e
        self._feed = _Feed(source)
        self._mark = (0, 0.0)

    def _samples(self) -> Generator[bytes, int, None]:
        count = yield b""
        while True:
            data = self._feed.take(count)
            self._mark = (self._feed.given, time.monotonic())
            count = yield data

    def start(self) -> None:
        """Start to play."""
        samples = self._samples()
        next(samples)
        with quiet():
            try:
                self._device.start(samples)
            except Exception as e:
                raise OutputError(f"the sound device can't be started ({e})", hint=_NO_SOUND) from e

    def position_s(self) -> float:
        """How much has been played, in s."""
        given, when = self._mark
        late = _BUFFER_MS / 1000
        return max(0.0, given / RATE - late + min(time.monotonic() - when, late)) if given else 0.0

    def done(self) -> bool:
        """Whether everything has been played."""
        return self.position_s() >= self._feed.size / RATE

    def close(self) -> None:
        """Stop immediately."""
        with quiet(), contextlib.suppress(Exception):
            self._device.close()


class _Program:
    """Sound through a program that plays its standard input."""

    def __init__(self, source: Source, command: tuple[str, ...]) -> None:
        self._feed, self._name, self._start_s = _Feed(source), command[0], 0.0
        pipe, none = subprocess.PIPE, subprocess.DEVNULL
        self._process = subprocess.Popen(
            command, stdin=pipe, stdout=none, stderr=pipe, start_new_session=True
        )
        self._thread = threading.Thread(target=self._write, daemon=True)

    def _write(self) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        with contextlib.suppress(OSError, ValueError):
            while self._feed.given < self._feed.size:
                pipe.write(self._feed.take(RATE // 20))
            pipe.close()

    def start(self) -> None:
        """Start to play."""
        self._start_s = time.monotonic()
        self._thread.start()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(0.3)
        if self._process.poll():
            errors = self._process.stderr.read() if self._process.stderr else b""
            says = errors.decode("utf-8", "replace").strip().splitlines()
            why = f" ({self._name}: {says[-1]})" if says else ""
            raise OutputError(f"this computer has no sound device{why}", hint=_NO_SOUND)

    def position_s(self) -> float:
        """How much has been played, in s."""
        return time.monotonic() - self._start_s if self._start_s else 0.0

    def done(self) -> bool:
        """Whether everything has been played."""
        return self._process.poll() is not None

    def close(self) -> None:
        """Stop immediately."""
        self._process.kill()
        self._process.wait()
        if self._process.stderr is not None:
            self._process.stderr.close()


def open_speakers(source: Source) -> _Miniaudio | _Program:
    """The computer's speakers, ready to play a source.

    Raises
    ------
    OutputError
        There is no sound device; the hint says what to do instead.
    """
    if importlib.util.find_spec("miniaudio") is not None:
        return _Miniaudio(source)
    command = next((c for c in _PLAYERS if shutil.which(c[0])), None)
    if command is not None:
        return _Program(source, command)
    raise OutputError(
        "this computer has no program that plays sound; install miniaudio (pip) or alsa-utils",
        hint=_NO_SOUND,
    )

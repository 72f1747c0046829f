"""The machine's speakers.

miniaudio comes as a wheel that finds PulseAudio, ALSA or JACK, Core Audio or WASAPI by itself and
needs nothing installed. Where it has no wheel, a player of raw samples that most Linux systems
have is fed instead.
"""

from __future__ import annotations

import contextlib
import importlib.util
import shutil
import subprocess
import threading
import time
from collections.abc import Generator
from typing import Any, Protocol

import numpy as np

from sonify.errors import OutputError
from sonify.export.sound.audio import RATE, Samples
from sonify.live.ports import quiet

__all__ = ["Source", "Speakers", "open_speakers"]

_BUFFER_MS = 80
_AHEAD = RATE // 2
_RING_S = 6.0
# the systems' own first; never the ones that play into nothing
_SYSTEMS = ("WASAPI", "COREAUDIO", "PULSEAUDIO", "ALSA", "JACK", "DSOUND", "WINMM", "SNDIO", "OSS")
_PLAYERS = (
    ("aplay", "-q", "-t", "raw", "-f", "FLOAT_LE", "-c", "2", "-r", str(RATE), "-"),
    ("paplay", *(f"--{o}" for o in ("raw", "format=float32le", "channels=2", f"rate={RATE}"))),
)
_NO_SOUND = "write a sound file instead, or send to a MIDI port with {port}"


class Source(Protocol):
    """What is played: `size` samples."""

    @property
    def size(self) -> int:
        """In samples."""
        ...

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, shape (end - start, 2)."""
        ...


class Endless:
    """A source that repeats for ever: some passes, of which the last but one goes on and on.

    Parameters
    ----------
    source : Source
        `times` passes, each ringing on into the next.
    period_s : float
    times : int
    """

    size = 1 << 62

    def __init__(self, source: Source, period_s: float, times: int) -> None:
        self._source = source
        self._period = max(1, round(period_s * RATE))
        self._settled = max(0, times - 2) * self._period

    @staticmethod
    def passes(period_s: float) -> int:
        """How many passes it takes until one sounds like the next, and one more to ring out."""
        return int(_RING_S / period_s) + 3

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`."""
        out = np.empty((end - start, 2), np.float32)
        at = start
        while at < end:
            low = at
            if at >= self._settled:
                low = self._settled + (at - self._settled) % self._period
            stop = self._settled + self._period
            count = min(end - at, stop - low)
            out[at - start : at - start + count] = self._source.read(low, low + count)
            at += count
        return out


class Speakers(Protocol):
    """Sound that is being played."""

    def start(self) -> None:
        """Begin."""
        ...

    def position_s(self) -> float:
        """How much has been heard, in s."""
        ...

    def done(self) -> bool:
        """Whether all has been heard."""
        ...

    def close(self) -> None:
        """Stop at once."""
        ...


class _Reader:
    """Hands out a source's samples in order, reading ahead in larger pieces."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._block = np.zeros((0, 2), np.float32)
        self._at = 0
        self.given = 0

    def take(self, count: int) -> Samples:
        """The next samples; silence after the end."""
        while len(self._block) < count:
            end = self._at + max(_AHEAD, count)
            self._block = np.concatenate([self._block, self._source.read(self._at, end)])
            self._at = end
        out, self._block = self._block[:count], self._block[count:]
        self.given += count
        return out


class _Miniaudio:
    """Through miniaudio's callback."""

    def __init__(self, source: Source) -> None:
        import miniaudio

        there = {b.name: b for b in miniaudio.get_enabled_backends()}
        with quiet():
            try:
                self._device: Any = miniaudio.PlaybackDevice(
                    output_format=miniaudio.SampleFormat.FLOAT32,
                    nchannels=2,
                    sample_rate=RATE,
                    buffersize_msec=_BUFFER_MS,
                    backends=[there[s] for s in _SYSTEMS if s in there],
                    app_name="sonify",
                )
            except Exception as e:
                raise OutputError("this machine has no sound device", hint=_NO_SOUND) from e
        self._size = source.size
        self._reader = _Reader(source)
        self._mark = (0, 0.0)

    def _feed(self) -> Generator[bytes, int, None]:
        count = yield b""
        while True:
            data = self._reader.take(count)
            self._mark = (self._reader.given, time.monotonic())
            count = yield data.tobytes()

    def start(self) -> None:
        """Begin."""
        feed = self._feed()
        next(feed)
        with quiet():
            try:
                self._device.start(feed)
            except Exception as e:
                raise OutputError(f"the sound device can't be started ({e})", hint=_NO_SOUND) from e

    def position_s(self) -> float:
        """How much has been heard, in s."""
        given, when = self._mark
        if not given:
            return 0.0
        late = _BUFFER_MS / 1000
        return max(0.0, given / RATE - late + min(time.monotonic() - when, late))

    def done(self) -> bool:
        """Whether all has been heard."""
        return self.position_s() >= self._size / RATE

    def close(self) -> None:
        """Stop at once."""
        with quiet(), contextlib.suppress(Exception):
            self._device.close()


class _Program:
    """Through a program that plays what comes on its stdin."""

    def __init__(self, source: Source, command: tuple[str, ...]) -> None:
        self._size, self._reader = source.size, _Reader(source)
        self._name = command[0]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._start_s = 0.0
        self._failed = False

    def _feed(self) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        try:
            while self._reader.given < self._size:
                pipe.write(self._reader.take(RATE // 20).tobytes())
            pipe.close()
        except (OSError, ValueError):
            pass

    def start(self) -> None:
        """Begin."""
        self._start_s = time.monotonic()
        self._thread.start()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(0.3)
        self._check()

    def _check(self) -> None:
        if self._process.poll():
            errors = self._process.stderr.read() if self._process.stderr else b""
            says = errors.decode("utf-8", "replace").strip().splitlines()
            why = f" ({self._name}: {says[-1]})" if says else ""
            raise OutputError(f"this machine has no sound device{why}", hint=_NO_SOUND)

    def position_s(self) -> float:
        """How much has been heard, in s."""
        return time.monotonic() - self._start_s if self._start_s else 0.0

    def done(self) -> bool:
        """Whether all has been heard."""
        return self._process.poll() is not None

    def close(self) -> None:
        """Stop at once."""
        self._process.kill()
        self._process.wait()
        if self._process.stderr is not None:
            self._process.stderr.close()


def open_speakers(source: Source) -> Speakers:
    """The machine's speakers, ready to play a source.

    Raises
    ------
    OutputError
        There is no sound device; the message says how to write a file.
    """
    if importlib.util.find_spec("miniaudio") is not None:
        return _Miniaudio(source)
    for command in _PLAYERS:
        if shutil.which(command[0]):
            return _Program(source, command)
    raise OutputError(
        "this machine has no way to play sound; install miniaudio (pip) or alsa-utils",
        hint=_NO_SOUND,
    )

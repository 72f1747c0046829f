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

from sonify.errors import OutputError
from sonify.export.sound.audio import RATE
from sonify.live.ports import quiet
from sonify.live.set_sound import SetSound

__all__ = ["BUFFER_S", "open_speakers"]

_BUFFER_MS = 80
BUFFER_S = _BUFFER_MS / 1000
# the operating systems' own first; the null device is left out
_SYSTEMS = ("WASAPI", "COREAUDIO", "PULSEAUDIO", "ALSA", "JACK", "DSOUND", "WINMM", "SNDIO", "OSS")
_PLAYERS = (
    ("aplay", "-q", "-t", "raw", "-f", "FLOAT_LE", "-c", "2", "-r", str(RATE),
     "-B", str(1000 * _BUFFER_MS), "-"),
    ("paplay", *(f"--{o}" for o in ("raw", "format=float32le", "channels=2", f"rate={RATE}",
     f"latency-msec={_BUFFER_MS}"))),
)  # fmt: skip
_BLOCK = RATE // 20
"""Samples that a program gets at a time: 50 ms. As many may wait in its pipe."""
_NO_SOUND = "write a sound file instead, or send to a MIDI port with {port}"


class _Miniaudio:
    """Sound through miniaudio's callback."""

    def __init__(self, source: SetSound) -> None:
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
        self._source = source

    def _samples(self) -> Generator[bytes, int, None]:
        count = yield b""
        at = 0
        while True:
            data = self._source.read(at, at + count).tobytes()
            at += count
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

    def drain(self) -> None:
        """Wait until what was read has been played."""
        time.sleep(BUFFER_S)

    def close(self) -> None:
        """Stop immediately."""
        with quiet(), contextlib.suppress(Exception):
            self._device.close()


class _Program:
    """Sound through a program that plays its standard input."""

    def __init__(self, source: SetSound, command: tuple[str, ...]) -> None:
        self._source, self._name, self._end = source, command[0], threading.Event()
        pipe, none = subprocess.PIPE, subprocess.DEVNULL
        self._process = subprocess.Popen(
            command,
            stdin=pipe,
            stdout=none,
            stderr=pipe,
            start_new_session=True,
            pipesize=8 * _BLOCK,
        )
        self._thread = threading.Thread(target=self._write, daemon=True)

    def _write(self) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        at = 0
        with contextlib.suppress(OSError, ValueError):
            while not self._end.is_set():
                pipe.write(self._source.read(at, at + _BLOCK).tobytes())
                at += _BLOCK
            pipe.close()

    def start(self) -> None:
        """Start to play."""
        self._thread.start()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(0.3)
        if self._process.poll():
            errors = self._process.stderr.read() if self._process.stderr else b""
            says = errors.decode("utf-8", "replace").strip().splitlines()
            why = f" ({self._name}: {says[-1]})" if says else ""
            raise OutputError(f"this computer has no sound device{why}", hint=_NO_SOUND)

    def drain(self) -> None:
        """Wait until what was read has been played."""
        self._end.set()
        self._thread.join()
        self._process.wait()

    def close(self) -> None:
        """Stop immediately."""
        self._process.kill()
        self._process.wait()
        if self._process.stderr is not None:
            self._process.stderr.close()


def open_speakers(source: SetSound) -> _Miniaudio | _Program:
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

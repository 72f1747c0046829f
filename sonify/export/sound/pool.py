"""Renders pieces side by side, in other processes where that is worth starting them."""

from __future__ import annotations

import contextlib
import queue
import struct
import subprocess
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import IO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import OutputError
from sonify.export.renderers import end, most, renderer
from sonify.export.sound.worker import render

__all__ = ["Pool", "rendered"]


class Pool:
    """Renderers for the same SoundFonts.

    Parameters
    ----------
    font : callable
        Gives the bytes of a SoundFont by its number. Processes are sent those that they use.
    pieces : int
        How many pieces are expected; one needs no other process.
    """

    def __init__(self, font: Callable[[int], bytes], pieces: int) -> None:
        self._font = font
        self.size = min(most(), max(pieces, 1))
        self._processes: list[subprocess.Popen[bytes]] = []
        self._known: dict[int, list[int]] = {}
        self._idle: queue.SimpleQueue[subprocess.Popen[bytes]] = queue.SimpleQueue()
        self._threads = ThreadPoolExecutor(self.size)

    def __enter__(self) -> Pool:
        if self.size > 1:
            with contextlib.suppress(OSError):
                for _ in range(self.size):
                    self._start()
        return self

    def _start(self) -> None:
        process = renderer()
        self._processes.append(process)
        self._idle.put(process)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            for process in self._processes:
                process.kill()
        self._threads.shutdown(wait=True, cancel_futures=True)
        end(self._processes)

    def submit(self, font: int, midi: bytes) -> Future[NDArray[np.int16]]:
        """Ask for the samples of a MIDI file, shape (samples, 2)."""
        return self._threads.submit(self._render, font, midi)

    def _render(self, font: int, midi: bytes) -> NDArray[np.int16]:
        if not self._processes:
            return rendered(self._font(font), midi)
        process = self._idle.get()
        try:
            return _samples(self._ask(process, font, midi))
        finally:
            self._idle.put(process)

    def _ask(self, process: subprocess.Popen[bytes], font: int, midi: bytes) -> bytes:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            known = self._known.setdefault(process.pid, [])
            if font not in known:
                _send(process.stdin, b"S", self._font(font))
                known.append(font)
            _send(process.stdin, b"M", struct.pack("<I", known.index(font)) + midi)
            head = process.stdout.read(5)
            if len(head) == 5:
                tag, size = struct.unpack("<cI", head)
                answer: bytes = process.stdout.read(size)
                if len(answer) == size:
                    if tag == b"W":
                        return answer
                    raise _failed(answer.decode("utf-8", "replace"))
        except OSError:
            pass
        raise OutputError("the renderer stopped; is there enough memory?")


def rendered(font: bytes, midi: bytes) -> NDArray[np.int16]:
    """A MIDI file through a SoundFont in this process: samples, shape (samples, 2).

    Raises
    ------
    OutputError
        With what the renderer says.
    """
    try:
        return _samples(render(font, midi))
    except RuntimeError as e:
        raise _failed(str(e)) from None


def _failed(says: str) -> OutputError:
    reason = says.splitlines()[0] if says else "no reason given"
    return OutputError(f"the sound can't be rendered ({reason})")


def _send(sink: IO[bytes], letter: bytes, data: bytes) -> None:
    sink.write(struct.pack("<cI", letter, len(data)))
    sink.write(data)
    sink.flush()


def _samples(wav: bytes) -> NDArray[np.int16]:
    return np.frombuffer(wav, "<i2", offset=44).reshape(-1, 2)

"""Renders pieces side by side, in processes of their own where that is worth starting them."""

from __future__ import annotations

import atexit
import contextlib
import os
import queue
import struct
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import IO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import OutputError
from sonify.write.sound.worker import render

__all__ = ["Pool", "make_ready"]

_MOST = 4
_WORKER = Path(__file__).with_name("worker.py")
_PIPE = 1 << 20
"""Bytes that a pipe holds, where that can be set: SoundFonts and sound go through in few turns."""


_ready: list[subprocess.Popen[bytes]] = []


def make_ready() -> None:
    """Start the processes that the next pool will want, while there is other work to do."""
    if _ready or _most() == 1:
        return
    with contextlib.suppress(OSError):
        for _ in range(_most()):
            _ready.append(_worker())
    atexit.register(_end, _ready)


def _most() -> int:
    """How many processes may help."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None
    return min(cores or os.cpu_count() or 1, _MOST) if sys.executable else 1


def _worker() -> subprocess.Popen[bytes]:
    # -P: the worker's own folder is no place to import from
    return subprocess.Popen(
        [sys.executable, "-P", str(_WORKER)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        pipesize=_PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )


def _end(processes: list[subprocess.Popen[bytes]]) -> None:
    """End processes that have nothing to do any more."""
    for process in processes:
        # they hold nothing that would have to be put away
        process.kill()
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                if pipe is not None:
                    pipe.close()
    for process in processes:
        process.wait()
    processes.clear()


class Pool:
    """Renderers for the same SoundFonts.

    Parameters
    ----------
    font : callable
        Gives a SoundFont's bytes by its number. A process is sent those that it uses.
    pieces : int
        How many pieces are expected: one needs no process.
    """

    def __init__(self, font: Callable[[int], bytes], pieces: int) -> None:
        self._font = font
        self.size = min(_most(), max(pieces, 1))
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
        process = _ready.pop() if _ready else _worker()
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
        _end(self._processes)

    def submit(self, font: int, midi: bytes) -> Future[NDArray[np.int16]]:
        """Ask for a MIDI file's sound: samples, shape (samples, 2)."""
        return self._threads.submit(self._render, font, midi)

    def _render(self, font: int, midi: bytes) -> NDArray[np.int16]:
        if not self._processes:
            try:
                return _samples(render(self._font(font), midi))
            except RuntimeError as e:
                raise _failed(str(e)) from None
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


def _failed(says: str) -> OutputError:
    return OutputError(f"the sound can't be rendered ({says.splitlines()[0] if says else 'why?'})")


def _send(sink: IO[bytes], letter: bytes, data: bytes) -> None:
    sink.write(struct.pack("<cI", letter, len(data)))
    sink.write(data)
    sink.flush()


def _samples(wav: bytes) -> NDArray[np.int16]:
    return np.frombuffer(wav, "<i2", offset=44).reshape(-1, 2)

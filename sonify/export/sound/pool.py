"""Renders pieces in parallel, in other processes if there are several pieces."""

from __future__ import annotations

import contextlib
import marshal
import queue
import subprocess
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from sonify.errors import OutputError
from sonify.export.sound.renderers import end, most, renderer
from sonify.export.sound.worker import render
from sonify.log import debug

__all__ = ["Pool", "rendered"]


class Pool:
    """Renderers for the same SoundFonts.

    Parameters
    ----------
    font : callable
        Gives the bytes of a SoundFont by its number. Processes are sent those that they use.
    pieces : int
        The number of pieces expected; a single one needs no other process.
    """

    def __init__(self, font: Callable[[int], bytes], pieces: int) -> None:
        self._font = font
        self.size = min(most(), max(pieces, 1))
        self._processes: list[subprocess.Popen[bytes]] = []
        self._known: set[tuple[int, int]] = set()
        self._idle: queue.SimpleQueue[subprocess.Popen[bytes]] = queue.SimpleQueue()
        self._threads = ThreadPoolExecutor(self.size)

    def __enter__(self) -> Pool:
        if self.size > 1:
            with contextlib.suppress(OSError):
                for _ in range(self.size):
                    self._processes.append(renderer())
                    self._idle.put(self._processes[-1])
            debug(__name__, "%d processes render", len(self._processes))
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            for process in self._processes:
                process.kill()
        self._threads.shutdown(wait=True, cancel_futures=True)
        end(self._processes)

    def submit(self, font: int, midi: bytes) -> Future[NDArray[np.int16]]:
        """Render a MIDI file in another process: samples, shape (samples, 2)."""
        return self._threads.submit(self._render, font, midi)

    def _render(self, font: int, midi: bytes) -> NDArray[np.int16]:
        if not self._processes:
            return rendered(self._font(font), midi)
        process = self._idle.get()
        try:
            sink, source = process.stdin, process.stdout
            assert sink is not None
            assert source is not None
            known = (process.pid, font) in self._known
            marshal.dump((font, None if known else self._font(font), midi), sink)
            sink.flush()
            self._known.add((process.pid, font))
            return _samples(marshal.load(source))
        except (OSError, EOFError, ValueError):
            raise OutputError("the renderer stopped; is there enough memory?") from None
        finally:
            self._idle.put(process)


def rendered(font: bytes, midi: bytes) -> NDArray[np.int16]:
    """Render a MIDI file through a SoundFont in this process: samples, shape (samples, 2).

    Raises
    ------
    OutputError
        With the renderer's own reason.
    """
    return _samples(render(font, midi))


def _samples(answer: bytes | str) -> NDArray[np.int16]:
    if isinstance(answer, str):
        reason = answer.splitlines()[0] if answer else "no reason given"
        raise OutputError(f"the sound can't be rendered ({reason})")
    return np.frombuffer(answer, "<i2", offset=44).reshape(-1, 2)

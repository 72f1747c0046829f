"""Renders pieces in parallel, in other processes if there are several pieces."""

from __future__ import annotations

import contextlib
import marshal
import queue
import signal
import subprocess
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import IO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import OutputError
from sonify.export.sound.renderers import end, renderer
from sonify.export.sound.worker import render
from sonify.limits import most
from sonify.log import debug

__all__ = ["Pool", "rendered"]

PIECE_S = 20
"""Processor seconds for a piece (half a minute of sound) with a SoundFont of one's own. With the
one that ships it takes a tenth of a second to a second."""
ROOM, ROOM_EACH = 1 << 30, 8
"""Bytes of memory that a renderer may take then, and for each byte of the SoundFont."""


class Pool:
    """Renderers for the same SoundFonts.

    Parameters
    ----------
    font : callable
        Gives the bytes of a SoundFont by its number. Processes are sent those that they use.
    pieces : int
        The number of pieces expected; a single one needs no other process, unless
    foreign : bool
        the SoundFont is not the one that ships. Then each piece has limits.
    """

    def __init__(self, font: Callable[[int], bytes], pieces: int, foreign: bool = False) -> None:
        self._font = font
        self._foreign = foreign
        self.size = min(most(), max(pieces, 1))
        self._processes: list[subprocess.Popen[bytes]] = []
        self._known: set[tuple[int, int]] = set()
        self._idle: queue.SimpleQueue[subprocess.Popen[bytes]] = queue.SimpleQueue()
        self._threads = ThreadPoolExecutor(self.size)

    def __enter__(self) -> Pool:
        if self.size > 1 or self._foreign:
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
            data = self._font(font)
            limits = (PIECE_S, ROOM + ROOM_EACH * len(data)) if self._foreign else None
            marshal.dump((font, None if known else data, midi, limits), sink)
            sink.flush()
            self._known.add((process.pid, font))
            return _samples(_answer(source))
        except (OSError, EOFError, ValueError):
            raise OutputError(self._why(process)) from None
        finally:
            self._idle.put(process)

    def _why(self, process: subprocess.Popen[bytes]) -> str:
        process.kill()
        if self._foreign and process.wait() == -getattr(signal, "SIGXCPU", 0):
            return (
                f"with this SoundFont, half a minute of sound takes more than {PIECE_S} s of "
                "processor time; use another one"
            )
        return "the renderer stopped; is there enough memory?"


def rendered(font: bytes, midi: bytes) -> NDArray[np.int16]:
    """Render a MIDI file through a SoundFont in this process: samples, shape (samples, 2).

    Raises
    ------
    OutputError
        With the renderer's own reason.
    """
    return _samples(render(font, midi))


def _answer(source: IO[bytes]) -> NDArray[np.uint8] | str:
    """What a renderer answers: a WAV file's bytes, or why there is none."""
    said = marshal.load(source)
    if isinstance(said, str):
        return said
    # NumPy's memory comes in large pages
    data = np.empty(said, np.uint8)
    if source.readinto(data.data) < said:  # type: ignore[attr-defined]
        raise EOFError
    return data


def _samples(answer: NDArray[np.uint8] | bytes | str) -> NDArray[np.int16]:
    if isinstance(answer, str):
        reason = answer.splitlines()[0] if answer else "no reason given"
        raise OutputError(f"the sound can't be rendered ({reason})")
    return np.frombuffer(answer, "<i2", offset=44).reshape(-1, 2)

"""The processes that render sound, started before there is anything to render.

Nothing heavy is imported here, so that they start while the rest of a command still does.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import subprocess
import sys
from pathlib import Path

__all__ = ["end", "make_ready", "most", "renderer"]

_MOST = 4
_WORKER = Path(__file__).parent / "sound" / "worker.py"
_PIPE = 1 << 20
"""Bytes that a pipe holds, where that can be set: SoundFonts and sound go through in few turns."""

_ready: list[subprocess.Popen[bytes]] = []


def make_ready() -> None:
    """Start the processes that the next pool will want, while there is other work to do."""
    if _ready or most() == 1:
        return
    with contextlib.suppress(OSError):
        for _ in range(most()):
            _ready.append(_start())
    atexit.register(end, _ready)


def most() -> int:
    """How many processes may help."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None
    return min(cores or os.cpu_count() or 1, _MOST) if sys.executable else 1


def renderer() -> subprocess.Popen[bytes]:
    """A process that renders: one that is ready, or a new one."""
    return _ready.pop() if _ready else _start()


def _start() -> subprocess.Popen[bytes]:
    # -P: the worker's own folder is no place to import from
    return subprocess.Popen(
        [sys.executable, "-P", str(_WORKER)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        pipesize=_PIPE,
        env=_environment(),
    )


def _environment() -> dict[str, str]:
    # half of a short rendering's time at the system's hands goes into memory that comes by pages
    # of 4 kB; the C library of GNU then asks for large ones (glibc manual, 3.6 Memory Allocation
    # Tunables), others take no notice
    tunables = [os.environ.get("GLIBC_TUNABLES"), "glibc.malloc.hugetlb=1"]
    return {
        **os.environ,
        "GLIBC_TUNABLES": ":".join(t for t in tunables if t),
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
    }


def end(processes: list[subprocess.Popen[bytes]]) -> None:
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

"""The processes that render sound, started before there is anything to render.

Nothing heavy is imported here, so that they start while the rest of a command still loads.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import subprocess
import sys
from pathlib import Path

from sonify.limits import most

__all__ = ["end", "make_ready", "renderer"]

_WORKER = Path(__file__).with_name("worker.py")
# bytes that a pipe holds, where that can be set, so that SoundFonts and sound pass in a few turns
_PIPE = 1 << 20

# A short rendering spends much of its time on memory pages of 4 kB, and a long one on new pages for
# each piece. With these settings glibc asks for large ones and keeps what is freed (glibc manual,
# 3.6 Memory Allocation Tunables); others ignore them.
_MEMORY = (
    "glibc.malloc.hugetlb=1",
    f"glibc.malloc.mmap_threshold={1 << 30}",
    f"glibc.malloc.trim_threshold={1 << 30}",
)

_ready: list[subprocess.Popen[bytes]] = []


def make_ready() -> None:
    """Start the processes that the next pool will need, while there is other work to do."""
    if _ready or most() == 1:
        return
    with contextlib.suppress(OSError):
        for _ in range(most()):
            _ready.append(_start())
    atexit.register(end, _ready)


def renderer() -> subprocess.Popen[bytes]:
    """Take a process that is ready, or start one."""
    return _ready.pop() if _ready else _start()


def _start() -> subprocess.Popen[bytes]:
    own = {
        "GLIBC_TUNABLES": ":".join(t for t in (os.environ.get("GLIBC_TUNABLES"), *_MEMORY) if t),
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
    }
    # -P: don't import from the worker's own folder
    command = [sys.executable, "-P", str(_WORKER)]
    pipe, none = subprocess.PIPE, subprocess.DEVNULL
    return subprocess.Popen(
        command, stdin=pipe, stdout=pipe, stderr=none, pipesize=_PIPE, env=os.environ | own
    )


def end(processes: list[subprocess.Popen[bytes]]) -> None:
    """End processes; they hold nothing that must be saved."""
    for process in processes:
        process.kill()
        # closes the pipes and waits
        process.communicate()
    processes.clear()

"""`sonify play` with its clock for long: memory, drift, and what is left open.

`SONIFY_HOUR_S` sets the length in s (3600 for an hour; 60 where nothing is said). The disc is
repeated to a port over a socket, whose listener is a process of its own. Asked: memory stays within
5 % after the first tenth, files, threads and processes stay as many, and no drift.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np

import sonify
from tests.benchmarks.bench_live import DISC, PRESETS, heard_by, listening
from tests.live.simulated import sent

CLOCK = 0xF8


def state_of(pid: int) -> tuple[int, int, int, int]:
    """Bytes in memory, open files and sockets, threads, and processes that it started."""
    process = Path(f"/proc/{pid}")
    pages = int((process / "statm").read_text().split()[1])
    tasks = list((process / "task").iterdir())
    children = sum(len((t / "children").read_text().split()) for t in tasks)
    files = len(list((process / "fd").iterdir()))
    return pages * os.sysconf("SC_PAGE_SIZE"), files, len(tasks), children


def run() -> list[tuple[str, float, str]]:
    seconds = float(os.environ.get("SONIFY_HOUR_S", "60"))
    listener, player = listening("--clock", "--loop")
    begin, states = time.monotonic(), []
    while time.monotonic() - begin < seconds:
        time.sleep(min(5.0, seconds / 20))
        states.append(state_of(player.pid))
    player.send_signal(signal.SIGINT)
    player.communicate(timeout=20)
    times, messages = heard_by(listener)
    memory, *counts = np.array(states).T
    warm = memory[len(memory) // 10 :]
    clock = times[[m.bytes() == [CLOCK] for m in messages]]
    show = sonify.perform(DISC, PRESETS)
    s = sent(show, clock=True)
    even = s.time_s[[m[0] == CLOCK for m in s.messages]]
    loop, place = np.divmod(np.arange(len(clock)), len(even))
    late = clock - clock[0] - even[place] - show.music_s * loop
    quarter = len(late) // 4
    return [
        ("memory, greatest / least after the first tenth", warm.max() / warm.min(),
         f"{warm[0] / 1e6:.1f} to {warm[-1] / 1e6:.1f} MB in {seconds:.0f} s (1.05 asked)"),
        *(
            (f"{what}, most / fewest", many.max() / max(1, many.min()), f"at most {many.max()}")
            for what, many in zip(("open files", "threads", "processes"), counts, strict=True)
        ),
        ("drift of the clock, last quarter after the first, in ms",
         1000 * float(np.median(late[-quarter:]) - np.median(late[:quarter])),
         f"{len(clock):,} clocks"),
        ("clocks that are over 2 ms off, in %",
         100 * float((np.abs(late - np.median(late)) > 0.002).mean()),
         f"worst {1000 * np.abs(late - np.median(late)).max():.1f} ms"),
        ("exit status", float(player.returncode), "0 asked"),
    ]  # fmt: skip


if __name__ == "__main__":
    for title, figure, remark in run():
        print(f"{title:<64} {figure:>8.3f}  {remark}")

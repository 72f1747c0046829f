"""What the studio's files take: the figures of `COSTS` in `sonify/studio/costs.py`.

Two discs of different length give a time and a size before the first second, and for each second of
the piece. `python -m tests.benchmarks.bench_downloads` prints the table; names after it (`sound
draw`) print some of its lines. CPU time is counted where it is shorter than the clock's, so that a
busy machine does not change the figures much.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DISCS = ("cairn-small", "cairn-middle")
VIDEO = (".mp4", ".webm", ".mov")
"""Takes minutes, nearly all of it for each second: measured with the short disc alone."""

CLIP_S = (4.0, 8.0)
"""Clips take longer still: measured on their first seconds."""

MAKE = """
import sys
from pathlib import Path
from sonify.settings import convert
from sonify.studio.document import Document, starting
from sonify.studio.downloads import FileOptions
from sonify.studio.making import write_download
disc, what, suffix, folder, to = sys.argv[1:]
document = convert(starting(disc, ("hut-band",)), Document)
options = FileOptions(to=float(to) if to else None)
write_download(document, what, suffix, Path(folder), options=options)
"""


def cost(disc: str, what: str, suffix: str, to: str = "") -> tuple[float, int]:
    """Seconds and bytes of a download, or of its first seconds."""
    with tempfile.TemporaryDirectory() as folder:
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        command = [sys.executable, "-W", "ignore", "-c", MAKE, disc, what, suffix, folder, to]
        subprocess.run(command, check=True)
        clock = time.perf_counter() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu = after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime
        size = sum(f.stat().st_size for f in Path(folder).iterdir())
    return min(clock, cpu), size


def table(names: list[str]) -> dict[tuple[str, str], tuple[float, float, int, int]]:
    """For each download, or those named: seconds before the first second and for each, and bytes
    likewise."""
    import sonify
    from sonify.studio.downloads import downloads

    length = [sonify.perform(sonify.load_disc(d), ["hut-band"]).music_s for d in DISCS]
    out = {}
    for row in downloads():
        wanted = row["what"] in (names or [row["what"]]) and row["what"] != "everything"
        for suffix in row["suffixes"] if wanted else ():
            ends = list(CLIP_S) if row["what"] == "clip" else length
            if row["what"] == "clip":
                short, long = (cost(DISCS[0], "clip", suffix, str(s)) for s in CLIP_S)
            elif suffix in VIDEO:
                short = cost(DISCS[0], row["what"], suffix)
                long = (short[0] * ends[1] / ends[0], round(short[1] * ends[1] / ends[0]))
            else:
                short, long = (cost(d, row["what"], suffix) for d in DISCS)
            slope = [
                max(0.0, (b - a) / (ends[1] - ends[0])) for a, b in zip(short, long, strict=True)
            ]
            first = [max(0.0, a - s * ends[0]) for a, s in zip(short, slope, strict=True)]
            figures = (round(first[0], 1), round(slope[0], 3), round(first[1]), round(slope[1]))
            out[row["what"], suffix] = figures
            print(f'    ("{row["what"]}", "{suffix}"): {figures},', flush=True)
    return out


def run() -> list[tuple[str, float, str]]:
    import sonify
    from sonify.studio.costs import COSTS

    out = []
    length = sonify.perform(sonify.load_disc(DISCS[0]), ["hut-band"]).music_s
    for (what, suffix), (first, each, begin, more) in COSTS.items():
        if what in ("midi", "sound", "draw"):
            took, size = cost(DISCS[0], what, suffix)
            told = f"{size} bytes for {begin + more * length:.0f}"
            out.append((f"{what} {suffix}: time / estimate", took / (first + each * length), told))
    return out


if __name__ == "__main__":
    table(sys.argv[1:])

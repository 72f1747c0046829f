"""Sound against FluidSynth (Debian) on the same MIDI file and SoundFont, and memory over length.

FluidSynth renders to a .wav and stops at the last event. Ours also lets the piece ring out,
measures and sets its loudness, and writes 24 bits. Its runs are whole processes at 48 kHz; ours
are whole processes too, in which Python and NumPy start first, or a program that runs already.
Ratios under 1 are in our favour.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import sonify
from sonify.export.sound.master import mastered
from sonify.export.sound.soundfont import untuned_default
from tests.benchmarks.measure import ENVIRONMENT, alternating, best
from tests.export.soundfonts import render


def _ours(disc: str, path: Path, *more: str, one_core: bool = False) -> None:
    command = [sys.executable, "-m", "sonify", "sound", disc, "-o", str(path), *more]
    if one_core:
        command = ["taskset", "-c", "0", *command]
    subprocess.run(command, check=True, capture_output=True, env=ENVIRONMENT)


def _theirs(font: Path, midi: Path, path: Path) -> None:
    subprocess.run(
        ["fluidsynth", "-niq", "-r", "48000", "-T", "wav", "-F", str(path), str(font), str(midi)],
        check=True,
        capture_output=True,
    )


def _peak_mb(disc: str, path: Path, rpm: float) -> tuple[float, float]:
    """Memory of a whole process at its height, in MB, and how long the sound is, in s."""
    code = (
        "import resource, sys, sonify\n"
        f"show = sonify.perform(sonify.load_disc({disc!r}), settings={{'player.rpm': {rpm}}})\n"
        f"show.save({str(path)!r})\n"
        "u = [resource.getrusage(w).ru_maxrss for w in (resource.RUSAGE_SELF, "
        "resource.RUSAGE_CHILDREN)]\n"
        "print(max(u) / 1024, show.read_s)"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, env=ENVIRONMENT
    ).stdout.split()
    return float(out[0]), float(out[1])


def run() -> list[tuple[str, float, str]]:
    rows: list[tuple[str, float, str]] = []
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        font = untuned_default().path
        if shutil.which("fluidsynth"):
            for disc in ("cairn-middle", "cairn-large"):
                show = sonify.perform(sonify.load_disc(disc))
                midi = show.save(here / f"{disc}.mid")
                seconds = mastered(show).seconds
                ours, theirs = alternating(
                    [
                        lambda d=disc: _ours(d, here / "a.wav"),
                        lambda m=midi: _theirs(font, m, here / "b.wav"),
                    ],
                    5,
                )
                rows.append(
                    (
                        f"{disc}, {seconds:.0f} s, to .wav / FluidSynth",
                        ours / theirs,
                        f"{ours:.2f} s, {theirs:.2f} s",
                    )
                )
            for disc, rpm in (("cairn-small", 10), ("cairn-middle", 24), ("cairn-large", 10)):
                show = sonify.perform(sonify.load_disc(disc), settings={"player.rpm": rpm})
                midi = show.save(here / "running.mid")
                ours, theirs = alternating(
                    [
                        lambda s=show: s.save(here / "a.wav"),
                        lambda m=midi: _theirs(font, m, here / "b.wav"),
                    ],
                    5,
                )
                rows.append(
                    (
                        f"{disc}, {show.read_s:.0f} s, in a running program / FluidSynth",
                        ours / theirs,
                        f"{ours:.2f} s, {theirs:.2f} s",
                    )
                )
        minute = sonify.perform(sonify.load_disc("cairn-middle"), settings={"player.rpm": 14})
        took = best(lambda: render(minute), 3)
        rows.append(
            (
                f"{minute.read_s:.0f} s of sound, in s (2 s asked)",
                took,
                "in this process, loudness set",
            )
        )
        small, s = _peak_mb("cairn-large", here / "s.flac", 10)
        large, t = _peak_mb("cairn-large", here / "l.flac", 2)
        rows.append(
            (
                f"memory for {t / 60:.0f} min / for {s / 60:.0f} min",
                large / small,
                f"{large:.0f} MB, {small:.0f} MB",
            )
        )
    return rows


if __name__ == "__main__":
    start = time.perf_counter()
    for title, ratio, remark in run():
        print(f"{title:<64} {ratio:>8.2f}  {remark}")
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"({time.perf_counter() - start:.0f} s, {used:.0f} MB)")

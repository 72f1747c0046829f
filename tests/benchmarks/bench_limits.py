"""Limits on readers: what large honest files take, against `sonify.limits`.

Ratios are the limit over what was used; they should stay above 1.5.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from PIL import Image

import sonify
from sonify.limits import limits_of
from tests.recover.log_player import Machine, record

MESSAGE = "FOG OVER THE RIDGE BY NOON, PATH CLOSED ABOVE 1800 M"
WIDE, HIGH = 8000, 6000
LINES, FRAMES = 2_600_000, 15_000_000


def photographs(folder: Path) -> None:
    """48 million pixels with noise, as several kinds of file."""
    subprocess.run(
        [sys.executable, "-m", "sonify", "draw", "fog.toml", "-o", "drawn.png", "--size", "4000"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    picture = Image.new("RGB", (WIDE, HIGH), (90, 80, 70))
    with Image.open(folder / "drawn.png") as drawn:
        picture.paste(drawn.convert("RGB").resize((HIGH, HIGH)), ((WIDE - HIGH) // 2, 0))
    noise = np.random.default_rng(1).integers(-6, 7, (HIGH, WIDE, 3), dtype=np.int16)
    noise += np.asarray(picture)
    picture = Image.fromarray(np.clip(noise, 0, 255, out=noise).astype(np.uint8))
    grey = Image.fromarray(np.asarray(picture.convert("L")).astype(np.uint16) * 257)
    for name, one, options in (
        ("photo.jpg", picture, {"quality": 92}),
        ("photo.png", picture, {"compress_level": 1}),
        ("photo.webp", picture, {"quality": 90}),
        ("clear.webp", picture.convert("RGBA"), {"quality": 80}),
        ("grey-16.png", grey, {"compress_level": 1}),
    ):
        one.save(folder / name, **options)


def logs(folder: Path) -> None:
    """Half an hour at 2,000 samples a second."""
    import soundfile

    log = record(np.asarray(sonify.load_disc(folder / "fog.toml").grid), Machine(rate=2000.0))
    with open(folder / "log.csv", "w") as file:
        file.write("Time (s);Clock (V);Data (V)\n")
        turns = np.resize(log, (LINES, 2)).tolist()
        file.writelines(f"{k / 2000:.4f};{a:.3f};{b:.3f}\n" for k, (a, b) in enumerate(turns))
    soundfile.write(folder / "log.wav", np.resize(log, (FRAMES, 2)) / 6, 2000, "PCM_U8")


def used(folder: Path, *words: str) -> tuple[float, float]:
    """Processor seconds and most bytes of a command."""
    process = subprocess.Popen(
        [sys.executable, "-m", "sonify", *words], cwd=folder,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    _, status, usage = os.wait4(process.pid, 0)
    assert os.waitstatus_to_exitcode(status) == 0, words
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024.0


PRESETS = "hut-band", "music-box"


def make(folder: Path) -> None:
    """Write the files."""
    sonify.save_disc(sonify.encode(MESSAGE, check="crc-16"), folder / "fog.toml")
    photographs(folder)
    logs(folder)
    for preset in PRESETS:
        sonify.perform("cairn-large", [preset]).save(folder / f"{preset}.mid")


def run() -> Iterator[tuple[str, float, str]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # in another process, as a new process counts the memory of the one that started it
        subprocess.run([sys.executable, "-m", __name__, name], check=True)
        for path in sorted(folder.iterdir()):
            if path.stem in ("fog", "drawn"):
                continue
            words = [path.name, *(["-p", path.stem] if path.stem in PRESETS else [])]
            seconds, memory = limits_of(path)
            took, held = used(folder, "read", *words)
            megabytes = path.stat().st_size / 1e6
            yield (
                f"{path.name} of {megabytes:.3g} MB, limit on time over time",
                seconds / took,
                f"{took:.1f} of {seconds} s, {held / 1e6:.0f} of {memory / 1e6:.0f} MB",
            )


if __name__ == "__main__":
    make(Path(sys.argv[1]))

"""A small output of every kind, with the digests that it must have on every machine.

`manifest.jsonl` is that of ``sonify batch tests/golden/list.toml``. Where a library that encodes is
of another version than `seen.json` names, its pictures and sound are compared as they are decoded.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["HERE", "differences", "libraries", "make", "seen"]

HERE = Path(__file__).parent
LIST, MANIFEST, SEEN = (HERE / name for name in ("list.toml", "manifest.jsonl", "seen.json"))

ENCODERS = {
    "av": (".mp4", ".webm", ".mov", ".opus", ".mp3", ".m4a", ".flac", ".html"),
    "pillow": (".png", ".webp", ".gif", ".pdf", ".html"),
    "verovio": (".svg", ".png", ".pdf"),
    "fpdf2": (".pdf",),
    "ezdxf": (".dxf",),
    "opencv-python-headless": (".png", ".mp4", ".webm", ".mov"),
}
"""The libraries that make files, and the kinds of files whose bytes may change with them."""

OPUS = (".opus", ".webm", ".html")
"""Files with sound in Opus, whose bytes change with the processor, too: libopus picks the
instructions for its floats as it runs (`x86/x86cpu.c` in its source, from memory). Measured: two
x86 machines with the same library give sound that is alike, and other bytes."""

LUMA_OFF, LEVEL_OFF = 3.0, 1.0
"""How far the means of a picture's areas (of 255) and the levels of lossy sound (in dB) may be
apart. Own choice: below what is seen or heard as a change."""
BLOCK_S = 0.25
PASSING = re.compile(r"data:[\w/+-]+;base64,[\w+/=]+")
"""In texts: sound and pictures that a library encoded."""


def make(folder: Path, *options: str, env: Mapping[str, str] | None = None, cores: int = 0) -> None:
    """Make all outputs with a Python and environment; `cores` limits the processors it sees."""
    command = [sys.executable, "-m", "sonify", "batch", str(LIST), "-o", str(folder), *options]
    few = set(sorted(os.sched_getaffinity(0))[:cores]) if cores else None
    done = subprocess.run(
        command, env=os.environ | {"SONIFY_CONFIG": ""} | dict(env or {}), text=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, errors="replace",
        preexec_fn=(lambda: os.sched_setaffinity(0, few)) if few else None,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(done.stderr)


def libraries() -> dict[str, str]:
    """The versions of the libraries that encode."""
    return {name: importlib.metadata.version(name) for name in ENCODERS}


def digests(manifest: Path) -> dict[str, str]:
    """The digest of each file of a manifest."""
    lines = [json.loads(line) for line in manifest.read_text("utf-8").splitlines()]
    return {name: sum_ for line in lines for name, sum_ in line["files"].items()}


def seen(path: Path) -> Any:
    """What a file shows, says or sounds like: a digest if nothing is lost, or measures."""
    suffix = path.suffix
    if suffix in (".html", ".musicxml", ".svg"):
        text = PASSING.sub("", path.read_text("utf-8"))
        return hashlib.sha256(text.encode()).hexdigest()
    if suffix in (".png", ".gif", ".webp"):
        return _pictures(path)
    if suffix in (".wav", ".flac"):
        import soundfile

        return hashlib.sha256(soundfile.read(path, dtype="int32")[0].tobytes()).hexdigest()
    if suffix in (".opus", ".mp3", ".m4a"):
        return _levels(path)
    return _frames(path) if suffix in (".mp4", ".webm", ".mov") else None


def _pictures(path: Path) -> dict[str, Any]:
    from PIL import Image

    found, areas = hashlib.sha256(), []
    with Image.open(path) as file:
        for k in range(getattr(file, "n_frames", 1)):
            file.seek(k)
            frame = file.convert("RGBA")
            found.update(repr((file.size, file.info.get("duration"))).encode())
            found.update(frame.tobytes())
            areas += _areas(np.asarray(frame.convert("L")))
    return {"digest": found.hexdigest(), "areas": areas}


def _areas(luma: NDArray[Any]) -> list[float]:
    """The means of 4 x 4 areas."""
    high, wide = (n // 4 * 4 for n in luma.shape)
    parts = luma[:high, :wide].astype(float).reshape(4, high // 4, 4, wide // 4)
    return np.round(parts.mean(axis=(1, 3)), 1).ravel().tolist()


def _levels(path: Path) -> list[float]:
    """Levels in dB of blocks of sound."""
    import av

    with av.open(str(path)) as file:
        parts = [f.to_ndarray().astype(float) for f in file.decode(audio=0)]
        rate = file.streams.audio[0].rate
    sound = np.concatenate([p.reshape(1, -1) if p.ndim == 1 else p[:1] for p in parts], axis=1)[0]
    size = int(rate * BLOCK_S)
    blocks = sound[: len(sound) // size * size].reshape(-1, size)
    return np.round(10 * np.log10((blocks**2).mean(axis=1) + 1e-6), 2).tolist()


def _frames(path: Path) -> list[float]:
    """The means of the areas of each frame."""
    import av

    with av.open(str(path)) as file:
        frames = [f.to_ndarray(format="gray") for f in file.decode(video=0)]
    return [x for frame in frames for x in _areas(frame)]


def _near(one: Any, other: Any, suffix: str) -> bool:
    if one == other:
        return True
    if isinstance(one, dict):
        one, other = one["areas"], other["areas"]
    if isinstance(one, str) or len(one) != len(other):
        return False
    most = LEVEL_OFF if suffix in (".opus", ".mp3", ".m4a") else LUMA_OFF
    return float(np.abs(np.subtract(one, other)).max()) <= most


def differences(folder: Path) -> tuple[list[str], list[str]]:
    """Outputs in a folder that differ from the manifest's, and those that only differ as bytes.

    The latter are decoded alike, and made by a library of another version or with Opus.
    """
    wanted, found = digests(MANIFEST), digests(folder / "manifest.jsonl")
    told = json.loads(SEEN.read_text("utf-8"))
    other = {n for n, v in libraries().items() if told["libraries"][n] != v}
    may = {*OPUS, *(suffix for name in other for suffix in ENCODERS[name])}
    wrong, alike = sorted(wanted.keys() ^ found.keys()), []
    for name in sorted(wanted.keys() & found.keys()):
        if wanted[name] == found[name]:
            continue
        suffix = Path(name).suffix
        reference = told["seen"].get(name)
        like = reference is not None and _near(reference, seen(folder / name), suffix)
        (alike if suffix in may and like else wrong).append(name)
    return wrong, alike

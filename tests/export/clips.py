"""Decoding clips with programs and libraries that are not the package's."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageSequence


def needs(*programs: str) -> None:
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed (Debian: apt install ffmpeg)")


def probe(path: Path) -> dict:
    """What ffprobe says of a file, with its packets counted."""
    needs("ffprobe")
    done = subprocess.run(
        ["ffprobe", "-v", "error", "-count_packets", "-show_streams", "-show_format",
         "-of", "json", str(path)],
        capture_output=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)


def decoded(path: Path, alpha: bool = False, decoder: str | None = None) -> np.ndarray:
    """All frames of a video by ffmpeg, as RGB or RGBA, shape (frames, h, w, 3 or 4), in sRGB."""
    needs("ffmpeg", "ffprobe")
    video = next(s for s in probe(path)["streams"] if s["codec_type"] == "video")
    w, h = video["width"], video["height"]
    studio = video.get("color_transfer") == "bt709"
    kind = ("rgba64le" if studio else "rgba") if alpha else ("rgb48le" if studio else "rgb24")
    how = ["-c:v", decoder] if decoder else []
    done = subprocess.run(
        ["ffmpeg", "-v", "error", *how, "-i", str(path), "-fps_mode", "passthrough",
         "-sws_flags", "accurate_rnd+full_chroma_int+full_chroma_inp+bitexact+area",
         "-f", "rawvideo", "-pix_fmt", kind, "-"],
        capture_output=True, check=True,
    )  # fmt: skip
    shape = (-1, h, w, 4 if alpha else 3)
    if not studio:
        return np.frombuffer(done.stdout, np.uint8).reshape(shape)
    # a display after ITU-R BT.1886, then IEC 61966-2-1
    out = np.frombuffer(done.stdout, "<u2").reshape(shape) / 65535
    light = out[..., :3] ** 2.4
    out[..., :3] = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(out * 255).astype(np.uint8)


def sound_of(path: Path, rate: int = 48_000) -> np.ndarray:
    """The sound of a file by ffmpeg, mono, as it lies beside the picture."""
    needs("ffmpeg")
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(path), "-map", "0:a", "-af", "aresample=async=1",
         "-ac", "1", "-ar", str(rate), "-f", "f32le", "-"],
        capture_output=True, check=True,
    )  # fmt: skip
    return np.frombuffer(done.stdout, np.float32)


def shown_at(path: Path, times: np.ndarray) -> list[np.ndarray]:
    """What a GIF, APNG or WebP shows at some moments, by Pillow, as RGBA."""
    out = []
    with Image.open(path) as image:
        end = 0.0
        frames = ImageSequence.Iterator(image)
        frame = next(frames)
        frame.load()
        end = frame.info["duration"] / 1000
        pixels = np.asarray(frame.convert("RGBA"))
        for t in times:
            while t >= end:
                try:
                    frame = next(frames)
                except StopIteration:
                    break
                frame.load()
                end += frame.info["duration"] / 1000
                pixels = np.asarray(frame.convert("RGBA"))
            out.append(pixels)
    return out


def pictures_of(folder: Path) -> list[np.ndarray]:
    """A folder of numbered pictures."""
    out = []
    for path in sorted(folder.iterdir()):
        with Image.open(path) as image:
            out.append(np.asarray(image))
    return out

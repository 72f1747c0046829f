"""Made-up animations, what they should show, and readers of our own for the tests."""

from __future__ import annotations

import io
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import strategies as st

from sonify.export.animation.frames import Animation, Patch

FFMPEG = shutil.which("ffmpeg")
needs_ffmpeg = pytest.mark.skipif(FFMPEG is None, reason="ffmpeg is not installed")


def animation(patches, colours=16, end_s=None, loop=0, comment=""):
    """An animation whose size is that of its first patch."""
    height, width = patches[0].pixels.shape
    rng = np.random.default_rng(colours)
    # Distinct colours, so that a wrong index is seen as a wrong colour.
    codes = rng.choice(1 << 24, colours, replace=False)
    palette = np.stack([codes >> 16, codes >> 8 & 255, codes & 255], axis=1).astype(np.uint8)
    end_s = patches[-1].time_s + 0.5 if end_s is None else end_s
    return Animation(width, height, palette, patches, end_s, loop, comment)


def canvases(animation):
    """(time, RGB picture) after each patch."""
    canvas = np.zeros((animation.height, animation.width), np.uint8)
    out = []
    for patch in animation.patches:
        height, width = patch.pixels.shape
        canvas[patch.y : patch.y + height, patch.x : patch.x + width] = patch.pixels
        out.append((patch.time_s, animation.palette[canvas]))
    return out


def expected(animation):
    """RGB pictures one after the other, none equal to the one before."""
    out = []
    for _, picture in canvases(animation):
        if not out or not np.array_equal(out[-1], picture):
            out.append(picture)
    return out


def by_pillow(data):
    """(RGB pictures, durations in ms, the image) as Pillow decodes them."""
    from PIL import Image

    image = Image.open(io.BytesIO(data))
    pictures, durations = [], []
    for number in range(getattr(image, "n_frames", 1)):
        image.seek(number)
        image.load()
        durations.append(image.info.get("duration", 0))
        pictures.append(np.asarray(image.convert("RGB")))
    return pictures, durations, image


def by_ffmpeg(data, suffix, shape, folder):
    """RGB pictures as ffmpeg decodes them, one for each stored image."""
    path = Path(folder) / f"in{suffix}"
    path.write_bytes(data)
    done = subprocess.run(
        f"{FFMPEG} -v error -i {path} -fps_mode passthrough -f rawvideo -pix_fmt rgb24 -".split(),
        capture_output=True,
        check=True,
    )
    return np.frombuffer(done.stdout, np.uint8).reshape(-1, *shape, 3)


def assert_same(pictures, wanted):
    assert len(pictures) == len(wanted)
    for number, (got, want) in enumerate(zip(pictures, wanted, strict=True)):
        assert np.array_equal(got, want), f"picture {number} differs"


def tiles(count=12, lamp=12, width=8, height=3, step_s=0.25, levels=16):
    """A matrix that fills: one lamp after the other, round and soft."""
    axis = np.arange(lamp) - (lamp - 1) / 2
    glow = np.exp(-((np.hypot(axis[:, None], axis) / (lamp / 3)) ** 2))
    lit = np.rint(glow * (levels - 1)).astype(np.uint8)
    patches = [Patch(0.0, 0, 0, np.zeros((height * lamp, width * lamp), np.uint8))]
    for n in range(count):
        y, x = divmod(n * 5 % (width * height), width)
        patches.append(Patch((n + 1) * step_s, x * lamp, y * lamp, lit))
    return patches


@dataclass(frozen=True)
class Shape:
    name: str
    patches: list
    colours: int


def _noise(shape, colours, seed=5):
    return np.random.default_rng(seed).integers(0, colours, shape, dtype=np.uint8)


SHAPES = [
    Shape("lamps", tiles(), 16),
    Shape("one pixel", [Patch(0.0, 0, 0, np.zeros((1, 1), np.uint8))], 1),
    Shape("one colour", [Patch(0.0, 0, 0, np.zeros((20, 33), np.uint8))], 1),
    Shape(
        "pixels on odd places",
        [Patch(0.0, 0, 0, np.zeros((9, 13), np.uint8))]
        + [
            Patch(k / 10, 2 * k + 1, k + 1, np.full((1, 1), 1 + k % 2, np.uint8))
            for k in range(1, 6)
        ],
        3,
    ),
    Shape(
        "whole picture each time",
        [Patch(k / 10, 0, 0, _noise((31, 47), 4, k)) for k in range(4)],
        4,
    ),
    Shape(
        "all colours, tables overflow",
        [Patch(0.0, 0, 0, _noise((160, 200), 256, 1)), Patch(0.3, 3, 3, _noise((90, 101), 256, 2))],
        256,
    ),
    Shape(
        "tables overflow, with lamps under noise",
        [
            Patch(0.0, 0, 0, np.tile(_noise((12, 12), 8), (20, 30))),
            Patch(0.2, 5, 5, np.repeat(_noise((100, 150), 8), 2, axis=1)),
        ],
        8,
    ),
]


@st.composite
def random_animations(draw, tick=0.05):
    """Small animations; times are at least ``tick`` apart."""
    width, height = draw(st.integers(1, 24)), draw(st.integers(1, 24))
    colours = draw(st.sampled_from([1, 2, 3, 4, 5, 16, 17, 200, 256]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    used = draw(st.integers(1, colours))
    time_s = draw(st.sampled_from([0.0, 3.7]))
    patches = [Patch(time_s, 0, 0, rng.integers(0, used, (height, width), dtype=np.uint8))]
    for _ in range(draw(st.integers(0, 6))):
        w, h = int(rng.integers(1, width + 1)), int(rng.integers(1, height + 1))
        x, y = int(rng.integers(0, width - w + 1)), int(rng.integers(0, height - h + 1))
        time_s += tick + rng.random()
        pixels = rng.integers(0, used, (h, w), dtype=np.uint8)
        if rng.random() < 0.3:
            pixels[:] = pixels[0, 0]
        patches.append(Patch(time_s, x, y, pixels))
    return animation(patches, colours, time_s + tick + rng.random())

"""GIF writing against Pillow (time) and gifsicle -O3 (size).

Sixty seconds of a 32 x 8 matrix at 20 px a lamp, 25 frames/s. Our side is timed
from level changes to bytes: painting, cropping and coding. Pillow is given
palette frames that are ready. Both write the same frames.

Run as ``python -m tests.benchmarks.bench_gif``.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from sonify.write.frames import Animation, Patch, Pixels
from sonify.write.gif import encode_gif

WIDTH, HEIGHT, LAMP = 32, 8, 20
RATE, SECONDS = 25, 60
FRAMES = RATE * SECONDS
REACH = 30
RUNS = 5

Levels = np.ndarray
PALETTE = np.array([[i * 17, i * 11, i * 4] for i in range(16)], np.uint8)


def fill_levels() -> Levels:
    """Bits at 9.3 a second, half of them ones, round and round. (frame, y, x)"""
    rng = np.random.default_rng(314)
    count = WIDTH * HEIGHT
    bits = rng.random(SECONDS * 10) < 0.5
    state = np.zeros(count, np.uint8)
    out = np.empty((FRAMES, count), np.uint8)
    read = 0
    for frame in range(FRAMES):
        while read <= frame / RATE * 9.3:
            state[read % count] = bits[read]
            read += 1
        out[frame] = state
    return out.reshape(FRAMES, HEIGHT, WIDTH)


def scroll_levels() -> Levels:
    """Columns that move on ten times a second, letters of 5 x 7. (frame, y, x)"""
    rng = np.random.default_rng(159)
    columns = rng.random((HEIGHT, SECONDS * 10 + WIDTH)) < 0.45
    columns[-1] = False
    columns[:, ::6] = False
    return np.stack(
        [columns[:, (at := frame * 10 // RATE) : at + WIDTH] for frame in range(FRAMES)]
    ).astype(np.uint8)


class Square:
    """Flat square lamps with a gap: each tile is one of two."""

    def __init__(self) -> None:
        self.tiles = np.zeros((2, LAMP, LAMP), np.uint8)
        self.tiles[0, 1:-1, 1:-1] = 1
        self.tiles[1, 1:-1, 1:-1] = 15

    def paint(self, state: Levels, box: tuple[int, int, int, int]) -> tuple[int, int, Pixels]:
        top, bottom, left, right = box
        tiles = self.tiles[state[top:bottom, left:right]]
        rows, columns = tiles.shape[:2]
        pixels = tiles.swapaxes(1, 2).reshape(rows * LAMP, columns * LAMP)
        return left * LAMP, top * LAMP, pixels


class Soft:
    """Round lamps in 16 levels whose glow falls on their neighbours."""

    def __init__(self) -> None:
        axis = np.arange(-REACH, REACH) + 0.5
        r = np.hypot(axis[:, None], axis)
        glow = 1.25 * np.exp(-((r / 9) ** 4)) + 0.35 * np.exp(-((r / 14) ** 2))
        glow[r > REACH] = 0
        self.parts = np.rint(glow * 150).astype(np.int16).reshape(3, LAMP, 3, LAMP).swapaxes(1, 2)
        self.unlit = np.where(r[LAMP : 2 * LAMP, LAMP : 2 * LAMP] < 9, 12, 0).astype(np.int16)
        self.steps = np.clip((np.arange(600) + 5) // 10, 0, 15).astype(np.uint8)

    def paint(self, state: Levels, box: tuple[int, int, int, int]) -> tuple[int, int, Pixels]:
        top, bottom = max(box[0] - 1, 0), min(box[1] + 1, HEIGHT)
        left, right = max(box[2] - 1, 0), min(box[3] + 1, WIDTH)
        around = np.pad(state, 1)[top : bottom + 2, left : right + 2].astype(np.int16)
        rows, columns = bottom - top, right - left
        # No matrix product: its threads would make the time depend on the neighbours.
        light = np.zeros((rows * columns, LAMP * LAMP), np.int16)
        for y in range(3):
            for x in range(3):
                near = around[2 - y : 2 - y + rows, 2 - x : 2 - x + columns].ravel()
                lit = np.flatnonzero(near)
                light[lit] += self.parts[y, x].ravel()
        np.maximum(light, self.unlit.ravel(), out=light)
        tiles = self.steps[light].reshape(rows, columns, LAMP, LAMP)
        pixels = tiles.swapaxes(1, 2).reshape(rows * LAMP, columns * LAMP)
        return left * LAMP, top * LAMP, pixels


def patches(levels: Levels, look: Square | Soft) -> Iterator[Patch]:
    """Paint what the level changes touch."""
    whole = (0, HEIGHT, 0, WIDTH)
    yield Patch(0.0, *look.paint(levels[0], whole))
    for frame in range(1, len(levels)):
        differs = levels[frame] != levels[frame - 1]
        rows = np.flatnonzero(differs.any(axis=1))
        if not rows.size:
            continue
        columns = np.flatnonzero(differs.any(axis=0))
        box = (int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1)
        yield Patch(frame / RATE, *look.paint(levels[frame], box))


def ours(levels: Levels, look: Square | Soft, thorough: bool) -> bytes:
    from sonify.write import gif_lzw

    gif_lzw._kept.cache_clear()
    out = io.BytesIO()
    animation = Animation(
        WIDTH * LAMP, HEIGHT * LAMP, PALETTE, patches(levels, look), float(SECONDS)
    )
    encode_gif(animation, out, thorough=thorough)
    return out.getvalue()


def best_of(work: Callable[[], bytes], runs: int = RUNS) -> tuple[float, bytes]:
    best, made = float("inf"), b""
    for _ in range(runs):
        began = time.perf_counter()
        made = work()
        best = min(best, time.perf_counter() - began)
    return best, made


def gifsicle_size(data: bytes) -> int | None:
    tool = shutil.which("gifsicle")
    if tool is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "in.gif"
        source.write_bytes(data)
        done = subprocess.run([tool, "-O3", str(source)], stdout=subprocess.PIPE, check=True)
    return len(done.stdout)


def run() -> list[tuple[str, float, str]]:
    """Return (name, ratio, remark); below 1 is better than the other."""
    from PIL import Image

    lines = []
    cases = [
        ("filling, flat", fill_levels(), Square()),
        ("filling, soft", fill_levels(), Soft()),
        ("scrolling, flat", scroll_levels(), Square()),
        ("scrolling, soft", scroll_levels(), Soft()),
    ]
    whole = (0, HEIGHT, 0, WIDTH)
    for name, levels, look in cases:
        ready = []
        for state in levels:
            image = Image.fromarray(look.paint(state, whole)[2])
            image.putpalette(PALETTE.tobytes())
            ready.append(image)

        def pillow(ready: list[Image.Image] = ready) -> bytes:
            out = io.BytesIO()
            ready[0].save(
                out,
                "GIF",
                save_all=True,
                append_images=ready[1:],
                duration=1000 // RATE,
                loop=0,
                optimize=False,
            )
            return out.getvalue()

        their_time, theirs = best_of(pillow)
        least = gifsicle_size(theirs)
        for thorough in (True, False):
            runs = RUNS if "fill" in name or not thorough else 1
            our_time, mine = best_of(
                lambda c=(levels, look, thorough): ours(*c),  # type: ignore[misc]
                runs,
            )
            how = "thorough" if thorough else "quick"
            lines.append(
                (
                    f"gif {name}, {how}: time / Pillow",
                    our_time / their_time,
                    f"{our_time:.3f} s, Pillow {their_time:.3f} s",
                )
            )
            if least is not None:
                lines.append(
                    (
                        f"gif {name}, {how}: size / gifsicle -O3",
                        len(mine) / least,
                        f"{len(mine)} bytes, gifsicle {least}, Pillow {len(theirs)}",
                    )
                )
    return lines


if __name__ == "__main__":
    for line in run():
        print("{:<50} {:7.3f}  {}".format(*line))

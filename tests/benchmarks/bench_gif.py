"""GIFs beside Pillow (time) and gifsicle -O3 (size).

Sixty seconds of a 32 x 8 matrix at 20 px a lamp, 25 frames/s, in looks that ship. Pillow and our
encoder are given the same palette frames; a second ratio has our painting too, from the changes of
lamps on. All write the same pictures. Times are processor times of all processes together.
"""

from __future__ import annotations

import io
import itertools
import resource
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator

import numpy as np
from PIL import Image

import sonify
from sonify.export import lights, message
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.gif import encode_gif
from sonify.export.animation.metered import Metered
from sonify.light.lamp_grid import LampGrid
from sonify.light.paint import Painter
from sonify.performance import Performance
from tests.benchmarks.measure import alternating
from tests.lamps import states_at

RATE, SECONDS = 25, 60
# a player that never waits, so that there is something to write all the time
BUSY = {
    "player.rpm": 5.0,  # 112 positions a turn: 9.3 a second, as the usual player reads
    "player.row-start": "next-position",
    "player.stage": 0.0,
    "player.settle": 0.0,
    "player.matrix.fill": "running",
    "player.matrix.scroll": 10.0,
}


def ready_frames(painter: Painter, levels: np.ndarray) -> list[Image.Image]:
    out = []
    for one in levels:
        image = Image.fromarray(painter.picture(one))
        image.putpalette(painter.palette.tobytes())
        out.append(image)
    return out


def pillow(frames: list[Image.Image]) -> bytes:
    out = io.BytesIO()
    frames[0].save(
        out, "GIF", save_all=True, append_images=frames[1:], duration=1000 // RATE, loop=0,
        optimize=False,
    )  # fmt: skip
    return out.getvalue()


def ours(painter: Painter, patches: Iterator[Patch]) -> bytes:
    width, height = painter.size
    out = io.BytesIO()
    animation = Animation(
        width=width, height=height, palette=painter.palette, patches=patches,
        end_s=float(SECONDS), loop=0, comment="",
    )  # fmt: skip
    encode_gif(animation, out)
    return out.getvalue()


def gifsicle(data: bytes) -> int | None:
    if shutil.which("gifsicle") is None:
        return None
    done = subprocess.run(["gifsicle", "-O3"], input=data, capture_output=True, check=True)
    return len(done.stdout)


def spent() -> float:
    """Processor time of this process and of those that it started and that have ended."""
    used = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


Case = tuple[np.ndarray, Callable[[], Iterator[Patch]]]


def filling(show: Performance, painter: Painter) -> Case:
    def patches() -> Iterator[Patch]:
        painter.forget()
        return lights.patches(painter, lights.states(show, 0.0, float(SECONDS)))

    times = np.arange(RATE * SECONDS) / RATE
    levels = states_at(show.lights, times, 256).reshape(-1, 8, 32)
    return levels, patches


def scrolling(show: Performance, painter: Painter) -> Case:
    scroll = show.scroll
    assert scroll is not None
    steps = np.arange(RATE * SECONDS) * 10 // RATE
    levels = np.array([scroll.levels(int(k)) for k in steps])

    def patches() -> Iterator[Patch]:
        painter.forget()
        states = itertools.takewhile(lambda one: one[0] < SECONDS, message.states(scroll))
        return lights.patches(painter, states)

    return levels, patches


def meters(show: Performance) -> tuple[str, float, str]:
    """The flash meter for scrolls beside the one for any picture, on the same pictures."""
    painter, scroll = Painter(show.setup.light, show.setup.player.matrix), show.scroll
    assert scroll is not None
    made = list(lights.patches(painter, itertools.islice(message.states(scroll), 600)))

    def measured(lamps: LampGrid | None) -> None:
        metered = Metered(*painter.size, painter.palette, lamps, scroll.column_s)
        for _ in metered.of(iter(made)):
            pass
        assert metered.worst.flashes

    own, plain = alternating(
        [lambda: measured(painter.grid), lambda: measured(None)], tries=3, clock=time.process_time
    )
    title = "flash meter of a scroll: time / any picture's"
    return title, own / plain, f"at most 0.6; {own:.3f} s, {plain:.3f} s"


def run() -> list[tuple[str, float, str]]:
    lines = []
    disc = sonify.load_disc("cairn-large")
    for look in ("glacier", "amber"):
        show = sonify.perform(disc, [look], BUSY)
        painter = Painter(show.setup.light, show.setup.player.matrix)
        for name, case in (("filling", filling), ("scrolling", scrolling)):
            levels, patches = case(show, painter)
            frames = ready_frames(painter, levels)
            done: dict[str, bytes] = {}

            pictures = [np.asarray(f) for f in frames]

            def mine(p: list[np.ndarray] = pictures) -> None:
                ours(painter, (Patch(k / RATE, 0, 0, one) for k, one in enumerate(p)))  # noqa: B023

            def whole(p: Callable[[], Iterator[Patch]] = patches) -> None:
                done["ours"] = ours(painter, p())  # noqa: B023

            def theirs(f: list[Image.Image] = frames) -> None:
                done["pillow"] = pillow(f)  # noqa: B023

            t_ours, t_whole, t_pillow = alternating([mine, whole, theirs], tries=3, clock=spent)
            for what, t in (("ready frames", t_ours), ("painted", t_whole)):
                remark = f"{t:.3f} s, {t_pillow:.3f} s"
                lines.append((f"{name}, {look}, {what}: time / Pillow's", t / t_pillow, remark))
            small = gifsicle(done["pillow"])
            if small is not None:
                remark = f"{len(done['ours']):,}, {small:,}, Pillow {len(done['pillow']):,}"
                ratio = len(done["ours"]) / small
                lines.append((f"{name}, {look}: size / gifsicle -O3's", ratio, remark))
    lines.append(meters(sonify.perform(disc)))
    return lines

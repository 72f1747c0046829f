"""Clips against the encoder alone on the same ready-made frames, and against frames by Pillow.

Each time is the processor time of this process, all its threads together, so that what else the
machine does counts little; the best of several tries that take turns.
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

import sonify
from sonify.export.animation.options import ClipOptions
from sonify.export.clip import roll
from sonify.export.clip.film import Film, ground_picture
from sonify.export.clip.job import Job
from sonify.export.clip.plan import plan_of
from sonify.export.clip.video import KINDS, VideoSink, blank_frame, views_of
from sonify.light.planes import FORMATS
from tests.benchmarks.measure import ROOT


def processor(work: Callable[[], object]) -> float:
    """The processor time in s that some work took."""
    before = time.process_time()
    work()
    return time.process_time() - before


def job_of(views: list[str], start: float, end: float) -> Job:
    show = sonify.perform(sonify.load_disc("cairn-middle"), settings={"clip.views": views})
    return Job(show, ClipOptions(from_s=start, to_s=end, sound=False), "clip")


def sink_of(job: Job, path: Path, sound: bool = False) -> VideoSink:
    kind = KINDS[".mp4"]
    return VideoSink(
        path, kind, FORMATS[kind.format], *job.size, Fraction(60), "normal", 0, sound, {}, []
    )


def ours(job: Job, path: Path) -> tuple[float, float]:
    """The processor time of a clip, and of that what it takes to set up, once."""
    plan = plan_of(job, ".mp4")
    setting_up = 0.0

    def work() -> None:
        nonlocal setting_up
        with sink_of(job, path) as sink:
            before = time.process_time()
            ground = ground_picture(job.look, sink.format, *job.size)
            frames = Film(job, plan, sink.format, sink.on(ground)).frames()
            next(frames)
            setting_up = time.process_time() - before
            roll(itertools.chain([True], frames), plan, sink, None)

    return processor(work), setting_up


def ready_frames(job: Job) -> tuple[list[Any], list[int]]:
    """All different frames of a clip in the encoder's own form, and which one is when."""
    plan = plan_of(job, ".mp4")
    film = Film(job, plan, FORMATS["yuv420p"])
    frames, order = [], []
    for changed in film.frames():
        if changed:
            frame = blank_frame(*job.size, "yuv420p")
            for new, old in zip(
                views_of(frame, FORMATS["yuv420p"]), film.picture.planes, strict=True
            ):
                new[:] = old
            frames.append(frame)
        order.append(len(frames) - 1)
    return frames, order


def encoder_alone(job: Job, frames: list[Any], order: list[int], path: Path) -> None:
    with sink_of(job, path) as sink:
        for k in order:
            sink.frame = frames[k]
            sink.add(True)


def by_pillow(job: Job, path: Path) -> None:
    """The plain way: each frame drawn by Pillow as RGB, and turned into YUV by the encoder's
    library."""
    import av
    from PIL import Image, ImageDraw, ImageFilter

    plan = plan_of(job, ".mp4")
    show, look = job.show, job.look
    matrix = show.setup.player.matrix
    from sonify.light.lamp_grid import fitted
    from sonify.light.look import colour
    from tests.lamps import states_at

    grid = fitted(look, matrix, 1832, 992)
    assert grid is not None
    s, (w, h) = grid.look.pixels, grid.size
    left, top = (1920 - w) // 2 + s // 2, (1080 - h) // 2 + s // 2
    part = plan.pieces[0]
    times = np.array([plan.piece_time(part, k) for k in range(plan.frames)])
    states = states_at(show.lights, times, matrix.lamps)
    radius = s * (1 - look.gap) / 2
    with sink_of(job, path) as sink:
        for k in range(plan.frames):
            image = Image.new("RGB", (1920, 1080), colour(look.background))
            glow = Image.new("L", (1920, 1080))
            draw, soft = ImageDraw.Draw(image), ImageDraw.Draw(glow)
            for led in range(matrix.lamps):
                y, x = divmod(led, matrix.width)
                box = [left + x * s + s / 2 - radius, top + y * s + s / 2 - radius]
                box += [box[0] + 2 * radius, box[1] + 2 * radius]
                lit = states[k, led] > 0
                draw.ellipse(box, fill=colour(look.lamp if lit else look.off))
                if lit:
                    soft.ellipse(box, fill=110)
            halo = Image.new("RGB", image.size, colour(look.lamp))
            image = Image.composite(halo, image, glow.filter(ImageFilter.BoxBlur(12)))
            sink.frame = av.VideoFrame.from_image(image).reformat(format="yuv420p")
            sink.add(True)


def memory(seconds: float, suffix: str = ".mp4") -> float:
    """The most memory in MB that a clip of some length takes, sound and all."""
    code = (
        "import sonify\n"
        "disc = sonify.load_disc('cairn-large')\n"
        "show = sonify.perform(disc, settings={'clip.views': ['matrix', 'message']})\n"
        f"show.save('clip{suffix}', 'clip', to_s={seconds})\n"
        "most = next(x for x in open('/proc/self/status') if x.startswith('VmHWM'))\n"
        "print(int(most.split()[1]) / 1000)\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
    return float(done.stdout)


CASES = (
    ("matrix while reading, 1080p60: to the encoder alone", ["matrix"], 40.0, 5.0, 1.05),
    ("matrix and scroll, 1080p60: to the encoder alone", ["matrix", "message"], 135.5, 5.0, 1.05),
    ("disc and matrix, 1080p60: to the encoder alone", ["disc", "matrix"], 40.0, 3.0, 1.5),
)


def against_encoder(job: Job, path: Path, seconds: float, limit: float) -> tuple[float, float, str]:
    """Our processor time, its ratio to the encoder's, and a remark."""
    frames, order = ready_frames(job)
    best, alone, once = 1e9, 1e9, 1e9
    for _ in range(5):
        whole, setting_up = ours(job, path)
        best, once = min(best, whole - setting_up), min(once, setting_up)
        alone = min(alone, processor(lambda: encoder_alone(job, frames, order, path)))
    remark = (
        f"at most {limit}; a second of clip takes {best / seconds:.2f} s, the encoder "
        f"{alone / seconds:.2f} s; and {once:.2f} s once to set up"
    )
    return best, best / alone, remark


def run() -> list[tuple[str, float, str]]:
    """Name, ratio and remark of each."""
    out = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "clip.mp4")
        for name, views, start, seconds, limit in CASES:
            job = job_of(views, start, start + seconds)
            mine, ratio, remark = against_encoder(job, path, seconds, limit)
            out.append((name, ratio, remark))
            if views == ["matrix"]:
                short = job_of(views, start, start + 1)
                plain = processor(lambda short=short: by_pillow(short, path)) * seconds
                title = "frames by Pillow in RGB: to the matrix clip"
                out.append((title, plain / mine, "at least 3"))
        short, long = memory(15.0), memory(90.0)
        remark = f"flat; {short:.0f} MB and {long:.0f} MB, at most 350"
        out.append(("memory of 90 s to that of 15 s, with sound", long / short, remark))
        for suffix in (".mov", ".webm"):
            short, long = memory(1.0, suffix), memory(6.0, suffix)
            remark = f"flat; {short:.0f} MB and {long:.0f} MB, at most 330"
            out.append((f"memory of 6 s of {suffix} to that of 1 s", long / short, remark))
    return out

"""Clips: the show as a video or as pictures, with its sound."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from sonify.errors import InputError
from sonify.export.animation.moving import ENCODERS
from sonify.export.animation.options import ClipOptions as Options
from sonify.export.animation.patch_comment import PLACEHOLDER, patch_comment
from sonify.export.animation.webp import LARGEST as WEBP_LARGEST
from sonify.export.clip.film import Film, calm_job, ground_picture
from sonify.export.clip.job import Job
from sonify.export.clip.plan import FramePlan, plan_of
from sonify.export.clip.video import KINDS
from sonify.export.outcome import Outcome, comment_of
from sonify.extras import require
from sonify.light.flash import Flashing
from sonify.progress import report

if TYPE_CHECKING:
    from sonify.export.clip.soundtrack import Soundtrack
    from sonify.export.clip.video import VideoSink
    from sonify.performance import Performance

__all__ = ["Options", "write"]


def write(show: Performance, path: Path, options: Options, what: str = "clip") -> Outcome:
    """Write a clip, or for "lights" or "message" the bare matrix.

    Raises
    ------
    InputError
        A size, frame rate or range that is not available, or a look that this kind of file
        can't hold.
    """
    require("video")
    job = Job(show, options, what)
    if options.max_size is not None:
        from sonify.export.animation.fitting import write_within

        return write_within(show, path, options, partial(write, what=what), job.size)
    suffix = path.suffix.casefold()
    if suffix == ".webp" and max(job.size) > WEBP_LARGEST:
        raise InputError(f"a side of a WebP picture is at most {WEBP_LARGEST} pixels", file=path)
    if job.look.clear and (
        suffix == ".gif" or (suffix in KINDS and not KINDS[suffix].clear_format)
    ):
        raise InputError(
            f"{suffix} can't hold a picture without a background; .webm, .mov, .png, .webp and a "
            "folder of pictures can",
            file=path,
            hint="or give {light.background} a colour",
        )
    if options.timecode is not None and suffix != ".mov":
        raise InputError(f"{suffix or 'a folder'} has no timecode; .mov has", file=path)
    changes: tuple[str, ...] = ()
    if options.calm:
        job, changes = calm_job(job, suffix)
    plan = plan_of(job, suffix)
    if suffix in KINDS:
        flashing = _write_video(job, plan, path)
    else:
        from sonify.export.clip.stills import write_animation, write_folder

        film = Film(job, plan, job.rgb)
        (write_animation if suffix in ENCODERS else write_folder)(film, path)
        flashing = film.meter.worst
    beside: tuple[Path, ...] = ()
    if options.subtitles:
        from sonify.export.clip.subtitles import write_subtitles

        beside = write_subtitles(show, plan, path)
    if options.poster is not None:
        beside += (_write_poster(job, plan, path, options.poster),)
    return Outcome(flashing, plan.seconds, changes, beside)


def _write_poster(job: Job, plan: FramePlan, path: Path, second: float) -> Path:
    """Write the picture of a second beside a clip."""
    import numpy as np
    from PIL import Image

    from sonify.atomic import atomic_write

    target = path.with_name(f"{path.stem}-poster.png")
    film = Film(job, plan, job.rgb)
    for _ in film.frames([min(int(second * plan.fps), plan.frames - 1)]):
        with atomic_write(target) as beside, beside.open("wb") as file:
            Image.fromarray(np.dstack(film.picture.planes)).save(file, "PNG")
    return target


def _write_video(job: Job, plan: FramePlan, path: Path) -> Flashing:
    from sonify.atomic import atomic_write
    from sonify.export.clip.marks import chapters_of, checked_timecode
    from sonify.export.clip.soundtrack import Soundtrack
    from sonify.export.clip.video import VideoSink, av_errors, format_of

    kind = KINDS[path.suffix.casefold()]
    format = format_of(kind, job.look.clear)
    options = job.options
    timecode = checked_timecode(options.timecode, plan.fps)
    ground = ground_picture(job.look, format, *job.size)
    title = job.show.disc.display_name
    with atomic_write(path) as beside:
        sound = Soundtrack(job.show, plan) if job.sound else None
        with av_errors(path):
            tags = {"title": title, "comment": PLACEHOLDER}
            if path.suffix.casefold() == ".mov":
                tags["timecode"] = timecode
            sink = VideoSink(
                beside, kind, format, *job.size, plan.fps, job.quality, options.coarse, job.sound,
                tags, chapters_of(job.show, plan),
            )  # fmt: skip
            with sink:
                film = Film(job, plan, format, sink.on(ground))
                roll(film.frames(), plan, sink, sound)
        patch_comment(beside, comment_of(title, film.meter.worst))
    return film.meter.worst


def roll(
    frames: Iterable[bool], plan: FramePlan, sink: VideoSink, sound: Soundtrack | None
) -> None:
    """Send all frames, with the sound a second ahead."""
    import cv2

    second = max(1, round(plan.fps))
    threads = cv2.getNumThreads()
    # OpenCV's other threads would spin between its short calls, on cores that the encoder needs
    cv2.setNumThreads(1)
    try:
        for k, changed in enumerate(frames):
            if k % second == 0:
                report(k / plan.frames)
                if sound is not None:
                    sink.add_sound(sound.until(min(k + second, plan.frames)))
            sink.add(changed)
    finally:
        cv2.setNumThreads(threads)
    report(1.0)

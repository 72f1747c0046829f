"""One clip to write: what it shows, how large, how fast, and to which kind of file."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from sonify.errors import InputError
from sonify.export.animation.patch_comment import PLACEHOLDER, stamp
from sonify.export.clip.film import Film, ground_picture
from sonify.export.clip.plan import Options, Plan, plan_of
from sonify.export.outcome import Outcome, comment_of
from sonify.light.clip import Clip, frame_rate, picture_size
from sonify.light.flash import Flashing
from sonify.light.look import Look
from sonify.light.panel import size_of
from sonify.light.planes import FORMATS, Format, Picture
from sonify.progress import report

if TYPE_CHECKING:
    from sonify.export.clip.soundtrack import Soundtrack
    from sonify.export.clip.video import VideoSink
    from sonify.performance import Performance

__all__ = ["Job", "write_job"]

STILL_FPS = 25.0
"""Frames a second of pictures that move, where none are asked for."""
GIF_MOST_FPS = 50.0
_FOLDER = ""


@dataclass(frozen=True)
class Job:
    """A clip to write.

    Attributes
    ----------
    show : Performance
    options : Options
    what : str
        "clip", or the bare matrix: "lights" or "message".
    shrink, dim : float
        The share of the picture's sides that is used, and how bright glows are.
    """

    show: Performance
    options: Options
    what: str
    shrink: float = 1.0
    dim: float = 1.0

    @property
    def look(self) -> Look:
        """Of the lamps."""
        return self.show.setup.light

    @property
    def clip(self) -> Clip:
        """The `[clip]` section; the bare matrix has scenes of its own."""
        clip = self.show.setup.clip
        if self.what == "clip":
            return clip
        scenes = ("matrix",) if self.what == "lights" else ("matrix", "message")
        return msgspec.structs.replace(clip, scenes=scenes)

    @property
    def quality(self) -> str:
        """What was asked for."""
        return self.options.quality or self.clip.quality

    @cached_property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        if self.options.size is not None:
            return picture_size(self.options.size)
        if self.what == "clip":
            return picture_size(self.clip.size)
        width, height = size_of(self.look, self.show.setup.player.matrix)
        # encoders want more than a few pixels
        return picture_size(f"{max(width, 64)}x{max(height, 64)}")

    def plan(self, suffix: str) -> Plan:
        """What each frame shows, for a kind of file."""
        options = self.options
        moving = suffix in (".gif", ".png", ".webp")
        if moving and options.fps is None:
            options = msgspec.structs.replace(options, fps=STILL_FPS)
        if suffix == ".gif" and options.fps is not None:
            wanted = float(frame_rate(options.fps))
            options = msgspec.structs.replace(options, fps=min(wanted, GIF_MOST_FPS))
        loops = 1 if moving else max(1, options.loop or 1)
        if self.what != "clip":
            options = msgspec.structs.replace(options, sound=False)
        show = self.show
        if self.what == "message":
            if show.scroll is None:
                raise InputError(
                    "this disc has no message to scroll; give it a message, or bits and a [code]"
                )
            begin, end = show.scroll.start_s, show.scroll.end_s
            options = msgspec.structs.replace(options, from_s=begin, to_s=end, rows=None)
        return plan_of(show, self.clip, options, loops)

    def film(self, plan: Plan, format: Format, picture: Picture | None = None) -> Film:
        """The frames."""
        return Film(
            self.show, self.clip, self.look, plan, format, *self.size,
            shrink=self.shrink, dim=self.dim, picture=picture, bare=self.what != "clip",
        )  # fmt: skip

    def measured(self, suffix: str) -> Flashing:
        """What the worst second flashes, without writing anything."""
        plan = self.plan(suffix)
        film = self.film(plan, FORMATS["rgba" if self.look.clear else "rgb24"])
        for k in range(plan.frames):
            film.frame(k)
            if film.meter.over:
                break
        return film.meter.worst

    @property
    def title(self) -> str:
        """What the file calls itself."""
        return self.show.disc.title or self.show.disc.name


def write_job(job: Job, path: Path) -> Outcome:
    """Write a clip to the kind of file that its path asks for."""
    from sonify.export.clip.video import KINDS

    suffix = path.suffix.casefold()
    suffix = suffix if suffix in KINDS or suffix in (".gif", ".png", ".webp") else _FOLDER
    _check(job, suffix, path)
    changes: list[str] = []
    if job.options.calm:
        from sonify.export.clip.calm import calmed

        job, changes = calmed(job, suffix)
    plan = job.plan(suffix)
    if suffix in KINDS:
        flashing = _write_video(job, plan, suffix, path)
    else:
        flashing = _write_pictures(job, plan, suffix, path)
    beside: tuple[Path, ...] = ()
    if job.options.subtitles:
        from sonify.export.clip.subtitles import write_subtitles

        beside = write_subtitles(job.show, plan, path)
    return Outcome(flashing, plan.seconds, tuple(changes), beside)


def _check(job: Job, suffix: str, path: Path) -> None:
    """Refuse what a kind of file can't hold."""
    from sonify.export.clip.video import KINDS

    if not job.look.clear:
        return
    kind = KINDS.get(suffix)
    if suffix == ".gif" or (kind is not None and kind.clear_format is None):
        raise InputError(
            f"{suffix} can't hold a picture without a background; .webm, .mov, .png, .webp and a "
            "folder of pictures can (or set light.background to a colour)",
            file=path,
        )


def _write_video(job: Job, plan: Plan, suffix: str, path: Path) -> Flashing:
    from sonify.atomic import whole
    from sonify.export.clip.soundtrack import Soundtrack
    from sonify.export.clip.video import KINDS, VideoSink, av_errors, format_of

    kind = KINDS[suffix]
    format = format_of(kind, job.look.clear)
    width, height = job.size
    ground = ground_picture(job.look, format, width, height)
    with whole(path) as beside:
        sounding = job.options.sound and job.what == "clip"
        sound = Soundtrack(job.show, plan) if sounding else None
        with av_errors(path):
            sink = VideoSink(
                beside, kind, format, width, height, plan.fps, job.quality, sounding,
                {"title": job.title, "comment": PLACEHOLDER},
            )  # fmt: skip
            with sink:
                planes = sink.planes()
                for plane, under in zip(planes, ground.ground, strict=True):
                    plane[:] = under
                ground.planes = planes
                film = job.film(plan, format, ground)
                _roll(film, plan, sink, sound)
        stamp(beside, comment_of(job.title, film.meter.worst))
    return film.meter.worst


def _roll(film: Film, plan: Plan, sink: VideoSink, sound: Soundtrack | None) -> None:
    """Send all frames, and the sound a second ahead of them."""
    second = max(1, round(plan.fps))
    for k in range(plan.frames):
        if k % second == 0:
            report(k / plan.frames)
            if sound is not None:
                sink.add_sound(sound.until(min(k + second, plan.frames)))
        sink.add(film.frame(k))
    report(1.0)


def _write_pictures(job: Job, plan: Plan, suffix: str, path: Path) -> Flashing:
    from sonify.atomic import whole
    from sonify.export.clip import stills

    film = job.film(plan, FORMATS["rgba" if job.look.clear else "rgb24"])
    if suffix == _FOLDER:
        stills.write_folder(film, path, job.title)
        return film.meter.worst
    stills.check_size(suffix, *job.size, path)
    loop = job.options.loop or 0
    with whole(path) as beside:
        if suffix == ".gif":
            with open(beside, "wb") as out:
                stills.write_gif(film, out, loop, PLACEHOLDER)
        else:
            stills.write_animation(film, beside, suffix, job.quality, loop)
            stills.add_comment(beside, suffix, comment_of(job.title, film.meter.worst))
        stamp(beside, comment_of(job.title, film.meter.worst))
    return film.meter.worst

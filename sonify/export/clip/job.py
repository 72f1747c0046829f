"""One clip to write: what it shows, its size and frame rate, and the kind of file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from sonify.errors import InputError
from sonify.export.animation.moving import ENCODERS
from sonify.export.animation.options import ClipOptions, needed_scroll
from sonify.export.animation.patch_comment import PLACEHOLDER, stamp
from sonify.export.animation.webp import LARGEST as WEBP_LARGEST
from sonify.export.clip.film import Film, FilmPlan, ground_picture
from sonify.export.clip.plan import FramePlan, plan_of
from sonify.export.clip.video import KINDS
from sonify.export.outcome import Outcome, comment_of, title_of
from sonify.light.calm import SHARE, calmed
from sonify.light.clip_settings import Clip, frame_rate, picture_size
from sonify.light.flash import Flashing
from sonify.light.lamp_grid import size_of
from sonify.light.look import BRIGHTEST, Look
from sonify.light.planes import FORMATS, Format, Picture
from sonify.progress import report

if TYPE_CHECKING:
    from sonify.export.clip.soundtrack import Soundtrack
    from sonify.export.clip.video import VideoSink
    from sonify.performance import Performance
    from sonify.setup import Setup

__all__ = ["Job", "write_job"]

STILL_FPS = 25.0
"""Frames a second of .gif, .png and .webp where none are given (own choice)."""
GIF_MOST_FPS = 50.0
"""Browsers show GIF delays under 2/100 s as 10/100 s (common practice, no source)."""
_SMALLEST = 64  # encoders fail on pictures of a few pixels
_FOLDER = ""
_VIEWS = {
    "lights": ("matrix",),
    "message": ("matrix", "message"),
    "matrix": ("matrix", "message"),
}


@dataclass(frozen=True)
class Job:
    """A clip to write.

    Attributes
    ----------
    show : Performance
    options : ClipOptions
    what : str
        "clip"; or the bare matrix: "lights" while it is read, "message" while that scrolls, or
        "matrix" for both.
    share : float
        The share of the picture's sides that is used.
    dim : float
        How bright glows are, from 0 to 1.
    zoom : float
        Pixels on the screen for each pixel of the picture; see `FlashMeter`.
    """

    show: Performance
    options: ClipOptions
    what: str
    share: float = 1.0
    dim: float = 1.0
    zoom: float = 1.0

    @property
    def look(self) -> Look:
        """The look of the lamps."""
        return self.show.setup.light

    @property
    def clip(self) -> Clip:
        """The `[clip]` section; the bare matrix has its own views."""
        clip = self.show.setup.clip
        return msgspec.structs.replace(clip, views=_VIEWS.get(self.what, clip.views))

    @property
    def quality(self) -> str:
        """The quality of the encoder."""
        return self.options.quality or self.clip.quality

    @cached_property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        if self.options.size is not None:
            return picture_size(self.options.size)
        if self.what == "clip":
            return picture_size(self.clip.size)
        width, height = size_of(self.look, self.show.setup.player.matrix)
        return picture_size(f"{max(width, _SMALLEST)}x{max(height, _SMALLEST)}")

    def plan(self, suffix: str) -> FramePlan:
        """What each frame shows, for a kind of file."""
        new: dict[str, object] = {}
        moving = suffix in ENCODERS
        fps = self.options.fps
        if moving and fps is None:
            new["fps"] = STILL_FPS
        elif suffix == ".gif" and fps is not None:
            new["fps"] = min(float(frame_rate(fps)), GIF_MOST_FPS)
        if self.what != "clip":
            new["sound"] = False
        show = self.show
        if self.what == "message":
            scroll = needed_scroll(show)
            new |= {"from_s": scroll.start_s, "to_s": scroll.end_s, "rows": None}
        options = msgspec.structs.replace(self.options, **new)
        return plan_of(show, self.clip, options, 1 if moving else max(1, options.loop or 1))

    def film(self, plan: FramePlan, format: Format, picture: Picture | None = None) -> Film:
        """The frames."""
        bare = self.what != "clip"
        film = FilmPlan(
            self.show, self.clip, plan, format, self.size, self.share, self.dim, self.zoom, bare
        )
        return Film(film, picture)

    def measured(self, suffix: str) -> Flashing:
        """The worst second of flashing, without writing anything."""
        plan = self.plan(suffix)
        film = self.film(plan, self.rgb)
        for k in range(plan.frames):
            film.frame(k)
            if film.meter.over:
                break
        return film.meter.worst

    @property
    def rgb(self) -> Format:
        """The format of frames that no video encoder takes."""
        return FORMATS["rgba" if self.look.clear else "rgb24"]

    def calmed(self, suffix: str) -> tuple[Job, tuple[str, ...]]:
        """The clip within the flash threshold (or as near as the steps come), and the changes."""

        def changed(setup: Setup, share: float) -> Job:
            bright = setup.light.brightness
            dim = 1.0 if bright == self.look.brightness else bright / BRIGHTEST
            return replace(self, show=replace(self.show, setup=setup), share=share, dim=dim)

        without = ("player.matrix.scroll",) if self.show.scroll is None else ()
        done = calmed(
            self.show.setup, lambda *new: changed(*new).measured(suffix), without
        )  # fmt: skip
        return changed(done.setup, done.changes.get(SHARE, 1.0)), done.texts


def write_job(job: Job, path: Path) -> Outcome:
    """Write a clip to the kind of file that its path asks for."""
    suffix = path.suffix.casefold()
    suffix = suffix if suffix in KINDS or suffix in ENCODERS else _FOLDER
    _check(job, suffix, path)
    changes: tuple[str, ...] = ()
    if job.options.calm:
        job, changes = job.calmed(suffix)
    plan = job.plan(suffix)
    write = _write_video if suffix in KINDS else _write_pictures
    flashing = write(job, plan, suffix, path)
    beside: tuple[Path, ...] = ()
    if job.options.subtitles:
        from sonify.export.clip.subtitles import write_subtitles

        beside = write_subtitles(job.show, plan, path)
    return Outcome(flashing, plan.seconds, changes, beside)


def _check(job: Job, suffix: str, path: Path) -> None:
    """Refuse what a kind of file can't hold."""
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


def _write_video(job: Job, plan: FramePlan, suffix: str, path: Path) -> Flashing:
    from sonify.atomic import whole
    from sonify.export.clip.soundtrack import Soundtrack
    from sonify.export.clip.video import VideoSink, av_errors, format_of

    kind = KINDS[suffix]
    format = format_of(kind, job.look.clear)
    width, height = job.size
    ground = ground_picture(job.look, format, width, height)
    title = title_of(job.show)
    with whole(path) as beside:
        sounding = job.options.sound and job.what == "clip"
        sound = Soundtrack(job.show, plan) if sounding else None
        with av_errors(path):
            sink = VideoSink(
                beside, kind, format, width, height, plan.fps, job.quality, sounding,
                {"title": title, "comment": PLACEHOLDER},
            )  # fmt: skip
            with sink:
                planes = sink.planes()
                for plane, under in zip(planes, ground.ground, strict=True):
                    plane[:] = under
                ground.planes = planes
                film = job.film(plan, format, ground)
                _roll(film, plan, sink, sound)
        stamp(beside, comment_of(title, film.meter.worst))
    return film.meter.worst


def _roll(film: Film, plan: FramePlan, sink: VideoSink, sound: Soundtrack | None) -> None:
    """Send all frames, and the sound a second ahead of them."""
    second = max(1, round(plan.fps))
    for k in range(plan.frames):
        if k % second == 0:
            report(k / plan.frames)
            if sound is not None:
                sink.add_sound(sound.until(min(k + second, plan.frames)))
        sink.add(film.frame(k))
    report(1.0)


def _write_pictures(job: Job, plan: FramePlan, suffix: str, path: Path) -> Flashing:
    import sonify.export.clip.stills as stills
    from sonify.atomic import whole

    film = job.film(plan, job.rgb)
    title = title_of(job.show)
    if suffix == _FOLDER:
        stills.write_folder(film, path, title)
        return film.meter.worst
    loop = job.options.loop or 0
    with whole(path) as beside:
        if suffix == ".gif":
            with open(beside, "wb") as out:
                stills.write_gif(film, out, loop, PLACEHOLDER)
            stamp(beside, comment_of(title, film.meter.worst))
        else:
            stills.write_animation(film, beside, suffix, job.quality, loop)
            stills.add_comment(beside, suffix, comment_of(title, film.meter.worst))
    return film.meter.worst

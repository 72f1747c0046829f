"""The film: the views of a clip on one picture, frame by frame."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.clip.job import Job
from sonify.export.clip.joining import blend
from sonify.export.clip.layout import Shape, lay_out
from sonify.export.clip.plan import FramePlan, Segment, plan_of
from sonify.export.clip.view_disc import DiscView
from sonify.export.clip.view_matrix import MatrixView
from sonify.export.clip.view_message import MessageView
from sonify.export.clip.view_notes import NotesView
from sonify.export.clip.view_title import TitleView
from sonify.export.clip.views import Painted, Surroundings, View
from sonify.light.calm import SHARE, calmed
from sonify.light.cells import cells_of
from sonify.light.flash import Flashing, FlashMeter
from sonify.light.lamp_grid import Box
from sonify.light.look import BRIGHTEST, Look, colour
from sonify.light.mounting import Mounting
from sonify.light.planes import Format, Picture, Planes
from sonify.light.room import proportion
from sonify.light.typeface import Typeface

if TYPE_CHECKING:
    from sonify.performance_settings import Setup

__all__ = ["Film", "calm_job", "ground_picture", "measured"]


class Film:
    """A clip's frames, painted in turn on one picture.

    Parameters
    ----------
    job : Job
    plan : FramePlan
    format : Format
        Of the picture.
    picture : Picture, optional
        What to paint on; a new one if not given.

    Attributes
    ----------
    picture : Picture
        What the last frame shows.
    meter : FlashMeter
    views : list of View
        The views that painted the last frame.
    changed : list of tuple
        The rectangles of pixels that the last frame painted.
    """

    def __init__(
        self, job: Job, plan: FramePlan, format: Format, picture: Picture | None = None
    ) -> None:
        self.job, self.plan = job, plan
        self.meter = FlashMeter(*job.size, job.zoom)
        self.picture = picture or ground_picture(job.look, format, *job.size)
        # views paint only what changes, so they need a picture that no blend has touched
        self._plain = ground_picture(job.look, format, *job.size) if plan.join else self.picture
        self.around = Surroundings(
            job.show, job.clip, job.look, self._plain, self.meter.cell, plan.fps,
            Typeface(job.clip.font), job.dim,
        )  # fmt: skip
        self.views: list[View] = []
        self.changed: list[Box] = []
        self._piece: list[View] = []

    def frames(self, numbers: Collection[int] | None = None) -> Iterator[bool]:
        """Paint each frame in turn, or only some, and yield whether the picture changed."""
        whole = (0, 0, self.picture.width, self.picture.height)
        c, first_joined = self.meter.cell, self.plan.frames - self.plan.join
        before, led = self._before_first(), first_joined
        for part in self.plan.parts:
            self._plain.clear(*whole)
            self.views = self._views_of(part, whole)
            anew = True
            for number in range(part.first, part.first + part.frames):
                if numbers is not None and number not in numbers:
                    continue
                painted: Painted = []
                for view in self.views:
                    painted += view.show(self.plan.piece_time(part, number))
                if anew:
                    painted, anew = [(whole, None)], False
                if number >= first_joined:
                    for _ in range(led, number + 1):
                        lead = next(before)
                    # starts and ends slowly, so that neither end shows
                    share = (number - first_joined + 1) / (self.plan.join + 1)
                    share *= share * (3 - 2 * share)
                    blend(self.picture, self._plain.planes, lead, share)
                    painted, led = [(whole, None)], number + 1
                elif self.plan.join:
                    for box, _ in painted:
                        for out, new in zip(
                            self.picture.cut(self.picture.planes, *box),
                            self._plain.cut(self._plain.planes, *box),
                            strict=True,
                        ):
                            out[:] = new
                self.changed = [box for box, _ in painted]
                for box, light in painted:
                    x, y = box[0] // c, box[1] // c
                    if light is None:
                        x, y, light = cells_of(self.picture, box, c)
                    self.meter.add(float(number / self.plan.fps), x, y, light)
                yield bool(painted)

    def _before_first(self) -> Iterator[Planes]:
        """The pictures that lead up to the first frame: the piece before its range, or nothing."""
        plan, first = self.plan, self.plan.parts[0]
        ground = ground_picture(self.job.look, self.picture.format, *self.job.size)
        if first.kind != "piece":
            yield from itertools.repeat(ground.planes)
        lead = Segment("piece", 0, plan.join, first.start_s - float(plan.join / plan.fps))
        film = Film(self.job, replace(plan, parts=(lead,), join=0), ground.format, ground)
        for _ in film.frames():
            yield film.picture.planes

    def sample(self, count: int = 8) -> NDArray[np.uint8]:
        """Some frames of the whole film below each other, every third pixel, shape (n, m, 3)."""
        plan = self.plan
        film = Film(self.job, plan, self.picture.format)
        wanted = np.linspace(0, plan.frames - 1, count).astype(int).tolist()
        out = [np.dstack(film.picture.planes[:3])[::3, ::3] for _ in film.frames(wanted)]
        return np.ascontiguousarray(np.vstack(out))

    def _views_of(self, part: Segment, whole: Box) -> list[View]:
        if part.kind != "piece":
            seconds = float(part.frames / self.plan.fps)
            return [TitleView(self.around, whole, part.kind, seconds)]
        self._piece = self._piece or self._make_piece()
        for view in self._piece:
            view.forget()
        return self._piece

    def _make_piece(self) -> list[View]:
        around, share = self.around, self.job.share
        w, h = self.picture.width, self.picture.height
        inner = (round(w * share) & ~1, round(h * share) & ~1)
        dx, dy = (w - inner[0]) // 2 & ~1, (h - inner[1]) // 2 & ~1
        if self.job.what != "clip":
            return [MatrixView(around, (dx, dy, *inner))]
        names = [n for n in dict.fromkeys(around.clip.views) if n != "title"]
        if "message" in names and not len(around.show.captions):
            names.remove("message")
        names = names or ["matrix"]
        across, down = Mounting.of(around.look, around.show.setup.player.matrix).size
        ratio = (across + 1) / (down + 1)
        matrix = Shape(ratio, ratio, 1.0)
        if around.look.view == "room":
            wide = proportion(around.look, around.show.setup.player.matrix)
            matrix = Shape(0.75 * wide, 1.3 * wide, 1.0)
        shapes = [matrix if n == "matrix" else _SHAPES[n] for n in names]
        shapes[0] = replace(shapes[0], weight=shapes[0].weight * _FIRST)
        views: list[View] = []
        for name, (x, y, bw, bh) in zip(names, lay_out(shapes, *inner), strict=True):
            x, y, upper = x + dx, y + dy, (bh * 2 // 5) & ~1
            if name != "message":
                views.append(_VIEWS[name](around, (x, y, bw, bh)))
            elif "matrix" in names:
                views.append(MessageView(around, (x, y, bw, bh)))
            else:
                # no matrix to scroll across: put one below the captions
                views.append(MessageView(around, (x, y, bw, upper)))
                below = (x, y + upper, bw, bh - upper)
                views.append(MatrixView(around, below, reading=False))
        return views


# the proportions of the views, and their weights (chosen by eye)
_SHAPES = {
    "disc": Shape(0.94, 0.94, 1.0),
    "notes": Shape(1.2, 4.5, 0.8),
    "message": Shape(2.6, 9.0, 0.28),
}
_FIRST = 1.5  # the first view weighs this much more
_VIEWS = {"matrix": MatrixView, "disc": DiscView, "notes": NotesView}


def measured(job: Job, suffix: str) -> Flashing:
    """The worst second of a clip's flashing, without writing anything."""
    film = Film(job, plan_of(job, suffix), job.rgb)
    for _ in film.frames():
        if film.meter.over:
            break
    return film.meter.worst


def calm_job(job: Job, suffix: str) -> tuple[Job, tuple[str, ...]]:
    """The clip within the flash threshold (or as near as the steps come), and the changes."""

    def changed(setup: Setup, share: float) -> Job:
        bright = setup.light.brightness
        dim = 1.0 if bright == job.look.brightness else bright / BRIGHTEST
        return replace(job, show=replace(job.show, setup=setup), share=share, dim=dim)

    without = ("player.matrix.scroll",) if job.show.scroll is None else ()
    done = calmed(job.show.setup, lambda *new: measured(changed(*new), suffix), without)
    return changed(done.setup, done.changes.get(SHARE, 1.0)), done.texts


def ground_picture(look: Look, format: Format, width: int, height: int) -> Picture:
    """A picture of a look's background.

    Raises
    ------
    InputError
        The background is not a colour, a picture or none.
    """
    if look.plain or look.clear:
        rgb = np.array(colour(look.ground)) / 255
        return Picture.on_colour(format, width, height, rgb, 0.0 if look.clear else 1.0)
    return Picture.on_image(format, background_image(look.background, width, height))


def background_image(name: str, width: int, height: int) -> NDArray[np.uint8]:
    """A picture file, cropped to fill a size, shape (height, width, 3)."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    path = Path(name)
    try:
        with Image.open(path) as image:
            fitted = ImageOps.fit(ImageOps.exif_transpose(image).convert("RGB"), (width, height))
        return np.asarray(fitted, np.uint8)
    except FileNotFoundError:
        problem = (
            "there is no such picture; give a colour (#rrggbb), the path of a picture, or none"
        )
    except UnidentifiedImageError:
        problem = "this is not a picture that can be read; give a PNG or JPEG file"
    except (OSError, ValueError, Image.DecompressionBombError) as e:
        problem = f"it can't be read ({e})"
    raise InputError(problem, file=path, place="light.background")

"""The film: the views of a clip on one picture, frame after frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.clip.layout import Shape, lay_out
from sonify.export.clip.plan import FramePlan, Segment
from sonify.export.clip.view_matrix import MatrixView
from sonify.export.clip.view_message import MessageView
from sonify.export.clip.view_notes import NotesView
from sonify.export.clip.view_title import TitleView
from sonify.export.clip.views import Painted, Surroundings, View
from sonify.light.cells import cells_of
from sonify.light.clip_settings import Clip
from sonify.light.flash import FlashMeter
from sonify.light.lamp_grid import Box
from sonify.light.look import Look, colour
from sonify.light.mounting import Mounting
from sonify.light.planes import Format, Picture
from sonify.light.typeface import Typeface

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Film", "FilmPlan", "ground_picture"]


@dataclass(frozen=True)
class FilmPlan:
    """What a film is made from.

    Attributes
    ----------
    show : Performance
    clip : Clip
    frames : FramePlan
    format : Format
    size : tuple of int
        Width and height of the picture in pixels.
    share : float
        The share of the picture's sides that views may take.
    dim : float
        How bright glows may be, from 0 to 1.
    zoom : float
        Pixels on the screen for each pixel of the picture; see `FlashMeter`.
    bare : bool
        Only the matrix, as large as the picture.
    """

    show: Performance
    clip: Clip
    frames: FramePlan
    format: Format
    size: tuple[int, int]
    share: float = 1.0
    dim: float = 1.0
    zoom: float = 1.0
    bare: bool = False


class Film:
    """A clip's frames, one after the other on one picture.

    Parameters
    ----------
    made_from : FilmPlan
    picture : Picture, optional
        What to paint on; a new one if not given.

    Attributes
    ----------
    picture : Picture
        What the last frame shows.
    meter : FlashMeter
    changed : list of tuple
        The rectangles of pixels that the last frame painted.
    """

    def __init__(self, made_from: FilmPlan, picture: Picture | None = None) -> None:
        m = self._made_from = made_from
        self.plan = m.frames
        self.meter = FlashMeter(*m.size, m.zoom)
        look = m.show.setup.light
        self.picture = picture or ground_picture(look, m.format, *m.size)
        self.around = Surroundings(
            m.show, m.clip, look, self.picture, self.meter.cell, self.plan.fps,
            Typeface(m.clip.font), m.dim,
        )  # fmt: skip
        self.changed: list[Box] = []
        self._anew = False
        self._views: list[View] = []
        self._part: Segment | None = None
        self._parts = iter(self.plan.parts)
        self._piece: list[View] | None = None

    def frame(self, number: int) -> bool:
        """Bring the picture to a frame; whether it changed. Frames come in order."""
        part = self._part
        if part is None or number >= part.first + part.frames:
            part = self._begin(number)
        painted: Painted = []
        time_s = self.plan.piece_time(part, number)
        for view in self._views:
            painted += view.show(time_s)
        if self._anew:
            self._anew = False
            painted = [((0, 0, self.picture.width, self.picture.height), None)]
        self.changed = [box for box, _ in painted]
        if not painted:
            return False
        moment = float(number / self.plan.fps)
        for box, light in painted:
            self._measure(moment, box, light)
        return True

    def sample(self, count: int = 8) -> NDArray[np.uint8]:
        """Some frames of the whole film below each other, every third pixel, shape (n, m, 3)."""
        film = Film(self._made_from)
        out = []
        for k in np.unique(np.linspace(0, self.plan.frames - 1, count).astype(int)):
            film.frame(int(k))
            out.append(np.dstack(film.picture.planes[:3])[::3, ::3])
        return np.ascontiguousarray(np.vstack(out))

    def _measure(self, moment: float, box: Box, light: NDArray[np.float32] | None) -> None:
        x, y, _, _ = box
        c = self.meter.cell
        if light is None:
            x, y, light = cells_of(self.picture, box, c)
            self.meter.add(moment, x, y, light)
        else:
            self.meter.add(moment, x // c, y // c, light)

    def _begin(self, number: int) -> Segment:
        part = self._part = next(self._parts)
        picture = self.picture
        whole = (0, 0, picture.width, picture.height)
        picture.clear(*whole)
        self._anew = True
        if part.kind == "piece":
            if self._piece is None:
                self._piece = self._make_piece()
            for view in self._piece:
                view.forget()
            self._views = self._piece
        else:
            seconds = float(part.frames / self.plan.fps)
            self._views = [TitleView(self.around, whole, part.kind, seconds)]
        return part

    def _make_piece(self) -> list[View]:
        around, share = self.around, self._made_from.share
        w, h = self.picture.width, self.picture.height
        inner = (round(w * share) & ~1, round(h * share) & ~1)
        dx, dy = (w - inner[0]) // 2 & ~1, (h - inner[1]) // 2 & ~1
        if self._made_from.bare:
            return [MatrixView(around, (dx, dy, *inner))]
        names = [n for n in dict.fromkeys(around.clip.views) if n != "title"]
        if "message" in names and not len(around.show.captions):
            names.remove("message")
        names = names or ["matrix"]
        across, down = Mounting.of(around.look, around.show.setup.player.matrix).size
        matrix = (across + 1) / (down + 1)
        shapes = [Shape(matrix, matrix, 1.0) if n == "matrix" else _SHAPES[n] for n in names]
        shapes[0] = replace(shapes[0], weight=shapes[0].weight * _FIRST)
        views: list[View] = []
        for name, (x, y, bw, bh) in zip(names, lay_out(shapes, *inner), strict=True):
            box = (x + dx, y + dy, bw, bh)
            if name == "message" and "matrix" not in names:
                # the scroll has no lamps of its own to run over: they go below the captions
                upper = (bh * 2 // 5) & ~1
                below = (box[0], box[1] + upper, bw, bh - upper)
                views.append(MessageView(around, (*box[:3], upper)))
                views.append(MatrixView(around, below, reading=False))
            else:
                views.append(_VIEWS[name](around, box))
        return views


_SHAPES = {
    "disc": Shape(0.94, 0.94, 1.0),
    "notes": Shape(1.2, 4.5, 0.8),
    "message": Shape(2.6, 9.0, 0.28),
}
"""The proportions of the views, and their weights (chosen by eye)."""
_FIRST = 1.5
"""By how much more the first view weighs."""


def _disc_view(around: Surroundings, box: Box) -> View:
    from sonify.export.clip.view_disc import DiscView

    return DiscView(around, box)


_VIEWS: dict[str, Callable[[Surroundings, Box], View]] = {
    "matrix": MatrixView,
    "disc": _disc_view,
    "notes": NotesView,
    "message": MessageView,
}


def ground_picture(look: Look, format: Format, width: int, height: int) -> Picture:
    """A picture of a look's background.

    Raises
    ------
    InputError
        A background that is no colour, no picture and not none.
    """
    if look.plain or look.clear:
        rgb = np.array(colour(look.ground)) / 255
        return Picture.on_colour(format, width, height, rgb, 0.0 if look.clear else 1.0)
    return Picture.on_image(format, background_image(look.background, width, height))


def background_image(name: str, width: int, height: int) -> NDArray[np.uint8]:
    """A picture file, cut to fill a size, shape (height, width, 3)."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    path = Path(name)
    try:
        with Image.open(path) as image:
            fitted = ImageOps.fit(ImageOps.exif_transpose(image).convert("RGB"), (width, height))
    except FileNotFoundError:
        raise InputError(
            "there is no such picture; give a colour (#rrggbb), the path of a picture, or none",
            file=path,
            place="light.background",
        ) from None
    except UnidentifiedImageError:
        raise InputError(
            "this is not a picture that can be read; give a PNG or JPEG file",
            file=path,
            place="light.background",
        ) from None
    except (OSError, ValueError, Image.DecompressionBombError) as e:
        raise InputError(f"it can't be read ({e})", file=path, place="light.background") from None
    return np.asarray(fitted, np.uint8)

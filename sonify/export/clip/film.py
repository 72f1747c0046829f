"""The film: the scenes of a clip on one picture, frame after frame."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.clip.cells import cells_of
from sonify.export.clip.layout import Shape, lay_out
from sonify.export.clip.plan import Part, Plan
from sonify.export.clip.views import Painted, Scene, Surroundings
from sonify.light.clip import Clip
from sonify.light.flash import FlashMeter
from sonify.light.look import Look, colour
from sonify.light.mounting import Mounting
from sonify.light.panel import Box
from sonify.light.planes import Format, Picture
from sonify.light.typeface import Typeface

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Film"]


class Film:
    """A clip's frames, one after the other on one picture.

    Parameters
    ----------
    show : Performance
    clip : Clip
    look : Look
    plan : Plan
    format : Format
    width, height : int
    shrink : float
        The share of the picture's sides that scenes may take.
    dim : float
        How bright glows may be.
    picture : Picture, optional
        To paint on; a new one if not given.
    bare : bool
        Nothing but the matrix, as large as the picture.

    Attributes
    ----------
    picture : Picture
        What the last frame shows.
    meter : FlashMeter
    changed : list of tuple
        The rectangles of pixels that the last frame painted.
    """

    def __init__(
        self,
        show: Performance,
        clip: Clip,
        look: Look,
        plan: Plan,
        format: Format,
        width: int,
        height: int,
        *,
        shrink: float = 1.0,
        dim: float = 1.0,
        picture: Picture | None = None,
        bare: bool = False,
    ) -> None:
        self._again = partial(
            Film, show, clip, look, plan, format, width, height,
            shrink=shrink, dim=dim, bare=bare,
        )  # fmt: skip
        self.plan = plan
        self.meter = FlashMeter(width, height)
        self.picture = picture or ground_picture(look, format, width, height)
        face = Typeface(clip.font)
        cell = self.meter.cell
        self.around = Surroundings(show, clip, look, self.picture, cell, plan.fps, face, dim)
        self._shrink = shrink
        self._bare = bare
        self.changed: list[Box] = []
        self._anew = False
        self._scenes: list[Scene] = []
        self._part: Part | None = None
        self._parts = iter(plan.parts)
        self._next = next(self._parts, None)
        self._piece: list[Scene] | None = None

    def frame(self, number: int) -> bool:
        """Bring the picture to a frame; whether it changed. Frames come in order."""
        part = self._part
        if part is None or number >= part.first + part.frames:
            part = self._begin(number)
        painted: Painted = []
        time_s = self.plan.piece_time(part, number)
        for scene in self._scenes:
            painted += scene.show(time_s)
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
        film = self._again()
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

    def _begin(self, number: int) -> Part:
        part = self._next
        assert part is not None
        self._part, self._next = part, next(self._parts, None)
        picture = self.picture
        picture.clear(0, 0, picture.width, picture.height)
        self._anew = True
        if part.kind == "piece":
            if self._piece is None:
                self._piece = self._make_piece()
            for scene in self._piece:
                scene.forget()
            self._scenes = self._piece
        else:
            from sonify.export.clip.view_title import TitleScene

            box = (0, 0, picture.width, picture.height)
            seconds = float(part.frames / self.plan.fps)
            self._scenes = [TitleScene(self.around, box, part.kind, seconds)]
        return part

    def _make_piece(self) -> list[Scene]:
        around, picture = self.around, self.picture
        if self._bare:
            from sonify.export.clip.view_matrix import MatrixScene

            w, h = picture.width, picture.height
            inner = (round(w * self._shrink) & ~1, round(h * self._shrink) & ~1)
            left, top = (w - inner[0]) // 2 & ~1, (h - inner[1]) // 2 & ~1
            return [MatrixScene(around, (left, top, *inner))]
        w, h = picture.width, picture.height
        names = [n for n in around.clip.scenes if n != "title"]
        if "message" in names and not len(around.show.captions):
            names.remove("message")
        names = list(dict.fromkeys(names)) or ["matrix"]
        across, down = Mounting.of(around.look, around.show.setup.player.matrix).size
        shapes = {
            "matrix": Shape((across + 1) / (down + 1), (across + 1) / (down + 1), 1.0),
            "disc": Shape(0.94, 0.94, 1.0),
            "notes": Shape(1.2, 4.5, 0.8),
            "message": Shape(2.6, 9.0, 0.28),
        }
        w, h = picture.width, picture.height
        inner = (round(w * self._shrink) & ~1, round(h * self._shrink) & ~1)
        dx, dy = (w - inner[0]) // 2 & ~1, (h - inner[1]) // 2 & ~1
        chosen = [shapes[n] for n in names]
        first = chosen[0]
        chosen[0] = Shape(first.narrow, first.wide, first.weight * 1.5)
        places = lay_out(chosen, *inner)
        scenes: list[Scene] = []
        for name, (x, y, bw, bh) in zip(names, places, strict=True):
            scenes += _made(name, around, (x + dx, y + dy, bw, bh), names)
        return scenes


def _made(name: str, around: Surroundings, box: Box, names: Sequence[str]) -> list[Scene]:
    """The scene of a name in a rectangle."""
    if name == "matrix":
        from sonify.export.clip.view_matrix import MatrixScene

        return [MatrixScene(around, box)]
    if name == "message":
        from sonify.export.clip.view_message import MessageScene

        if "matrix" in names:
            return [MessageScene(around, box)]
        from sonify.export.clip.view_matrix import MatrixScene

        # without the matrix the scroll has no place of its own: captions first, lamps below
        x, y, w, h = box
        upper = (h * 2 // 5) & ~1
        return [
            MessageScene(around, (x, y, w, upper)),
            MatrixScene(around, (x, y + upper, w, h - upper), reading=False),
        ]
    if name == "notes":
        from sonify.export.clip.view_notes import NotesScene

        return [NotesScene(around, box)]
    from sonify.export.clip.view_disc import DiscScene

    return [DiscScene(around, box)]


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

"""What all views share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from sonify.light.clip_settings import Clip
from sonify.light.lamp_grid import Box
from sonify.light.look import F32, Look, colour
from sonify.light.planes import Picture
from sonify.light.sheet import Sheet
from sonify.light.typeface import Typeface

if TYPE_CHECKING:
    from fractions import Fraction

    from sonify.performance import Performance

__all__ = ["Painted", "SheetView", "Surroundings", "View", "mixed"]

# rectangles of pixels that were painted, with their light by cells where it is known
Painted = list[tuple[Box, F32 | None]]

RGB = tuple[int, int, int]


@dataclass(frozen=True)
class Surroundings:
    """What a view needs to know.

    Attributes
    ----------
    show : Performance
    clip : Clip
    look : Look
    picture : Picture
        To paint on.
    cell : int
        Side of the flash meter's cells.
    fps : Fraction
    typeface : Typeface
    dim : float
        How bright glows may be, from 0 to 1; under 1 in calm clips.
    """

    show: Performance
    clip: Clip
    look: Look
    picture: Picture
    cell: int
    fps: Fraction
    typeface: Typeface
    dim: float = 1.0

    @property
    def lamp(self) -> RGB:
        """The colour of lit lamps."""
        return colour(self.look.lamp)

    @property
    def ground(self) -> RGB:
        """The background colour."""
        return colour(self.look.ground)

    @property
    def text(self) -> RGB:
        """The colour of text: as chosen, or else light on dark and dark on light."""
        if self.clip.text is not None:
            return colour(self.clip.text)
        dark = sum(self.ground) < 384 or not self.look.plain
        return mixed(self.lamp, (255, 255, 255) if dark else (0, 0, 0), 0.72)

    def quiet(self, share: float) -> RGB:
        """The colour of fainter text; over a picture or no background it stays strong."""
        return mixed(self.ground, self.text, share if self.look.plain else max(share, 0.85))


class View(Protocol):
    """One view of a clip."""

    def show(self, time_s: float) -> Painted:
        """Paint what has changed by a moment of the piece; moments never go back."""
        ...

    def forget(self) -> None:
        """Paint everything again next time; the next moment may be any."""
        ...


class SheetView:
    """A view of text and flat shapes, painted only if its state has changed."""

    def __init__(self, around: Surroundings, box: Box, colours: Sequence[RGB]) -> None:
        self.sheet = Sheet(around.picture, box, colours)
        self.face = around.typeface
        self._state: object = None

    def forget(self) -> None:
        """Paint everything again next time."""
        self._state = None
        self.sheet.forget()

    def _changed(self, state: object) -> bool:
        """Whether the state differs from the last one."""
        before, self._state = self._state, state
        return state != before

    def _write(self, x: int, y: int, text: str, height: int, ink: int) -> None:
        self.sheet.text(x, y, self.face.line(text, height), ink)


def mixed(a: RGB, b: RGB, share: float) -> RGB:
    """A mixture of two colours, with `share` of b."""
    return tuple(round(x + (y - x) * share) for x, y in zip(a, b, strict=True))  # type: ignore[return-value]

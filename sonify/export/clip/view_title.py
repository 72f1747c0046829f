"""The view `title`: the disc's title, and behind the piece its credits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sonify.export.clip.views import Painted, Surroundings
from sonify.light.lamp_grid import Box
from sonify.light.sheet import Sheet

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["TitleView"]

_TEXT, _ACCENT, _QUIET = range(3)
_FADE_S = 0.6
_STEPS = 24


class TitleView:
    """Lines of text in the middle of a box, fading in and out."""

    def __init__(self, around: Surroundings, box: Box, kind: str, seconds: float) -> None:
        self.sheet = Sheet(around.picture, box, [around.text, around.lamp, around.quiet(0.62)])
        self.seconds = seconds
        self._shown = -1.0
        self._draw(around, lines_of(around.show, kind))

    def _draw(self, around: Surroundings, lines: list[tuple[str, float, int]]) -> None:
        face, sheet = around.typeface, self.sheet
        unit = min(sheet.width / 19, sheet.height / 14)
        rows: list[tuple[str, int, int]] = []
        for text, scale, ink in lines:
            height = face.unit(round(unit * scale))
            wrapped = face.wrapped(text, height, int(sheet.width * 0.9)) if text else [""]
            rows += [(line, height, ink) for line in wrapped]
        gaps = [round(h * 0.85) for _, h, _ in rows]
        total = sum(h + g for (_, h, _), g in zip(rows, gaps, strict=True)) - (gaps or [0])[-1]
        y = max(0, (sheet.height - total) // 2)
        for (text, height, ink), gap in zip(rows, gaps, strict=True):
            if text:
                mask = face.line(text, height)
                sheet.text((sheet.width - mask.shape[1]) // 2, y, mask, ink)
            y += height + gap
        rule = max(2, round(unit * 0.12) & ~1)
        w = round(unit * 3)
        sheet.block((sheet.width - w) // 2, max(0, (sheet.height - total) // 2 - 4 * rule) & ~1,
                    w, rule, _ACCENT)  # fmt: skip

    def forget(self) -> None:
        """Paint all of it again next time."""
        self._shown = -1.0
        self.sheet.forget()

    def show(self, time_s: float) -> Painted:
        """Paint the title as it is at a moment since its beginning."""
        fade = min(_FADE_S, self.seconds / 4)
        share = max(0.0, min(1.0, time_s / fade, (self.seconds - time_s) / fade))
        share = round(share * _STEPS) / _STEPS
        if share == self._shown:
            return []
        self._shown = share
        return self.sheet.show(share)


def lines_of(show: Performance, kind: str) -> list[tuple[str, float, int]]:
    """The lines of a title or of the credits: text, size and ink."""
    disc = show.disc
    if kind == "title":
        out = [(disc.title or disc.name, 1.0, _TEXT)]
        rows = f"{disc.rows} row{'s' if disc.rows != 1 else ''} of {disc.positions} positions"
        out.append((rows, 0.42, _QUIET))
        return out
    out = [(disc.title or disc.name, 0.7, _TEXT)]
    for line in disc.credits:
        out.append((line, 0.5, _QUIET))
    if show.disc.message:
        out.append(("", 0.3, _QUIET))
        text = show.disc.message
        out.append((text if len(text) <= 160 else text[:157] + "...", 0.42, _ACCENT))
    return out

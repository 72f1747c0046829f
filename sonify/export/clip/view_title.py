"""The view `title`: the disc's title before the piece, or its credits after it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sonify.export.clip.views import Painted, SheetView, Surroundings
from sonify.light.lamp_grid import Box

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["TitleView"]

_TEXT, _ACCENT, _QUIET = range(3)
_FADE_S = 0.6
_STEPS = 24


class TitleView(SheetView):
    """Lines of text in the middle of a box, fading in and out."""

    def __init__(self, around: Surroundings, box: Box, kind: str, seconds: float) -> None:
        super().__init__(around, box, [around.text, around.lamp, around.quiet(0.62)])
        self.seconds = seconds
        face, sheet = self.face, self.sheet
        unit = min(sheet.width / 19, sheet.height / 14)
        rows: list[tuple[str, int, int]] = []
        for text, scale, ink in lines_of(around.show, kind):
            height = face.unit(round(unit * scale))
            wrapped = face.wrapped(text, height, int(sheet.width * 0.9)) if text else [""]
            rows += [(line, height, ink) for line in wrapped]
        gaps = [round(h * 0.85) for _, h, _ in rows]
        top = max(0, (sheet.height - sum(h for _, h, _ in rows) - sum(gaps[:-1])) // 2)
        rule, w = max(2, round(unit * 0.12) & ~1), round(unit * 3)
        sheet.block((sheet.width - w) // 2, max(0, top - 4 * rule) & ~1, w, rule, _ACCENT)
        for (text, height, ink), gap in zip(rows, gaps, strict=True):
            if text:
                mask = face.line(text, height)
                sheet.text((sheet.width - mask.shape[1]) // 2, top, mask, ink)
            top += height + gap

    def show(self, time_s: float) -> Painted:
        """Paint the title as it is some time after its beginning."""
        fade = min(_FADE_S, self.seconds / 4)
        share = max(0.0, min(1.0, time_s / fade, (self.seconds - time_s) / fade))
        share = round(share * _STEPS) / _STEPS
        return self.sheet.show(share) if self._changed(share) else []


def lines_of(show: Performance, kind: str) -> list[tuple[str, float, int]]:
    """The lines of a title or of the credits: text, size and ink."""
    disc = show.disc
    title = disc.display_name
    if kind == "title":
        rows = f"{disc.rows} row{'s' if disc.rows != 1 else ''} of {disc.positions} positions"
        return [(title, 1.0, _TEXT), (rows, 0.42, _QUIET)]
    out = [(title, 0.7, _TEXT), *((line, 0.5, _QUIET) for line in disc.credits)]
    if text := disc.message:
        short = text if len(text) <= 160 else text[:157] + "..."
        out += [("", 0.3, _QUIET), (short, 0.42, _ACCENT)]
    return out

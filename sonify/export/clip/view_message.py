"""The view `message`: the characters appearing one by one as they are decoded."""

from __future__ import annotations

import numpy as np

from sonify.export.clip.views import Painted, Surroundings, mixed
from sonify.light.captions import Decoded
from sonify.light.lamp_grid import Box
from sonify.light.sheet import Sheet

__all__ = ["MessageView"]

_TEXT, _NEW, _FAILED, _COMING = range(4)
_LINE = 1.62  # from line to line, in heights of a capital
_MOST_LINES = 5


class MessageView:
    """Captions in a box: what was decoded so far, the newest character in the lamps' colour."""

    def __init__(self, around: Surroundings, box: Box) -> None:
        text, lamp, ground = around.text, around.lamp, around.ground
        red = (255, 90, 70) if sum(text) > 384 else (190, 20, 10)
        self.sheet = Sheet(around.picture, box, [text, lamp, red, mixed(ground, text, 0.25)])
        self.typeface = around.typeface
        self.decoded = Decoded(around.show.captions)
        self._at = -1
        self._lay_out()

    def _lay_out(self) -> None:
        """The height of a line, and where each character stands."""
        face, sheet = self.typeface, self.sheet
        text = self.decoded.text
        height = face.unit(max(7, int(sheet.height / (_MOST_LINES * _LINE))))
        least = face.unit(max(7, int(sheet.height / (_MOST_LINES * _LINE) * 0.6)))
        # as large as the whole message fits, within reason; a long one rolls
        for lines in range(1, _MOST_LINES + 1):
            tried = face.unit(min(int(sheet.height / (lines * _LINE)), sheet.width // 16))
            if tried <= height:
                break
            if len(face.wrapped(text, tried, sheet.width)) <= lines:
                height = tried
                break
        height = max(height, least)
        self.height = height
        self.lines: list[tuple[int, str]] = []
        at = 0
        for line in face.wrapped(text, height, sheet.width):
            found = text.find(line, at) if line else at
            at = found if found >= 0 else at
            self.lines.append((at, line))
            at += len(line)
        self.room = max(1, int((sheet.height + height * (_LINE - 1)) / (height * _LINE)))

    def forget(self) -> None:
        """Paint all of it again next time."""
        self._at = -1
        self.sheet.forget()

    def show(self, time_s: float) -> Painted:
        """Paint the characters that were decoded until a moment."""
        count = self.decoded.count(time_s)
        if count == self._at:
            return []
        self._at = count
        self._draw(count)
        return self.sheet.show()

    def _draw(self, count: int) -> None:
        face, sheet, height = self.typeface, self.sheet, self.height
        sheet.wipe()
        end = self.decoded.end(count)
        last = max((k for k, (start, _) in enumerate(self.lines) if start < end), default=-1)
        if last < 0:
            return
        newest = int(self.decoded.order[count - 1])
        top = max(0, last + 1 - self.room)
        used = min(len(self.lines), self.room)
        step = round(height * _LINE)
        y = max(0, (sheet.height - (used - 1) * step - height) // 2)
        for k in range(top, last + 1):
            start, whole = self.lines[k]
            line = self.decoded.shown(count, start)[: len(whole)]
            x = max(0, (sheet.width - face.width(whole, height)) // 2)
            sheet.text(x, y, face.line(line, height), _TEXT)
            failed = np.flatnonzero(self.decoded.failed[start : start + len(line)])
            own = [(int(i), _FAILED) for i in failed]
            if start <= newest < start + len(line):
                own.append((newest - start, _NEW))
            for i, ink in own:
                left = x + face.width(line[:i], height) + (face.gap(height) if i else 0)
                sheet.text(left, y, face.line(line[i], height), ink)
            y += step

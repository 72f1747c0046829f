"""The view `message`: characters that appear one by one as they are decoded."""

from __future__ import annotations

import numpy as np

from sonify.export.clip.views import Painted, SheetView, Surroundings
from sonify.light.captions import Decoded
from sonify.light.lamp_grid import Box

__all__ = ["MessageView"]

_TEXT, _NEW, _FAILED = range(3)
_LINE = 1.62  # from line to line, in heights of a capital
_MOST_LINES = 5


class MessageView(SheetView):
    """Captions in a box: what has been decoded, the newest character in the lamps' colour."""

    def __init__(self, around: Surroundings, box: Box) -> None:
        text = around.text
        red = (255, 90, 70) if sum(text) > 384 else (190, 20, 10)
        super().__init__(around, box, [text, around.lamp, red])
        self.decoded = Decoded(around.show.captions)
        self._lay_out()

    def _lay_out(self) -> None:
        """Find the height of a line and the place of each character."""
        face, sheet = self.face, self.sheet
        text = self.decoded.text
        of_most = sheet.height / (_MOST_LINES * _LINE)
        height = face.unit(max(7, int(of_most)))
        # as large as the whole message fits, within limits; a long one scrolls up
        for lines in range(1, _MOST_LINES + 1):
            tried = face.unit(min(int(sheet.height / (lines * _LINE)), sheet.width // 16))
            if tried <= height:
                break
            if len(face.wrapped(text, tried, sheet.width)) <= lines:
                height = tried
                break
        self.height = height = max(height, face.unit(max(7, int(of_most * 0.6))))
        self.lines: list[tuple[int, str]] = []
        at = 0
        for line in face.wrapped(text, height, sheet.width):
            found = text.find(line, at) if line else at
            at = found if found >= 0 else at
            self.lines.append((at, line))
            at += len(line)
        self.room = max(1, int((sheet.height + height * (_LINE - 1)) / (height * _LINE)))

    def show(self, time_s: float) -> Painted:
        """Paint the characters decoded by a moment."""
        count = self.decoded.count(time_s)
        if not self._changed(count):
            return []
        self.sheet.wipe()
        if count:
            self._draw(count)
        return self.sheet.show()

    def _draw(self, count: int) -> None:
        face, sheet, height = self.face, self.sheet, self.height
        end = self.decoded.end(count)
        last = max((k for k, (start, _) in enumerate(self.lines) if start < end), default=-1)
        newest = int(self.decoded.order[count - 1])
        used = min(len(self.lines), self.room)
        step = round(height * _LINE)
        y = max(0, (sheet.height - (used - 1) * step - height) // 2)
        for start, whole in self.lines[max(0, last + 1 - self.room) : last + 1]:
            line = self.decoded.shown(count, start)[: len(whole)]
            x = max(0, (sheet.width - face.width(whole, height)) // 2)
            self._write(x, y, line, height, _TEXT)
            failed = np.flatnonzero(self.decoded.failed[start : start + len(line)])
            own = [(int(i), _FAILED) for i in failed]
            if start <= newest < start + len(line):
                own.append((newest - start, _NEW))
            for i, ink in own:
                self._write(x + face.before(line, i, height), y, line[i], height, ink)
            y += step

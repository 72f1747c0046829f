"""The scene `message`: the characters appearing one by one as they are decoded."""

from __future__ import annotations

import numpy as np

from sonify.light.panel import Box
from sonify.light.sheet import Sheet
from sonify.write.clip.scenes import Painted, Surroundings, mixed

__all__ = ["MessageScene"]

_TEXT, _NEW, _FAILED, _COMING = range(4)
_LINE = 1.62  # from line to line, in heights of a capital
_MOST_LINES = 5


class MessageScene:
    """Captions in a box: what was decoded so far, the newest character in the lamps' colour."""

    def __init__(self, around: Surroundings, box: Box) -> None:
        text, lamp, ground = around.text, around.lamp, around.ground
        red = (255, 90, 70) if sum(text) > 384 else (190, 20, 10)
        self.sheet = Sheet(around.picture, box, [text, lamp, red, mixed(ground, text, 0.25)])
        self.typeface = around.typeface
        captions = around.show.captions
        self._time = np.ascontiguousarray(captions["time_s"])
        self._text = "".join(map(chr, captions["codepoint"].tolist()))
        self._failed = captions["state"] == 2
        self._at = -1
        self._lay_out()

    def _lay_out(self) -> None:
        """The height of a line, and where each character stands."""
        face, sheet = self.typeface, self.sheet
        text = "".join(c if c.isprintable() else " " for c in self._text)
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
        count = int(np.searchsorted(self._time, time_s, side="right"))
        if count == self._at:
            return []
        self._at = count
        self._draw(count)
        return self.sheet.show()

    def _draw(self, count: int) -> None:
        face, sheet, height = self.typeface, self.sheet, self.height
        sheet.wipe()
        last = max((k for k, (start, _) in enumerate(self.lines) if start < count), default=-1)
        if last < 0:
            return
        top = max(0, last + 1 - self.room)
        used = min(len(self.lines), self.room)
        step = round(height * _LINE)
        y = max(0, (sheet.height - (used - 1) * step - height) // 2)
        for k in range(top, last + 1):
            start, line = self.lines[k]
            line = line[: count - start]
            whole = face.width(self.lines[k][1], height)
            x = max(0, (sheet.width - whole) // 2)
            done = line
            if k == last and count <= start + len(self.lines[k][1]):
                done = line[:-1]
            sheet.text(x, y, face.line(done, height), _TEXT)
            if done is not line and line:
                left = x + face.width(done, height) + (face.gap(height) if done else 0)
                sheet.text(left, y, face.line(line[-1], height), _NEW)
            for i in np.flatnonzero(self._failed[start : start + len(line)]):
                left = x + face.width(line[:i], height) + (face.gap(height) if i else 0)
                sheet.text(left, y, face.line(line[i], height), _FAILED)
            y += step

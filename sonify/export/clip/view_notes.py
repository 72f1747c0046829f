"""The view `notes`: the notes as they sound, one lane for each voice, for the current row.

A lane shows one row of the disc from its first position to the next row's first, so that a note
appears where its hole lies in the row. Below the lanes are the row's characters as they are
decoded.
"""

from __future__ import annotations

import colorsys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.export.clip.views import RGB, Painted, SheetView, Surroundings, mixed
from sonify.light.captions import Decoded
from sonify.light.lamp_grid import Box
from sonify.light.sheet import LEVELS
from sonify.music.theory.scales import note_name

__all__ = ["NotesView"]

_TEXT, _QUIET, _LINE, _LAMP = range(4)
_OWN = 4
_MOST_COLOURS = 12
_LONGEST = 14
_FULL = LEVELS - 1


@dataclass(frozen=True)
class Lane:
    """One voice's part of the box, and how pitches lie in it."""

    name: str
    top: int
    height: int
    low: float
    high: float
    past: int
    now: int
    named: bool

    def y(self, pitch: float, tall: int) -> int:
        """The top of a note of a pitch, `tall` pixels high."""
        room = self.height - tall
        if self.high == self.low:
            return self.top + room // 2
        return self.top + round(room * (self.high - pitch) / (self.high - self.low))


class NotesView(SheetView):
    """The notes by voice."""

    def __init__(self, around: Surroundings, box: Box) -> None:
        self.performance = show = around.show
        text, ground, lamp = around.text, around.ground, around.lamp
        inks = [text, around.quiet(0.6), mixed(ground, text, 0.16), lamp]
        for own in colours_of(lamp, min(max(len(show.parts), 1), _MOST_COLOURS), ground):
            inks += [mixed(ground, own, 0.45), own]
        super().__init__(around, box, inks)
        self.notes = notes = show.notes
        self.on = np.ascontiguousarray(notes["onset_s"])
        self.off = self.on + notes["duration_s"]
        end = max(show.message_s, show.timeline.end_s)
        self.edges = np.append(show.timeline.row_start_s(), end)
        self.decoded = Decoded(show.captions)
        self._lay_out()
        self.forget()

    def character(self, row: int, position: int) -> str:
        """The character that a position belongs to, or nothing."""
        disc = self.performance.disc
        if disc.decoding is None:
            return ""
        characters = disc.decoding.characters
        place = row * disc.positions + position
        k = int(np.searchsorted(characters["first_bit"], place, side="right")) - 1
        glyph = chr(characters["codepoint"][k]) if k >= 0 else ""
        return glyph if glyph.isprintable() else ""

    def _lay_out(self) -> None:
        sheet, face = self.sheet, self.face
        parts = self.performance.parts
        count = max(len(parts), 1)
        size = min(sheet.height / (count * 1.6 + 6), sheet.width / 40, sheet.height / 16)
        self.small = face.unit(max(8, round(size)))
        self.large = face.unit(max(7, round(self.small * 1.5)))
        names = max((face.width(p.name[:_LONGEST], self.small) for p in parts), default=0)
        self.left = min(sheet.width // 3, names + self.small * 5)
        self.right = sheet.width - self.small
        head = round(self.large * 2.1)
        foot = round(self.small * 2.4)
        each = max(sheet.height - head - foot, count * 8) // count
        self.lanes = []
        for k, part in enumerate(parts):
            own = _OWN + 2 * (k % _MOST_COLOURS)
            low, high = (float(part.pitch.min()), float(part.pitch.max())) if len(part) else (0, 0)
            inner = max(4, each - max(4, each // 6))
            named = part.voice.drum is None
            lane = Lane(part.name, head + k * each, inner, low, high, own, own + 1, named)
            self.lanes.append(lane)
        self.foot = head + count * each + self.small // 2
        steps = max((lane.high - lane.low for lane in self.lanes), default=0) + 1
        tall = min(each * 0.9 / min(steps, 8), sheet.height / 16)
        self.tall = max(4, min(round(tall), max(4, each // 3)))

    def forget(self) -> None:
        """Paint everything again next time."""
        super().forget()
        self.window = -1
        self.base: NDArray[np.uint8] = np.zeros_like(self.sheet.ink)

    def x(self, time_s: float) -> int:
        """Where a moment of the current row lies."""
        a, b = self.edges[self.window], self.edges[self.window + 1]
        share = min(max((time_s - a) / (b - a), 0.0), 1.0)
        return self.left + int((self.right - self.left) * share + 0.5)

    def show(self, time_s: float) -> Painted:
        """Paint what has changed by a moment."""
        window = int(np.searchsorted(self.edges, time_s, side="right")) - 1
        window = min(max(window, 0), len(self.edges) - 2)
        begun = int(np.searchsorted(self.on, time_s, side="right"))
        low = int(np.searchsorted(self.on, self.edges[window] - 8.0))
        sounding = low + np.flatnonzero(self.off[low:begun] > time_s)
        heard = self.decoded.count(time_s)
        if window != self.window:
            self.window = window
            self._frame()
            self.drawn = int(np.searchsorted(self.on, self.edges[window]))
            self.letters = self.decoded.count(self.edges[window])
        now = self.x(time_s)
        if not self._changed((window, begun, heard, tuple(sounding.tolist()), now)):
            return []
        for k in range(self.drawn, begun):
            lane = self.lanes[self.notes[k]["voice"]]
            self._bar(self.base, lane, k, self.x(self.off[k]), lane.past)
        self.drawn = begun
        for k in range(self.letters, heard):
            self._letter(k)
        self.letters = heard
        ink = self.sheet.ink
        ink[:] = self.base
        for k in sounding.tolist():
            lane = self.lanes[self.notes[k]["voice"]]
            self._bar(ink, lane, k, max(now, self.x(self.on[k]) + 3), lane.now)
        if time_s < self.edges[-1]:
            top = self.lanes[0].top if self.lanes else 0
            self.sheet.block(now, top, 2, self.foot - self.small // 2 - top, _TEXT)
        self._tell(sounding)
        return self.sheet.show()

    def _frame(self) -> None:
        """Draw what stays the same while a row is read."""
        sheet, face = self.sheet, self.face
        sheet.wipe()
        for lane in self.lanes:
            sheet.block(self.left, lane.top + lane.height, self.right - self.left, 2, _LINE)
            y = lane.top + (lane.height - self.small) // 2
            name = lane.name[:_LONGEST]
            while name and face.width(name, self.small) > self.left - self.small * 5:
                name = name[:-1]
            self._write(0, y, name, self.small, _QUIET)
        row = f"row {self.window + 1} of {len(self.edges) - 1}"
        self._write(0, 0, row, self.large, _QUIET)
        self.head = face.width(row, self.large)
        self.base = sheet.ink.copy()

    def _bar(self, ink: NDArray[np.uint8], lane: Lane, k: int, until: int, colour: int) -> None:
        y = lane.y(self.notes[k]["pitch"], self.tall)
        x = self.x(self.on[k])
        ink[max(y, 0) : y + self.tall, x : max(until, x + 3)] = colour * LEVELS + _FULL

    def _letter(self, k: int) -> None:
        """Draw a character below the lanes, where its last bit lies."""
        code = self.decoded.text[self.decoded.order[k]]
        if code != " ":
            mask = self.face.line(code, self.small)
            own, self.sheet.ink = self.sheet.ink, self.base
            self.sheet.text(self.x(self.decoded.times[k]), self.foot, mask, _TEXT)
            self.sheet.ink = own

    def _tell(self, sounding: NDArray[np.int64]) -> None:
        """Write the names of the notes that sound, and where the newest comes from."""
        face = self.face
        names: dict[int, list[str]] = {}
        for k in sounding.tolist():
            note = self.notes[k]
            names.setdefault(int(note["voice"]), []).append(note_name(round(note["pitch"])))
        for voice, found in names.items():
            lane = self.lanes[voice]
            if not lane.named:
                continue
            text = " ".join(found[-3:])
            while face.width(text, self.small) > self.small * 4.5 and " " in text:
                text = text.split(" ", 1)[1]
            x = self.left - self.small - face.width(text, self.small)
            y = lane.top + (lane.height - self.small) // 2
            self._write(x, y, text, self.small, lane.now)
        if len(sounding):
            k = int(sounding[-1])
            row, position = int(self.notes[k]["row"]), int(self.notes[k]["position"])
            glyph = self.character(row, position)
            said = f"position {position + 1}"
            if row != self.window:
                said += f" of row {row + 1}"
            x = max(self.left, self.head + 2 * self.large)
            self._write(x, 0, said, self.large, _QUIET)
            if glyph.strip():
                x += face.width(said + "  ", self.large)
                self._write(x, 0, glyph, self.large, _LAMP)


def colours_of(lamp: RGB, count: int, ground: RGB) -> list[RGB]:
    """Colours for voices: the lamps' own, and others of equal brightness around the wheel."""
    h, light, s = colorsys.rgb_to_hls(*(v / 255 for v in lamp))
    dark = sum(ground) < 384
    light = min(max(light, 0.55), 0.75) if dark else min(max(light, 0.3), 0.45)
    if count == 1:
        return [lamp]
    hues = ((h + k * 0.381966) % 1.0 for k in range(count))
    colours = (colorsys.hls_to_rgb(hue, light, max(s, 0.55)) for hue in hues)
    return [(round(r * 255), round(g * 255), round(b * 255)) for r, g, b in colours]

"""The view `notes`: the notes as they sound, a lane a voice, over the row that they come from.

A lane shows one row of the disc from its first position to the next row's first, so that a note
stands where its hole lies in the row. Below the lanes stand the row's characters as they are
decoded.
"""

from __future__ import annotations

import colorsys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.export.clip.views import RGB, Painted, Surroundings, mixed
from sonify.light.captions import Decoded
from sonify.light.lamp_grid import Box
from sonify.light.sheet import LEVELS, Sheet
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


class NotesView:
    """The notes by voice."""

    def __init__(self, around: Surroundings, box: Box) -> None:
        show = around.show
        self.show_ = show
        text, ground, lamp = around.text, around.ground, around.lamp
        inks = [text, around.quiet(0.6), mixed(ground, text, 0.16), lamp]
        for own in colours_of(lamp, min(max(len(show.parts), 1), _MOST_COLOURS), ground):
            inks += [mixed(ground, own, 0.45), own]
        self.sheet = Sheet(around.picture, box, inks)
        self.face = around.typeface
        notes = show.notes
        self.on = np.ascontiguousarray(notes["onset_s"])
        self.off = self.on + notes["duration_s"]
        self.pitch = np.ascontiguousarray(notes["pitch"])
        self.voice = np.ascontiguousarray(notes["voice"])
        self.row = np.ascontiguousarray(notes["row"])
        self.position = np.ascontiguousarray(notes["position"])
        starts = show.timeline.row_start_s()
        end = max(show.message_s, starts[-1] + show.timeline.positions * show.timeline.position_s)
        self.edges = np.append(starts, end)
        self.decoded = Decoded(show.captions)
        self._characters()
        self._lay_out()
        self.forget()

    def _characters(self) -> None:
        """For each position of the grid, the character it belongs to."""
        decoding = self.show_.disc.decoding
        self.first_bit = None if decoding is None else decoding.characters["first_bit"]
        self.glyphs = [] if decoding is None else [
            chr(c) if chr(c).isprintable() else " "
            for c in decoding.characters["codepoint"].tolist()
        ]  # fmt: skip

    def character(self, row: int, position: int) -> str:
        """The character that a position belongs to, or nothing."""
        if self.first_bit is None or not len(self.first_bit):
            return ""
        place = row * self.show_.disc.positions + position
        k = int(np.searchsorted(self.first_bit, place, side="right")) - 1
        return str(self.glyphs[k]) if k >= 0 else ""

    def _lay_out(self) -> None:
        sheet, face = self.sheet, self.face
        parts = self.show_.parts
        count = max(len(parts), 1)
        size = min(sheet.height / (count * 1.6 + 6), sheet.width / 46, sheet.height / 16)
        self.small = face.unit(max(7, round(size)))
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
        """Paint all of it again next time."""
        self.window = -1
        self.done = 0
        self.drawn = 0
        self.told: tuple[object, ...] = ()
        self.sheet.forget()
        self.base: NDArray[np.uint8] = np.zeros_like(self.sheet.ink)

    def x(self, time_s: float) -> int:
        """Where a moment of the present row stands."""
        a, b = self.edges[self.window], self.edges[self.window + 1]
        share = min(max((time_s - a) / (b - a), 0.0), 1.0)
        return self.left + int((self.right - self.left) * share + 0.5)

    def show(self, time_s: float) -> Painted:
        """Paint what changes until a moment."""
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
        state = (window, begun, heard, tuple(sounding.tolist()), now)
        if state == self.told:
            return []
        self.told = state
        for k in range(self.drawn, begun):
            lane = self.lanes[self.voice[k]]
            self._bar(self.base, lane, k, self.x(self.off[k]), lane.past)
        self.drawn = begun
        for k in range(self.letters, heard):
            self._letter(k)
        self.letters = heard
        ink = self.sheet.ink
        ink[:] = self.base
        for k in sounding.tolist():
            lane = self.lanes[self.voice[k]]
            self._bar(ink, lane, k, max(now, self.x(self.on[k]) + 3), lane.now)
        if time_s < self.edges[-1]:
            bottom = self.foot - self.small // 2
            ink[self.lanes[0].top if self.lanes else 0 : bottom, now : now + 2] = (
                _TEXT * LEVELS + _FULL
            )
        self._tell(sounding)
        return self.sheet.show()

    def _frame(self) -> None:
        """What stands still while a row is read."""
        sheet, face = self.sheet, self.face
        sheet.wipe()
        for lane in self.lanes:
            sheet.block(self.left, lane.top + lane.height, self.right - self.left, 2, _LINE)
            y = lane.top + (lane.height - self.small) // 2
            name = lane.name[:_LONGEST]
            while name and face.width(name, self.small) > self.left - self.small * 5:
                name = name[:-1]
            sheet.text(0, y, face.line(name, self.small), _QUIET)
        row = f"row {self.window + 1} of {len(self.edges) - 1}"
        sheet.text(0, 0, face.line(row, self.large), _QUIET)
        self.head = face.width(row, self.large)
        self.base = sheet.ink.copy()

    def _bar(self, ink: NDArray[np.uint8], lane: Lane, k: int, until: int, colour: int) -> None:
        y = lane.y(self.pitch[k], self.tall)
        x = self.x(self.on[k])
        ink[max(y, 0) : y + self.tall, x : max(until, x + 3)] = colour * LEVELS + _FULL

    def _letter(self, k: int) -> None:
        """A character below the lanes, where its last bit lies."""
        code = self.decoded.text[self.decoded.order[k]]
        if code != " ":
            mask = self.face.line(code, self.small)
            own, self.sheet.ink = self.sheet.ink, self.base
            self.sheet.text(self.x(self.decoded.times[k]), self.foot, mask, _TEXT)
            self.sheet.ink = own

    def _tell(self, sounding: NDArray[np.int64]) -> None:
        """The names of the notes that sound, and where the newest comes from."""
        sheet, face = self.sheet, self.face
        names: dict[int, list[str]] = {}
        for k in sounding.tolist():
            names.setdefault(int(self.voice[k]), []).append(note_name(round(self.pitch[k])))
        for voice, found in names.items():
            lane = self.lanes[voice]
            if not lane.named:
                continue
            text = " ".join(found[-3:])
            while face.width(text, self.small) > self.small * 4.5 and " " in text:
                text = text.split(" ", 1)[1]
            x = self.left - self.small - face.width(text, self.small)
            y = lane.top + (lane.height - self.small) // 2
            sheet.text(x, y, face.line(text, self.small), lane.now)
        if len(sounding):
            k = int(sounding[-1])
            row, position = int(self.row[k]), int(self.position[k])
            glyph = self.character(row, position)
            said = f"position {position + 1}"
            if row != self.window:
                said += f" of row {row + 1}"
            x = max(self.left, self.head + 2 * self.large)
            sheet.text(x, 0, face.line(said, self.large), _QUIET)
            if glyph.strip():
                x += face.width(said + "  ", self.large)
                sheet.text(x, 0, face.line(glyph, self.large), _LAMP)


def colours_of(lamp: RGB, count: int, ground: RGB) -> list[RGB]:
    """Colours for voices: the lamps' own, and others around the wheel as bright as it is."""
    h, light, s = colorsys.rgb_to_hls(*(v / 255 for v in lamp))
    dark = sum(ground) < 384
    light = min(max(light, 0.55), 0.75) if dark else min(max(light, 0.3), 0.45)
    s = max(s, 0.55)
    out: list[RGB] = [lamp if count == 1 else _rgb(h, light, s)]
    for k in range(1, count):
        out.append(_rgb((h + k * 0.381966) % 1.0, light, s))
    return out


def _rgb(h: float, light: float, s: float) -> RGB:
    r, g, b = colorsys.hls_to_rgb(h, light, s)
    return round(r * 255), round(g * 255), round(b * 255)

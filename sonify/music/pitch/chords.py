"""Pitch schemes that sound chords: a progression in roman numerals, and arpeggios."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.bit_stream import BitStream
from sonify.music.pitch.scheme import Frame, Pitches, Scheme, reflect, shifted
from sonify.music.tables import one_of
from sonify.music.theory.roman import parse_chords
from sonify.music.theory.scales import fold, tones_between

__all__ = ["Arpeggio", "Progression"]

Index = NDArray[np.int64]


class Progression(Scheme, frozen=True, tag="progression"):
    """Tones of chords in roman numerals that change by row, character or bar.

    `line` is another scheme, whose degrees count the chord's tones: 0 its lowest, 1 the next, and
    so on through the octaves.
    """

    chords: str = ""
    each: Literal["row", "character", "bar"] = "row"
    hold: Annotated[int, msgspec.Meta(ge=1, le=1024)] = 1
    line: str | dict[str, Any] = "place"

    def inner(self, place: str = "line") -> Scheme:
        """The scheme that chooses among a chord's tones."""
        from sonify.music.pitch.schemes import SCHEMES

        inner = one_of(SCHEMES, "scheme", self.line, place)
        if isinstance(inner, Progression):
            raise InputError(
                "a progression can't be the line of another; take place, walk or number",
                place=place,
            )
        return inner

    def follows(self) -> tuple[bool, str]:
        return self.inner().follows()

    def degrees(self, m: BitStream, index: Index) -> Index:
        """Those of its line: which of a chord's tones, or of a kit's drums, it is."""
        return self.inner().degrees(m, index)

    def chord_number(self, m: BitStream, index: Index, frame: Frame) -> Index:
        """Which chord, counted from 0 and not yet wrapped, sounds at each place."""
        if self.each == "row":
            at = m.row(index)
        elif self.each == "character":
            at = m.character(index)
        else:
            ticks = m.since_start(m.slot(index)) * frame.grid.step_ticks
            at = ticks // frame.grid.bar_ticks
        return at // self.hold

    def pitches(self, m: BitStream, index: Index, shift: Index, frame: Frame) -> Pitches:
        if not self.chords.strip():
            raise InputError(
                "the key 'chords' is needed: roman numerals such as \"i VI III VII\"",
                place=f"{frame.place}.chords",
            )
        tone = shifted(self.inner(f"{frame.place}.line").degrees(m, index), shift)
        return self.chord_tones(tone, self.chord_number(m, index, frame), frame)

    def chord_tones(self, tone: Index, number: Index, frame: Frame) -> Pitches:
        """The pitches of a chord's tones, counted from 0 at its lowest, the chords from 0 too."""
        chords = parse_chords(self.chords, frame.minor, f"{frame.place}.chords")
        number = number % len(chords)
        size = np.array([len(c.tones) for c in chords])
        table = np.zeros((len(chords), int(size.max())))
        for n, chord in enumerate(chords):
            table[n, : len(chord.tones)] = chord.tones
        octave, step = np.divmod(tone, size[number])
        # a ninth chord spans more than an octave, so its next round starts two octaves up
        wide = np.array([12.0 * (1 + (c.tones[-1] - c.tones[0]) // 12) for c in chords])
        pitch: Pitches = frame.root + table[number, step] + wide[number] * octave
        if not frame.scale.in_twelve:
            pitch = _into_scale(pitch, frame)
        return fold(pitch, frame.scale.period)


def _into_scale(pitch: Pitches, frame: Frame) -> Pitches:
    """Outside the twelve tones each chord tone is the nearest tone of the scale."""
    if not len(pitch):
        return pitch
    period = frame.scale.period
    tones = tones_between(
        frame.scale, frame.root, float(pitch.min()) - period, float(pitch.max()) + period
    )
    at = np.clip(np.searchsorted(tones, pitch), 1, len(tones) - 1)
    nearer = pitch - tones[at - 1] <= tones[at] - pitch
    return np.where(nearer, tones[at - 1], tones[at])


class Arpeggio(Scheme, frozen=True, tag="arpeggio"):
    """A broken chord for each character: its value gives the chord, its bits the tones in turn."""

    causal: ClassVar[bool] = False
    why_not: ClassVar[str] = "a character's value is known only when its last bit has been read"

    span: Annotated[int, msgspec.Meta(ge=1, le=64)] = 7
    tones: Annotated[int, msgspec.Meta(ge=1, le=12)] = 4
    stack: Annotated[int, msgspec.Meta(ge=1, le=12)] = 2
    way: Literal["up", "down", "turn"] = "up"

    def degrees(self, m: BitStream, index: Index) -> Index:
        base = m.value(index) % self.span
        place = m.in_character(index)
        if self.way == "turn":
            step = reflect(place, self.tones)
        else:
            step = place % self.tones
            if self.way == "down":
                step = self.tones - 1 - step
        return base + self.stack * step

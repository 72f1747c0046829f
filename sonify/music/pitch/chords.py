"""Pitch schemes that sound chords: progressions, arpeggios, and voices of a triad."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import numpy as np

from sonify.controls import control
from sonify.errors import InputError
from sonify.music.bit_stream import BitStream
from sonify.music.form.plan import CHORD
from sonify.music.machine import Degrees, Index, Lead, Machine
from sonify.music.named import one_of
from sonify.music.pitch.scheme import (
    SCHEMES,
    Counted,
    Frame,
    Pitches,
    Scheme,
    Span,
    reflect,
    shifted,
)
from sonify.music.theory.roman import Chord, parse_chords
from sonify.music.theory.scales import degrees_to_pitch, fold, tones_between
from sonify.music.theory.voicing import voiced

__all__ = ["Arpeggio", "Progression", "Triad"]


class _OverLine(Scheme, frozen=True, tag="none"):
    """A scheme that turns the degrees of another one, its `line`, into tones of its own."""

    line: str | dict[str, Any] = "place"

    def inner(self, place: str = "line") -> Scheme:
        inner = one_of(SCHEMES, "scheme", self.line, place)
        if isinstance(inner, _OverLine):
            raise InputError(
                f"'{inner.name}' can't be the line of '{self.name}'; use place, walk or number",
                place=place,
            )
        return inner

    def waits_for_character(self) -> bool:
        return self.inner().waits_for_character()

    def by_position(self) -> bool:
        return self.inner().by_position()

    def looks_back(self) -> float:
        return self.inner().looks_back()

    def degrees(self, m: BitStream, index: Index) -> Index:
        return self.inner().degrees(m, index)

    def lead(self, machine: Machine) -> Degrees:
        return self.inner().lead(machine)


class Triad(_OverLine, frozen=True, tag="triad"):
    """The tone of the tonic's triad that lies next to each tone of a line, above or below it.

    With a second voice that plays the line itself, every interval comes from one triad: a melodic
    and a triadic voice, as in P. Hillier, "Arvo Pärt" (1997), from memory.

    Attributes
    ----------
    line
        The scheme whose tones it goes with.
    which
        Which tone of the triad it is.

        - above: the next one above the line
        - second-above: the one after that
        - below: the next one below
        - second-below: the one before that
    """

    which: Literal["above", "second-above", "below", "second-below"] = "above"

    def sounding(
        self, degrees: Index, shift: Index, frame: Frame, chord: Index | None = None
    ) -> Pitches:
        size = len(frame.scale.semitones)
        # every second degree of seven; in other scales those that lie nearest to them
        triad = np.array([round(size * k / 7) for k in (0, 2, 4)])
        tones = np.add.outer(size * np.arange(-2, 4), triad).reshape(-1)
        octave, step = np.divmod(shifted(degrees, shift), size)
        side: Literal["left", "right"] = "right" if self.which.endswith("above") else "left"
        steps = {"above": 0, "second-above": 1, "below": -1, "second-below": -2}
        at = np.searchsorted(tones, step, side) + steps[self.which]
        return degrees_to_pitch(tones[at] + size * octave, frame.scale, frame.root)


class Progression(_OverLine, frozen=True, tag="progression"):
    """Tones of chords in roman numerals that change by row, character or bar.

    `line` is another scheme, whose degrees count the chord's tones: 0 its lowest, 1 the next, and
    so on through the octaves.

    Attributes
    ----------
    chords
        In roman numerals, such as i VI III VII. Empty: those of the harmony section.
    each : A new chord
        What brings the next chord.

        - row: with each row
        - character: with each character
        - bar: with each bar
    hold
        How many of these a chord lasts.
    line
        The scheme that walks over the chord's tones.
    voicing
        How the tones of a chord lie.

        - written: as the numerals say, from the lowest tone up
        - smooth: in the close position that moves least from chord to chord
        - strict: the same, without parallel fifths and octaves where that can be
    """

    chords: str = ""
    each: Literal["row", "character", "bar"] = "row"
    hold: Annotated[int, control(step=1, soft=(1, 16), ge=1, le=1024)] = 1
    voicing: Literal["written", "smooth", "strict"] = "written"

    def chord_lead(self, frame: Frame) -> Lead:
        if not self.chords.strip():
            return Lead("PLAN", len(self._chords(frame)), up=CHORD)
        return Lead(self.each.upper(), len(self._chords(frame)), hold=self.hold)

    def _chords(self, frame: Frame) -> tuple[Chord, ...]:
        """Its own chords, or those of the plan."""
        if self.chords.strip():
            return parse_chords(self.chords, frame.minor, f"{frame.place}.chords")
        if not frame.grid.plan.chords:
            raise InputError(
                "the key 'chords' is needed, here or under [music.harmony]: roman numerals such "
                'as "i VI III VII"',
                place=f"{frame.place}.chords",
            )
        return frame.grid.plan.chords

    def _voiced(self, frame: Frame) -> tuple[Chord, ...]:
        """The chords as they are voiced."""
        chords = self._chords(frame)
        if self.voicing == "written":
            return chords
        own = bool(self.chords.strip())
        order = range(len(chords) + 1) if own else frame.grid.plan.tables[CHORD].tolist()
        return voiced(chords, tuple(n % len(chords) for n in order), self.voicing == "strict")

    def pitches(self, m: BitStream, index: Index, shift: Index, frame: Frame) -> Pitches:
        degrees = self.inner(f"{frame.place}.line").degrees(m, index)
        lead = self.chord_lead(frame)
        if lead.by == "BAR":
            ticks = m.since_start(m.slot(index)) * frame.grid.step_ticks
            chord = ticks // frame.grid.bar_ticks // lead.hold % lead.count
        else:
            chord = lead.at(m, index)
        return self.sounding(degrees, shift, frame, chord)

    def sounding(
        self, degrees: Index, shift: Index, frame: Frame, chord: Index | None = None
    ) -> Pitches:
        tone = shifted(degrees, shift)
        chords = self._voiced(frame)
        number = np.zeros_like(tone) if chord is None else chord % len(chords)
        size = np.array([len(c) for c in chords])
        table = np.zeros((len(chords), int(size.max())))
        for n, c in enumerate(chords):
            table[n, : len(c)] = c
        octave, step = np.divmod(tone, size[number])
        # a ninth chord spans more than an octave, so its next round starts two octaves up
        wide = np.array([12.0 * (1 + (c[-1] - c[0]) // 12) for c in chords])
        pitch: Pitches = frame.root + table[number, step] + wide[number] * octave
        if not frame.scale.in_twelve:
            pitch = _into_scale(pitch, frame)
        return fold(pitch, frame.scale.period)


def _into_scale(pitch: Pitches, frame: Frame) -> Pitches:
    """Move each chord tone to the nearest tone of a scale outside the twelve tones."""
    if not len(pitch):
        return pitch
    period = frame.scale.period
    tones = tones_between(
        frame.scale, frame.root, float(pitch.min()) - period, float(pitch.max()) + period
    )
    at = np.clip(np.searchsorted(tones, pitch), 1, len(tones) - 1)
    nearer = pitch - tones[at - 1] <= tones[at] - pitch
    return np.where(nearer, tones[at - 1], tones[at])


class Arpeggio(Counted, frozen=True, tag="arpeggio"):
    """A broken chord for each character: its value gives the chord, its bits the tones in turn.

    Attributes
    ----------
    tones
        How many tones a chord has.
    stack
        Scale degrees from one chord tone to the next: 2 stacks thirds.
    way
        Which way the notes go.

        - up: low to high
        - down: high to low
        - turn: up and down again
    """

    span: Span = 7
    tones: Annotated[int, control(step=1, ge=1, le=12)] = 4
    stack: Annotated[int, control(step=1, ge=1, le=12)] = 2
    way: Literal["up", "down", "turn"] = "up"

    def table(self, positions: int, unit_bits: int) -> Degrees:
        place = np.arange(unit_bits)
        step = reflect(place, self.tones) if self.way == "turn" else place % self.tones
        if self.way == "down":
            step = self.tones - 1 - step
        first, second = Lead("VALUE", self.span), Lead("PLACE", unit_bits)
        return Degrees(first, second, np.add.outer(self.stack * step, np.arange(self.span)))

    def degree_set(self, unit_bits: int) -> Index:
        return np.add.outer(np.arange(self.span), self.stack * np.arange(self.tones))

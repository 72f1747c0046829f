"""What a pitch scheme is, and what all of them share: range, folding and voice-leading."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.errors import InputError
from sonify.music.bit_stream import BitStream, rank_in
from sonify.music.machine import NOTHING, Degrees, Lead, Machine, Refusal
from sonify.music.metre import Grid
from sonify.music.theory.scales import (
    Scale,
    degrees_to_pitch,
    fold,
    note_name,
    note_number,
    tones_between,
)
from sonify.settings import Settings

__all__ = ["SCHEMES", "Counted", "Frame", "Scheme", "led_bounds", "pitches_of", "within"]

Index = NDArray[np.int64]
Pitches = NDArray[np.float64]

_PHRASE = 256
_SHIFTS = 4096  # more than degrees can be shifted by
_NO_SHIFT = np.zeros(0, np.int64)
Span = Annotated[
    int,
    control("Span", "How many tones of the scale it uses before it folds back.", 1, soft=(1, 24),
            ge=1, le=64),
]  # fmt: skip
Degree = Annotated[int, msgspec.Meta(ge=-64, le=64)]

ROWS = 256
"""How many rows are considered where each lies some degrees from the one before."""


@dataclass(frozen=True)
class Frame:
    """What schemes need besides the bits.

    Attributes
    ----------
    scale : Scale
    root : float
        MIDI note number of degree 0 for this voice.
    grid : Grid
    place : str
        Where the scheme stands in the settings, for errors.
    """

    scale: Scale
    root: float
    grid: Grid
    place: str = "pitch"

    @property
    def minor(self) -> bool:
        """Whether chords are those of a minor key: a minor third and no major one."""
        return self.scale.minor


class Scheme(Settings, frozen=True, tag_field="scheme", tag="none"):
    """A pitch scheme: its settings, and all that is known about how it turns places into pitches.

    A scheme must define `degrees`. The other methods tell recovery, channel allocation and the
    firmware what they need to know; the defaults suit a scheme whose tone is certain as soon as
    its bit has been read.

    Attributes
    ----------
    range
        The lowest and the highest note, such as C3, E5. Empty: no limits.
    fold : Out of range
        How a note outside the range comes back.

        - octave: by whole octaves
        - turn: turning back at the ends
        - nearest: to the nearest note inside
    leading
        In which octave a note sounds.

        - free: the one that the scheme gives
        - nearest: the one nearest to the note before it in its row
    """

    range: tuple[str, str] | None = None
    fold: Literal["octave", "turn", "nearest"] = "octave"
    leading: Literal["free", "nearest"] = "free"

    @property
    def name(self) -> str:
        """Its name in presets."""
        return str(type(self).__struct_config__.tag)

    def degrees(self, m: BitStream, index: Index) -> Index:
        """Scale degrees from 0 at the root, for positions by their index in the reading."""
        raise NotImplementedError

    def pitches(self, m: BitStream, index: Index, shift: Index, frame: Frame) -> Pitches:
        """MIDI note numbers before range and voice-leading, `shift` degrees away."""
        return self.sounding(self.degrees(m, index), shift, frame)

    def sounding(
        self, degrees: Index, shift: Index, frame: Frame, chord: Index | None = None
    ) -> Pitches:
        """MIDI note numbers of given degrees, `shift` away, before range and voice-leading.

        Schemes with chords also take the number of the chord for each.
        """
        return degrees_to_pitch(shifted(degrees, shift), frame.scale, frame.root)

    def inner(self, place: str = "line") -> Scheme:
        """The scheme that gives the degrees: another one for schemes that are built on one."""
        return self

    def chord_lead(self, frame: Frame) -> Lead:
        """What advances the chords, and how many there are."""
        return NOTHING

    def waits_for_character(self) -> bool:
        """Whether a tone is certain only when its character has been read."""
        return False

    def by_position(self) -> bool:
        """Whether a tone depends on its position on the disc alone."""
        return False

    def looks_back(self) -> float:
        """How many positions before its own a tone depends on at most, but for what is counted from
        the start; infinity if that is not known."""
        return math.inf

    def lead(self, machine: Machine) -> Degrees:
        """What a machine's core counts for it, and the degrees along that count.

        Raises
        ------
        Refusal
            It can't be followed bit by bit, and why.
        """
        raise Refusal(f"the pitch scheme '{self.name}': the core does not know it (use place)")

    def degree_set(self, unit_bits: int) -> Index | None:
        """All degrees that it can give: 0 to its span if it has one, else not known."""
        span = getattr(self, "span", None)
        return None if span is None else np.arange(span)

    def pitch_set(self, shift: Index, unit_bits: int, frame: Frame) -> Pitches | None:
        """All pitches that it can give, before range and voice-leading; None if not known."""
        degrees = self.inner(f"{frame.place}.line").degree_set(unit_bits)
        if degrees is None:
            return None
        degrees = np.unique(np.add.outer(shift, degrees.reshape(-1)))
        chords = self.chord_lead(frame).count
        chord = np.repeat(np.arange(chords), len(degrees))
        return self.sounding(np.tile(degrees, chords), _NO_SHIFT, frame, chord)

    def bounds(self, frame: Frame) -> tuple[float, float] | None:
        """The range as MIDI note numbers.

        Raises
        ------
        InputError
            The ends are not notes or in the wrong order, or the range holds no tone of the scale.
        """
        if self.range is None:
            return None
        place = f"{frame.place}.range"
        low, high = (note_number(name, f"{place}[{n}]") for n, name in enumerate(self.range))
        if low > high:
            raise InputError(
                f"{self.range[0]} lies above {self.range[1]}; give the lowest note first",
                place=place,
            )
        if not len(tones_between(frame.scale, frame.root, low, high)):
            raise InputError(
                f"no tone of the scale lies from {self.range[0]} to {self.range[1]}; "
                f"{_near_tones(frame, low, high)}",
                place=place,
            )
        return float(low), float(high)


class Counted(Scheme, frozen=True, tag="none"):
    """A scheme that is a table of degrees along what a machine's core counts. Define `table`."""

    def table(self, positions: int, unit_bits: int) -> Degrees:
        """The degrees, for rows of so many positions and code units of so many bits."""
        raise NotImplementedError

    def degrees(self, m: BitStream, index: Index) -> Index:
        t = self.table(m.positions, m.unit_bits)
        first = t.first.at(m, index)
        out = t.values[0][first] if len(t.values) == 1 else t.values[t.second.at(m, index), first]
        return out + t.row_step * m.row(index) if t.row_step else out

    def waits_for_character(self) -> bool:
        return self.table(1, 1).first.by == "VALUE"

    def by_position(self) -> bool:
        return self.table(1, 1).first.by in ("NOTHING", "ROW", "POSITION", "PLACE", "CHARACTER")

    def looks_back(self) -> float:
        leads = self.table(1, 1).first, self.table(1, 1).second
        return max(lead.up if lead.by == "DENSITY" else lead.up.bit_length() for lead in leads)

    def lead(self, machine: Machine) -> Degrees:
        return self.table(machine.positions, machine.unit_bits)

    def degree_set(self, unit_bits: int) -> Index | None:
        t = self.table(1, unit_bits)
        return np.unique(t.values + t.row_step * np.arange(ROWS if t.row_step else 1)[:, None])


SCHEMES: dict[str, type[Scheme]] = {}
"""The table of pitch schemes by name; `sonify.music.pitch.schemes` fills it."""


def _near_tones(frame: Frame, low: float, high: float) -> str:
    period = frame.scale.period
    around = tones_between(frame.scale, frame.root, low - period, high + period)
    below, above = around[around < low], around[around > high]
    names = [note_name(round(float(t))) for t in (*below[-1:], *above[:1])]
    return f"the nearest are {' and '.join(names)}; widen it"


def shifted(degrees: Index, shift: Index) -> Index:
    """Degrees plus a shift, at no cost where the shift is 0 throughout."""
    if not len(shift) or (shift.strides == (0,) and not shift[0]):
        return degrees
    return degrees + shift


def pitches_of(
    scheme: Scheme, m: BitStream, index: Index, shift: Index, frame: Frame, once: bool = False
) -> Pitches:
    """The pitches of a voice, within its range and led as its scheme asks.

    Parameters
    ----------
    scheme : Scheme
    m : BitStream
    index : ndarray of int64, shape (notes,)
        Positions in the order of reading that the notes belong to, in the order of onsets.
    shift : ndarray of int64, shape (notes,)
        Degrees to add.
    frame : Frame
    once : bool
        Whether notes of one position and shift keep the pitch of the first of them.

    Returns
    -------
    ndarray of float64, shape (notes,)
        MIDI note numbers within 0 to 127.
    """
    if once and scheme.leading != "free" and len(index):
        key = index * _SHIFTS + shift
        _, first, which = np.unique(key, return_index=True, return_inverse=True)
        order = np.argsort(first)
        of_first = pitches_of(scheme, m, index[first[order]], shift[first[order]], frame)
        place = np.empty_like(order)
        place[order] = np.arange(len(order))
        out: Pitches = of_first[place[which.reshape(-1)]]
        return out
    pitch = within(scheme, scheme.pitches(m, index, shift, frame), frame)
    if scheme.leading == "free" or not len(pitch):
        return pitch
    period = frame.scale.period
    near = led(pitch, m.line(index), led_bounds(scheme, frame), period)
    # the same tone, from wherever it was led, is the same number
    return fold(np.round(near, 9), period)


def led_bounds(scheme: Scheme, frame: Frame) -> tuple[float, float]:
    """The range of a scheme whose tones are led: its own, or an octave about the root."""
    period = frame.scale.period
    around = max(0.0, frame.root - period), min(127.0, frame.root + period)
    return scheme.bounds(frame) or around


def within(scheme: Scheme, pitch: Pitches, frame: Frame) -> Pitches:
    """Pitches brought into the range that a scheme has, or that its leading needs."""
    bounds = scheme.bounds(frame)
    if bounds is None and scheme.leading == "free":
        return pitch
    if not len(pitch):
        return pitch
    bounds = bounds or led_bounds(scheme, frame)
    return fold(_FOLDS[scheme.fold](pitch, bounds, frame), frame.scale.period)


def _by_octaves(pitch: Pitches, bounds: tuple[float, float], frame: Frame) -> Pitches:
    low, high = bounds
    period = frame.scale.period
    up = np.ceil(np.maximum(0.0, low - pitch - 1e-6) / period)
    out = pitch + period * up
    down = np.ceil(np.maximum(0.0, out - high - 1e-6) / period)
    out = out - period * down
    # a range narrower than an octave may hold no octave of a tone
    astray = out < low - 1e-6
    if astray.any():
        out[astray] = _to_nearest(out[astray], bounds, frame)
    return out


def _to_nearest(pitch: Pitches, bounds: tuple[float, float], frame: Frame) -> Pitches:
    low, high = bounds
    tones = tones_between(frame.scale, frame.root, low, high)
    out = pitch.copy()
    outside = (pitch < low - 1e-6) | (pitch > high + 1e-6)
    at = np.searchsorted(tones, pitch[outside])
    below = tones[np.clip(at - 1, 0, len(tones) - 1)]
    above = tones[np.clip(at, 0, len(tones) - 1)]
    nearer = np.abs(pitch[outside] - below) <= np.abs(above - pitch[outside])
    out[outside] = np.where(nearer, below, above)
    return out


def _turning(pitch: Pitches, bounds: tuple[float, float], frame: Frame) -> Pitches:
    inside = tones_between(frame.scale, frame.root, *bounds)
    lowest, highest = float(pitch.min()), float(pitch.max())
    wide = tones_between(frame.scale, frame.root, min(lowest, bounds[0]), max(highest, bounds[1]))
    zero = int(np.searchsorted(wide, inside[0] - 1e-3))
    at = np.searchsorted(wide, pitch - 1e-3) - zero
    return inside[reflect(at, len(inside))]


_FOLDS = {"octave": _by_octaves, "turn": _turning, "nearest": _to_nearest}


def reflect(value: Index, span: int) -> Index:
    """Fold whole numbers into 0 to span - 1, turning back at both ends."""
    if span == 1:
        return np.zeros_like(value)
    turn = 2 * (span - 1)
    inside = value % turn
    return np.minimum(inside, turn - inside)


def turn_of(span: int) -> int:
    """The steps after which `reflect` repeats."""
    return max(1, 2 * (span - 1))


def led(pitch: Pitches, row: Index, bounds: tuple[float, float], period: float) -> Pitches:
    """Each tone in the octave nearest to the one before it, starting again in each row.

    Rows are led side by side; a row starts again after every 256 notes.
    """
    nth = rank_in(row) % _PHRASE
    out = pitch.copy()
    low, high = bounds
    order = np.argsort(nth, kind="stable")
    ends = np.cumsum(np.bincount(nth))
    for step in range(1, len(ends)):
        at = order[ends[step - 1] : ends[step]]
        before = out[at - 1]
        near = before + (pitch[at] - before + period / 2) % period - period / 2
        near = np.where(near < low - 1e-6, near + period, near)
        near = np.where(near > high + 1e-6, near - period, near)
        out[at] = np.where(near < low - 1e-6, pitch[at], near)
    return out

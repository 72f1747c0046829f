"""Notes: voices applied to a reading, laid on the grid of ticks."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.bends import Sounding, Tuned
from sonify.midi.channels import DRUM_CHANNEL, channel_setup
from sonify.midi.events import MidiEvents, events_at, merged, note_events
from sonify.midi.general_midi import drum_note, program_number
from sonify.midi.tuning_output import opening, takes_programs, tuned_as
from sonify.music.bit_stream import BitStream, Events
from sonify.music.controllers import Controller
from sonify.music.ending import Final, ending_of, sounding_sets
from sonify.music.form.plan import DENSITY, DYNAMICS, REGISTER, SECTION, Plan
from sonify.music.metre import Grid
from sonify.music.note_changes import NoteChange, effect
from sonify.music.pitch.scheme import Pitches, pitches_of
from sonify.music.pitch.schemes import Scheme
from sonify.music.rhythm.row_change_rules import Vamp
from sonify.music.settings import Music, Voice
from sonify.music.theory.scales import find_scale, fold
from sonify.music.theory.tuning import concert_shift
from sonify.music.voice_sources import find_source
from sonify.music.voices import assign_channels, frame_of, in_concert_pitch, rules_of, scheme_of
from sonify.ranges import chosen

__all__ = [
    "COLUMNS",
    "DRUM_CHANNEL",
    "NOTES",
    "Part",
    "changed",
    "finals_of",
    "make_parts",
    "needs_bends",
    "notes_of",
    "untuned_parts",
    "without_overlaps",
]

NOTES = np.dtype([
    ("onset_s", "f8"), ("duration_s", "f8"), ("onset_beat", "f8"), ("duration_beat", "f8"),
    ("pitch", "f8"), ("velocity", "u1"), ("channel", "u1"), ("voice", "u1"), ("row", "i4"),
    ("position", "i4"),
])  # fmt: skip
"""One note. Beats are quarter notes; pitch is a MIDI note number; channels are 0 to 15."""

COLUMNS = ("index", "on", "off", "pitch", "velocity")
"""The columns of a `Part`."""


@dataclass(frozen=True, eq=False)
class Part:
    """The notes of one voice, as columns of shape (notes,), in the order of onsets.

    Attributes
    ----------
    voice : Voice
    number : int
        The voice's number, from 0.
    channel, program : int
        As in MIDI messages: 0 to 15, 0 to 127.
    index : ndarray of int64
        The position in the order of reading that a note belongs to.
    on, off : ndarray of int64
        Ticks.
    pitch : ndarray of float64
    velocity : ndarray of uint8
    tuned : Tuned or None
        Channels, keys and bends of the notes, where some of them need a bend.
    moves : tuple of callables
        Each gives the messages of a controller that moves, for some channels.
    """

    voice: Voice
    number: int
    channel: int
    program: int
    index: NDArray[np.int64]
    on: NDArray[np.int64]
    off: NDArray[np.int64]
    pitch: NDArray[np.float64]
    velocity: NDArray[np.uint8]
    tuned: Tuned | None = None
    moves: tuple[Callable[[Sequence[int]], MidiEvents], ...] = ()

    def __len__(self) -> int:
        return len(self.on)

    def keep(self, which: NDArray[np.bool_] | slice) -> Part:
        """Only these notes."""
        return replace(self, **{n: getattr(self, n)[which] for n in COLUMNS})

    @property
    def name(self) -> str:
        """The voice's name, or its number."""
        return self.voice.name or f"voice {self.number + 1}"

    @property
    def channels(self) -> tuple[int, ...]:
        """All channels that the voice uses, its own first."""
        return (self.channel,) if self.tuned is None else self.tuned.channels

    @property
    def note_channels(self) -> NDArray[np.uint8]:
        """The channel of each note."""
        if self.tuned is not None:
            return self.tuned.channel
        return np.full(len(self), self.channel, np.uint8)

    @property
    def keys(self) -> NDArray[np.uint8]:
        """The MIDI key of each note."""
        return np.rint(self.pitch).astype(np.uint8) if self.tuned is None else self.tuned.key

    def channel_setup(
        self, channels: Sequence[int] | None = None, full: bool = False
    ) -> list[bytes]:
        """The messages before the first note on some of the channels.

        If `full`, they also undo what an earlier piece may have left.
        """
        v = self.voice
        program = None if v.drum is not None else self.program
        out = []
        for c in self.channels if channels is None else channels:
            out += [] if self.tuned is None else opening(self.tuned, c)
            if takes_programs(self.tuned, c):
                out += channel_setup(
                    c,
                    program=program,
                    bank=v.bank,
                    volume=v.volume,
                    pan=v.pan,
                    glide=v.glide,
                    full=full,
                )
        return out

    def note_events(self) -> MidiEvents:
        """The notes and their bends as MIDI messages."""
        t = self.tuned
        channel, bend = (self.channel, None) if t is None else (t.channel, t.bend)
        bend = None if t is not None and t.way == "mts" else bend
        return note_events(self.on, self.off, channel, self.keys, self.velocity, bend)

    def moving_events(self) -> MidiEvents:
        """The notes, their bends, and the controllers that move."""
        notes = self.note_events()
        channels = [c for c in self.channels if takes_programs(self.tuned, c)]
        moves = [move(channels) for move in self.moves]
        return merged([*moves, notes]) if moves else notes

    def events(self) -> MidiEvents:
        """All MIDI messages of the voice."""
        return merged([events_at(0, self.channel_setup()), self.moving_events()])


def make_parts(
    music: Music, m: BitStream, grid: Grid, changes: tuple[NoteChange, ...] = ()
) -> list[Part]:
    """The notes of all voices, with the changes made by hand.

    Parameters
    ----------
    music : Music
    m : BitStream
    grid : Grid
    changes : tuple of NoteChange

    Returns
    -------
    list of Part
        One for each voice. Two notes of one pitch never overlap on one channel.

    Raises
    ------
    InputError
        An unknown scale, root, source, scheme, rule or program, with its place.
    """
    parts = untuned_parts(music, m, grid, changes)
    parts = [replace(p, moves=_moves(music, p, m, grid)) for p in parts]
    if not needs_bends(music) and music.tuning_output != "mpe":
        return parts
    pitch_sets = sounding_sets(music, m.unit_bits, grid)
    if any(c.semitones for c in changes):
        # a pitch moved by hand need not be one that its voice can have
        pitch_sets = [None] * len(parts)
    tuned = tuned_as(music.tuning_output, [
        Sounding(p.name, p.number, p.channel, p.voice.drum is not None, p.on, p.off, p.pitch, known)
        for p, known in zip(parts, pitch_sets, strict=True)
    ])  # fmt: skip
    return [replace(p, tuned=t) for p, t in zip(parts, tuned, strict=True)]


def changed(
    part: Part, changes: tuple[NoteChange, ...], m: BitStream, *, silent: bool = False
) -> Part:
    """A part with the changes made by hand; only the notes that they leave out if `silent`."""
    out, pitch, velocity = effect(
        changes, part.name, part.voice.drum is not None, m.row(part.index), m.position(part.index),
        part.pitch, part.velocity,
    )  # fmt: skip
    keep = out if silent else ~out
    return replace(part, pitch=pitch, velocity=velocity).keep(keep)


def _moves(
    music: Music, part: Part, m: BitStream, grid: Grid
) -> tuple[Callable[[Sequence[int]], MidiEvents], ...]:
    """The controllers that move in a voice: its own, and the brightness of the form."""
    moving = part.voice.controllers
    if music.form.brightness and part.voice.drum is None:
        moving = (Controller(send="brightness", points=music.form.brightness), *moving)
    return tuple(partial(c.events, m, grid.step_ticks) for c in moving)


def needs_bends(music: Music) -> bool:
    """Whether some pitches may lie between the keys."""
    return not find_scale(music.scale).in_twelve or bool(concert_shift(music.concert_pitch))


def untuned_parts(
    music: Music, m: BitStream, grid: Grid, changes: tuple[NoteChange, ...] = ()
) -> list[Part]:
    """The notes of all voices, as `make_parts` gives them but without bends."""
    m = replace(m, plan=grid.plan)
    parts = [_part(music, n, c, grid, m) for n, c in enumerate(assign_channels(music.voice))]
    finals, first = finals_of(music, m, grid)
    if first:
        parts = [_ended(p, notes, first, m, grid) for p, notes in zip(parts, finals, strict=True)]
    parts = without_overlaps(parts)
    return without_overlaps([changed(p, changes, m) for p in parts]) if changes else parts


def finals_of(music: Music, m: BitStream, grid: Grid) -> tuple[list[list[Final]], int]:
    """The ending's notes, and the tick of the last row at which it begins; 0 without one."""
    if music.form.ending == "none":
        return [], 0
    finals = ending_of(music, m.unit_bits, grid, m.positions)
    return finals, min((f.on for notes in finals for f in notes), default=0)


def _part(music: Music, n: int, channel: int, grid: Grid, m: BitStream) -> Part:
    voice, place = music.voice[n], f"music.voice[{n}]"
    program = program_number(voice.program, f"{place}.program")
    scheme = scheme_of(voice, place)
    e = events_of(voice, place, m, n)
    on = np.rint(e.onset * grid.step_ticks).astype(np.int64)
    off = np.maximum(np.rint(e.end * grid.step_ticks).astype(np.int64), on + 1)
    if voice.drum is not None:
        pitch = _drums(voice, scheme, e, m, place)
    else:
        again = any(isinstance(rule, Vamp) for rule in rules_of(voice, place))
        pitch = pitches_of(scheme, m, e.index, e.shift, frame_of(music, n, grid), again)
        if "register" in voice.arcs and any(grid.plan.registers):
            octaves = np.asarray(grid.plan.registers)[m.planned(REGISTER, e.index)]
            pitch = fold(pitch + 12.0 * octaves)
        pitch = in_concert_pitch(pitch, music)
    scale = e.velocity_scale
    if "dynamics" in voice.arcs and grid.plan.dynamics != (1.0,):
        scale = scale * np.asarray(grid.plan.dynamics)[m.planned(DYNAMICS, e.index)]
    for curve in voice.curves:
        scale = scale * curve.scale(e, m)
    velocity = np.clip(np.rint(voice.velocity * scale), 1, 127).astype(np.uint8)
    return Part(voice, n, channel, program, e.index, on, off, pitch, velocity)


def events_of(voice: Voice, place: str, m: BitStream, number: int = 0) -> Events:
    """The events of a voice of this number: its source, kept to its rows and places, through its
    rules."""
    e = find_source(voice.source, f"{place}.source").events(m)
    keep = _filter(voice, place, m, number)
    if keep is not None:
        e = e.keep(keep[e.index])
    thin = thinning(voice, m.plan)
    if thin and m.plan is not None:
        at = m.planned(DENSITY, e.index)
        e = e.keep(m.plan.places(m.positions)[e.index % m.positions] <= np.asarray(thin)[at])
    for n, rule in enumerate(rules_of(voice, place)):
        try:
            e = rule.apply(e, m)
        except InputError as error:
            inner = f"{place}.rhythm[{n}].{error.place}"
            raise InputError(error.what, place=inner) from None
    if keep is not None:
        # a rule may have added notes at other places
        e = e.keep(keep[e.index])
    return e


def thinning(voice: Voice, plan: Plan | None) -> tuple[float, ...]:
    """The shares of metrical places by which a voice is thinned; empty if it is not."""
    if plan is None or "density" not in voice.arcs or plan.densities == (1.0,):
        return ()
    return plan.densities


def sections_of(voice: Voice, number: int, plan: Plan, place: str) -> NDArray[np.bool_] | None:
    """In which sections of the form a voice of this number plays; None for all."""
    if voice.sections is not None:
        return plan.in_sections(voice.sections, f"{place}.sections")
    if plan.staggered and number:
        return np.arange(len(plan.labels)) >= min(number, len(plan.labels) - 1)
    return None


def _filter(voice: Voice, place: str, m: BitStream, number: int) -> NDArray[np.bool_] | None:
    """Whether a voice may sound each position, in order of reading; None if it may sound all."""
    out: NDArray[np.bool_] | None = None
    plays = None if m.plan is None else sections_of(voice, number, m.plan, place)
    if plays is not None:
        out = plays[m.planned(SECTION, np.arange(len(m.bits)))]
    filters = (
        ("rows", voice.rows, m.rows, m.row),
        ("positions", voice.positions, m.positions, m.position),
        ("places", voice.places, m.unit_bits, m.in_character),
    )
    for name, text, count, at in filters:
        if text is not None:
            which = chosen(text, count, f"{place}.{name}")[at(np.arange(len(m.bits)))]
            out = which if out is None else out & which
    return out


def _drums(voice: Voice, scheme: Scheme, e: Events, m: BitStream, place: str) -> Pitches:
    if not isinstance(voice.drum, tuple):
        assert voice.drum is not None
        return np.full(len(e), float(drum_note(voice.drum, f"{place}.drum")))
    if not voice.drum:
        raise InputError("the list of drums is empty; name at least one", place=f"{place}.drum")
    kit = [float(drum_note(d, f"{place}.drum[{k}]")) for k, d in enumerate(voice.drum)]
    out: Pitches = np.asarray(kit)[(scheme.degrees(m, e.index) + e.shift) % len(kit)]
    return out


def _ended(part: Part, finals: list[Final], first: int, m: BitStream, grid: Grid) -> Part:
    """A part with the notes of the ending, which begins at tick `first` of the last row and
    belongs to that row's last position."""
    lines = np.arange(m.lines)
    lines = lines[m.row(lines * m.positions) == grid.plan.rows - 1]
    if not len(lines):
        return part
    # what would begin after the last chord is left out
    cut = np.full(m.trials, np.iinfo(np.int64).max)
    cut[lines * m.positions // m.span] = m.timeline.row_slot[lines] * grid.step_ticks + first
    last = np.zeros(m.trials, np.int64)
    last[lines * m.positions // m.span] = (lines + 1) * m.positions - 1
    trial = part.index // m.span
    keep = (part.on < cut[trial]) | (part.index > last[trial])
    # ... and what sounds ends with it
    off = np.where(part.index > last[trial], part.off, np.minimum(part.off, cut[trial]))
    part = replace(part, off=off).keep(keep)
    if not finals:
        return part
    on, length, pitch, velocity = (np.array(column) for column in zip(*finals, strict=True))
    begin = np.repeat(m.timeline.row_slot[lines] * grid.step_ticks, len(finals))
    tile = len(lines)
    start = np.concatenate([part.on, begin + np.tile(on, tile)])
    order = np.argsort(start, kind="stable")
    index = np.repeat((lines + 1) * m.positions - 1, len(finals))
    columns = (
        (part.index, index),
        (part.off, begin + np.tile(on + length, tile)),
        (part.pitch, np.tile(pitch, tile)),
        (part.velocity, np.tile(velocity, tile).astype(np.uint8)),
    )
    others = [np.concatenate(pair)[order] for pair in columns]
    return replace(
        part, on=start[order], index=others[0], off=others[1], pitch=others[2], velocity=others[3]
    )


def without_overlaps(parts: list[Part]) -> list[Part]:
    """The same notes, each cut off where its pitch sounds again on its channel.

    Of notes that start together on one pitch and channel, the loudest stays (then the longest).
    """
    out = list(parts)
    for channel in {p.channel for p in parts}:
        at = [k for k, p in enumerate(parts) if p.channel == channel]
        if _never_meet([parts[k] for k in at]):
            continue
        who = np.repeat(at, [len(parts[k]) for k in at])
        on, off, pitch, velocity = (
            np.concatenate([getattr(parts[k], name) for k in at])
            for name in ("on", "off", "pitch", "velocity")
        )
        order = np.lexsort((-off, -velocity.astype(np.int64), on, pitch))
        same = (np.diff(pitch[order]) == 0) & (np.diff(on[order]) == 0)
        keep = np.ones(len(on), bool)
        keep[order[1:][same]] = False
        order = order[keep[order]]
        again = np.diff(pitch[order]) == 0
        cut = off[order]
        cut[:-1][again] = np.minimum(cut[:-1], on[order][1:])[again]
        off[order] = cut
        for k in at:
            out[k] = replace(parts[k], off=off[who == k]).keep(keep[who == k])
    return out


def _never_meet(parts: list[Part]) -> bool:
    """Whether each part plays one note at a time and no two parts share a range."""
    ranges = sorted((float(p.pitch.min()), float(p.pitch.max())) for p in parts if len(p))
    apart = all(high < low for (_, high), (low, _) in itertools.pairwise(ranges))
    return apart and all(bool((p.off[:-1] <= p.on[1:]).all()) for p in parts)


def _seconds(p: Part, m: BitStream, grid: Grid) -> tuple[NDArray[Any], NDArray[Any]]:
    """When the notes of a part begin, and how long they last, in s."""
    if m.timeline.pace is None:
        tick_s = grid.tick_s(m.timeline.position_s)
        return p.on * tick_s, (p.off - p.on) * tick_s
    on, off = (m.timeline.seconds(ticks / grid.step_ticks) for ticks in (p.on, p.off))
    return on, off - on


def notes_of(parts: list[Part], m: BitStream, grid: Grid) -> NDArray[np.void]:
    """All notes as one array of `NOTES`, by onset and then by voice."""
    out = np.empty(sum(len(p) for p in parts), NOTES)
    tick_beat = 1.0 / grid.ticks_per_quarter
    start = 0
    for p in parts:
        part = out[start : start + len(p)]
        start += len(p)
        for name, ticks in (("onset", p.on), ("duration", p.off - p.on)):
            part[f"{name}_beat"] = ticks * tick_beat
        part["onset_s"], part["duration_s"] = _seconds(p, m, grid)
        part["pitch"], part["velocity"], part["voice"] = p.pitch, p.velocity, p.number
        part["channel"] = p.note_channels
        part["row"], part["position"] = m.row(p.index), m.position(p.index)
    if len(parts) > 1:
        on = np.concatenate([p.on for p in parts])
        out = out[np.argsort(on, kind="stable")]
    return out

"""Notes: voices applied to a reading, laid on the grid of ticks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches
from sonify.music.general_midi import drum_note, program_number
from sonify.music.material import Events, Material
from sonify.music.metre import Grid
from sonify.music.rules import RULES, Rule
from sonify.music.scales import Scale, degrees_to_pitch, find_scale, note_number
from sonify.music.schemes import SCHEMES, Scheme
from sonify.music.settings import Music, Voice
from sonify.music.sources import find_source

__all__ = ["DRUM_CHANNEL", "NOTES", "Part", "make_parts", "notes_of"]

NOTES = np.dtype(
    [
        ("onset_s", "f8"),
        ("duration_s", "f8"),
        ("onset_beat", "f8"),
        ("duration_beat", "f8"),
        ("pitch", "f8"),
        ("velocity", "u1"),
        ("channel", "u1"),
        ("voice", "u1"),
        ("row", "i4"),
        ("position", "i4"),
    ]
)
"""One note. Beats are quarter notes; pitch is a MIDI note number; channels are 0 to 15."""

DRUM_CHANNEL = 9
CHANNELS = 16


@dataclass(frozen=True, eq=False)
class Part:
    """One voice's notes, as columns of shape (notes,), in the order of their onsets.

    Attributes
    ----------
    voice : Voice
    number : int
        Which voice it is.
    channel, program : int
        As sent: 0 to 15, 0 to 127.
    index : ndarray of int64
        The position in the order of reading that a note belongs to.
    on, off : ndarray of int64
        Ticks.
    pitch : ndarray of float64
    velocity : ndarray of uint8
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

    def __len__(self) -> int:
        return len(self.on)

    @property
    def name(self) -> str:
        """Its name for tracks and lists."""
        return self.voice.name or f"voice {self.number + 1}"


def _one_of(table: dict[str, Any], tag: str, value: str | dict[str, Any], place: str) -> Any:
    """A scheme or rule from its name or table, checked."""
    given = {tag: value} if isinstance(value, str) else value
    name = given.get(tag)
    if not isinstance(name, str):
        raise InputError(f"the key '{tag}' is needed, one of: {', '.join(table)}", place=place)
    kind = table.get(name)
    if kind is None:
        near = close_matches(name, table)
        what = "pitch scheme" if tag == "scheme" else "rhythm rule"
        raise InputError(
            f"there is no {what} '{name}'{near}; one of: {', '.join(table)}", place=place
        )
    from sonify.settings import convert

    try:
        return convert(given, kind)
    except InputError as e:
        inner = (e.place or "").replace("top level", "").strip("[]")
        raise InputError(e.what, place=f"{place}.{inner}" if inner else place) from None


def scheme_of(voice: Voice, place: str) -> Scheme:
    """A voice's pitch scheme."""
    return cast(Scheme, _one_of(SCHEMES, "scheme", voice.pitch, f"{place}.pitch"))


def rules_of(voice: Voice, place: str) -> list[Rule]:
    """A voice's rhythm rules, in order."""
    given = (voice.rhythm,) if isinstance(voice.rhythm, str) else voice.rhythm
    return [
        cast(Rule, _one_of(RULES, "rule", rule, f"{place}.rhythm[{n}]"))
        for n, rule in enumerate(given)
    ]


def assign_channels(voices: tuple[Voice, ...]) -> list[int]:
    """A channel for each voice: its own, or the lowest that is free; drums share channel 10.

    Raises
    ------
    InputError
        More voices than channels.
    """
    taken = {v.channel - 1 for v in voices if v.channel is not None}
    free = [c for c in range(CHANNELS) if c != DRUM_CHANNEL and c not in taken]
    out = []
    for n, voice in enumerate(voices):
        if voice.channel is not None:
            out.append(voice.channel - 1)
        elif voice.drum is not None:
            out.append(DRUM_CHANNEL)
        elif free:
            out.append(free.pop(0))
        else:
            raise InputError(
                f"no channel is free for voice {n + 1}; MIDI has {CHANNELS}, one of them for "
                "drums: give voices of the same program the same channel",
                place=f"music.voice[{n}]",
            )
    return out


def make_parts(music: Music, material: Material, grid: Grid) -> list[Part]:
    """The notes of all voices.

    Parameters
    ----------
    music : Music
    material : Material
    grid : Grid

    Returns
    -------
    list of Part
        One a voice. Two notes of one pitch never overlap on one channel.

    Raises
    ------
    InputError
        An unknown scale, root, source, scheme, rule or program, with its place.
    """
    scale = find_scale(music.scale)
    root = note_number(music.root)
    channels = assign_channels(music.voice)
    parts = [
        _part(voice, n, channels[n], scale, root, material, grid)
        for n, voice in enumerate(music.voice)
    ]
    return _without_overlaps(parts)


def _part(
    voice: Voice, n: int, channel: int, scale: Scale, root: int, m: Material, grid: Grid
) -> Part:
    place = f"music.voice[{n}]"
    program = program_number(voice.program, f"{place}.program")
    scheme = scheme_of(voice, place)
    rules = rules_of(voice, place)
    drum = None if voice.drum is None else drum_note(voice.drum, f"{place}.drum")
    e = Events.at(find_source(voice.source, f"{place}.source").places(m), m)
    for rule in rules:
        e = rule.apply(e, m)
    ticks = grid.step_ticks
    on = np.rint(e.onset * ticks).astype(np.int64)
    off = np.maximum(np.rint(e.end * ticks).astype(np.int64), on + 1)
    if drum is not None:
        pitch = np.full(len(e), float(drum))
    else:
        degrees = scheme.degrees(m, e.index) + e.shift
        pitch = degrees_to_pitch(degrees, scale, root + 12 * voice.octave)
    velocity = np.clip(np.rint(voice.velocity * e.force), 1, 127).astype(np.uint8)
    return Part(voice, n, channel, program, e.index, on, off, pitch, velocity)


def _without_overlaps(parts: list[Part]) -> list[Part]:
    """The same notes, each cut off where its pitch sounds again on its channel.

    Of notes that start together on one pitch and channel, the loudest stays (then the longest).
    """
    out = list(parts)
    for channel in {p.channel for p in parts}:
        at = [k for k, p in enumerate(parts) if p.channel == channel]
        if len(at) == 1 and bool((out[at[0]].off[:-1] <= out[at[0]].on[1:]).all()):
            continue
        who = np.repeat(np.arange(len(at)), [len(parts[k]) for k in at])
        on = np.concatenate([parts[k].on for k in at])
        off = np.concatenate([parts[k].off for k in at])
        pitch = np.concatenate([parts[k].pitch for k in at])
        velocity = np.concatenate([parts[k].velocity for k in at]).astype(np.int64)
        order = np.lexsort((-off, -velocity, on, pitch))
        same_pitch = np.diff(pitch[order]) == 0
        same_on = same_pitch & (np.diff(on[order]) == 0)
        keep = np.ones(len(on), bool)
        keep[order[1:][same_on]] = False
        order = order[keep[order]]
        again = np.diff(pitch[order]) == 0
        cut = off[order]
        cut[:-1][again] = np.minimum(cut[:-1], on[order][1:])[again]
        off[order] = cut
        for j, k in enumerate(at):
            mine = who == j
            stay = keep[mine]
            p = parts[k]
            out[k] = Part(
                p.voice, p.number, p.channel, p.program, p.index[stay], p.on[stay],
                off[mine][stay], p.pitch[stay], p.velocity[stay],
            )  # fmt: skip
    return out


def notes_of(
    parts: list[Part], material: Material, grid: Grid, position_s: float
) -> NDArray[np.void]:
    """All notes as one array of `NOTES`, by onset and then by voice."""
    total = sum(len(p) for p in parts)
    out = np.empty(total, NOTES)
    tick_s = grid.tick_s(position_s)
    tick_beat = 1.0 / grid.ticks_per_quarter
    start = 0
    for p in parts:
        part = out[start : start + len(p)]
        start += len(p)
        part["onset_s"] = p.on * tick_s
        part["duration_s"] = (p.off - p.on) * tick_s
        part["onset_beat"] = p.on * tick_beat
        part["duration_beat"] = (p.off - p.on) * tick_beat
        part["pitch"] = p.pitch
        part["velocity"] = p.velocity
        part["channel"] = p.channel
        part["voice"] = p.number
        part["row"] = material.row(p.index)
        part["position"] = material.position(p.index)
    if len(parts) > 1:
        on = np.concatenate([p.on for p in parts])
        out = out[np.argsort(on, kind="stable")]
    return out

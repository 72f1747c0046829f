"""Which voice of a preset is compared with a MIDI recording, and what its notes tell."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.notes import Part
from sonify.music.rhythm.shaping_rules import Gate
from sonify.music.voices import rules_of
from sonify.performance import Performance
from sonify.recover.diagnosis.score_following import SCORE
from sonify.recover.sources.midi.lost import why_lost

__all__ = ["Listening", "due_together", "merged_on", "voices_of"]

VAGUE = 0.15  # bits per position: notes that tell less can't be aligned with the disc
NEARLY = 0.2  # of a position: a note this near to one belongs to it; humanised ones stay nearer
CHANNEL = 128  # keys of a channel: a note's key in a score of all voices counts channels too
SWUNG = 0.3  # what a swung voice counts, if a steady one counts 1


@dataclass(frozen=True, eq=False)
class Listening:
    """The voice that is listened to.

    Attributes
    ----------
    voice : int
    name : str
    channels : tuple of int
        The channels of its notes: its own first, more if it needs bends.
    keys : tuple of int, or None
        Its keys, if another voice has others on the same channel.
    sounds : ndarray of int8, shape (rows, positions)
        1 where it should sound, 0 where not, -1 where the disc's bit is unknown.
    tells : ndarray of bool, shape (rows, positions)
        Where its notes give the bit.
    ones : bool
        Whether a note stands for a one.
    runs : bool
        Whether a note sounds on over all positions of a run.
    exact : bool
        Whether its notes give bits at all; if not, only notes can be compared.
    pitch : ndarray of int16, shape (rows, positions), or None
        The pitch of each position, if that depends on nothing else.
    about : str
    swing : float
        The share of two positions that the first one gets where every other note comes late, or 0.
    gate : float
        How long a note sounds, as a share of its positions.
    vague : bool
        Whether its notes come at the same positions in nearly all rows.
    again : int
        How often a note is struck while it sounds, by design.
    score : ndarray of SCORE, shape (notes,)
        Its notes, in the order of time.
    """

    voice: int
    name: str
    channels: tuple[int, ...]
    keys: tuple[int, ...] | None
    sounds: NDArray[np.int8]
    tells: NDArray[np.bool_]
    ones: bool
    runs: bool
    exact: bool
    pitch: NDArray[np.int16] | None
    about: str
    swing: float = 0.0
    gate: float = 1.0
    vague: bool = False
    again: int = 0
    score: NDArray[np.void] = field(default_factory=lambda: np.zeros(0, SCORE))

    def of(self, notes: NDArray[np.void]) -> NDArray[np.bool_]:
        """Which of a recording's notes are this voice's."""
        mine: NDArray[np.bool_] = np.isin(notes["channel"], self.channels)
        return mine if self.keys is None else mine & np.isin(notes["pitch"], self.keys)


def merged_on(show: Performance, notes: NDArray[np.void]) -> int | None:
    """The channel that a recorder put all voices on; None if it did not.

    Parameters
    ----------
    show : Performance
    notes : ndarray of NOTE
        Of a recording.
    """
    channels = np.unique(notes["channel"])
    meant = {c for p in show.parts if len(p) for c in p.channels}
    if len(channels) != 1 or len(meant) < 2:
        return None
    only = int(channels[0])
    here = sum(len(p) for p in show.parts if only in p.channels)
    every = sum(len(p) for p in show.parts)
    return only if len(notes) > (here + every) / 2 else None


def voices_of(show: Performance, merged: int | None = None) -> list[Listening]:
    """All voices that may be listened to, the one that should tell most first.

    Parameters
    ----------
    show : Performance
    merged : int, optional
        The one channel of all notes, if a recorder merged them.

    Raises
    ------
    InputError
        None sounds.
    """
    again = _struck_again(show)
    blind = [_filled(show, bit) for bit in (0, 1)]
    found = []
    for n, part in enumerate(show.parts):
        if not len(part):
            continue
        all_on = blind[part.voice.source == "ones"]
        one = _listening(show, n, all_on)
        if merged is not None:
            one = replace(one, channels=(merged,))
        one = _alone(show, one, merged, all_on)
        worth = _worth(show, one)
        one = replace(
            one,
            vague=not one.exact and worth < VAGUE,
            again=again,
            score=_score(show, one, blind),
        )
        found.append(((one.exact, float(one.tells.mean()), worth, len(part)), one))
    if not found:
        raise InputError("nothing sounds with this preset, so its notes tell nothing of the disc")
    found.sort(key=lambda f: f[0], reverse=True)
    return [one for _, one in found]


def due_together(
    voices: list[Listening], notes: NDArray[np.void], most: int
) -> tuple[NDArray[np.void], NDArray[np.int64]]:
    """The score of all voices of which a recording has notes, and the keys of its notes in it, -1
    for other voices'.

    Parameters
    ----------
    voices : list of Listening
        The first ones count most.
    notes : ndarray of NOTE
    most : int
        Notes of the score at most.
    """
    key = np.full(len(notes), -1, np.int64)
    scores = [np.zeros(0, SCORE)]
    for one in voices:
        mine = one.of(notes)
        if mine.any() and sum(map(len, scores)) + len(one.score) <= most:
            key[mine] = CHANNEL * one.channels[0] + notes["pitch"][mine].astype(np.int64)
            scores.append(one.score)
    score = np.concatenate(scores)
    return score[np.lexsort((score["key"], score["slot"], score["row"]))], key


def _score(show: Performance, one: Listening, blind: list[Performance]) -> NDArray[np.void]:
    """The notes of a voice as a player that waits nowhere plays them, with the positions that they
    tell of: their own bits', or those at which they are struck. `blind` are the performances of
    detectors that see the same everywhere."""
    t, part = show.timeline, show.parts[one.voice]
    out = np.zeros(len(part), SCORE)
    out["slot"], out["voice"] = part.on / show.grid.step_ticks, one.voice
    out["key"] = CHANNEL * one.channels[0] + part.keys.astype(np.int64)
    out["anyway"] = np.logical_and.reduce([np.isin(part.on, b.parts[one.voice].on) for b in blind])
    if one.exact:
        place = show.bit_stream.place(part.index)
        out["row"], out["position"] = np.divmod(place, t.positions)
        out["beside"] = out["slot"] - t.slot_of(place)
    else:
        slot = np.rint(out["slot"]).astype(np.int64)
        out["beside"] = out["slot"] - slot
        out["row"] = np.clip(np.searchsorted(t.row_slot, slot, "right") - 1, 0, t.rows - 1)
        first = t.row_first[out["row"]] - t.row_slot[out["row"]]
        out["position"] = (first + slot) % t.positions
    return out[np.lexsort((out["key"], out["slot"], out["row"]))]


def _alone(show: Performance, one: Listening, merged: int | None, all_on: Performance) -> Listening:
    """A voice told from others on its channels by its keys, if those are its own. `all_on` is the
    performance in which every bit asks for the voice."""
    mine = show.parts[one.voice]
    others = [
        p
        for p in show.parts
        if p is not mine and len(p) and (merged is not None or {*p.channels} & {*one.channels})
    ]
    if not others:
        return one
    keys = np.unique(mine.keys)
    if one.exact:
        keys = np.union1d(keys, all_on.parts[one.voice].keys)
    if np.isin(keys, np.concatenate([p.keys for p in others])).any():
        return replace(one, exact=False, about=f"'{mine.name}' shares its channel")
    return replace(one, keys=tuple(keys.tolist()))


def _worth(show: Performance, one: Listening) -> float:
    """How much a voice's notes tell of where on the disc they are: those on positions, and, if a
    row may start anywhere, not on the same ones in every row."""
    off = _beside(show, show.parts[one.voice])
    sounds = one.sounds == 1
    anywhere = show.setup.player.row_start == "next-position"
    share = sounds.mean(axis=0) if anywhere else sounds.mean(keepdims=True)
    both = np.clip(np.stack([share, 1 - share]), 1e-12, 1)
    spread = float(-(both * np.log2(both)).sum(axis=0).mean())
    on_positions = float((np.abs(off - np.rint(off)) < NEARLY).mean())
    return spread * on_positions * (SWUNG if one.swing else 1)


def _struck_again(show: Performance) -> int:
    """How often a note is struck while it sounds, by design."""
    keyed = [(p.note_channels, p.pitch, p.on, p.off) for p in show.parts]
    channel, pitch, on, off = (np.concatenate(c) for c in zip(*keyed, strict=True))
    key = np.rint(pitch)
    order = np.lexsort((on, key, channel))
    channel, key, on, off = channel[order], key[order], on[order], off[order]
    same = (channel[1:] == channel[:-1]) & (key[1:] == key[:-1])
    return int((same & (on[1:] <= off[:-1])).sum())


def _beside(show: Performance, part: Part) -> NDArray[np.float64]:
    """How far after its own position each note comes, in positions."""
    own = show.timeline.slot_of(show.bit_stream.place(part.index))
    out: NDArray[np.float64] = part.on / show.grid.step_ticks - own
    return out


def _listening(show: Performance, n: int, all_on: Performance) -> Listening:
    part = show.parts[n]
    place = f"music.voice[{n}]"
    rules, lost = rules_of(part.voice, place), why_lost(part.voice, place)
    swing = next((r.swing() for r in rules if r.swing()), 0.0)
    grid = show.disc.grid
    if lost is not None:
        sounds = np.zeros(grid.shape, np.int8)
        sounds[_struck(show, part)] = 1
        return Listening(
            n, part.name, part.channels, None, sounds, np.zeros(grid.shape, bool), True, False,
            False, None, f"'{part.name}': {lost}", swing,
        )  # fmt: skip
    gate = math.prod(r.amount for r in rules if isinstance(r, Gate))
    ones, runs = part.voice.source == "ones", any(r.joins for r in rules)
    allowed, pitch = _everywhere(show, n, all_on) if not runs else (np.ones(grid.shape, bool), None)
    bits = np.where(grid < 0, -1, grid if ones else 1 - grid)
    sounds = np.where(allowed, bits, 0).astype(np.int8)
    about = f"'{part.name}' sounds every {'one' if ones else 'zero'}"
    return Listening(
        n, part.name, part.channels, None, sounds, allowed, ones, runs, True, pitch, about, swing,
        gate,
    )  # fmt: skip


def _struck(show: Performance, part: Part) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and positions at which notes start, of those that start at one."""
    t = show.timeline
    beside = _beside(show, part)
    off = np.rint(beside)
    slot = t.slot_of(show.bit_stream.place(part.index)) + off.astype(np.int64)
    # an echo may come while the next row is read
    row = np.clip(np.searchsorted(t.row_slot, slot, "right") - 1, 0, t.rows - 1)
    step = slot - t.row_slot[row]
    near = (np.abs(beside - off) < NEARLY) & (step >= 0) & (step < t.positions)
    row, step = row[near], step[near]
    return row, (t.row_first[row] + step) % t.positions


def _filled(show: Performance, bit: int) -> Performance:
    """The same with all bits equal."""
    from sonify.disc.disc import Disc

    grid = np.full(show.disc.grid.shape, bit, np.int8)
    disc = Disc.from_bits(grid, code=show.disc.code, layout=show.disc.layout)
    return Performance(disc, show.setup, show.timeline, show.grid)


def _everywhere(
    show: Performance, n: int, all_on: Performance
) -> tuple[NDArray[np.bool_], NDArray[np.int16] | None]:
    """Where the voice would sound if every bit asked for it, and its pitches there if they do not
    depend on the bits."""
    allowed = np.zeros(show.disc.grid.shape, bool)
    pitch = np.full(show.disc.grid.shape, -1, np.int16)

    def places(some: Performance) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        index = some.parts[n].index
        return some.bit_stream.row(index), some.bit_stream.position(index)

    allowed[places(all_on)] = True
    pitch[places(all_on)] = np.rint(all_on.parts[n].pitch)
    same = pitch[places(show)] == np.rint(show.parts[n].pitch)
    return allowed, pitch if bool(same.all()) else None

"""The voice of a preset that a MIDI file from the jack is listened to, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.notes import Part, rules_of
from sonify.music.rhythm.rule import Rule
from sonify.performance import Performance

__all__ = ["Listening", "merged_on", "voices_of"]

VAGUE = 0.15  # bits a position: what says less of a row can't be laid along the disc
NEARLY = 0.2  # of a position: a note so near to one is one of it


@dataclass(frozen=True, eq=False)
class Listening:
    """The voice that is listened to.

    Attributes
    ----------
    voice : int
    channels : tuple of int
        On which its notes come: its own first, more if it needs bends.
    keys : tuple of int, or None
        Its notes, where another voice has others on the same channel.
    sounds : ndarray of int8, shape (rows, positions)
        1 where it should sound, 0 where not, -1 where the disc's bit is unknown.
    tells : ndarray of bool, shape (rows, positions)
        Where its sounding or not tells the bit.
    ones : bool
        Whether a note tells of a one.
    runs : bool
        Whether a note sounds on over all positions of a run.
    exact : bool
        Whether its notes tell bits at all; if not, only notes can be compared.
    pitch : ndarray of int16, shape (rows, positions), or None
        The pitch at each place, where that goes by the place alone.
    about : str
    swing : float
        The share of two positions that the first one gets where every other note comes late, or 0.
    vague : bool
        Whether its notes come at the same places in nearly all rows.
    again : int
        How often a note is struck while it sounds, by design.
    """

    voice: int
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
    vague: bool = False
    again: int = 0

    @property
    def swings(self) -> bool:
        """Whether every other note comes late."""
        return self.swing > 0

    def of(self, notes: NDArray[np.void]) -> NDArray[np.bool_]:
        """Which of a recording's notes are this voice's."""
        mine: NDArray[np.bool_] = np.isin(notes["channel"], self.channels)
        return mine if self.keys is None else mine & np.isin(notes["pitch"], self.keys)


def merged_on(show: Performance, notes: NDArray[np.void]) -> int | None:
    """The one channel that a recorder put all voices' notes on; None if it did not.

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
    """All voices that may be listened to, the one whose notes should tell most first.

    Parameters
    ----------
    show : Performance
    merged : int, optional
        The one channel that all voices' notes are on, if they are.

    Raises
    ------
    InputError
        None sounds.
    """
    again = _struck_again(show)
    found = []
    for n, part in enumerate(show.parts):
        if not len(part):
            continue
        one = _listening(show, n)
        if merged is not None:
            one = replace(one, channels=(merged,))
        one = _alone(show, one, merged)
        worth = _worth(show, one)
        one = replace(one, vague=not one.exact and worth < VAGUE, again=again)
        found.append(((one.exact, float(one.tells.mean()), worth, len(part)), one))
    if not found:
        raise InputError("nothing sounds with this preset, so a MIDI file can't tell of the disc")
    found.sort(key=lambda f: f[0], reverse=True)
    return [one for _, one in found]


def _keys(part: Part) -> set[int]:
    return set(part.keys.tolist())


def _alone(show: Performance, one: Listening, merged: int | None) -> Listening:
    """A voice told from others on its channels by its keys, if those are its own."""
    mine = show.parts[one.voice]
    others = [
        p
        for p in show.parts
        if p is not mine and len(p) and (merged is not None or {*p.channels} & {*one.channels})
    ]
    if not others:
        return one
    keys = _keys(mine)
    if one.exact:
        keys |= _keys(_all_on(show, one.voice).parts[one.voice])
    if keys & set().union(*map(_keys, others)):
        return replace(one, exact=False, about=f"'{mine.name}' shares its channel")
    return replace(one, keys=tuple(sorted(keys)))


def _worth(show: Performance, one: Listening) -> float:
    """How much a voice's notes say of where in the disc they are: those that come at positions; and
    not at the same ones in every row, if a row may begin anywhere."""
    part = show.parts[one.voice]
    off = _beside(show, part)
    sounds = one.sounds == 1
    anywhere = show.setup.player.row_start == "next-position"
    share = sounds.mean(axis=0) if anywhere else sounds.mean(keepdims=True)
    both = np.clip(np.stack([share, 1 - share]), 1e-12, 1)
    spread = float(-(both * np.log2(both)).sum(axis=0).mean())
    return spread * float((np.abs(off - np.rint(off)) < NEARLY).mean()) * (0.3 if one.swings else 1)


def _struck_again(show: Performance) -> int:
    """How often a note is meant to be struck while it sounds."""
    keyed = [(p.note_channels, p.pitch, p.on, p.off) for p in show.parts]
    channel, pitch, on, off = (np.concatenate(c) for c in zip(*keyed, strict=True))
    order = np.lexsort((on, np.rint(pitch), channel))
    channel, key, on, off = channel[order], np.rint(pitch[order]), on[order], off[order]
    same = (channel[1:] == channel[:-1]) & (key[1:] == key[:-1])
    return int((same & (on[1:] <= off[:-1])).sum())


def _beside(show: Performance, part: Part) -> NDArray[np.float64]:
    """How far after its own position each note comes, in positions."""
    own = show.timeline.slot_of(show.bit_stream.place(part.index))
    out: NDArray[np.float64] = part.on / show.grid.step_ticks - own
    return out


def _listening(show: Performance, n: int) -> Listening:
    part = show.parts[n]
    voice = part.voice
    rules = rules_of(voice, f"music.voice[{n}]")
    grid = show.disc.grid
    lost = _what_loses(voice.source, rules)
    runs = any(r.joins for r in rules)
    exact = lost is None
    if exact:
        allowed = _allowed(show, n)
        ones = voice.source == "ones"
        bits = np.where(grid < 0, -1, grid if ones else 1 - grid)
        sounds = np.where(allowed, bits, 0).astype(np.int8)
        tells = allowed
        about = f"'{part.name}' sounds every {'one' if ones else 'zero'}"
    else:
        ones, tells = True, np.zeros(grid.shape, bool)
        sounds = np.zeros(grid.shape, np.int8)
        row, position = _struck(show, part)
        sounds[row, position] = 1
        about = f"'{part.name}': {lost}"
    return Listening(
        n, part.channels, None, sounds, tells, ones, runs and exact, exact,
        _pitches(show, n) if exact else None, about,
        next((r.swing() for r in rules if r.swing()), 0.0),
    )  # fmt: skip


def _struck(show: Performance, part: Part) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and positions at which notes begin, of those that begin at one."""
    t = show.timeline
    beside = _beside(show, part)
    off = np.rint(beside)
    slot = t.slot_of(show.bit_stream.place(part.index)) + off.astype(np.int64)
    # an echo may come when the next row is read
    row = np.clip(np.searchsorted(t.row_slot, slot, "right") - 1, 0, t.rows - 1)
    step = slot - t.row_slot[row]
    near = (np.abs(beside - off) < NEARLY) & (step >= 0) & (step < t.positions)
    row, step = row[near], step[near]
    return row, (t.row_first[row] + step) % t.positions


def _what_loses(source: str, rules: list[Rule]) -> str | None:
    """What keeps a voice's notes from telling the bits; None if nothing does."""
    if source not in ("ones", "zeros"):
        return f"its source '{source}' does not sound the bits"
    return next((why for k, r in enumerate(rules) if (why := r.loses(rules[:k]))), None)


def _with_bits(show: Performance, grid: NDArray[np.int8]) -> Performance:
    from sonify.disc.disc import Disc

    disc = Disc.from_bits(grid, code=show.disc.code, layout=show.disc.layout)
    return Performance(disc, show.setup, show.timeline, show.grid)


def _all_on(show: Performance, n: int) -> Performance:
    """The same where every bit asks for the voice."""
    full = 1 if show.parts[n].voice.source == "ones" else 0
    return _with_bits(show, np.full(show.disc.grid.shape, full, np.int8))


def _allowed(show: Performance, n: int) -> NDArray[np.bool_]:
    """Where the voice would sound if every bit asked for it."""
    all_on = _all_on(show, n)
    part = all_on.parts[n]
    out = np.zeros(show.disc.grid.shape, bool)
    if any(r.joins for r in rules_of(part.voice, "")):
        return np.ones_like(out)
    out[all_on.bit_stream.row(part.index), all_on.bit_stream.position(part.index)] = True
    return out


def _pitches(show: Performance, n: int) -> NDArray[np.int16] | None:
    """Pitches by place, if they do not depend on the bits."""
    full = 1 if show.parts[n].voice.source == "ones" else 0
    out = np.full(show.disc.grid.shape, -1, np.int16)
    if any(r.joins for r in rules_of(show.parts[n].voice, "")):
        return None
    all_on = _with_bits(show, np.full(show.disc.grid.shape, full, np.int8))
    part = all_on.parts[n]
    row, position = all_on.bit_stream.row(part.index), all_on.bit_stream.position(part.index)
    out[row, position] = np.rint(part.pitch)
    mine = show.parts[n]
    row, position = show.bit_stream.row(mine.index), show.bit_stream.position(mine.index)
    same = out[row, position] == np.rint(mine.pitch)
    return out if bool(same.all()) else None

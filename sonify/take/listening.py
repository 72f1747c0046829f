"""The voice of a preset that a MIDI file from the jack is listened to, and what it tells."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.moves import Swing
from sonify.music.notes import rules_of
from sonify.music.rule import Rule
from sonify.music.rules import (
    Accents,
    Breath,
    Each,
    Even,
    Gate,
    Held,
    Joined,
    Length,
    Pattern,
)
from sonify.performance import Performance

__all__ = ["Listening", "listen_to"]

KEEPS = (Each, Gate, Accents, Held, Length, Breath, Pattern, Even, Swing)
MOST_SWING = 0.68


@dataclass(frozen=True, eq=False)
class Listening:
    """The voice that is listened to.

    Attributes
    ----------
    voice : int
    channel : int
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
    swings : bool
        Whether every other note comes late.
    """

    voice: int
    channel: int
    sounds: NDArray[np.int8]
    tells: NDArray[np.bool_]
    ones: bool
    runs: bool
    exact: bool
    pitch: NDArray[np.int16] | None
    about: str
    swings: bool = False


def listen_to(show: Performance) -> Listening:
    """Choose the voice whose notes tell most of the bits."""
    parts = show.parts
    channels = [p.channel for p in parts]
    best: Listening | None = None
    for n, part in enumerate(parts):
        one = _listening(show, n)
        if channels.count(part.channel) > 1:
            one = replace(one, exact=False, about=f"'{part.name}' shares its channel")
        if not len(part):
            continue
        if best is None or (one.exact, one.tells.mean(), len(part)) > (
            best.exact,
            best.tells.mean(),
            len(parts[best.voice]),
        ):
            best = one
    if best is None:
        raise InputError("nothing sounds with this preset, so a MIDI file can't tell of the disc")
    return best


def _listening(show: Performance, n: int) -> Listening:
    part = show.parts[n]
    voice = part.voice
    rules = rules_of(voice, f"music.voice[{n}]")
    grid = show.disc.grid
    lost = _what_loses(voice.source, rules)
    runs = any(isinstance(r, Joined) for r in rules)
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
        row, position = show.material.row(part.index), show.material.position(part.index)
        sounds[row, position] = 1
        about = f"'{part.name}': {lost}"
    return Listening(
        n, part.channel, sounds, tells, ones, runs and exact, exact,
        _pitches(show, n) if exact else None, about, any(isinstance(r, Swing) for r in rules),
    )  # fmt: skip


def _what_loses(source: str, rules: list[Rule]) -> str | None:
    """What keeps a voice's notes from telling the bits; None if nothing does."""
    if source not in ("ones", "zeros"):
        return f"its source '{source}' does not sound the bits"
    for k, rule in enumerate(rules):
        name = str(type(rule).__struct_config__.tag)
        if isinstance(rule, Joined) and k == 0:
            continue
        if isinstance(rule, Gate) and rule.amount < 1 and isinstance(rules[0], Joined):
            return "'gate' after 'joined' hides how long runs are"
        if isinstance(rule, Swing) and rule.amount > MOST_SWING:
            return "so strong a swing hides which position a note is"
        if isinstance(rule, KEEPS) and not (
            isinstance(rules[0], Joined) and isinstance(rule, Held | Length | Breath)
        ):
            continue
        return f"the rule '{name}' leaves bits out or adds notes"
    return None


def _with_bits(show: Performance, grid: NDArray[np.int8]) -> Performance:
    from sonify.disc.disc import Disc

    disc = Disc.from_bits(grid, code=show.disc.code, layout=show.disc.layout)
    return Performance(disc, show.setup, show.timeline, show.grid)


def _allowed(show: Performance, n: int) -> NDArray[np.bool_]:
    """Where the voice would sound if every bit asked for it."""
    full = 1 if show.parts[n].voice.source == "ones" else 0
    all_on = _with_bits(show, np.full(show.disc.grid.shape, full, np.int8))
    part = all_on.parts[n]
    out = np.zeros(show.disc.grid.shape, bool)
    if any(isinstance(r, Joined) for r in rules_of(part.voice, "")):
        return np.ones_like(out)
    out[all_on.material.row(part.index), all_on.material.position(part.index)] = True
    return out


def _pitches(show: Performance, n: int) -> NDArray[np.int16] | None:
    """Pitches by place, if they do not depend on the bits."""
    full = 1 if show.parts[n].voice.source == "ones" else 0
    out = np.full(show.disc.grid.shape, -1, np.int16)
    if any(isinstance(r, Joined) for r in rules_of(show.parts[n].voice, "")):
        return None
    all_on = _with_bits(show, np.full(show.disc.grid.shape, full, np.int8))
    part = all_on.parts[n]
    row, position = all_on.material.row(part.index), all_on.material.position(part.index)
    out[row, position] = np.rint(part.pitch)
    mine = show.parts[n]
    row, position = show.material.row(mine.index), show.material.position(mine.index)
    same = out[row, position] == np.rint(mine.pitch)
    return out if bool(same.all()) else None

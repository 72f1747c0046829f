"""Fractional pitches: which key, bend and channel each note gets.

MIDI bends a whole channel, so notes that sound together with different bends need a channel each.
If there are enough channels for every bend that the mapping may need, each bend has its own
channel, the same for every disc, so that a machine that has not read the disc yet can do the same.
Otherwise the disc decides: a channel for every bend that it uses, or notes take channels in turn.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.channels import BEND_CENTRE, BEND_RANGE, CHANNELS, DRUM_CHANNEL

__all__ = [
    "BEND_RANGE",
    "ChannelAllocation",
    "Sounding",
    "Tuned",
    "allocate_channels",
    "bend_of",
    "bent",
    "need_of",
]

_SPARE = 4
"""How many spare channels a voice takes if there are too few for all its bends."""

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Sounding:
    """What this module needs to know of a voice's notes, in the order of onsets.

    `pitch_set` has all pitches that the voice can sound, whatever is read, if that is known.
    """

    name: str
    number: int
    channel: int
    drum: bool
    on: Ints
    off: Ints
    pitch: NDArray[np.float64]
    pitch_set: NDArray[np.float64] | None = None


@dataclass(frozen=True, eq=False)
class Tuned:
    """Channel, key and bend of each of a voice's notes, shape (notes,).

    Attributes
    ----------
    channel, key : ndarray of uint8
    bend : ndarray of int16
        -8192 to 8191; a full bend is `BEND_RANGE` semitones.
    channels : tuple of int
        All channels that the voice uses, its own first.
    way : str
        How it is sent: "bends", "one-channel", "mpe" or "mts" (see `tuning_output.py`).
    program : int
        Of the retuned keys in "mts".
    messages : tuple of bytes
        What retunes them.
    """

    channel: NDArray[np.uint8]
    key: NDArray[np.uint8]
    bend: NDArray[np.int16]
    channels: tuple[int, ...]
    way: str = "bends"
    program: int = 0
    messages: tuple[bytes, ...] = ()


@dataclass(frozen=True, eq=False)
class ChannelAllocation:
    """A channel for each bend of a voice: bends and their channels, its own first."""

    bends: tuple[int, ...]
    channels: tuple[int, ...]

    def tuned(self, key: NDArray[np.uint8], bend: Ints) -> Tuned:
        """Notes on the channels of their bends."""
        order = np.argsort(self.bends)
        which = order[np.searchsorted(np.asarray(self.bends)[order], bend)]
        channel = np.asarray(self.channels, np.uint8)[which]
        return Tuned(channel, key, bend.astype(np.int16), self.channels)


@dataclass(frozen=True, eq=False)
class _Need:
    """What a voice needs: its keys and bends, and stretches of one bend that must not share.

    `bends` are those that it uses, that of its own channel first; `least` is the most stretches
    that sound together, first at stretch `crowded`.
    """

    s: Sounding
    key: NDArray[np.uint8]
    bend: Ints
    bends: tuple[int, ...]
    stretch: Ints
    start: Ints
    stop: Ints
    least: int
    crowded: int


def bent(voices: list[Sounding]) -> list[Tuned | None]:
    """Channels, keys and bends for all voices; None for a voice that needs no bend.

    Raises
    ------
    InputError
        More differently bent notes sound together than there are channels, and in which voice.
    """
    allocations = _allocations(voices)
    if allocations is not None:
        return [
            None if a is None else a.tuned(*bend_of(s.pitch))
            for s, a in zip(voices, allocations, strict=True)
        ]
    needs = {k: need_of(s) for k, s in enumerate(voices) if not s.drum and len(s.on)}
    needs = {k: n for k, n in needs.items() if any(n.bends)}
    _refuse_shared(voices, needs)
    free = _free([s.channel for s in voices])
    have: dict[int, list[int]] = {}
    for k, n in needs.items():
        if n.least - 1 > len(free):
            raise _too_many(n, 1 + len(free))
        have[k] = [n.s.channel, *(free.pop(0) for _ in range(n.least - 1))]
    for k, n in needs.items():
        more = len(n.bends) - len(have[k])
        if more > len(free):
            # too few for one per bend: take some spare ones, so that notes can ring out
            more = min(_SPARE, len(free))
        have[k] += [free.pop(0) for _ in range(more)]
    return [_tuned(needs[k], have[k]) if k in needs else None for k in range(len(voices))]


def _free(channels: list[int]) -> list[int]:
    return [c for c in range(CHANNELS) if c not in {*channels, DRUM_CHANNEL}]


def bend_of(pitch: NDArray[np.float64]) -> tuple[NDArray[np.uint8], Ints]:
    """The keys and bends that give pitches."""
    key = np.clip(np.rint(pitch), 0, 127)
    bend = np.rint((pitch - key) * (BEND_CENTRE / BEND_RANGE)).astype(np.int64)
    return key.astype(np.uint8), bend


def _by_size(bends: Ints) -> tuple[int, ...]:
    """Each bend once; 0, which belongs on the voice's own channel, comes first."""
    return tuple(sorted(set(bends.tolist()), key=lambda b: (abs(b), b)))


def allocate_channels(
    channels: list[int], pitch_sets: list[NDArray[np.float64] | None]
) -> list[ChannelAllocation | None] | None:
    """Channels for all bends that voices may ever need.

    Parameters
    ----------
    channels : list of int
        Each voice's own, 0 to 15.
    pitch_sets : list of ndarray or None
        All pitches that each can sound; None for drums.

    Returns
    -------
    list of ChannelAllocation or None
        None for a voice that never needs a bend; None for all if there are too few channels or
        voices would have to share one.
    """
    bends = [(0,) if p is None else _by_size(bend_of(p)[1]) or (0,) for p in pitch_sets]
    for own, mine in zip(channels, bends, strict=True):
        same = [b for b, c in zip(bends, channels, strict=True) if c == own]
        if any(mine) and len(same) > 1 and (len(mine) > 1 or len(set(same)) > 1):
            return None
    free = _free(channels)
    if sum(len(b) - 1 for b in bends) > len(free):
        return None
    return [
        ChannelAllocation(b, (own, *(free.pop(0) for _ in b[1:]))) if any(b) else None
        for b, own in zip(bends, channels, strict=True)
    ]


def _allocations(voices: list[Sounding]) -> list[ChannelAllocation | None] | None:
    if any(s.pitch_set is None and not s.drum for s in voices):
        return None
    found = allocate_channels([s.channel for s in voices], [s.pitch_set for s in voices])
    for s, a in zip(voices, found or [], strict=found is not None):
        if not s.drum and not np.isin(bend_of(s.pitch)[1], a.bends if a else (0,)).all():
            return None
    return found


def need_of(s: Sounding) -> _Need:
    """What a voice with notes needs."""
    key, bend = bend_of(s.pitch)
    # notes of one bend that overlap may share a channel: they form one stretch
    order = np.lexsort((s.on, bend))
    on, off = s.on[order], s.off[order]
    changed = np.diff(bend[order], prepend=bend.min() - 1) != 0
    lot = np.cumsum(changed)
    far = int(off.max()) + 1
    reach = np.maximum.accumulate(off + lot * far) - lot * far
    new = changed
    new[1:] |= on[1:] >= reach[:-1]
    first = np.flatnonzero(new)
    start, stop = on[first], reach[np.append(first[1:], len(on)) - 1]
    by_time = np.argsort(start, kind="stable")
    stretch = np.empty(len(on), np.int64)
    stretch[order] = np.argsort(by_time)[np.cumsum(new) - 1]
    start, stop = start[by_time], stop[by_time]
    sounding = np.arange(1, len(start) + 1) - np.searchsorted(np.sort(stop), start, side="right")
    return _Need(
        s, key, bend, _by_size(bend), stretch, start, stop,
        int(sounding.max()), int(np.argmax(sounding)),
    )  # fmt: skip


def _refuse_shared(voices: list[Sounding], needs: dict[int, _Need]) -> None:
    for k, n in needs.items():
        for j, other in enumerate(voices):
            if other.channel != n.s.channel or j == k or not len(other.on):
                continue
            if len(n.bends) > 1 or j not in needs or needs[j].bends != n.bends:
                raise InputError(
                    f"voices '{n.s.name}' and '{other.name}' share channel {n.s.channel + 1}, and "
                    "a channel bends all its notes alike; give them no channel of their own",
                    place=f"music.voice[{n.s.number}].channel",
                )


def _too_many(n: _Need, have: int) -> InputError:
    at = n.start[n.crowded]
    names = ", ".join(f"{p:.2f}" for p in np.unique(n.s.pitch[(n.s.on <= at) & (n.s.off > at)]))
    return InputError(
        f"voice '{n.s.name}' has {n.least} differently bent notes sounding together (MIDI notes "
        f"{names}), and {have} channels are left for them; shorten its notes, use fewer voices, "
        "or use a scale that needs fewer bends",
        place=f"music.voice[{n.s.number}]",
    )


def _tuned(n: _Need, channels: list[int]) -> Tuned:
    count = len(n.bends)
    if count <= len(channels):
        return ChannelAllocation(n.bends, tuple(channels[:count])).tuned(n.key, n.bend)
    channel = np.asarray(channels, np.uint8)[_by_turns(n, len(channels))[n.stretch]]
    return Tuned(channel, n.key, n.bend.astype(np.int16), tuple(channels))


def _by_turns(n: _Need, count: int) -> Ints:
    """Which of `count` channels each stretch takes, so that no channel has two at once."""
    taken = np.arange(len(n.start)) % count
    if bool((n.start[count:] >= n.stop[:-count]).all()):
        return taken
    # stretches of very different lengths: always the channel that has been silent longest
    waiting = [(-1, c) for c in range(count)]
    for k, stop in enumerate(n.stop.tolist()):
        _, taken[k] = heapq.heappop(waiting)
        heapq.heappush(waiting, (stop, int(taken[k])))
    return taken

"""Which part of a mapping loses bits, in words."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream
from sonify.music.notes import events_of, rules_of
from sonify.music.settings import Music
from sonify.music.sources import find_source
from sonify.player.timeline import Timeline

__all__ = ["lost_by"]

ASKED = 24
"""Lost bits that are examined, spread evenly over the disc."""


def lost_by(
    music: Music, timeline: Timeline, bits: NDArray[np.int8], lost: NDArray[np.int64],
    unit_bits: int,
) -> str:  # fmt: skip
    """Why lost bits can't be heard, voice by voice.

    Parameters
    ----------
    music : Music
    timeline : Timeline
    bits : ndarray of int8, shape (n,)
        In the order of reading.
    lost : ndarray of int64
        Which of them are lost.
    unit_bits : int
    """
    asked = np.unique(lost[np.linspace(0, len(lost) - 1, ASKED).astype(int)])
    given = BitStream(bits, timeline, unit_bits)
    others = []
    for at in asked.tolist():
        other = bits.copy()
        other[at] = 1 - max(0, int(other[at]))
        others.append(BitStream(other, timeline, unit_bits))
    who: dict[str, list[str]] = {}
    for n, voice in enumerate(music.voice):
        reasons = Counter(_of_voice(music, n, given, other) for other in others)
        who.setdefault(reasons.most_common(1)[0][0], []).append(voice.name or f"voice {n + 1}")
    return "; ".join(f"{', '.join(names)}: {reason}" for reason, names in who.items())


def _of_voice(music: Music, n: int, a: BitStream, b: BitStream) -> str:
    voice, place = music.voice[n], f"music.voice[{n}]"
    source = find_source(voice.source, place)
    e, f = source.events(a), source.events(b)
    if np.array_equal(e.index, f.index):
        return f"its source '{voice.source}' sounds whatever the bit is"
    rules = rules_of(voice, place)
    for rule in rules:
        e, f = rule.apply(e, a), rule.apply(f, b)
        if (
            np.array_equal(e.onset, f.onset)
            and np.allclose(e.length, f.length)
            and np.allclose(e.velocity_scale, f.velocity_scale)
        ):
            return f"the rule '{rule.name}' drops it"
    kept = voice.rows or voice.positions or voice.places
    if kept and len(events_of(voice, place, a)) == len(events_of(voice, place, b)):
        return "it sounds other rows or positions only"
    choosing = [r.name for r in rules if r.skips]
    if choosing:
        return f"the rule '{choosing[-1]}' skips notes, and nothing shows which"
    return "its notes are the same for other bits"

"""Chords voiced so that their tones move little, and in parallel fifths or octaves only if need be.

The lesser motion is common practice. That perfect fifths and octaves do not follow each other in
the same two voices is the first rule of J. J. Fux, "Gradus ad Parnassum" (1725), as in W. Piston,
"Harmony" (1941).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations, pairwise

from sonify.music.theory.roman import Chord

__all__ = ["motion", "parallels", "voiced"]

_REACH = 8
"""How far a voicing's middle may lie from that of the first chord, in semitones. Own choice."""

_SWEEPS = 8
"""The most rounds of the search; it ends sooner when nothing gets better."""

_PARALLEL = 24
"""What parallels cost, in semitones of motion: more than any chord change. Own choice."""

_CROWDED = 3
"""Below this many semitones between the two lowest tones, a voicing costs a little. Own choice."""


def motion(a: Chord, b: Chord) -> int:
    """How far the tones of one chord move to the next, in semitones, voice by voice from below; a
    tone too many moves to or from the nearest one."""
    few, many = sorted((a, b), key=len)
    paired = sum(abs(x - y) for x, y in zip(a, b, strict=False))
    return paired + sum(min(abs(x - y) for y in few) for x in many[len(few) :])


def parallels(a: Chord, b: Chord) -> int:
    """How many pairs of voices move from a perfect fifth to another, or an octave to another."""
    found = 0
    for i, j in combinations(range(min(len(a), len(b))), 2):
        before, after = (a[j] - a[i]) % 12, (b[j] - b[i]) % 12
        found += before == after and before in (0, 7) and a[i] != b[i]
    return found


def _choices(chord: Chord, middle: float) -> list[Chord]:
    """All close positions of a chord about a pitch."""
    tones = sorted({t % 12 for t in chord})
    out = []
    for octave in range(-2, 4):
        for k in range(len(tones)):
            turned = (*tones[k:], *(t + 12 for t in tones[:k]))
            placed = tuple(t + 12 * octave for t in turned)
            if abs(sum(placed) / len(placed) - middle) <= _REACH:
                out.append(placed)
    return out


@lru_cache(maxsize=64)
def voiced(chords: tuple[Chord, ...], order: tuple[int, ...], strict: bool) -> tuple[Chord, ...]:
    """A close position for each chord.

    Parameters
    ----------
    chords : tuple of Chord
    order : tuple of int
        The numbers of the chords as they follow each other.
    strict : bool
        Whether to avoid parallel fifths and octaves.

    Returns
    -------
    tuple of Chord
        In semitones above the root; the first chord that sounds keeps its lowest tone at the
        bottom.
    """
    if not order:
        return chords
    changes = Counter((a, b) for a, b in pairwise(order) if a != b)
    first = chords[order[0]]
    tones = sorted({t % 12 for t in first})
    turn = tones.index(first[0] % 12)
    start = (*tones[turn:], *(t + 12 for t in tones[:turn]))
    middle = sum(start) / len(start)
    out = [min(_choices(c, middle), key=lambda v: (motion(start, v), v)) for c in chords]
    out[order[0]] = start

    def cost(n: int, choice: Chord) -> float:
        total = float(choice[1] - choice[0] < _CROWDED) / 4 if len(choice) > 1 else 0.0
        for (a, b), times in changes.items():
            if n in (a, b):
                before, after = (choice if k == n else out[k] for k in (a, b))
                total += times * (
                    motion(before, after) + strict * _PARALLEL * parallels(before, after)
                )
        return total

    others: Sequence[int] = [n for n in range(len(chords)) if n != order[0]]
    for _ in range(_SWEEPS):
        before = list(out)
        for n in others:
            out[n] = min(_choices(chords[n], middle), key=lambda v, n=n: (cost(n, v), v))  # type: ignore[misc]
        if out == before:
            break
    return tuple(out)

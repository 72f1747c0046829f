"""Whether the letters of a message can be heard: how much better than chance the notes tell them.

Each letter of the message has a figure in each voice: the notes that belong to it. The mutual
information of letters and figures alone would be as large for figures that never come again, so
it is adjusted for chance: N. X. Vinh, J. Epps and J. Bailey, "Information theoretic measures for
clusterings comparison: variants, properties, normalization and correction for chance", Journal of
Machine Learning Research 11 (2010), with the entropy of the letters as the upper bound.
"""

from __future__ import annotations

from functools import lru_cache
from math import lgamma, log

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream
from sonify.music.notes import Part

__all__ = ["adjusted_information", "traceability"]

Ints = NDArray[np.int64]

MOST_LETTERS = 2000
"""Only so many letters from the start are compared. Own limit: about a second of work."""


def adjusted_information(letters: Ints, figures: Ints, least: float = 0.0) -> float:
    """What figures tell of letters, adjusted for chance.

    Parameters
    ----------
    letters, figures : ndarray of int64, shape (n,)
        Labels; what they are does not matter.
    least : float
        The result is 0 where it can't be more than this, which saves most of the work.

    Returns
    -------
    float
        1 if the figure always tells the letter, about 0 if it tells no more than figures dealt out
        at random.
    """
    n = len(letters)
    if not n:
        return 0.0
    a, b = (np.unique(x, return_inverse=True)[1].reshape(-1) for x in (letters, figures))
    size_a, size_b = np.bincount(a), np.bincount(b)
    entropy = float(-(size_a / n * np.log(size_a / n)).sum())
    pair, together = np.unique(a * len(size_b) + b, return_counts=True)
    chance = size_a[pair // len(size_b)] * size_b[pair % len(size_b)]
    told = float((together / n * np.log(together * n / chance)).sum())
    # less chance, the share only falls
    if told <= least * entropy + 1e-9:
        return 0.0
    expected = _expected(size_a, size_b, n)
    room = entropy - expected
    return round((told - expected) / room, 12) + 0.0 if room > 1e-9 else 0.0


def _expected(size_a: Ints, size_b: Ints, n: int) -> float:
    """The mean mutual information of labels dealt out at random in these numbers, in nats: Vinh,
    Epps and Bailey's theorem 1. Groups of equal sizes are counted once."""
    fact = _log_factorials(n)
    total = 0.0
    for one, times_one in zip(*np.unique(size_a, return_counts=True), strict=True):
        for two, times_two in zip(*np.unique(size_b, return_counts=True), strict=True):
            k = np.arange(max(1, one + two - n), min(one, two) + 1)
            if not len(k):
                continue
            probability = np.exp(
                fact[one] + fact[two] + fact[n - one] + fact[n - two]
                - fact[n] - fact[k] - fact[one - k] - fact[two - k] - fact[n - one - two + k]
            )  # fmt: skip
            gain = k / n * (np.log(k) + log(n) - log(int(one)) - log(int(two)))
            total += float((gain * probability).sum()) * int(times_one) * int(times_two)
    return total


@lru_cache(maxsize=8)
def _log_factorials(n: int) -> NDArray[np.float64]:
    return np.array([lgamma(k + 1) for k in range(n + 1)])


def traceability(parts: list[Part], m: BitStream, step_ticks: int) -> tuple[float, str]:
    """How much better than chance the letters are told from the notes of the voice that tells most.

    A listener may follow the rhythm, the tune (whatever tone it begins on), the tones, or the
    first tone alone; what tells most counts. The figure of a letter may also come a letter late.

    Parameters
    ----------
    parts : list of Part
    m : BitStream
    step_ticks : int
        How long a position lasts.

    Returns
    -------
    share : float
        From 0 (no better than chance) to 1.
    voice : str
        The name of the voice that tells most; empty if none tells anything.
    """
    if m.characters is None or not len(m.characters):
        return 0.0, ""
    units = np.unique(m.characters["first_bit"].astype(np.int64) // m.unit_bits)[:MOST_LETTERS]
    first = m.first_row * m.positions // m.unit_bits
    values = m.unit_values[0][units - first]
    best = (0.0, "")
    for part in parts:
        for figures in _figures(part, m, step_ticks, units):
            for late in (0, 1):
                told, heard = values[: len(values) - late], figures[late:]
                share = adjusted_information(told, heard, best[0])
                best = (share, part.name) if share > best[0] else best
    return best


def _figures(part: Part, m: BitStream, step_ticks: int, units: Ints) -> list[Ints]:
    """For each way of listening, a number for what each unit sounds in a voice."""
    unit = m.character(part.index)
    stay = np.flatnonzero(np.isin(unit, units))
    index, unit = part.index[stay], unit[stay]
    # a figure counts in steps from its letter's start, so that a row's end inside it is no pause
    late = part.on[stay] - m.slot(index) * step_ticks
    onset = m.in_character(index) + np.rint(late / step_ticks).astype(np.int64)
    length = np.maximum(np.rint((part.off - part.on)[stay] / step_ticks), 1).astype(np.int64)
    tone = np.rint(part.pitch[stay] * 4).astype(np.int64)
    order = np.lexsort((tone, onset, unit))
    unit, onset, length, tone = (x[order] for x in (unit, onset, length, tone))
    at = np.searchsorted(units, unit)
    begin = np.searchsorted(unit, units)
    lowest = tone[np.minimum(begin, max(len(tone) - 1, 0))][at] if len(tone) else tone
    only = np.arange(len(tone)) == begin[at]
    ways = [(onset,), (onset, length), (onset, tone - lowest), (onset, tone)]
    found = [_labels(at, columns, len(units)) for columns in ways]
    # the first tone alone, by its pitch class: quarters of a semitone, 48 in an octave
    return [*found, _labels(at[only], (tone[only] % 48,), len(units))]


def _labels(at: Ints, columns: tuple[Ints, ...], count: int) -> Ints:
    """A number for each unit that is the same for equal lists of notes; 0 for silent ones."""
    heard: list[list[tuple[int, ...]]] = [[] for _ in range(count)]
    for k, note in zip(at.tolist(), zip(*(c.tolist() for c in columns), strict=True), strict=True):
        heard[k].append(note)
    known: dict[tuple[tuple[int, ...], ...], int] = {(): 0}
    return np.array([known.setdefault(tuple(h), len(known)) for h in heard], np.int64)

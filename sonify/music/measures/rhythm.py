"""Measures of rhythms: onsets within a cycle of equal steps.

A rhythm is a row of booleans, one for each step of its cycle. All functions take many at once.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sonify.music.rhythm.even import even_pattern

__all__ = ["evenness", "metrical_weights", "swaps_to_even", "syncopation"]

AT_ONCE = 4_000_000
"""The most counts that are compared at once: some megabytes."""

Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]


@lru_cache(maxsize=64)
def _chords(steps: int) -> Reals:
    """The distances between the corners of a regular polygon in a circle of radius 1."""
    apart = np.abs(np.subtract.outer(np.arange(steps), np.arange(steps)))
    out: Reals = 2 * np.sin(np.pi * apart / steps)
    return out


def _spread(rhythms: Flags | Reals) -> Reals:
    """The sum of the distances between all pairs of onsets on the circle, shape (rhythms,)."""
    x = rhythms.astype(np.float64)
    out: Reals = ((x @ _chords(x.shape[1])) * x).sum(axis=1) / 2
    return out


@lru_cache(maxsize=64)
def _extremes(steps: int) -> tuple[Reals, Reals]:
    """The least and the greatest spread of 0, 1, ... onsets: side by side, and evenly apart."""
    numbers = range(steps + 1)
    close = np.arange(steps) < np.arange(steps + 1)[:, None]
    return _spread(close), _spread(np.array([even_pattern(n, steps) for n in numbers]))


def evenness(rhythms: Flags) -> Reals:
    """How evenly onsets are spread over their cycle: 1 as evenly as can be, 0 side by side.

    The sum of the distances between all pairs of onsets on a circle (J. Clough and J. Douthett,
    "Maximally even sets", Journal of Music Theory 35 (1991), for the idea), on a scale from its
    least to its greatest value. The greatest is that of the Euclidean rhythm: E. D. Demaine et
    al., "The distance geometry of music", Computational Geometry 42 (2009); from memory.

    Parameters
    ----------
    rhythms : ndarray of bool, shape (rhythms, steps)

    Returns
    -------
    ndarray of float64, shape (rhythms,)
        NaN where all rhythms of as many onsets are alike: 0, 1, or all steps but one or none.
    """
    least, greatest = (e[rhythms.sum(axis=1)] for e in _extremes(rhythms.shape[1]))
    room = greatest - least
    with np.errstate(invalid="ignore", divide="ignore"):
        out: Reals = np.where(room > 1e-9, (_spread(rhythms) - least) / room, np.nan)
    return out


def swaps_to_even(rhythms: Flags) -> Ints:
    """By how many steps onsets must move in all to make a Euclidean rhythm, in any rotation.

    The swap distance of G. Toussaint, "A comparison of rhythmic similarity measures" (2004), to
    the rhythms of his "The Euclidean algorithm generates traditional musical rhythms" (2005).

    Parameters
    ----------
    rhythms : ndarray of bool, shape (rhythms, steps)

    Returns
    -------
    ndarray of int64, shape (rhythms,)
    """
    steps = rhythms.shape[1]
    passed = np.cumsum(rhythms, axis=1, dtype=np.int16)
    out = np.zeros(len(rhythms), np.int64)
    most = max(1, AT_ONCE // steps**2)
    for k in range(0, len(rhythms), most):
        lot = passed[k : k + most]
        apart = np.abs(_even_passed(steps)[lot[:, -1]] - lot[:, None]).sum(axis=2)
        out[k : k + most] = apart.min(axis=1)
    return out


@lru_cache(maxsize=16)
def _even_passed(steps: int) -> NDArray[np.int16]:
    """How many onsets have passed at each step, in each rotation of the Euclidean rhythms of 0, 1,
    ... onsets: shape (steps + 1, rotations, steps). Onsets move by as many steps in all as these
    counts differ by in all."""
    turned = (np.arange(steps) + np.arange(steps)[:, None]) % steps
    even = [even_pattern(onsets, steps)[turned] for onsets in range(steps + 1)]
    return np.cumsum(even, axis=2, dtype=np.int16)


def metrical_weights(metre: tuple[int, int], steps: int) -> Ints:
    """The weights of the steps of a bar: 0 for its first, one less for each level below.

    Parameters
    ----------
    metre : tuple of int
        Beats of a bar and their note value. Beats in threes (6/8, 9/8, 12/8) are grouped.
    steps : int

    Returns
    -------
    ndarray of int64, shape (steps,)
    """
    beats = metre[0]
    grouped = beats % 3 == 0 and beats > 3
    levels = [*_primes(beats // 3), 3] if grouped else _primes(beats)
    levels += _primes(steps // beats) if steps % beats == 0 else []
    weight = np.full(steps, -len(levels) - 1)
    span = steps / np.cumprod([1, *levels])
    for level, each in reversed(list(enumerate(span.tolist()))):
        weight[np.arange(steps) % each < 1e-9] = -level
    return weight


def _primes(number: int) -> list[int]:
    """The prime factors of a number, the smallest first."""
    out, factor = [], 2
    while number > 1:
        while number % factor == 0:
            out.append(factor)
            number //= factor
        factor += 1
    return out


def syncopation(rhythm: Flags, weights: Ints) -> Ints:
    """How far onsets sound before stronger steps that stay silent, added up for each bar.

    H. C. Longuet-Higgins and C. S. Lee, "The rhythmic interpretation of monophonic music", Music
    Perception 1 (1984): an onset counts by how much heavier the heaviest silent step before the
    next onset is.

    Parameters
    ----------
    rhythm : ndarray of bool, shape (pieces, bars * steps)
        Whole pieces; what follows the last onset is silent to the end of the piece.
    weights : ndarray of int64, shape (steps,)

    Returns
    -------
    ndarray of int64, shape (pieces, bars)
    """
    pieces, length = rhythm.shape
    steps = len(weights)
    weight = weights.astype(np.int16)
    # backwards, all pieces at once: the heaviest silent step between each step and the next onset
    least = np.int16(weights.min() - 1)
    heaviest = np.full(pieces, least)
    out = np.zeros((length // steps, pieces), np.int64)
    for k, here in zip(
        range(length - 1, -1, -1), np.ascontiguousarray(rhythm.T)[::-1], strict=True
    ):
        bar, own = k // steps, weight[k % steps]
        out[bar] += here * np.maximum(heaviest - own, 0)
        heaviest = np.where(here, least, np.maximum(heaviest, own))
    total: Ints = np.ascontiguousarray(out.T)
    return total

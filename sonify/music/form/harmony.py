"""The chord of each cell of a plan: progressions, walks and cadences."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.chance import chance
from sonify.music.form.settings import Harmony
from sonify.music.theory.roman import Chord, parse_chords

__all__ = ["FUNCTIONAL", "chords_of_cells", "suspended", "walk_of"]

Index = NDArray[np.int64]

FUNCTIONAL: dict[bool, dict[str, dict[str, float]]] = {
    False: {
        "I": {"IV": 3, "vi": 3, "ii": 2, "V": 3, "iii": 1},
        "ii": {"V": 6, "viio6": 1, "IV": 1},
        "iii": {"vi": 4, "IV": 3},
        "IV": {"V": 4, "I": 3, "ii": 2},
        "V": {"I": 6, "vi": 2, "IV": 1},
        "vi": {"ii": 3, "IV": 3, "V": 2, "iii": 1},
        "viio6": {"I": 1},
    },
    True: {
        "i": {"iv": 3, "VI": 3, "iio6": 1, "V": 3, "VII": 2},
        "iio6": {"V": 5, "i6": 1},
        "III": {"VI": 4, "iv": 3},
        "iv": {"V": 4, "i": 2, "VII": 2, "iio6": 1},
        "V": {"i": 6, "VI": 2},
        "VI": {"iv": 3, "III": 2, "iio6": 2, "V": 2},
        "VII": {"III": 4, "i": 2},
        "i6": {"iv": 1, "iio6": 1},
    },
}
"""Weights of the chord that follows each chord, in major (False) and minor (True): tonic to
predominant to dominant to tonic, with the deceptive cadence (common practice, no source)."""

_BORROWED, _SECONDARY = 2**20, 2**20 + 1
"""Lots of random numbers that walks, which count theirs by sections, don't reach."""

_PARALLEL = {False: {4: 3, 9: 8, 11: 10}, True: {3: 4, 8: 9, 10: 11}}
"""The tones of a major key (False) and of a minor one (True) that differ in the parallel key."""


def walk_of(harmony: Harmony, minor: bool) -> dict[str, dict[str, float]] | None:
    """The table of a walk; None where chords are given.

    Raises
    ------
    InputError
        A name that is not known, or a chord that leads nowhere.
    """
    if not harmony.walk:
        return None
    if isinstance(harmony.walk, str):
        if harmony.walk != "functional":
            raise InputError(
                f'"{harmony.walk}" is not a walk; write "functional", or a table of the chords '
                "that follow each chord",
                place="music.harmony.walk",
            )
        return FUNCTIONAL[minor]
    for chord, following in harmony.walk.items():
        for name, weight in following.items():
            if name not in harmony.walk or weight < 0:
                what = "leads to a chord without a row" if weight >= 0 else "has a negative weight"
                raise InputError(
                    f"'{chord}' to '{name}' {what}", place=f"music.harmony.walk.{chord}"
                )
        if sum(following.values()) <= 0:
            raise InputError(
                f"'{chord}' leads nowhere; give a weight above 0",
                place=f"music.harmony.walk.{chord}",
            )
    return harmony.walk


def _walked(table: dict[str, dict[str, float]], seed: int, lot: int, count: int) -> list[str]:
    """So many chords of a walk that begins on the table's first chord."""
    draws = chance(seed, np.arange(count), 1 + lot)
    at, out = next(iter(table)), []
    for draw in draws.tolist():
        out.append(at)
        names = list(table[at])
        weights = np.cumsum(list(table[at].values()))
        at = names[int(np.searchsorted(weights, draw * weights[-1], "right"))]
    return out


class _Book:
    """Numbers for chords by their numerals."""

    def __init__(self, minor: bool) -> None:
        self.minor = minor
        self.chords: list[Chord] = []
        self.known: dict[Chord, int] = {}

    def number(self, chord: Chord) -> int:
        """The number of a chord."""
        if chord not in self.known:
            self.known[chord] = len(self.chords)
            self.chords.append(chord)
        return self.known[chord]

    def numbers(self, text: str, place: str) -> Index:
        """The numbers of the chords of a progression."""
        chords = parse_chords(text, self.minor, place)
        return np.asarray([self.number(chord) for chord in chords], np.int64)


def _since(scope: Index) -> Index:
    """How many cells lie between each cell and the first one of its run of equal numbers."""
    at = np.arange(len(scope))
    new = np.ones(len(scope), bool)
    new[1:] = scope[1:] != scope[:-1]
    out: Index = at - np.maximum.accumulate(np.where(new, at, 0))
    return out


def chords_of_cells(
    harmony: Harmony, minor: bool, labels: tuple[str, ...], section: Index, phrase: Index,
    cells: int,
) -> tuple[tuple[Chord, ...], Index]:  # fmt: skip
    """The chords that a piece uses, and the number of the chord in each cell.

    Parameters
    ----------
    harmony : Harmony
    minor : bool
    labels : tuple of str
        Of the sections.
    section, phrase : ndarray of int64, shape (cells of the piece,)
        The number of each cell's section, and of its phrase within that.
    cells : int
        Of a row.

    Raises
    ------
    InputError
        Numerals that don't parse.
    """
    table = walk_of(harmony, minor)
    total = len(section)
    if not harmony.chords.strip() and table is None:
        return (), np.zeros(total, np.int64)
    book = _Book(minor)
    both = section * (total + 1) + phrase
    row = np.arange(total) // cells
    scopes = {"never": np.zeros(total, np.int64), "section": section, "phrase": both, "row": row}
    nth = _since(scopes[harmony.restart])
    if harmony.each == "row":
        nth = row - row[np.maximum(np.arange(total) - nth, 0)]
    nth //= harmony.hold
    out = np.zeros(total, np.int64)
    for n, label in enumerate(labels):
        mine = section == n
        own = harmony.sections.get(label, harmony.sections.get(label.rstrip("'"), ""))
        if table is not None and not own:
            count = int(nth[mine].max(initial=0)) + 1
            # variants of a section walk alike
            lot = [x.rstrip("'") for x in labels].index(label.rstrip("'"))
            lot = 0 if harmony.restart == "never" else lot
            own = " ".join(_walked(table, harmony.seed, lot, count))
            place = "music.harmony.walk"
        else:
            place = f"music.harmony.sections.{label}" if own else "music.harmony.chords"
            own = own or harmony.chords
        numbers = book.numbers(own, place)
        out[mine] = numbers[nth[mine] % len(numbers)]
    if harmony.borrowed or harmony.secondary:
        _colour(harmony, minor, book, out, nth)
    if harmony.cadences:
        _close(harmony, minor, book, out, section, both)
    return tuple(book.chords), out


def _root(chord: Chord) -> int | None:
    """The root of a chord with a perfect fifth, as a tone of the key."""
    tones = {t % 12 for t in chord}
    fifths = (t % 12 for t in chord if (t + 7) % 12 in tones)
    return next((t for t in fifths if {(t + 3) % 12, (t + 4) % 12} & tones), None)


def _colour(harmony: Harmony, minor: bool, book: _Book, out: Index, nth: Index) -> None:
    """Borrow chords from the parallel key, and lead to others by their own dominants.

    Tonic and dominant stay, and so does the chord that begins a run. The draws depend on the place
    within the run, so that what comes again comes with the same colours.
    """
    tones, kept = _PARALLEL[minor], (None, 0, 7)
    borrowed = (chance(harmony.seed, nth, _BORROWED) < harmony.borrowed) & (nth > 0)
    for n in np.flatnonzero(borrowed).tolist():
        chord = book.chords[out[n]]
        if _root(chord) not in kept:
            moved = tuple(t - t % 12 + tones.get(t % 12, t % 12) for t in chord)
            out[n] = book.number(moved)
    leads = (chance(harmony.seed, nth, _SECONDARY) < harmony.secondary) & (nth > 0)
    for n in np.flatnonzero(leads[:-1] & (nth[1:] > nth[:-1])).tolist():
        root = _root(book.chords[out[n + 1]])
        if root is not None and root and out[n] != out[n + 1]:
            out[n] = book.number(tuple((root + 7) % 12 + t for t in (0, 4, 7, 10)))


def suspended(chords: tuple[Chord, ...], chord: NDArray[Any]) -> tuple[tuple[Chord, ...], Index]:
    """The chords that sound in the first halves of cells, where tones of the ones before are held.

    A suspension is a tone of the chord before that lies a step above a tone of the chord (not its
    lowest), and falls to it: the fourth species of J. J. Fux, "Gradus ad Parnassum" (1725).

    Parameters
    ----------
    chords : tuple of Chord
    chord : ndarray of whole numbers, shape (cells,)
        The number of the chord in each cell.

    Returns
    -------
    chords, first : tuple of Chord, ndarray of int64
        All chords, and the number of the one in the first half of each cell.
    """
    known = {c: n for n, c in enumerate(chords)}
    first = chord.astype(np.int64)
    for n in np.flatnonzero(chord[1:] != chord[:-1]).tolist():
        before, after = chords[chord[n]], chords[chord[n + 1]]
        held, tones = {t % 12 for t in before}, {t % 12 for t in after}
        for tone, step in ((t, s) for t in after[1:] for s in (1, 2)):
            if (tone + step) % 12 in held - tones:
                delayed = tuple(sorted(tone + step if t == tone else t for t in after))
                first[n + 1] = known.setdefault(delayed, len(known))
                break
    return tuple(known), first


def _close(
    harmony: Harmony, minor: bool, book: _Book, out: Index, section: Index, phrase: Index
) -> None:
    """End phrases in half cadences and sections in full ones."""
    half = book.numbers(harmony.half or "V", "music.harmony.half")
    full = book.numbers(harmony.full or ("V i" if minor else "V I"), "music.harmony.full")
    ends = np.flatnonzero(np.diff(phrase, append=-1))
    starts = np.concatenate(([0], ends[:-1] + 1))
    closing = np.diff(section, append=-1)[ends] != 0
    for first, last, whole in zip(starts.tolist(), ends.tolist(), closing.tolist(), strict=True):
        tones = full if whole else half
        # a phrase keeps at least its first chord
        count = min(len(tones), last - first)
        if count:
            out[last + 1 - count : last + 1] = tones[len(tones) - count :]

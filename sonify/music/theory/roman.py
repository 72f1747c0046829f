"""Chords written as roman numerals.

The numerals are those of textbooks: upper case is a major triad, lower case a minor one; `o` is
diminished, `ø` (or `/o`) half-diminished, `+` augmented; the figures 6, 64, 7, 65, 43, 42 and 9
give inversion and seventh; `maj7`, `sus2` and `sus4` as usual; `b` or `#` before the numeral moves
its root; `V/V` is the dominant of the dominant. In minor, VI and VII stand on the natural minor's
sixth and seventh, vi and vii on the raised ones.
"""

from __future__ import annotations

import re

from sonify.errors import InputError

__all__ = ["Chord", "parse_chords", "parse_numeral"]

_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_MINOR = (0, 2, 3, 5, 7, 8, 10)
_DEGREE = {"i": 0, "ii": 1, "iii": 2, "iv": 3, "v": 4, "vi": 5, "vii": 6}
_NUMERAL = re.compile(
    r"(?P<sign>bb|b|##|#)?(?P<numeral>VII|VI|V|IV|III|II|I|vii|vi|v|iv|iii|ii|i)"
    r"(?P<quality>o|°|ø|/o|\+)?(?P<seventh>maj|M)?(?P<figure>64|65|43|42|6|7|9|2)?(?P<sus>sus[24])?"
)
_TRIADS = {
    "": (0, 4, 7), "minor": (0, 3, 7), "o": (0, 3, 6), "°": (0, 3, 6), "ø": (0, 3, 6),
    "/o": (0, 3, 6), "+": (0, 4, 8), "sus2": (0, 2, 7), "sus4": (0, 5, 7),
}  # fmt: skip
_INVERSION = {"6": 1, "64": 2, "65": 1, "43": 2, "42": 3, "2": 3}
_SIGN = {"b": -1, "bb": -2, "#": 1, "##": 2}


Chord = tuple[int, ...]
"""A chord's tones in semitones above the key's root, the lowest first, rising."""


def parse_numeral(text: str, minor: bool) -> Chord | int:
    """One numeral in a major or minor key; or the index of the character that does not parse."""
    head, slash, key = _split(text)
    if slash:
        target = parse_numeral(key, minor)
        if isinstance(target, int):
            return len(head) + 1 + target
        inner = parse_numeral(head, _is_minor(key))
        return inner if isinstance(inner, int) else _low(inner, _root_of(key, minor))
    found = _NUMERAL.match(text)
    if not found:
        return 0
    if found.end() != len(text):
        return found.end()
    root = _root(found, minor)
    tones = _above(found, root, minor)
    if tones is None:
        return found.start("figure") if found["figure"] else found.start("seventh")
    turn = _INVERSION.get(found["figure"] or "", 0)
    return _low((*tones[turn:], *(t + 12 for t in tones[:turn])), root)


def _split(text: str) -> tuple[str, str, str]:
    """Head, slash and key of a numeral such as V7/ii; `/o` is a quality, not a slash."""
    at = next((k for k, c in enumerate(text) if c == "/" and text[k + 1 : k + 2] != "o"), None)
    return (text, "", "") if at is None else (text[:at], "/", text[at + 1 :])


def _low(tones: Chord, root: int) -> Chord:
    """A chord's tones on `root`, the lowest within the first octave."""
    down = 12 * ((root + tones[0]) // 12)
    return tuple(root + t - down for t in tones)


def _is_minor(numeral: str) -> bool:
    letters = [c for c in numeral if c in "ivIV"]
    return bool(letters) and letters[0].islower()


def _root_of(numeral: str, minor: bool) -> int:
    head, _, key = _split(numeral)
    found = _NUMERAL.match(head)
    assert found
    base = _root_of(key, minor) if key else 0
    return base + _root(found, _is_minor(key) if key else minor)


def _root(found: re.Match[str], minor: bool) -> int:
    numeral = found["numeral"]
    degree = _DEGREE[numeral.lower()]
    root = (_MINOR if minor else _MAJOR)[degree]
    if minor and numeral in ("vi", "vii"):
        root += 1
    return root + _SIGN.get(found["sign"] or "", 0)


def _above(found: re.Match[str], root: int, minor: bool) -> Chord | None:
    """The tones above the chord's own root; None for figures that don't go together."""
    quality, figure, mark = found["quality"], found["figure"], found["seventh"]
    third = "minor" if found["numeral"].islower() else ""
    triad = _TRIADS[found["sus"] or quality or third]
    half = quality in ("ø", "/o")
    with_seventh = figure in ("7", "65", "43", "42", "2", "9")
    if mark and figure not in ("7", "9"):
        return None
    if half and not with_seventh:
        return (*triad, 10) if figure is None else None
    if not with_seventh:
        return triad
    degree = _DEGREE[found["numeral"].lower()]
    seventh = _seventh(found, (_scale_tone(degree + 6, minor) - root) % 12, triad)
    if figure != "9":
        return (*triad, seventh)
    return (*triad, seventh, 12 + (_scale_tone(degree + 1, minor) - root) % 12)


def _scale_tone(degree: int, minor: bool) -> int:
    return (_MINOR if minor else _MAJOR)[degree % 7]


def _seventh(found: re.Match[str], in_key: int, triad: Chord) -> int:
    """The key's own seventh, unless the numeral says otherwise."""
    if found["seventh"]:
        return 11
    if found["quality"] in ("o", "°"):
        return 9
    if found["quality"] in ("ø", "/o"):
        return 10
    # borrowed minor chords take a minor seventh
    return 10 if triad[1] == 3 and in_key == 11 else in_key


def parse_chords(text: str, minor: bool, place: str) -> tuple[Chord, ...]:
    """The chords of a progression, separated by spaces, commas or bars (|).

    Raises
    ------
    InputError
        No numerals, or one that does not parse: which, and where.
    """
    out: list[Chord] = []
    for found in re.finditer(r"[^\s,|]+", text):
        word = found.group()
        chord = parse_numeral(word, minor)
        if isinstance(chord, int):
            at = found.start() + chord
            mark = f"'{text[at]}'" if at < len(text) and chord < len(word) else "its end"
            raise InputError(
                f"numeral {len(out) + 1}, '{word}', does not parse at {mark} (character {at + 1} "
                f'of "{text}"); write numerals such as i, IV7, bVI, viio7, V65/V',
                place=place,
            )
        out.append(chord)
    if not out:
        raise InputError(
            'there are no numerals; write a progression such as "i VI III VII"', place=place
        )
    return tuple(out)

"""How pitches are spelt in a key: letters and accidentals from the line of fifths."""

from __future__ import annotations

from functools import lru_cache

__all__ = ["spell"]

# F C G D A E B: seven fifths up is a sharp, seven fifths down a flat
_LETTERS = "FCGDAEB"


@lru_cache(maxsize=4096)
def spell(key: int, sharps: int, minor: bool) -> tuple[str, int, int]:
    """A MIDI note number as letter, alteration in semitones, and octave.

    The spelling is the one of the twelve fifths around the key: from a minor second to an
    augmented fourth above a major key's tonic, with a raised seventh in minor.

    Examples
    --------
    >>> spell(61, 2, False), spell(61, -4, False)
    (('C', 1, 4), ('D', -1, 4))
    """
    lowest = sharps - (3 if minor else 4)
    # on the line of fifths, C is 0 and each pitch class lies 7 times its semitones away
    place = lowest + (key * 7 - lowest) % 12
    letter = _LETTERS[(place + 1) % 7]
    alter = (place + 1) // 7
    natural = (key - alter) // 12 - 1
    return letter, alter, natural

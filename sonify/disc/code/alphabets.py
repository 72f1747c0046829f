"""The table of alphabets: their characters and code units.

Sources: ascii is ISO/IEC 646 (International Reference Version, 7 bits); ita2 is the International
Telegraph Alphabet No. 2 of ITU-T S.1 (5 units, letters and figures case); utf-8 is RFC 3629.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["ALPHABETS", "FIGURES", "ITA2_FIGURES", "ITA2_LETTERS", "LETTERS", "Alphabet"]

# ITU-T S.1, code elements 1 to 5 as bits 0 to 4: index is the value of the five elements.
# "\0" no action, "\x0f" letters shift, "\x0e" figures shift, "\x05" who are you.
# S.1 leaves the figures case of F, G and H to national use: nothing is sent there.
LETTERS = 0x1F
FIGURES = 0x1B
ITA2_LETTERS = "\0E\nA SIU\rDRJNFCKTZLWHYPQOBG\x0eMXV\x0f"
ITA2_FIGURES = "\x003\n- '87\r\x054\a,\ufffd:(5+)2\ufffd6019?\ufffd\x0e./=\x0f"


class Alphabet(NamedTuple):
    """An alphabet: its name in disc files, the bits of one code unit (without check bits), and
    its characters (None: all of Unicode)."""

    name: str
    unit_bits: int
    has: frozenset[str] | None = None

    def lacks(self, char: str) -> bool:
        """Whether `char` can't be written in this alphabet."""
        if self.has is None:
            return char == "\0" or 0xD800 <= ord(char) <= 0xDFFF
        return char not in self.has


_ASCII = frozenset(map(chr, range(1, 128)))
_ITA2 = frozenset(ITA2_LETTERS + ITA2_FIGURES) - set("\0\x0e\x0f\ufffd")

ALPHABETS: dict[str, Alphabet] = {
    a.name: a
    for a in (Alphabet("ascii", 7, _ASCII), Alphabet("ita2", 5, _ITA2), Alphabet("utf-8", 8))
}

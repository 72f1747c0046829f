"""Alphabets: which characters there are, and their code units.

A table, one row an alphabet. Encoding, decoding, errors and docs read it.

Sources: ascii is ISO/IEC 646 (International Reference Version, 7 bits); ita2 is the International
Telegraph Alphabet No. 2 of ITU-T S.1 (5 units, letters and figures case); utf-8 is RFC 3629.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["ALPHABETS", "FIGURES", "ITA2_FIGURES", "ITA2_LETTERS", "LETTERS", "Alphabet"]

# ITU-T S.1, code elements 1 to 5 as bits 0 to 4: index is the value of the five elements.
# "\0" no action, "\x0f" letters shift, "\x0e" figures shift, "\x05" who are you.
# Figures case of F, G and H is left to national use by S.1: nothing is sent there.
LETTERS = 0x1F
FIGURES = 0x1B
ITA2_LETTERS = "\0E\nA SIU\rDRJNFCKTZLWHYPQOBG\x0eMXV\x0f"
ITA2_FIGURES = "\x003\n- '87\r\x054\a,\ufffd:(5+)2\ufffd6019?\ufffd\x0e./=\x0f"


@dataclass(frozen=True)
class Alphabet:
    """One alphabet.

    Attributes
    ----------
    name : str
        Its name in disc files.
    unit_bits : int
        Bits of one code unit, check bits aside.
    about : str
        One line for help and docs.
    """

    name: str
    unit_bits: int
    about: str
    has: frozenset[str] | None = field(default=None, repr=False)

    def lacks(self, char: str) -> bool:
        """Whether `char` can't be written in this alphabet."""
        if char == "\0":
            return True
        if self.has is None:
            return 0xD800 <= ord(char) <= 0xDFFF
        return char not in self.has


_ASCII = frozenset(map(chr, range(1, 128)))
_ITA2 = frozenset(ITA2_LETTERS + ITA2_FIGURES) - set("\0\x0e\x0f\ufffd")

ALPHABETS: dict[str, Alphabet] = {
    a.name: a
    for a in (
        Alphabet("ascii", 7, "7 bits a character, ISO/IEC 646", _ASCII),
        Alphabet("ita2", 5, "5 bits, capitals and figures with shifts, ITU-T S.1", _ITA2),
        Alphabet("utf-8", 8, "8 bits a byte, every character there is, RFC 3629"),
    )
}

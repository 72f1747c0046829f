"""Letters for the core: pictures of the characters in a disc's alphabet."""

from __future__ import annotations

from pathlib import Path

from sonify.disc.code.alphabets import ITA2_FIGURES, ITA2_LETTERS
from sonify.disc_player.profile import Matrix
from sonify.light.letters import Letters, load_letters
from sonify.light.scroll import OWN_LETTERS

__all__ = ["characters_of", "ita2_table", "letters_of"]

_NOT_CHARACTERS = "\0\x0e\x0f\ufffd"
_UNICODE = "".join(map(chr, range(0x20, 0x2700)))  # the scripts of Europe, signs and symbols
# the most characters taken from a large font, in the order of Unicode
_MOST = 600


def characters_of(alphabet: str) -> str | None:
    """The characters of an alphabet; None for all of Unicode."""
    if alphabet == "ascii":
        return "".join(map(chr, range(1, 128)))
    if alphabet == "ita2":
        return "".join(sorted(set(ITA2_LETTERS + ITA2_FIGURES) - set(_NOT_CHARACTERS)))
    return None


def ita2_table() -> list[int]:
    """ISO/IEC 646 codes of the 64 code elements, letters then figures; 0 for no character."""
    return [0 if c in _NOT_CHARACTERS else ord(c) for c in ITA2_LETTERS + ITA2_FIGURES]


def letters_of(alphabet: str, matrix: Matrix) -> Letters:
    """The letters that the core can show: those of the alphabet."""
    wanted = characters_of(alphabet)
    if matrix.letters == OWN_LETTERS:
        letters = load_letters()
    else:
        from sonify.light.fonts import ASCII, load_font

        fit = ASCII if wanted is None else "".join(c for c in wanted if c.isprintable())
        others = _UNICODE if wanted is None else ""
        letters = load_font(Path(matrix.letters), matrix.height, fit, others)
    if alphabet == "none":
        wanted = " "
    keep = [c for c in letters.characters if (wanted is None or c in wanted) and ord(c) < 0x10000]
    pictures = {ord(c): letters.glyph(c) for c in keep[:_MOST]}
    return Letters(letters.height, pictures, letters.box, letters.spacing)

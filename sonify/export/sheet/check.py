"""The check on the sheet: how it catches a wrong hole, worked through on the disc's own bits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import gf256, reed_solomon
from sonify.disc.code.checks import crc16, crc_units_count, most_unknown
from sonify.disc.code.encoding import message_units
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.units import CHARACTERS_OF, bits_to_units
from sonify.errors import plural
from sonify.export.sheet.facts import Facts, Unit, visible
from sonify.export.sheet.page import BODY, BOLD, HEAD, MONO, SMALL, Box, Canvas
from sonify.export.sheet.plan import draw_wrong

__all__ = ["Check", "Codeword", "covered", "draw_check"]

WORDS = 102.0
"""The width of the words; the worked example stands on their right."""
EXAMPLE = 107.0
CELL = 5.2
SYMBOL = 9.0
SYMBOLS_SHOWN = 24
"""The most symbols of a codeword that are drawn: three lines."""
POLYNOMIAL = 0x1021
"""That of CRC-16/IBM-3740, without its highest term."""


class Check:
    """A wrong hole on a disc.

    Attributes
    ----------
    bit : int or None
        Which bit is taken for wrong: of the characters shown, the first that makes a letter another
        letter, if there is one. None if there are no characters, or the disc is damaged.
    unit : Unit
        The code unit that it belongs to.
    """

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.bit: int | None = None
        decoding = facts.disc.decoding
        fit = [u for u in facts.units if len(u.char) == 1]
        fit = [u for u in fit if u.parts == 1] or fit
        if decoding is None or decoding.verdict == "failed" or not fit:
            return
        # a letter that becomes another letter tells most
        best = (-1, fit[0], fit[0].first)
        for unit in fit:
            bits = [unit.first + k for k in range(facts.code.data_bits)]
            for bit in reversed(bits) if facts.code.bit_order == "high-first" else bits:
                char = self._read(unit, bit)
                score = 2 * (unit.char.isalpha() and char.isalpha()) + (
                    char.isprintable() and char != ""
                )
                if score > best[0]:
                    best = (score, unit, bit)
            if best[0] == 3:
                break
        _, self.unit, self.bit = best

    @property
    def flat(self) -> NDArray[np.int8]:
        """The disc's bits with the wrong one."""
        out = self.facts.repaired.copy()
        if self.bit is not None:
            out[self.bit] ^= 1
        return out

    def _read(self, unit: Unit, bit: int) -> str:
        """What a character is read as if a bit is wrong; empty if as none."""
        code, flat = self.facts.code, self.facts.repaired.copy()
        flat[bit] ^= 1
        units, known = bits_to_units(flat, code)
        found = CHARACTERS_OF[code.alphabet](units, known, ~known)
        at = np.flatnonzero((found.first == unit.first // code.unit_bits) & found.ok)
        return chr(int(found.points[at[0]])) if len(at) else ""

    @property
    def misread(self) -> str:
        """What the character is read as, as a word."""
        char = "" if self.bit is None else self._read(self.unit, self.bit)
        return visible(char) if char else "no character at all"

    @property
    def where(self) -> str:
        """What is wrong and where, as a clause."""
        assert self.bit is not None
        row, position = self.facts.place(self.bit)
        if self.facts.repaired[self.bit] == self.facts.disc.layout.hole_means:
            return f"the hole in row {row}, position {position} is blocked"
        return f"there is a hole too many in row {row}, position {position}"


def draw_check(canvas: Canvas, check: Check, y: float, width: float) -> float:
    """Draw how the disc's check catches the wrong hole; returns where it ends."""
    facts = check.facts
    kind = "none" if facts.disc.code is None else facts.code.check
    title, words, example = {
        "none": ("A wrong hole, and why nobody notices", _none, _bits),
        "parity": ("A wrong hole, and how the parity bit catches it", _parity, _bits),
        "crc-16": ("A wrong hole, and how the remainder catches it", _crc, _division),
        "reed-solomon": ("A wrong hole, and how the check puts it right", _solomon, _symbols),
    }[kind]
    canvas.text(0, y + 3.6, title, HEAD, style=BOLD)
    y += 4.8
    if check.bit is None:
        return canvas.paragraph(0, y, width, _without(facts))
    end = y
    for text in words(canvas, check):
        end = canvas.paragraph(0, end, WORDS, text) + 0.8
    return max(end, example(canvas, check, y, width))


def _without(facts: Facts) -> str:
    if not facts.has_characters or facts.disc.decoding is None:
        return (
            "This disc holds bare bits. Without a code they are no characters, and nothing tells "
            "whether a hole is wrong: any bits are as good as any others."
        )
    reasons = "; ".join(facts.disc.decoding.reasons)
    return (
        f"This disc is damaged already, and its check says so: {reasons}. The characters are shown "
        "as their holes give them, and those that can't be read have a question mark."
    )


def _ones(check: Check, flat: NDArray[np.int8]) -> int:
    return int(np.count_nonzero(flat[check.unit.first : check.unit.last + 1] > 0))


def _none(canvas: Canvas, check: Check) -> list[str]:
    name, ones = visible(check.unit.char), _ones(check, check.facts.repaired)
    return [
        f"Suppose that {check.where}. Then {name} is read as {canvas.gap(check.misread)}. This "
        "disc has no check, so nothing tells the player that this is wrong.",
        "A parity bit would: one more bit for each character, set so that the number of ones is "
        f"even. {name} has {plural(ones, 'one')}, so its parity bit would be "
        f"{canvas.gap(str(ones % 2))}. A single wrong hole makes the number odd, and the player "
        "knows that the character is wrong.",
    ]


def _parity(canvas: Canvas, check: Check) -> list[str]:
    name, ones = visible(check.unit.char), _ones(check, check.facts.repaired)
    wrong = _ones(check, check.flat)
    return [
        "The last bit of each character is its parity bit. It is set so that the number of ones is "
        f"even: {name} has {canvas.gap(str(ones))} with it.",
        f"Suppose that {check.where}. The player counts {plural(wrong, 'one')}"
        f"{': odd' * (not canvas.blank)}. So it knows that the character is wrong, but not which "
        "bit. Two wrong holes in one character make the number even again and go unnoticed. A bit "
        "that can't be seen at all is repaired: only one value makes the number even.",
    ]


def _bits(canvas: Canvas, check: Check, y: float, width: float) -> float:
    """The bits of the character as punched and as read."""
    facts, code = check.facts, check.facts.code
    first = check.unit.first
    left = EXAMPLE + 17.0
    y += 4.0
    for label, flat, char in (
        ("as punched", facts.repaired, visible(check.unit.char)),
        ("as read", check.flat, check.misread),
    ):
        canvas.text(EXAMPLE, y + 4.0, label, SMALL, colour="soft")
        for k in range(code.unit_bits):
            parity = k >= code.data_bits
            canvas.add(
                Box(left + k * CELL, y, CELL, 6.0, "check" if parity else "paper", "soft", 0.2)
            )
            canvas.text(left + (k + 0.5) * CELL, y + 4.2, str(int(flat[first + k])), BODY,
                        anchor="middle", style=BOLD)  # fmt: skip
        if flat is not facts.repaired and check.bit is not None:
            draw_wrong(canvas, left + (check.bit - first + 0.5) * CELL, y + 3.0, 2.2)
        ones = _ones(check, flat)
        told = char if len(char) < 4 else "?"
        canvas.asked(left + code.unit_bits * CELL + 5.0, y + 4.4, told, HEAD, anchor="middle",
                     style=BOLD)  # fmt: skip
        if code.parity:
            words = f"{plural(ones, 'one')}: {'odd, wrong' if ones % 2 else 'even, good'}"
            canvas.asked(left, y + 9.8, words, BODY, box=28.0)
        y += 13.5 if code.parity else 8.5
    if code.parity:
        canvas.text(left + code.unit_bits * CELL, y + 1.0, "the shaded bit is the parity bit",
                    SMALL, anchor="end", colour="soft")  # fmt: skip
        y += 2.0
    return y


def covered(check: Check, flat: NDArray[np.int8]) -> NDArray[np.uint8]:
    """The code units that the CRC covers."""
    facts, framing = check.facts, FRAMINGS[check.facts.code.framing]
    start = len(framing.head)
    count = len(message_units(facts.disc.message or "", facts.code))
    stop = count - crc_units_count(facts.code.data_bits)
    units, _ = bits_to_units(flat, facts.code)
    return units[start:stop]


def _crc(canvas: Canvas, check: Check) -> list[str]:
    facts = check.facts
    units = covered(check, facts.repaired)
    good, bad = crc16(units), crc16(covered(check, check.flat))
    until = " up to the end mark ETX" * (facts.code.framing == "framed")
    sure = most_unknown(len(units) + crc_units_count(facts.code.data_bits))
    return [
        f"Read all {len(units):,} code units of the text{until} as one long binary number. Divide "
        "it by a fixed number, in arithmetic that never carries (XOR). The remainder has 16 bits: "
        f"hex {canvas.gap(f'{good:04X}')}. It is punched after the text, in "
        f"{crc_units_count(facts.code.data_bits)} code units that begin with a one.",
        f"Suppose that {check.where}. The player divides again and gets hex "
        f"{canvas.gap(f'{bad:04X}')}. That is another remainder, so the message is wrong. Up to "
        f"{plural(sure, 'wrong bit')} always change it; other damage goes unnoticed once in "
        "65,536 times.",
    ]


def _division(canvas: Canvas, check: Check, y: float, width: float) -> float:
    """The division of the first code unit, step by step (CRC-16/IBM-3740)."""
    units = covered(check, check.facts.repaired)
    register = 0xFFFF ^ int(units[0]) << 8
    lines = [("start", 0xFFFF), (f"XOR {int(units[0]):02X}00", register)]
    for _ in range(8):
        out = register >> 15
        register = (register << 1 & 0xFFFF) ^ POLYNOMIAL * out
        lines.append((f"{out} out{', XOR 1021' * out}", register))
    canvas.text(EXAMPLE, y + 3.0, "The first code unit, in hex: shift left eight times, and if",
                SMALL, colour="soft")  # fmt: skip
    canvas.text(EXAMPLE, y + 6.4, "a 1 falls out, XOR with 1021", SMALL, colour="soft")
    y += 7.6
    for k, (step, value) in enumerate(lines):
        x, base = EXAMPLE + 42.0 * (k // 5), y + 3.4 + 4.2 * (k % 5)
        canvas.text(x, base, step, SMALL, style=MONO)
        canvas.asked(x + 27.0, base, f"{value:04X}", BODY, style=MONO)
    y += 4.2 * 5 + 3.6
    told = f"and so on with the other {plural(len(units) - 1, 'unit')}:"
    canvas.text(EXAMPLE, y, told, SMALL, colour="soft")
    canvas.asked(EXAMPLE + 69.0, y, f"{crc16(units):04X}", BODY, style=MONO)
    return y + 1.5


class Codeword:
    """The codeword with the wrong bit: its symbols as punched and as read, and their sums."""

    def __init__(self, check: Check) -> None:
        facts = check.facts
        assert check.bit is not None
        self.plan = reed_solomon.plan(facts.disc.rows, facts.disc.positions, facts.code.share)
        good, bad = (self._words(flat) for flat in (facts.repaired, check.flat))
        which = int(np.argmax(np.any(good != bad, axis=1)))
        self.good, self.bad = good[which], bad[which]
        self.at = int(np.argmax(self.good != self.bad))
        self.sums = gf256.syndromes(self.bad[None], self.plan.checks)[0]

    def _words(self, flat: NDArray[np.int8]) -> NDArray[np.uint8]:
        packed = np.packbits(flat[: 8 * self.plan.symbols] > 0)
        return reed_solomon.codewords(packed, self.plan)

    @property
    def from_end(self) -> int:
        """How many symbols follow the wrong one: the power of 2 that the sums give."""
        return int(gf256.LOG[self.sums[1]] - gf256.LOG[self.sums[0]]) % 255


def _solomon(canvas: Canvas, check: Check) -> list[str]:
    word = Codeword(check)
    checks = word.plan.checks
    dealt = ""
    if word.plan.codewords > 1:
        dealt = f", dealt to {word.plan.codewords} codewords in turn"
    return [
        f"The bits are {word.plan.symbols:,} symbols of 8{dealt}. A codeword ends with {checks} "
        f"check symbols, chosen so that {checks} sums over its symbols are zero. The first, S0, "
        "is the XOR of all. For the second, S1, each is first doubled once for every symbol after "
        "it, in the field GF(256), where adding is XOR and any two numbers can be multiplied or "
        "divided.",
        f"Suppose that {check.where}. A symbol is read as {word.bad[word.at]:02X}, not "
        f"{word.good[word.at]:02X}. Now S0 = {canvas.gap(f'{word.sums[0]:02X}')}: the bits that "
        f"are wrong. S1/S0 = 2 to the power of {canvas.gap(str(word.from_end))}: so many symbols "
        f"follow the wrong one, and it is put right. {checks} check symbols repair "
        f"{checks // 2} wrong symbols or {checks} that can't be seen, and here any one row.",
    ]


def _symbols(canvas: Canvas, check: Check, y: float, width: float) -> float:
    """The symbols of the codeword, and its two sums."""
    word = Codeword(check)
    length = len(word.bad)
    if length <= SYMBOLS_SHOWN:
        shown: list[int | None] = list(range(length))
    else:
        tail = min(8, word.plan.checks)
        head = SYMBOLS_SHOWN - 1 - tail
        start = min(max(0, word.at - head // 2), length - tail - head)
        shown = [*range(start, start + head), None, *range(length - tail, length)]
    canvas.text(EXAMPLE, y + 3.0, "The codeword as read, in hex; check symbols are shaded", SMALL,
                colour="soft")  # fmt: skip
    y += 4.8
    for k, at in enumerate(shown):
        x, top = EXAMPLE + SYMBOL * (k % 9), y + 6.4 * (k // 9)
        if at is None:
            canvas.text(x + SYMBOL / 2, top + 4.0, "...", BODY, anchor="middle")
            continue
        fill = "check" if at >= length - word.plan.checks else "paper"
        canvas.add(Box(x, top, SYMBOL, 6.0, fill, "soft", 0.2))
        canvas.text(x + SYMBOL / 2, top + 4.1, f"{word.bad[at]:02X}", BODY, anchor="middle",
                    style=MONO)  # fmt: skip
        if at == word.at:
            draw_wrong(canvas, x + SYMBOL / 2, top + 3.0, 2.6)
    y += 6.4 * (-(-len(shown) // 9)) + 1.0
    for k, name in enumerate(("S0", "S1")):
        canvas.text(EXAMPLE + 40 * k, y + 4.4, f"{name} = 00, now", BODY)
        canvas.asked(EXAMPLE + 40 * k + 23.5, y + 4.4, f"{word.sums[k]:02X}", BODY, style=MONO)
    return y + 6.0

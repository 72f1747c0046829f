"""Discs to judge presets by: texts and sizes that look nothing like the discs that ship."""

from __future__ import annotations

from random import Random

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout

__all__ = ["FIVE", "many_discs"]

_TEXTS = (
    ("long row", 96, Code(), "The kettle sang before the sun did, and nobody minded. We mended two "
     "boots, fed the grey mare, wrote the snow depth on the door, and lost at draughts again."),
    ("wire", 40, Code(alphabet="ita2"), "MULE TRAIN DUE AT NOON WITH FLOUR AND LAMP OIL STOP "
     "KEEP THE LOWER GATE OPEN AND THE DOG IN"),
    ("accents", 64, Code(alphabet="utf-8", check="crc-16"), "Brücke über den Bach: morsch! "
     "Bitte einzeln gehen, Rucksack öffnen, nicht hüpfen. – Die Wirtin"),
    ("seventeen", 119, Code(check="parity"), "rope 40 m, axe, stove, tea, plum cake; sleet "
     "after four, wolves none, moon nearly full, the bell frozen to its wheel, all asleep by ten"),
    ("repaired", 36, Code(check="reed-solomon"), "Left ridge closed until the thaw. Ask for Ada."),
)  # fmt: skip
"""Name, positions, code and text."""

FIVE = tuple(
    sonify.Disc.from_message(text, code=code, layout=Layout(positions=positions), name=name)
    for name, positions, code, text in _TEXTS
)

_WORDS = (
    "fog rain hail sleet wind calm north ridge gully scree moss larch cairn hut door lamp soup "
    "bread rope boots mule goat marmot eagle raven thaw frost drift track bridge ford well bell"
)

_SIZES = (
    (24, 1), (24, 40), (28, 9), (30, 5), (35, 12), (36, 7), (42, 16), (48, 3), (50, 21), (60, 10),
    (64, 6), (72, 14), (77, 4), (81, 8), (97, 11), (100, 2), (120, 18), (144, 13), (175, 25),
    (200, 40),
)  # fmt: skip

_CODES = (
    Code(), Code(alphabet="ita2"), Code(alphabet="utf-8"), Code(check="parity"),
    Code(alphabet="ita2", check="parity"), Code(alphabet="utf-8", check="crc-16"),
    Code(check="crc-16", framing="framed"), Code(check="reed-solomon"),
    Code(alphabet="utf-8", check="reed-solomon"), Code(alphabet="ita2", check="reed-solomon"),
)  # fmt: skip


def many_discs() -> list[sonify.Disc]:
    """Twenty discs from 24 to 200 positions and 1 to 40 rows, in three alphabets, with all checks.

    Their texts are made of random words, the same in every run, and fill the rows.
    """
    out = []
    for n, (positions, rows) in enumerate(_SIZES):
        code = _CODES[n % len(_CODES)]
        if rows == 1:
            code = Code()
        out.append(_filled(n, positions, rows, code))
    return out


def _filled(n: int, positions: int, rows: int, code: Code) -> sonify.Disc:
    """A disc of so many rows, as full as words make it."""
    rng, text = Random(f"disc {n}"), ""
    name = f"{positions} x {rows}, {code.alphabet}, {code.check}"
    layout = Layout(positions=positions)
    disc = None
    while True:
        word = rng.choice(_WORDS.split())
        text = f"{text} {word}" if text else word
        text = text.upper() if code.alphabet == "ita2" else text
        cut = text if disc else text[: positions // 8]
        made = sonify.Disc.from_message(cut, code=code, layout=layout, name=name)
        if disc is not None and made.rows > rows:
            return disc
        disc = made

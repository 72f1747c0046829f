"""Grooves: what each part of a drum kit plays in a bar, by style. Common practice, no source.

X is struck with full force, x lightly, o is a ghost note, a dot rests.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["GROOVES", "LEVELS", "PARTS", "Groove"]

LEVELS = {"X": 1.0, "x": 0.75, "o": 0.45}
"""How loud the marks are. Own choice."""

PARTS = ("kick", "snare", "hats", "colour")


class Groove(NamedTuple):
    """A style: the note value of a mark, and a bar of each part."""

    value: str
    kick: str
    snare: str
    hats: str
    colour: str


GROOVES = {
    "rock": Groove("1/16", "X.....x.X.......", "....X.......X..o", "X.x.X.x.X.x.X.x.",
                   "X..............."),
    "shuffle": Groove("1/8", "X...x..x", "..X...X.", "X.xXx.xX", "....x..."),
    "bossa": Groove("1/16", "X..xX..xX..xX..x", "X..x..x...x..x..", "xoXoxoXoxoXoxoXo",
                    "..X...X...X...X."),
    "train": Groove("1/16", "X.......x.......", "ooXoooXoooXoooXx", "....x.......x...",
                    "X..............."),
    "march": Groove("1/16", "X.......x.......", "X.x.Xoooxox.Xoxx", "x...x...x...x...",
                    "X..............."),
    "waltz": Groove("1/8", "X.....", "..x.xo", "X.x.x.", "X....."),
    "tango": Groove("1/16", "X.....x.X...x...", "x..xX...x..xX.x.", "x...x...x...x...",
                    "X.....x.X...X..."),
    "jig": Groove("1/8", "X..x..", "..o..x", "XoxXox", "X....."),
    "clave": Groove("1/16", "x.....x.x.....x.", "..x...X...x...X.", "XoxoXoxoXoxoXoxo",
                    "X..X..X...X.X..."),
    "slow": Groove("1/8", "X....x..", "....X...", "x.o.x.o.", "X......."),
}  # fmt: skip
"""The styles by name. A bar of another length repeats the pattern or cuts it off."""

"""Pitch schemes position by position, from the words of their help: plain loops, no shared code.

A disc without a code has characters of eight bits. It is read with a turn between two rows.
"""

from __future__ import annotations

from typing import Any

UNIT = 8

LINES = (
    (0, 1, 2, 3, 4, 3, 2, 1), (0, -1, -2, -3, -4, -3, -2, -1), (0, 2, 4, 2, 0, 2, 4, 2),
    (0, -1, 0, 1, 2, 1, 0, -1), (0, 1, 0, -1, -2, -1, 0, 1), (0, 4, 3, 2, 1, 0, 1, 2),
    (0, 2, 1, 3, 2, 4, 3, 1), (0, -3, -2, -1, 0, 1, 0, -1),
)  # fmt: skip
STARTS = (5, 4, 0, 2, -1, -2, 1, 3)
"""The lines of letters and where they begin: the project's own choice, set down here again."""


def reflected(value: int, span: int) -> int:
    """A ladder of `span` rungs, climbed up and down again."""
    path = [*range(span), *range(span - 2, 0, -1)]
    return path[value % len(path)]


def turned(span: int, way: str) -> list[int]:
    """The rungs in the order in which `way` takes them."""
    if way == "middle":
        out = [(span - 1) // 2]
        for k in range(1, span):
            out.append(out[-1] + (k if k % 2 else -k))
        return out
    return list(range(span))[:: -1 if way == "down" else 1]


class Reading:
    """The bits of a disc, asked about one position after the other."""

    def __init__(self, rows: list[str]) -> None:
        self.width = len(rows[0])
        self.bits = [int(b) for row in rows for b in row]

    def value(self, unit: int) -> int:
        """A character's value; zeros fill up the last one, and nothing comes before the first."""
        bits = self.bits[unit * UNIT : unit * UNIT + UNIT] if unit >= 0 else []
        return int("".join(map(str, (bits + [0] * UNIT)[:UNIT])), 2)

    def ones(self, i: int) -> int:
        return sum(self.bits[: i + 1])

    def run(self, i: int) -> int:
        """How many equal bits came just before this one."""
        k = 0
        while k < i and self.bits[i - 1 - k] == self.bits[i]:
            k += 1
        return k

    def gap(self, i: int) -> int:
        """How many positions lie between this one and the one before it."""
        before = [k for k in range(i) if self.bits[k]]
        return i - before[-1] - 1 if before else 0

    def number(self, i: int, bits: int) -> int:
        """This bit and those before it as a number."""
        return int("".join(map(str, ([0] * bits + self.bits[: i + 1])[-bits:])), 2)


def degrees(rows: list[str], scheme: str, **given: Any) -> list[int]:
    """The degree of each position under a scheme with these settings, the others as usual."""
    r = Reading(rows)
    return [_degree(r, i, scheme, given) for i in range(len(r.bits))]


def _degree(r: Reading, i: int, scheme: str, given: dict[str, Any]) -> int:
    def s(name: str, usual: Any) -> Any:
        return given.get(name, usual)

    bits, n = r.bits, r.width
    row, position = divmod(i, n)
    unit, place = divmod(i, UNIT)
    higher = row * s("row_step", 0)
    match scheme:
        case "row-ladder":
            span = s("span", 8)
            return turned(span, s("way", "up"))[row % span]
        case "place":
            return turned(UNIT, s("way", "up"))[place] * s("spread", 1) + higher
        case "sweep":
            span, way = s("span", 15), s("way", "arch")
            if way == "arch":
                return reflected(position * (2 * span - 1) // n, span)
            return turned(span, way)[position * span // n]
        case "character":
            return r.value(unit) % s("span", 15)
        case "last-character":
            return r.value(unit - 1) % s("span", 15)
        case "number":
            return r.number(i, s("bits", 3)) % s("span", 12)
        case "walk":
            ones = r.ones(i)
            zeros = bits[: i + 1].count(0)
            steps = s("start", 7) + ones * s("up", 1) - zeros * s("down", 1)
            return reflected(steps, s("span", 15))
        case "run-length":
            return reflected(r.run(i), s("span", 8)) + higher
        case "gap":
            return reflected(r.gap(i) * s("step", 2), s("span", 9))
        case "count":
            steps, span = max(0, r.ones(i) - 1) * s("step", 1), s("span", 8)
            return reflected(steps, span) if s("turn", True) else steps % span
        case "density":
            window = bits[max(0, i + 1 - s("window", 14)) : i + 1]
            return int(sum(window) * (s("span", 15) - 1) / len(window) + 0.5)
        case "one-tone":
            return int(s("degree", 0))
        case "table":
            entries, by = s("degrees_of", ()), s("by", "position")
            # the bits before it, as many as the list needs
            needed = len(bin(len(entries) - 1)) - 2 if len(entries) > 1 else 0
            told = "".join(map(str, bits[max(0, i - needed) : i])) or "0"
            count = {
                "position": position, "place": place, "row": row, "character": unit,
                "one": max(0, r.ones(i) - 1), "value": r.value(unit), "number": int(told, 2),
            }[by]  # fmt: skip
            return int(entries[count % len(entries)])
        case "arpeggio":
            tones, way = s("tones", 4), s("way", "up")
            rung = reflected(place, tones) if way == "turn" else turned(tones, way)[place % tones]
            return r.value(unit) % s("span", 7) + s("stack", 2) * rung
        case "motif":
            return _motif(r, i, s)
        case "isorhythm":
            color, talea = s("color", (0, 2, 4)), s("talea", "x.x.xx..")
            slot = 2 * row * n + position
            marks = sum(talea[k % len(talea)] == "x" for k in range(slot + 1))
            # before the first mark, as before its return
            return int(color[(marks - 1) % len(color)])
    raise AssertionError(f"no reference of the scheme {scheme}")


def _motif(r: Reading, i: int, s: Any) -> int:
    """The line of the letter, or of the letter in which the row begins, as it goes on."""
    unit, place = divmod(i, UNIT)
    if s("of", "letter") == "row":
        unit = (i - i % r.width) // UNIT
    if s("late", False):
        unit -= 1
    value = r.value(unit)
    line, start = LINES[value // 4 % 8], STARTS[value // 32]
    at = int(place * s("speed", 1.0)) % UNIT
    if s("way", "forward") in ("backward", "both"):
        at = UNIT - 1 - at
    step = -line[at] if s("way", "forward") in ("inverted", "both") else line[at]
    return int((start + step) * s("size", 1) + s("transpose", 0))

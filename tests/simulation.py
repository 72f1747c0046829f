"""A player, step by step.

Written from the description of the machine and not from the package: plain loops, fractions for
time, no NumPy. It reads a disc, keeps what each lamp shows and a list of the notes. The tests hold
what the package writes against it.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

ITA2 = {  # ITU-T S.1: letter, figure, the five elements with element 1 first
    "A-": "11000", "B?": "10011", "C:": "01110", "D": "10010", "E3": "10000", "F": "10110",
    "G": "01011", "H": "00101", "I8": "01100", "J": "11010", "K(": "11110", "L)": "01001",
    "M.": "00111", "N,": "00110", "O9": "00011", "P0": "01101", "Q1": "11101", "R4": "01010",
    "S'": "10100", "T5": "00001", "U7": "11100", "V=": "01111", "W2": "11001", "X/": "10111",
    "Y6": "10101", "Z+": "10001",
}  # fmt: skip
BOTH = {" ": "00100", "\r": "00010", "\n": "01000"}
LETTERS, FIGURES = "11111", "11011"


def bits_of_message(message: str, alphabet: str) -> str:
    """The bits of a message, the highest first, as a text of 0 and 1."""
    if alphabet == "ascii":
        return "".join(format(ord(c), "07b") for c in message)
    if alphabet == "utf-8":
        return "".join(format(b, "08b") for b in message.encode())
    out, case = "", "letters"
    for c in message:
        if c in BOTH:
            code = BOTH[c]
        else:
            code = next(bits for pair, bits in ITA2.items() if c in pair)
            wanted = "letters" if c.isalpha() else "figures"
            if wanted != case:
                out += (LETTERS if wanted == "letters" else FIGURES)[::-1]
                case = wanted
        out += code[::-1]
    return out


@dataclass
class SimulatedDisc:
    """Rows of bits, and how many bits a character has."""

    rows: list[str]
    unit: int


def load_disc(path: Path) -> SimulatedDisc:
    """A plain disc from its file."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    positions = data.get("layout", {}).get("positions", 56)
    if "bits" in data:
        return SimulatedDisc(list(data["bits"]), 8)
    alphabet = data.get("code", {}).get("alphabet", "ascii")
    bits = bits_of_message(data["message"], alphabet)
    while len(bits) % positions:
        bits += "0"
    rows = [bits[k : k + positions] for k in range(0, len(bits), positions)]
    return SimulatedDisc(rows, {"ascii": 7, "ita2": 5, "utf-8": 8}[alphabet])


@dataclass
class Seen:
    """One position as it passes the detector."""

    time: Fraction
    row: int
    position: int
    bit: str
    first_of_row: bool


def read(disc: SimulatedDisc, player: dict) -> list[Seen]:
    """Let the disc turn, one position after the other, and read it row by row."""
    n = len(disc.rows[0])
    t = Fraction(60) / (Fraction(str(player["rpm"])) * n)
    wait = Fraction(str(player["stage"])) + Fraction(str(player["settle"]))
    seen: list[Seen] = []
    clock = 0  # how many positions have passed since the first one
    for r, row in enumerate(disc.rows):
        if r and player["row-start"] == "index":
            # the end of this row's turn is one position after its last; then wait for the index
            ready = (clock + 0) * t + wait
            while clock * t < ready or clock % n:
                clock += 1
        elif r:
            ready = (clock - 1) * t + wait
            while not clock * t > ready:
                clock += 1
        for k in range(n):
            place = clock % n
            seen.append(Seen(clock * t, r, place, row[place], k == 0))
            clock += 1
    return seen


@dataclass
class Lamps:
    """What the lamps of a matrix show, changed by one position at a time."""

    width: int
    height: int
    unit: int
    fill: str
    positions: int
    rows: int = 0
    lit: list[bool] = field(default_factory=list)
    count: int = 0

    def __post_init__(self) -> None:
        self.lit = [False] * (self.width * self.height)

    def wipe(self) -> None:
        self.lit = [False] * (self.width * self.height)

    def put(self, x: int, y: int, bit: str) -> None:
        self.lit[y * self.width + x] = bit == "1"

    def see_lines(self, one: Seen) -> None:
        """Each disc row on lines of its own, folded if it is longer than the matrix is wide."""
        w, h = self.width, self.height
        lines = math.ceil(self.positions / w)
        length = math.ceil(self.positions / lines)
        page = min(self.rows, h // lines)
        count = page * lines if page else h
        if page and one.first_of_row and one.row and one.row % page == 0:
            self.wipe()
        line = (one.row * lines + one.position // length) % count
        column = one.position % length
        if self.fill == "scaled":
            across = [x for x in range(w) if column * w // length <= x < (column + 1) * w // length]
            down = [y for y in range(h) if line * h // count <= y < (line + 1) * h // count]
        else:
            k, m = (w // length, h // count) if self.fill == "fitted" else (1, 1)
            left, top = (w - k * length) // 2, (h - m * count) // 2
            across = [left + column * k + i for i in range(k)]
            down = [top + line * m + i for i in range(m)]
        for y in down:
            for x in across:
                self.put(x, y, one.bit)

    def see(self, one: Seen) -> None:
        w, h = self.width, self.height
        if self.fill in ("fitted", "centred", "scaled"):
            self.see_lines(one)
        elif self.fill == "rows":
            y = one.row % h
            if one.first_of_row and one.row >= h:
                for x in range(w):
                    self.put(x, y, "0")
            self.put(one.position % w, y, one.bit)
        elif self.fill == "characters":
            place = one.row * self.positions + one.position
            character, k = place // self.unit, place % self.unit
            columns = -(-self.unit // h)
            column = (character % (w // columns)) * columns + k // h
            self.put(column, k % h, one.bit)
        elif self.fill == "rolling":
            if self.count >= w * h and self.count % w == 0:
                self.lit = self.lit[w:] + [False] * w
            y = min(self.count // w, h - 1)
            self.put(self.count % w, y, one.bit)
        else:
            if self.count and self.count % (w * h) == 0:
                self.wipe()
            k = self.count % (w * h)
            if self.fill == "running":
                self.put(k % w, k // w, one.bit)
            elif self.fill == "columns":
                self.put(k // h, k % h, one.bit)
            elif self.fill == "furrows":
                y = k // w
                self.put(k % w if y % 2 == 0 else w - 1 - k % w, y, one.bit)
            else:
                raise AssertionError(f"no simulation of the fill rule {self.fill}")
        self.count += 1


def lamp_memory(
    disc: SimulatedDisc, player: dict, fill: str, width: int = 32, height: int = 8
) -> list[tuple[Fraction, list[bool]]]:
    """What the lamps show from each moment on."""
    lamps = Lamps(width, height, disc.unit, fill, len(disc.rows[0]), len(disc.rows))
    out = []
    for one in read(disc, player):
        lamps.see(one)
        out.append((one.time, list(lamps.lit)))
    return out


DORIAN = (0, 2, 3, 5, 7, 9, 10)


@dataclass
class Note:
    """A note: its onset and end in positions since the start, and its pitch."""

    on: Fraction
    off: Fraction
    pitch: int


def note_list(disc: SimulatedDisc, player: dict, way: str) -> list[Note]:
    """The notes of one voice on a ladder of eight degrees of D dorian, a degree a row.

    `way` is "each" (a note of one step for each one), "joined" (ones in a row that follow each
    other are one note) or "held" (each lasts until the next, or to the end of its row).
    """
    n = len(disc.rows[0])
    t = Fraction(60) / (Fraction(str(player["rpm"])) * n)
    notes: list[Note] = []
    before: Seen | None = None
    row_end = Fraction(0)
    for one in read(disc, player):
        slot = one.time / t
        if one.first_of_row:
            if way == "held" and notes and before is not None:
                notes[-1].off = max(notes[-1].off, row_end)
            row_end = slot + n
        if one.bit == "1":
            degree = one.row % 8
            pitch = 62 + 12 * (degree // 7) + DORIAN[degree % 7]
            follows = before is not None and before.bit == "1" and not one.first_of_row
            if way == "joined" and follows:
                notes[-1].off = slot + 1
            else:
                if way == "held" and notes and notes[-1].off > row_end - n:
                    notes[-1].off = slot
                notes.append(Note(slot, slot + 1, pitch))
        if way == "held" and notes and notes[-1].on >= row_end - n:
            notes[-1].off = slot + 1
        before = one
    return notes

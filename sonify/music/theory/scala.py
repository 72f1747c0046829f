"""Scala's scale files (.scl) and keyboard mappings (.kbm), read and written.

Source: "Scala scale file format" and "Scala keyboard mapping file format" (Manuel Op de Coul,
huygens-fokker.org), from memory, not read again: text in ASCII or ISO 8859-1; lines that begin with
! are comments; the first other line is a description, which may be empty, the second the number of
tones; a pitch with a period is in cents, any other is a ratio, and what follows it on its line is
ignored; the first tone, 1/1, is not listed and the last one, octave or not, is the interval that
repeats. A mapping has its size, the first and the last
key, the key of the first degree, the key with a reference frequency, that frequency, and the degree
at which it repeats; then a degree or x for each key.
"""

from __future__ import annotations

import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

from sonify.errors import InputError
from sonify.music.theory.scale_table import Scale
from sonify.music.theory.scales import note_name
from sonify.music.theory.tuning import parse_ratio
from sonify.settings import read_text

__all__ = ["SUFFIXES", "keyboard_file", "keyboard_table", "scale_file", "scale_table"]

SUFFIXES = (".scl", ".kbm")


def _lines(path: Path) -> list[tuple[int, str]]:
    """The lines that are not comments, with their numbers from 1; none but the first is empty."""
    rows = enumerate(read_text(path, latin=True).splitlines(), 1)
    kept = [(n, text.strip()) for n, text in rows if not text.startswith("!")]
    return kept[:1] + [line for line in kept[1:] if line[1]]


def _number(path: Path, line: tuple[int, str], what: str, kind: type[int] | type[float]) -> Any:
    word = line[1].split()[0] if line[1].split() else ""
    try:
        return kind(word)
    except ValueError:
        raise InputError(
            f"'{word}' is not {what}; a number is needed", file=path, place=f"line {line[0]}"
        ) from None


def scale_table(path: Path) -> dict[str, Any]:
    """A scale file as a table of `music.scale`.

    Raises
    ------
    InputError
        Not a scale file, or one whose tones don't rise.
    """
    lines = _lines(path)
    if len(lines) < 2:
        raise InputError("it is cut off; a .scl has a name, a number and its pitches", file=path)
    count = _number(path, lines[1], "the number of tones", int)
    if count == 0:
        raise InputError(
            "it has no tone but its root; one is needed after which the scale repeats", file=path,
            place=f"line {lines[1][0]}",
        )  # fmt: skip
    tones = lines[2 : 2 + count]
    if count < 1 or len(tones) < count:
        raise InputError(
            f"{count} tones are announced and {len(tones)} listed", file=path,
            place=f"line {lines[1][0]}",
        )  # fmt: skip
    cents = [0.0, *(_cents(path, line) for line in tones)]
    for (low, high), (n, _) in zip(pairwise(cents), tones, strict=True):
        if high <= low:
            raise InputError(
                "this tone does not lie above the one before; sonify's scales rise", file=path,
                place=f"line {n}",
            )  # fmt: skip
    name = re.sub(r"\s+", " ", lines[0][1]) or path.stem
    return {"name": name, "cents": cents[:-1], "period": cents[-1]}


def _cents(path: Path, line: tuple[int, str]) -> float:
    word = line[1].split()[0] if line[1].split() else ""
    if "." in word:
        return float(_number(path, line, "a pitch", float))
    try:
        return 100 * parse_ratio(word, "")
    except InputError as e:
        raise InputError(e.what, file=path, place=f"line {line[0]}") from None


def keyboard_table(path: Path, scale: Scale) -> dict[str, Any]:
    """A keyboard mapping as settings of `[music]`: root, concert pitch, and the scale's own tones.

    Parameters
    ----------
    path : Path
    scale : Scale
        What it maps.

    Raises
    ------
    InputError
        Not a mapping, or one whose degrees don't rise.
    """
    lines = _lines(path)
    if len(lines) < 7:
        raise InputError("it is cut off; a .kbm has seven numbers and its degrees", file=path)
    words = ("a size", "a key", "a key", "a key", "a key", "a frequency", "a degree")
    kinds: tuple[type[int] | type[float], ...] = (int,) * 5 + (float, int)
    size, _, _, middle, reference, hertz, octave = (
        _number(path, line, what, kind)
        for line, what, kind in zip(lines, words, kinds, strict=False)
    )
    listed = [text.split()[0] if text else "x" for _, text in lines[7 : 7 + size]]
    listed += ["x"] * (size - len(listed))
    degrees = [None if d in "xX" else _number(path, (0, d), "a degree", int) for d in listed]
    tones, period = list(scale.semitones), scale.period
    if not size:
        degrees, octave = list(range(len(tones))), len(tones)

    def height(degree: int) -> float:
        return period * (degree // len(tones)) + tones[degree % len(tones)]

    turns, place = divmod(reference - middle, len(degrees))
    named = degrees[place]
    if named is None or hertz <= 0:
        raise InputError("the key with the reference frequency sounds no tone", file=path)
    root = 69 + 12 * math.log2(hertz / 440) - height(named) - turns * height(octave)
    heights = [height(d) for d in degrees if d is not None]
    if heights[:1] != [0.0] or any(b <= a for a, b in pairwise([*heights, height(octave)])):
        raise InputError(
            "its degrees don't rise from 0; sonify's scales begin at the root and rise", file=path
        )
    key = round(root)
    if not 0 <= key <= 127:
        raise InputError(f"its first degree is MIDI note {root:.1f}, outside 0 to 127", file=path)
    return {
        "root": note_name(key),
        "concert-pitch": round(440 * 2 ** ((root - key) / 12), 6),
        "scale": {
            "name": scale.name,
            "cents": [round(100 * h, 6) for h in heights],
            "period": round(100 * height(octave), 6),
        },
    }


def scale_file(scale: Scale, name: str) -> str:
    """A scale as a .scl."""
    cents = [100 * t for t in (*scale.semitones[1:], scale.period)]
    pitches = "".join(f" {c:.6f}\n" for c in cents)
    return f"! {name}\n!\n{scale.name}\n {len(cents)}\n!\n{pitches}"


def keyboard_file(scale: Scale, root: int, concert_pitch: float, name: str) -> str:
    """The keyboard mapping that has a scale's first degree on a key, as a .kbm."""
    hertz = concert_pitch * 2 ** ((root - 69) / 12)
    rows = (
        (0, "all degrees in order"), (0, "first key"), (127, "last key"),
        (root, "key of the first degree"), (root, "key with a frequency"),
        (f"{hertz:.6f}", "its frequency in Hz"), (len(scale.semitones), "degree that repeats"),
    )  # fmt: skip
    return f"! {name}\n" + "".join(f"! {what}\n{value}\n" for value, what in rows)

"""The table of letters in `sonify/recover/search/letters.txt`, made anew.

`python -m tests.benchmarks.letter_triples > sonify/recover/search/letters.txt` counts which letter
follows which two in the profiles of langdetect 1.0.9 (Nakatani Shuyo, language detection from texts
of Wikipedia), for languages written in Latin letters, all of one weight and without accents. It
needs langdetect.
"""

from __future__ import annotations

import importlib.util
import json
import string
import unicodedata
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LANGUAGES = ("cs", "da", "de", "en", "es", "fi", "fr", "hr", "hu", "it", "nl", "no", "pl", "pt",
             "ro", "sk", "sl", "sv")  # fmt: skip
LETTERS = string.ascii_lowercase
BLANK = 26
HALF_BITS = 25  # what is rarer counts as this rare, 1 of 6000
PAIRS_COUNT = 2000
"""How many triples all pairs of letters stand for: profiles leave out what is rare. With 200 and
with 20,000 the score of 16 messages changes by less than a bit in 10 letters."""


def counted(profile: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How often a letter follows one and two others, in a language."""
    pairs, triples = np.zeros((27, 27)), np.zeros((27, 27, 27))
    for group, count in json.loads(profile.read_text("utf-8"))["freq"].items():
        plain = unicodedata.normalize("NFD", group.lower())
        plain = "".join(c for c in plain if not unicodedata.combining(c))
        places = [BLANK if c == " " else LETTERS.find(c) for c in plain]
        if len(plain) == len(group) > 1 and min(places) >= 0:
            (pairs if len(plain) == 2 else triples)[tuple(places)] += count
    return pairs[:, :26], triples[:, :, :26]


def main() -> None:
    """Print a line for each two letters or blanks."""
    spec = importlib.util.find_spec("langdetect")
    if spec is None or spec.origin is None:
        raise SystemExit("langdetect is missing; install langdetect 1.0.9")
    shares = np.zeros((27, 27, 26))
    for language in LANGUAGES:
        pairs, triples = counted(Path(spec.origin).parent / "profiles" / language)
        likely = (pairs + 0.5) / (pairs + 0.5).sum(axis=1, keepdims=True)
        triples += PAIRS_COUNT * likely
        shares += triples / triples.sum(axis=2, keepdims=True)
    rare = -2 * np.log2(np.maximum(shares / len(LANGUAGES), 2 ** -(HALF_BITS / 2)))
    for row in np.rint(rare).astype(int).reshape(-1, 26):
        print("".join(LETTERS[n] for n in row))


if __name__ == "__main__":
    main()

"""The table of letter pairs in `sonify/recover/search/plausible.py`, made anew.

`python -m tests.benchmarks.letter_pairs` counts which letter follows which in the profiles of
langdetect 1.0.9 (Nakatani Shuyo, language detection from texts of Wikipedia), for languages written
in Latin letters, all of one weight and without accents. It needs langdetect.
"""

from __future__ import annotations

import importlib.util
import json
import string
import unicodedata
from pathlib import Path

import numpy as np

LANGUAGES = ("cs", "da", "de", "en", "es", "fi", "fr", "hr", "hu", "it", "nl", "no", "pl", "pt",
             "ro", "sk", "sl", "sv")  # fmt: skip
LETTERS = string.ascii_lowercase
HALF_BITS = 25  # what is rarer counts as this rare, 1 of 6000


def main() -> None:
    """Print a line for each letter, and one for the start of a word."""
    spec = importlib.util.find_spec("langdetect")
    if spec is None or spec.origin is None:
        raise SystemExit("langdetect is missing; install langdetect 1.0.9")
    shares = np.zeros((27, 26))
    for language in LANGUAGES:
        profile = Path(spec.origin).parent / "profiles" / language
        counts = np.zeros((27, 26))
        for pair, count in json.loads(profile.read_text("utf-8"))["freq"].items():
            plain = unicodedata.normalize("NFD", pair.lower())
            plain = "".join(c for c in plain if not unicodedata.combining(c))
            if len(pair) == 2 and len(plain) == 2 and plain[1] in LETTERS:
                row = 26 if plain[0] == " " else LETTERS.find(plain[0])
                if row >= 0:
                    counts[row, LETTERS.index(plain[1])] += count
        shares += counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    shares /= shares.sum(axis=1, keepdims=True)
    rare = np.rint(-2 * np.log2(np.maximum(shares, 2 ** -(HALF_BITS / 2)))).astype(int)
    for row in rare:
        print("".join(LETTERS[n] for n in row))


if __name__ == "__main__":
    main()

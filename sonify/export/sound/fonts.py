"""SoundFonts by name: the one that ships, put in tune, and others by path.

The recordings in the SoundFont that ships are off pitch by a few cents, so that two programs beat
against each other and tunings other than twelve tones can't be heard as such. The table beside this
file, made by `tests.benchmarks.tuning`, holds the cents to add to each zone of its instruments.
"""

from __future__ import annotations

import importlib.util
import zlib
from functools import lru_cache
from pathlib import Path

from sonify.errors import InputError
from sonify.export.sound.soundfont import SoundFont, read_soundfont

__all__ = ["DEFAULT", "TABLE", "checksum", "corrections", "load_soundfont", "untuned_default"]

DEFAULT = "general-midi"
TABLE = Path(__file__).with_name("general_midi_tuning.txt")


def load_soundfont(name: str = DEFAULT) -> SoundFont:
    """A SoundFont by path, or the one that ships.

    Raises
    ------
    InputError
        No such file, or not a whole SoundFont 2.
    """
    return _tuned(untuned_default()) if name == DEFAULT else read_soundfont(Path(name))


def untuned_default() -> SoundFont:
    """The SoundFont that ships, inside pretty_midi, as its file is."""
    # found without importing pretty_midi, which takes a second
    spec = importlib.util.find_spec("pretty_midi")
    if spec is None or spec.origin is None:
        raise InputError(
            "the SoundFont that ships comes with pretty_midi, which is not installed",
            hint="install pretty_midi, or give a SoundFont with {soundfont}",
        )
    return read_soundfont(Path(spec.origin).with_name("TimGM6mb.sf2"))


@lru_cache(maxsize=1)
def _tuned(font: SoundFont) -> SoundFont:
    table = corrections(font.data)
    return font if table is None else font.retuned(table)


def checksum(data: bytes) -> str:
    """What identifies a SoundFont in the table."""
    return f"{zlib.crc32(data):08x}"


def corrections(data: bytes) -> dict[int, int] | None:
    """The cents to add by zone; None for another SoundFont than the table's."""
    first, *lines = TABLE.read_text(encoding="ascii").splitlines()
    if first.split()[-1] != checksum(data):
        return None
    return {int(zone): int(cents) for zone, cents in (line.split() for line in lines)}

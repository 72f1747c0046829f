"""SoundFont files: their contents, copies that are louder or retuned, and the one that ships.

The recordings in the SoundFont that ships are a few cents off pitch, so it is retuned. Otherwise
two programs would beat against each other, and tunings other than twelve tones could not be
recognised.

Source: SoundFont Technical Specification 2.04 (E-mu Systems, 2006): RIFF form `sfbk`; in its list
`pdta` the presets (`phdr`), their zones (`pbag`) and those zones' generators (`pgen`); generator
48 is initialAttenuation, 41 instrument, 52 fineTune, 53 sampleID.
"""

from __future__ import annotations

import importlib.util
import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.extras import require
from sonify.input_file import input_file
from sonify.midi.general_midi import PROGRAMS

__all__ = [
    "TABLE",
    "SoundFont",
    "checksum",
    "corrections",
    "forget",
    "load_soundfont",
    "untuned_default",
]

DEFAULT = "general-midi"
# cents to add to each zone of the SoundFont that ships, made by `tests.benchmarks.tuning`
TABLE = Path(__file__).with_name("general_midi_tuning.txt")

# own limit; a RIFF file can have twice as many
_MAX_BYTES = 1 << 31

_ATTENUATION, _INSTRUMENT, _FINE_TUNE, _SAMPLE = 48, 41, 52, 53
_EFFECT_SENDS = (15, 16)
_PRESET = np.dtype(
    [("name", "S20"), ("preset", "<u2"), ("bank", "<u2"), ("bag", "<u2"), ("rest", "<u4", 3)]
)
_DRUM_BANK = 128
_BAGS = {
    "phdr": np.dtype([("name", "S20"), ("bank", "<u4"), ("first", "<u2"), ("rest", "<u4", 3)]),
    "inst": np.dtype([("name", "S20"), ("first", "<u2")]),
    "pbag": np.dtype([("first", "<u2"), ("rest", "<u2")]),
    "ibag": np.dtype([("first", "<u2"), ("rest", "<u2")]),
}
"""The lists whose rows each own the rows of another list from `first` to the next row's."""


@dataclass(frozen=True, eq=False)
class SoundFont:
    """A SoundFont's bytes, and where its lists are.

    Attributes
    ----------
    path : Path
    data : bytes
    chunks : dict of str to tuple of int
        Offset and length of each chunk of the list `pdta`.
    own : bool
        Whether the bytes are those of the file.
    """

    path: Path
    data: bytes
    chunks: dict[str, tuple[int, int]]
    own: bool = True

    preset_type = _PRESET

    def array(self, name: str, kind: Any) -> NDArray[Any]:
        """A chunk of `pdta` as an array of a type."""
        at, size = self.chunks[name]
        kind = np.dtype(kind)
        return np.frombuffer(self.data, kind, size // kind.itemsize, at)

    @cached_property
    def presets(self) -> dict[tuple[int, int], str]:
        """Names of presets by bank and program (0 to 127)."""
        rows = self.array("phdr", _PRESET)[:-1]
        return {
            (int(r["bank"]), int(r["preset"])): r["name"].decode("latin-1").strip() for r in rows
        }

    def missing(self, programs: list[tuple[int, bool]]) -> list[str]:
        """A line for each program (0 to 127, and whether for drums) that the SoundFont lacks."""
        out = []
        for program, drums in programs:
            if (_DRUM_BANK if drums else 0, program) in self.presets:
                continue
            # renderers fall back to the first drum kit, or else to the first preset
            kit = (_DRUM_BANK, 0)
            instead = self.presets[kit if drums and kit in self.presets else min(self.presets)]
            what = f"drum kit {program + 1}" if drums else f"'{PROGRAMS[program]}'"
            out.append(
                f"{self.path.name} has no {what} (program {program + 1}); "
                f"its '{instead}' is used instead"
            )
        return out

    def amplified(self, decibels: float) -> bytes:
        """The same SoundFont with every preset louder.

        The renderer gives 16 bits, of which a soft note at the usual level would use only a few.
        So the level is raised before rendering and lowered afterwards. Renderers apply 0.4 dB for
        each dB of attenuation (common practice, no source).
        """
        amount = round(-decibels * 10 / 0.4)
        if not amount:
            return self.data
        bags = self.array("pbag", "<u2")[::2].tolist()
        gens = self.array("pgen", "<i2")[::2].tolist()
        amounts, starts = {}, self.array("phdr", _PRESET)["bag"].tolist()
        for first, last in pairwise(starts):
            for zone in range(first, min(last, len(bags) - 1)):
                kinds = gens[bags[zone] : bags[zone + 1]]
                # a preset's first zone applies to all others if it names no instrument
                if zone == first:
                    common = _INSTRUMENT not in kinds
                if _ATTENUATION in kinds or not common or _INSTRUMENT not in kinds:
                    amounts[zone] = amount
        return self._added("p", _ATTENUATION, amounts).data

    @cached_property
    def dry(self) -> SoundFont:
        """The same SoundFont, none of whose zones sends to chorus or reverberation."""
        new = {}
        for name in ("pgen", "igen"):
            gens = self.array(name, "<i2").reshape(-1, 2).copy()
            gens[np.isin(gens[:, 0], _EFFECT_SENDS), 1] = 0
            new[name] = gens.tobytes()
        return self._replaced(new)

    def retuned(self, cents: dict[int, int]) -> SoundFont:
        """Make the same SoundFont with cents added to zones of instruments, by place in `ibag`."""
        return self._added("i", _FINE_TUNE, cents)

    def _added(self, level: str, generator: int, amounts: dict[int, int]) -> SoundFont:
        """Add to a generator of some zones, of presets ("p") or of instruments ("i")."""
        bags = self.array(f"{level}bag", "<u2").reshape(-1, 2).astype(np.int64)
        gens = self.array(f"{level}gen", "<i2").reshape(-1, 2).astype(np.int64)
        if (np.diff(bags[:, 0]) < 0).any() or bags[-1, 0] >= len(gens):
            raise InputError("this SoundFont is damaged: its zones overlap", file=self.path)
        have = np.flatnonzero(gens[:, 0] == generator)
        owner = (np.searchsorted(bags[:, 0], have, side="right") - 1).tolist()
        gens[have, 1] += np.array([amounts.get(zone, 0) for zone in owner], np.int64)
        zones = np.array(sorted(amounts.keys() - set(owner)), np.int64)
        rows = np.array([(generator, amounts[z]) for z in zones.tolist()], np.int64).reshape(-1, 2)
        # the last generator of a zone names its instrument or sample; new ones come before it
        ends = bags[zones + 1, 0]
        named = (ends > bags[zones, 0]) & np.isin(gens[ends - 1, 0], (_INSTRUMENT, _SAMPLE))
        gens = np.insert(gens, ends - named, rows, axis=0)
        bags[:, 0] += np.searchsorted(zones, np.arange(len(bags)), side="left")
        gens[:, 1] = np.clip(gens[:, 1], -32768, 32767)
        new = {f"{level}bag": bags.astype("<u2"), f"{level}gen": gens.astype("<i2")}
        return self._replaced({name: array.tobytes() for name, array in new.items()})

    def _replaced(self, new: dict[str, bytes]) -> SoundFont:
        """The same SoundFont with some chunks of `pdta` replaced."""
        edits = []
        for name, fresh in new.items():
            start, size = self.chunks[name]
            edits.append((start - 4, start + size, struct.pack("<I", len(fresh)) + fresh))
        grown = sum(len(fresh) - self.chunks[name][1] for name, fresh in new.items())
        list_at = min(start for start, _ in self.chunks.values()) - 20
        for place in (4, list_at + 4):
            old = struct.unpack_from("<I", self.data, place)[0]
            edits.append((place, place + 4, struct.pack("<I", old + grown)))
        # the samples are large, so they are copied only once
        whole, at = memoryview(self.data), 0
        pieces: list[bytes | memoryview] = []
        for start, end, fresh in sorted(edits):
            pieces += [whole[at:start], fresh]
            at = end
        data = b"".join([*pieces, whole[at:]])
        return SoundFont(self.path, data, _chunks(data, self.path), own=False)


def read_soundfont(path: Path) -> SoundFont:
    """Read a SoundFont; it stays in memory until its file changes.

    Raises
    ------
    InputError
        No such file, or not a complete SoundFont 2.
    """
    with input_file(path, _MAX_BYTES):
        stat = path.stat()
        return _read(path, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=2)
def _read(path: Path, changed: int, size: int) -> SoundFont:
    data = path.read_bytes()
    return SoundFont(path, data, _chunks(data, path))


_OTHERS = {
    r"RIFF....DLS ": "a DLS sound bank",
    r"RIFF....WAVE": "a WAV file",
    r"MThd": "a MIDI file",
    r"<": "text",
}


def _riff(data: bytes, at: int, end: int) -> Iterator[tuple[str, int, int]]:
    """The chunks between two places: name, first byte, and size."""
    while at + 8 <= end:
        size = struct.unpack_from("<I", data, at + 4)[0]
        yield data[at : at + 4].decode("latin-1"), at + 8, size
        at += 8 + size + (size & 1)


def _chunks(data: bytes, path: Path) -> dict[str, tuple[int, int]]:
    """Find the lists of presets and instruments, and check that the file is complete."""

    def damaged(what: str) -> InputError:
        return InputError(f"this SoundFont is damaged: {what}", file=path)

    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        head = data[:12].decode("latin-1")
        kind = next((k for p, k in _OTHERS.items() if re.match(p, head, re.S)), "something else")
        raise InputError(f"this is {kind}, not a SoundFont 2 file (.sf2)", file=path)
    told = struct.unpack_from("<I", data, 4)[0] + 8
    if told > len(data):
        raise InputError(
            f"this SoundFont is cut off: only {len(data):,} of {told:,} bytes are there", file=path
        )
    found: dict[str, tuple[int, int]] = {}
    for name, start, length in _riff(data, 12, told):
        if name != "LIST":
            continue
        for tag, at, size in _riff(data, start + 4, min(start + length, told)):
            if at + size > told:
                raise damaged(f"a part that begins at byte {at - 8:,} is cut off")
            if tag == "smpl" and data[at : at + 4] == b"OggS":
                raise InputError(
                    "its samples are compressed (SoundFont 3), which only FluidSynth plays",
                    file=path,
                    hint="use an uncompressed .sf2, or set {renderer} to fluidsynth",
                )
            if tag == "smpl" or data[start : start + 4] == b"pdta":
                found[tag] = (at, size)
    for needed in ("smpl", "phdr", "pbag", "pgen", "inst", "ibag", "igen", "shdr"):
        if needed not in found:
            raise damaged(f"it has no {needed}")
    del found["smpl"]
    if found["phdr"][1] < 2 * _PRESET.itemsize:
        raise InputError("this SoundFont holds no presets", file=path)
    for tag, row in _BAGS.items():
        at, size = found[tag]
        first = np.frombuffer(data, row, size // row.itemsize, at)["first"]
        if (np.diff(first.astype(np.int64)) < 0).any():
            raise damaged(f"what its {tag} names overlaps")
    return found


def load_soundfont(name: str = DEFAULT) -> SoundFont:
    """Read a SoundFont by path, or the one that ships.

    Raises
    ------
    InputError
        No such file, or not a complete SoundFont 2.
    """
    return _tuned(untuned_default()) if name == DEFAULT else read_soundfont(Path(name))


def forget() -> None:
    """Give free the SoundFonts that were read."""
    _tuned.cache_clear()
    _read.cache_clear()


def untuned_default() -> SoundFont:
    """Read the SoundFont that ships inside pretty_midi, without corrections."""
    require("sound")
    # found without importing pretty_midi, which takes a second
    spec = importlib.util.find_spec("pretty_midi")
    assert spec is not None
    assert spec.origin is not None
    return read_soundfont(Path(spec.origin).with_name("TimGM6mb.sf2"))


@lru_cache(maxsize=1)
def _tuned(font: SoundFont) -> SoundFont:
    table = corrections(font.data)
    return font if table is None else font.retuned(table)


def checksum(data: bytes) -> str:
    """The checksum by which the table identifies a SoundFont."""
    return f"{zlib.crc32(data):08x}"


def corrections(data: bytes) -> dict[int, int] | None:
    """Read the cents to add by zone; None if the table is for another SoundFont."""
    first, *lines = TABLE.read_text(encoding="ascii").splitlines()
    if first.split()[-1] != checksum(data):
        return None
    return {int(zone): int(cents) for zone, cents in (line.split() for line in lines)}

"""SoundFonts: the one that ships, one's own, what they hold, and how loud they play.

Source: SoundFont Technical Specification 2.04 (E-mu Systems, 2006): RIFF form `sfbk`; in its list
`pdta` the presets (`phdr`), their zones (`pbag`) and those zones' generators (`pgen`); generator
48 is initialAttenuation, 41 instrument.
"""

from __future__ import annotations

import importlib.util
import struct
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.general_midi import PROGRAMS

__all__ = ["DEFAULT", "SoundFont", "load_soundfont"]

DEFAULT = "general-midi"
_MAX_BYTES = 1 << 31
_ATTENUATION, _INSTRUMENT = 48, 41
_PRESET = np.dtype(
    [("name", "S20"), ("preset", "<u2"), ("bank", "<u2"), ("bag", "<u2"), ("rest", "<u4", 3)]
)
_DRUM_BANK = 128


@dataclass(frozen=True, eq=False)
class SoundFont:
    """A SoundFont's bytes and where its lists are in them.

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

    def stand_in(self, bank: int, program: int, drums: bool) -> str | None:
        """What sounds in place of a program that is not in here; None where it is.

        The renderer falls back to the program's bank 0 (for drums, the first kit), and then to
        the SoundFont's first preset.
        """
        wanted = (_DRUM_BANK, program) if drums else (bank, program)
        if wanted in self.presets:
            return None
        second = (_DRUM_BANK, 0) if drums else (0, program)
        if second in self.presets:
            return self.presets[second] if drums else None
        return self.presets[min(self.presets)]

    def missing(self, programs: list[tuple[int, int, bool]]) -> list[str]:
        """A line for each program that the SoundFont lacks: which, and what is used instead."""
        out = []
        for bank, program, drums in programs:
            instead = self.stand_in(bank, program, drums)
            if instead is not None:
                what = f"drum kit {program + 1}" if drums else f"'{PROGRAMS[program]}'"
                out.append(
                    f"{self.path.name} has no {what} (program {program + 1}); "
                    f"its '{instead}' is used instead"
                )
        return out

    def amplified(self, decibels: float) -> bytes:
        """The same SoundFont with every preset louder.

        What is rendered comes in 16 bits, and at a usual level a single soft note would use only
        a few of them. So the level is raised before those bits are cut, and lowered after.
        A renderer applies 0.4 dB for each dB of attenuation, as the first hardware did.
        """
        amount = round(-decibels * 10 / 0.4)
        if not amount:
            return self.data
        bags = self.array("pbag", "<u2").reshape(-1, 2)
        gens = self.array("pgen", "<i2").reshape(-1, 2)
        presets = self.array("phdr", _PRESET)["bag"]
        out: list[tuple[int, int]] = []
        starts: list[tuple[int, int]] = []
        for first, last in zip(presets[:-1].tolist(), presets[1:].tolist(), strict=True):
            common = False
            for zone in range(first, last):
                mine = [tuple(g) for g in gens[bags[zone, 0] : bags[zone + 1, 0]].tolist()]
                local = bool(mine) and mine[-1][0] == _INSTRUMENT
                common |= zone == first and not local
                own = [k for k, g in enumerate(mine) if g[0] == _ATTENUATION]
                for k in own:
                    mine[k] = (_ATTENUATION, max(-32768, min(32767, mine[k][1] + amount)))
                if not own and (not local or not common):
                    mine.insert(len(mine) - int(local), (_ATTENUATION, amount))
                starts.append((len(out), int(bags[zone, 1])))
                out.extend(mine)
        starts.append((len(out), int(bags[-1, 1])))
        out.append((0, 0))
        return self._with(
            pbag=np.array(starts, "<u2").tobytes(), pgen=np.array(out, "<i2").tobytes()
        )

    def _with(self, **new: bytes) -> bytes:
        """The file with some chunks of `pdta` replaced."""
        edits = []
        for name, fresh in new.items():
            start, size = self.chunks[name]
            edits.append((start - 4, start + size, struct.pack("<I", len(fresh)) + fresh))
        grown = sum(len(fresh) - self.chunks[name][1] for name, fresh in new.items())
        for place in (4, self._list_at + 4):
            old = struct.unpack_from("<I", self.data, place)[0]
            edits.append((place, place + 4, struct.pack("<I", old + grown)))
        # the samples are large, so they are copied but once
        whole, at = memoryview(self.data), 0
        pieces: list[bytes | memoryview] = []
        for start, end, fresh in sorted(edits):
            pieces += [whole[at:start], fresh]
            at = end
        return b"".join([*pieces, whole[at:]])

    def replaced(self, **new: bytes) -> SoundFont:
        """A SoundFont with some chunks of `pdta` replaced."""
        data = self._with(**new)
        return SoundFont(self.path, data, _chunks(data, self.path), own=False)

    @property
    def _list_at(self) -> int:
        return min(start for start, _ in self.chunks.values()) - 20


def _default_path() -> Path:
    """The General MIDI SoundFont inside pretty_midi, found without importing that."""
    spec = importlib.util.find_spec("pretty_midi")
    if spec is None or spec.origin is None:
        raise InputError(
            "the SoundFont that ships comes with pretty_midi, which is not installed",
            hint="install pretty_midi, or give a SoundFont with {soundfont}",
        )
    return Path(spec.origin).with_name("TimGM6mb.sf2")


def load_soundfont(name: str = DEFAULT) -> SoundFont:
    """A SoundFont by path, or the one that ships.

    Raises
    ------
    InputError
        No such file, or not a whole SoundFont 2.
    """
    path = _default_path() if name == DEFAULT else Path(name)
    try:
        stat = path.stat()
    except OSError as e:
        raise _unreadable(e, path) from None
    font = _load(path, stat.st_mtime_ns, stat.st_size)
    return _tuned(font) if name == DEFAULT else font


def untuned_default() -> SoundFont:
    """The SoundFont that ships, as its file is."""
    return load_soundfont(str(_default_path()))


@lru_cache(maxsize=1)
def _tuned(font: SoundFont) -> SoundFont:
    from sonify.export.sound.tuning import tuned

    return tuned(font)


@lru_cache(maxsize=2)
def _load(path: Path, changed: int, size: int) -> SoundFont:
    if path.is_dir():
        raise InputError("this is a folder; a SoundFont file (.sf2) is needed", file=path)
    if size > _MAX_BYTES:
        raise InputError(f"{size:,} bytes are too many; at most {_MAX_BYTES:,}", file=path)
    try:
        data = path.read_bytes()
    except OSError as e:
        raise _unreadable(e, path) from None
    return SoundFont(path, data, _chunks(data, path))


def _unreadable(error: OSError, path: Path) -> InputError:
    if isinstance(error, FileNotFoundError):
        return InputError("there is no such SoundFont", file=path)
    return InputError(f"it can't be read ({error.strerror or error})", file=path)


_OTHERS = (
    (b"RIFF", 8, b"DLS ", "a DLS sound bank"),
    (b"RIFF", 8, b"WAVE", "a WAV file"),
    (b"MThd", 0, b"MThd", "a MIDI file"),
    (b"<", 0, b"<", "text"),
)


def _chunks(data: bytes, path: Path) -> dict[str, tuple[int, int]]:
    """Where the lists about presets are, having checked that the file is whole."""
    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        kind = next(
            (w for head, at, tag, w in _OTHERS if data[:4].startswith(head) and
             data[at : at + len(tag)] == tag),
            "something else",
        )  # fmt: skip
        raise InputError(f"this is {kind}, not a SoundFont 2 file (.sf2)", file=path)
    told = struct.unpack_from("<I", data, 4)[0] + 8
    if told > len(data):
        raise InputError(
            f"this SoundFont is cut off: {len(data):,} of {told:,} bytes are there", file=path
        )
    found: dict[str, tuple[int, int]] = {}
    samples = -1
    at = 12
    while at + 12 <= told:
        name, size = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        if name == b"LIST":
            inner, end = at + 12, at + 8 + size
            while inner + 8 <= min(end, told):
                tag = data[inner : inner + 4]
                length = struct.unpack_from("<I", data, inner + 4)[0]
                if inner + 8 + length > told:
                    raise InputError(f"this SoundFont is damaged at byte {inner:,}", file=path)
                if data[at + 8 : at + 12] == b"pdta":
                    found[tag.decode("latin-1")] = (inner + 8, length)
                elif tag == b"smpl":
                    samples = length
                    if data[inner + 8 : inner + 12] == b"OggS":
                        raise InputError(
                            "its samples are compressed (SoundFont 3), and only FluidSynth "
                            "plays those",
                            file=path,
                            hint="use an uncompressed .sf2, or set {renderer} to fluidsynth",
                        )
                inner += 8 + length + (length & 1)
        at += 8 + size + (size & 1)
    lacking = [c for c in ("phdr", "pbag", "pgen", "inst", "ibag", "igen", "shdr")
               if c not in found]  # fmt: skip
    if samples < 0:
        lacking.insert(0, "smpl")
    if lacking:
        raise InputError(f"this SoundFont is damaged: it has no {lacking[0]}", file=path)
    if found["phdr"][1] < 2 * _PRESET.itemsize:
        raise InputError("this SoundFont holds no presets", file=path)
    return found

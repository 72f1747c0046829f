"""SoundFont files: what they hold, and copies that are louder or retuned.

Source: SoundFont Technical Specification 2.04 (E-mu Systems, 2006): RIFF form `sfbk`; in its list
`pdta` the presets (`phdr`), their zones (`pbag`) and those zones' generators (`pgen`); generator
48 is initialAttenuation, 41 instrument, 52 fineTune.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.general_midi import PROGRAMS

__all__ = ["SoundFont", "read_soundfont"]

_MAX_BYTES = 1 << 31
"""Own limit; a RIFF file can have twice as many."""

_ATTENUATION, _INSTRUMENT, _FINE_TUNE = 48, 41, 52
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
        So the level is raised before and lowered after. Renderers apply 0.4 dB for each dB of
        attenuation (common practice, no source).
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
        return self.replaced(pbag=np.array(starts, "<u2"), pgen=np.array(out, "<i2")).data

    def retuned(self, cents: dict[int, int]) -> SoundFont:
        """The same SoundFont with cents added to zones of its instruments, by place in `ibag`."""
        bags = self.array("ibag", "<u2").reshape(-1, 2).astype(np.int64)
        gens = self.array("igen", "<i2").reshape(-1, 2).copy()
        fine = np.flatnonzero(gens[:, 0] == _FINE_TUNE)
        owner = np.searchsorted(bags[:, 0], fine, side="right") - 1
        have = dict(zip(owner.tolist(), fine.tolist(), strict=True))
        for zone in cents.keys() & have.keys():
            gens[have[zone], 1] += cents[zone]
        zones = np.array(sorted(cents.keys() - have.keys()), np.int64)
        # the last generator of a zone names its sample; what is new comes before it
        rows = np.array([(_FINE_TUNE, cents[z]) for z in zones.tolist()], np.int16).reshape(-1, 2)
        gens = np.insert(gens, bags[zones + 1, 0] - 1, rows, axis=0)
        bags[:, 0] += np.searchsorted(zones, np.arange(len(bags)), side="left")
        return self.replaced(ibag=bags.astype("<u2"), igen=gens.astype("<i2"))

    def replaced(self, **arrays: NDArray[Any]) -> SoundFont:
        """The same SoundFont with some chunks of `pdta` replaced."""
        new = {name: array.tobytes() for name, array in arrays.items()}
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
    """A SoundFont, kept in memory until its file changes.

    Raises
    ------
    InputError
        No such file, or not a whole SoundFont 2.
    """
    try:
        stat = path.stat()
    except OSError as e:
        raise _unreadable(e, path) from None
    return _read(path, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=2)
def _read(path: Path, changed: int, size: int) -> SoundFont:
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

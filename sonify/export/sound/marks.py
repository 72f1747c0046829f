"""What a sound file says about its place in a piece: time reference, loop, tempo and level.

Sources: EBU Tech 3285 version 2 (2011) for the broadcast extension ("bext"), which counts time in
samples; Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft, 1991) for
RIFF, and New Multimedia Data Types and Data Techniques (Microsoft, revision 3.0, 1994), which added
the sampler chunk ("smpl") to it, both from memory. The Vorbis comments LOOPSTART, LOOPLENGTH and
BPM are common practice, no source; TBPM is of ID3 2.4.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

__all__ = ["Marks", "finish_wav", "tags_of", "wav_options"]

_UNKNOWN = 0x7FFF
"""Stands for a level that is not given (EBU Tech 3285)."""

_VERSION_AT = 346
_LEVELS_AT = 412
"""Where the version and the levels are in a broadcast extension, after text and time, and UMID."""


@dataclass(frozen=True)
class Marks:
    """What is said about a sound.

    Attributes
    ----------
    title : str
    start_s : float
        Where it begins in the piece, in s.
    bpm : float or None
        Quarter notes per minute, if that is one tempo.
    loops : bool
        Whether all of it repeats without a seam.
    lufs, peak_db : float or None
        Its loudness, and its true peak in dBTP.
    """

    title: str
    start_s: float = 0.0
    bpm: float | None = None
    loops: bool = False
    lufs: float | None = None
    peak_db: float | None = None


def tags_of(marks: Marks, container: str, rate: int, samples: int) -> dict[str, str]:
    """The tags of a file of so many samples, by its container in FFmpeg."""
    out = {"title": marks.title}
    if marks.bpm is not None:
        names = {"flac": "BPM", "ogg": "BPM", "mp3": "TBPM", "ipod": "tmpo"}
        whole = container in ("mp3", "ipod")
        if container in names:
            out[names[container]] = str(round(marks.bpm)) if whole else f"{marks.bpm:.6g}"
    if container == "flac" and marks.loops:
        out |= {"LOOPSTART": "0", "LOOPLENGTH": str(samples)}
    if container == "wav":
        tempo = "" if marks.bpm is None else f", {marks.bpm:.6g} quarter notes a minute"
        out |= {
            "description": f"{marks.title}{tempo}", "originator": "sonify",
            "time_reference": str(round(marks.start_s * rate)),
        }  # fmt: skip
        if marks.bpm is not None:
            out["comment"] = f"{marks.bpm:.6g} bpm"
    return out


def wav_options(container: str) -> dict[str, str]:
    """What FFmpeg needs to write a broadcast extension."""
    return {"write_bext": "1"} if container == "wav" else {}


def _chunk(file: BinaryIO, at: int) -> tuple[bytes, int]:
    """The tag and the size of the chunk at a place of a file, which is left at its content."""
    file.seek(at)
    head = file.read(8).ljust(8, b"\0")
    return head[:4].strip(b"\0"), int.from_bytes(head[4:], "little")


def finish_wav(path: Path, marks: Marks, rate: int, samples: int) -> None:
    """Add what FFmpeg leaves out: version 2 of the extension with the levels, and the loop."""
    with open(path, "r+b") as file:
        tag, size = _chunk(file, 12)
        while tag not in (b"bext", b"data", b""):
            tag, size = _chunk(file, file.tell() + size + (size & 1))
        if tag == b"bext":
            at = file.tell()
            file.seek(at + _VERSION_AT)
            file.write(struct.pack("<H", 2))
            file.seek(at + _LEVELS_AT)
            for level in (marks.lufs, None, marks.peak_db, None, None):
                file.write(struct.pack("<h", _UNKNOWN if level is None else round(100 * level)))
        if not marks.loops or not samples:
            return
        # no device, middle C, no time code; one loop, forwards, to its last sample, for ever
        body = struct.pack("<9I", 0, 0, round(1e9 / rate), 60, 0, 0, 0, 1, 0)
        body += struct.pack("<6I", 0, 0, 0, samples - 1, 0, 0)
        end = file.seek(0, 2)
        file.write(b"\0" * (end & 1) + b"smpl" + struct.pack("<I", len(body)) + body)
        size = file.tell() - 8
        file.seek(4)
        file.write(struct.pack("<I", size))

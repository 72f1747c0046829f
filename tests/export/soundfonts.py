"""Sound as samples, and small SoundFonts, byte by byte after the SoundFont specification 2.04."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

import sonify
from sonify.export.sound.audio import Samples
from sonify.export.sound.master import mastered
from sonify.export.sound.options import SoundOptions

RATE = 48000


def render(show: sonify.Performance, options: SoundOptions | None = None) -> Samples:
    """A performance's finished sound, shape (samples, 2)."""
    done = mastered(show, options)
    return done.read(0, done.size)


def chunk(tag: bytes, data: bytes) -> bytes:
    return tag + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1)


def listed(kind: bytes, *chunks: bytes) -> bytes:
    return chunk(b"LIST", kind + b"".join(chunks))


TICK = {(0, 0): 69, (128, 0): 69}
"""Presets of a sharp tone, for melodies and for drums."""


def soundfont(path: Path, presets: dict[tuple[int, int], int], *, sharp: bool = False) -> Path:
    """A SoundFont of looped tones.

    `presets` gives for a bank and program the key at which its one sample, 1000 samples of ten
    periods of a sine, would sound as it is: so presets with other keys sound at other pitches.
    `sharp` makes the sample a burst of 5 ms, at its full height at once, that is not looped.
    """
    n = 1000
    turns = np.arange(n) * 10 / n
    wave = np.where(turns % 1 < 0.5, 1.0, -1.0) if sharp else np.sin(2 * np.pi * turns)
    if sharp:
        wave[240:] = 0
    samples = np.concatenate([wave * 20000, np.zeros(46)]).astype("<i2").tobytes()
    names = sorted(presets)
    phdr = b"".join(
        struct.pack("<20sHHHIII", f"tone {bank}:{program}".encode(), program, bank, k, 0, 0, 0)
        for k, (bank, program) in enumerate(names)
    )
    phdr += struct.pack("<20sHHHIII", b"EOP", 0, 0, len(names), 0, 0, 0)
    pbag = b"".join(struct.pack("<HH", k, 0) for k in range(len(names) + 1))
    pgen = b"".join(struct.pack("<Hh", 41, k) for k in range(len(names)))
    pgen += struct.pack("<Hh", 0, 0)
    inst = b"".join(struct.pack("<20sH", f"inst {k}".encode(), k) for k in range(len(names) + 1))
    ibag = b"".join(struct.pack("<HH", 3 * k, 0) for k in range(len(names) + 1))
    # looped, its own key, the sample
    igen = b"".join(
        struct.pack("<HhHhHh", 54, 0 if sharp else 1, 58, presets[name], 53, 0) for name in names
    ) + struct.pack("<Hh", 0, 0)
    shdr = struct.pack("<20sIIIIIBbHH", b"wave", 0, n, 0, n, RATE, 60, 0, 0, 1)
    shdr += struct.pack("<20sIIIIIBbHH", b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0)
    info = listed(
        b"INFO",
        chunk(b"ifil", struct.pack("<HH", 2, 1)),
        chunk(b"isng", b"EMU8000\0"),
        chunk(b"INAM", b"test\0\0"),
    )
    sdta = listed(b"sdta", chunk(b"smpl", samples))
    mod = bytes(10)
    pdta = listed(
        b"pdta",
        chunk(b"phdr", phdr),
        chunk(b"pbag", pbag),
        chunk(b"pmod", mod),
        chunk(b"pgen", pgen),
        chunk(b"inst", inst),
        chunk(b"ibag", ibag),
        chunk(b"imod", mod),
        chunk(b"igen", igen),
        chunk(b"shdr", shdr),
    )
    path.write_bytes(chunk(b"RIFF", b"sfbk" + info + sdta + pdta))
    return path


def onsets(x: np.ndarray, when: np.ndarray, around: float = 0.015) -> np.ndarray:
    """Where sharp tones begin near some times, in s: the first sample at 48 kHz that stands out.

    Two thirds of `around` from a time may a tone lie; what comes before that rings on.
    """
    level = np.abs(x).max(axis=1)
    out = []
    for t in when:
        a = max(0, int((t - around) * 48_000))
        part = level[a : a + int(2 * around * 48_000)]
        before = part[: int(around / 3 * 48_000)].max()
        stands_out = part > before + 0.25 * (part.max() - before)
        out.append((a + int(np.argmax(stands_out))) / 48_000)
    return np.array(out)

"""Puts the SoundFont that ships in tune.

Its recordings are not all at the pitch that it says they are: by a few cents, so that two programs
beat against each other and other tunings than twelve tones can't be told from them. The table
beside this file holds, for each zone of its instruments, the cents to add. `python -m
sonify.export.sound.tuning` measures it anew, by rendering every program on every key and finding
each fundamental in its spectrum.

Source: SoundFont Technical Specification 2.04, generators 43 (keyRange), 52 (fineTune) and 53
(sampleID); ISO 16 for A4 = 440 Hz.
"""

from __future__ import annotations

import sys
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.export.sound.soundfont import SoundFont
from sonify.export.sound.worker import render
from sonify.midi.smf import RATE

__all__ = ["TABLE", "corrections", "deviations", "tuned"]

TABLE = Path(__file__).with_name("general_midi_tuning.txt")

_KEY_RANGE, _FINE_TUNE, _SAMPLE, _INSTRUMENT = 43, 52, 53, 41
_LOWEST, _HIGHEST = 21, 108
_MOST = 20.0
_SPREAD = 4.0
_NOTE_S, _EVERY_S, _FROM_S = 1.5, 1.8, 0.2

Floats = NDArray[np.float64]


def _checksum(data: bytes) -> str:
    return f"{zlib.crc32(data):08x}"


def corrections(data: bytes) -> dict[int, int] | None:
    """Cents by zone for a SoundFont; None where the table is for another."""
    first, *lines = TABLE.read_text(encoding="ascii").splitlines()
    if first.split()[-1] != _checksum(data):
        return None
    return {int(zone): int(cents) for zone, cents in (line.split() for line in lines)}


def tuned(font: SoundFont) -> SoundFont:
    """The SoundFont with its zones in tune, if the table is for it; else as it is."""
    table = corrections(font.data)
    return font if table is None else with_cents(font, table)


def with_cents(font: SoundFont, table: dict[int, int]) -> SoundFont:
    """A SoundFont with cents added to zones of its instruments, by their place in `ibag`."""
    bags = font.array("ibag", "<u2").reshape(-1, 2).astype(np.int64)
    gens = font.array("igen", "<i2").reshape(-1, 2).copy()
    fine = np.flatnonzero(gens[:, 0] == _FINE_TUNE)
    owner = np.searchsorted(bags[:, 0], fine, side="right") - 1
    have = dict(zip(owner.tolist(), fine.tolist(), strict=True))
    lacking = []
    for zone, cents in table.items():
        if zone in have:
            gens[have[zone], 1] += cents
        else:
            lacking.append((zone, cents))
    if lacking:
        lacking.sort()
        zones = np.array([z for z, _ in lacking])
        # the last generator of a zone names its sample; what is new comes before it
        at = bags[zones + 1, 0] - 1
        rows = np.array([(_FINE_TUNE, c) for _, c in lacking], np.int16)
        gens = np.insert(gens, at, rows, axis=0)
        bags[:, 0] += np.searchsorted(zones, np.arange(len(bags)), side="left")
    return font.replaced(
        ibag=bags.astype("<u2").tobytes(), igen=np.ascontiguousarray(gens, "<i2").tobytes()
    )


def deviations(data: bytes, program: int) -> Floats:
    """How far each key from 21 to 108 sounds from its pitch, in cents; nan where none is found.

    Parameters
    ----------
    data : bytes
        A SoundFont.
    program : int
        0 to 127.
    """
    keys = range(_LOWEST, _HIGHEST + 1)
    wav = render(data, _every_key(program))
    x = np.frombuffer(wav, "<i2", offset=44).reshape(-1, 2).sum(axis=1).astype(float)
    out = np.full(len(keys), np.nan)
    for k, key in enumerate(keys):
        start = int((k * _EVERY_S + _FROM_S) * RATE)
        out[k] = _cents_off(x[start : start + int(1.2 * RATE)], 440.0 * 2 ** ((key - 69) / 12))
    return out


def _every_key(program: int) -> bytes:
    """A MIDI file that plays every key in turn; 480 ticks are half a second."""
    events = bytes((0, 0xC0, program))
    wait = 0
    for key in range(_LOWEST, _HIGHEST + 1):
        events += _ticks(wait) + bytes((0x90, key, 100))
        events += _ticks(round(_NOTE_S * 960)) + bytes((0x80, key, 64))
        wait = round((_EVERY_S - _NOTE_S) * 960)
    events += b"\x87\x40\xff\x2f\x00"
    head = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x01\xe0MTrk"
    return head + len(events).to_bytes(4, "big") + events


def _ticks(n: int) -> bytes:
    return bytes((0x80 | n >> 7, n & 0x7F)) if n > 127 else bytes((n,))


def _cents_off(x: Floats, frequency: float) -> float:
    """How far a sound's fundamental lies from a frequency, by the peak of its spectrum."""
    size = 1 << 17
    spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x)), size))
    low, high = (int(frequency * 2**c * size / RATE) for c in (-1 / 24, 1 / 24))
    k = low + int(spectrum[low : high + 2].argmax())
    # a fundamental that is hardly there says nothing
    if k in (low, high + 1) or spectrum[k] < 0.003 * spectrum.max() or spectrum[k] < 2000:
        return float("nan")
    a, b, c = np.log(spectrum[k - 1 : k + 2])
    place = k + 0.5 * (a - c) / (a - 2 * b + c)
    return float(1200 * np.log2(place * RATE / size / frequency))


def measured(font: SoundFont) -> dict[int, int]:
    """The cents that each zone lacks, as the programs of bank 0 play it."""
    found: dict[int, list[float]] = {}
    for program in range(128):
        off = deviations(font.data, program)
        for zone, low, high in _zones(font, program):
            mine = off[max(low, _LOWEST) - _LOWEST : max(0, high + 1 - _LOWEST)]
            mine = mine[np.isfinite(mine)]
            if len(mine):
                found.setdefault(zone, []).extend(mine.tolist())
        print(f"\rprogram {program + 1}", end="", file=sys.stderr)
    out = {}
    for zone, values in sorted(found.items()):
        middle = float(np.median(values))
        spread = float(np.median(np.abs(np.array(values) - middle)))
        if 0.5 <= abs(middle) <= _MOST and spread <= _SPREAD:
            out[zone] = -round(middle)
    return out


def _zones(font: SoundFont, program: int) -> list[tuple[int, int, int]]:
    """The zones that a program of bank 0 plays, each with its lowest and highest key."""
    presets = font.array("phdr", font.preset_type)
    pbags = font.array("pbag", "<u2").reshape(-1, 2)
    pgens = font.array("pgen", "<i2").reshape(-1, 2)
    starts = font.array("inst", [("name", "S20"), ("bag", "<u2")])["bag"]
    ibags = font.array("ibag", "<u2").reshape(-1, 2)
    igens = font.array("igen", "<i2").reshape(-1, 2)
    at = np.flatnonzero((presets["preset"] == program) & (presets["bank"] == 0))
    out = []
    for p in at[at + 1 < len(presets)].tolist():
        mine = pgens[pbags[presets["bag"][p], 0] : pbags[presets["bag"][p + 1], 0]]
        for instrument in mine[mine[:, 0] == _INSTRUMENT, 1].tolist():
            for zone in range(starts[instrument], starts[instrument + 1]):
                gens = dict(igens[ibags[zone, 0] : ibags[zone + 1, 0]].tolist())
                if _SAMPLE in gens:
                    keys = gens.get(_KEY_RANGE, 0x7F00) & 0xFFFF
                    out.append((zone, keys & 0xFF, keys >> 8))
    return out


def main() -> None:
    """Measure the SoundFont that ships and write the table."""
    from sonify.export.sound.soundfont import untuned_default

    font = untuned_default()
    table = measured(font)
    for zone, more in measured(with_cents(font, table)).items():
        table[zone] = table.get(zone, 0) + more
    lines = [f"cents to add, by zone; SoundFont {_checksum(font.data)}"]
    lines += [f"{zone} {cents}" for zone, cents in sorted(table.items()) if cents]
    TABLE.write_text("\n".join(lines) + "\n", encoding="ascii")


if __name__ == "__main__":
    main()

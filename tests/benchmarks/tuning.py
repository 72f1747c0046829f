"""Measures how far the SoundFont that ships is off pitch, and writes the table of corrections.

`python -m tests.benchmarks.tuning` renders every program on every key and finds each fundamental
in its spectrum.

Source: SoundFont Technical Specification 2.04, generators 41 (instrument), 43 (keyRange) and 53
(sampleID); ISO 16 for A4 = 440 Hz.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from sonify.export.sound.audio import RATE
from sonify.export.sound.pool import rendered
from sonify.export.sound.soundfont import TABLE, SoundFont, checksum, untuned_default
from sonify.midi.events import events_at, merged, note_events
from sonify.midi.tempo import DEFAULT_TEMPO
from sonify.midi.writer import single_track

__all__ = ["deviations", "measured"]

_KEY_RANGE, _SAMPLE, _INSTRUMENT = 43, 53, 41
_LOWEST, _HIGHEST = 21, 108
"""The keys of a piano."""

_MOST = 20.0
"""Cents: zones further off are meant to be."""

_SPREAD = 4.0
"""Cents: zones whose keys differ by more are not corrected."""

_NOTE_S, _EVERY_S, _FROM_S = 1.5, 1.8, 0.2

Floats = NDArray[np.float64]


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
    x = rendered(data, _every_key(program)).sum(axis=1).astype(float)
    out = np.full(len(keys), np.nan)
    for k, key in enumerate(keys):
        start = int((k * _EVERY_S + _FROM_S) * RATE)
        out[k] = _cents_off(x[start : start + int(1.2 * RATE)], 440.0 * 2 ** ((key - 69) / 12))
    return out


def _every_key(program: int) -> bytes:
    """A MIDI file that plays every key in turn."""
    keys = np.arange(_LOWEST, _HIGHEST + 1)
    # 960 ticks per second: 480 per quarter note of half a second
    on = np.rint((keys - _LOWEST) * _EVERY_S * 960).astype(np.int64)
    notes = note_events(
        on, on + round(_NOTE_S * 960), 0, keys.astype(np.uint8), np.full(len(on), 100, np.uint8)
    )
    events = merged([events_at(0, [bytes((0xC0, program))]), notes])
    return single_track(events, int(notes.tick[-1]) + 960, 480, DEFAULT_TEMPO)


def _cents_off(x: Floats, frequency: float) -> float:
    """How far a sound's fundamental lies from a frequency, by the peak of its spectrum."""
    size = 1 << 17
    spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x)), size))
    low, high = (int(frequency * 2**c * size / RATE) for c in (-1 / 24, 1 / 24))
    k = low + int(spectrum[low : high + 2].argmax())
    # too weak to measure
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
    font = untuned_default()
    table = measured(font)
    for zone, more in measured(font.retuned(table)).items():
        table[zone] = table.get(zone, 0) + more
    lines = [f"cents to add, by zone; SoundFont {checksum(font.data)}"]
    lines += [f"{zone} {cents}" for zone, cents in sorted(table.items()) if cents]
    TABLE.write_text("\n".join(lines) + "\n", encoding="ascii")


if __name__ == "__main__":
    main()

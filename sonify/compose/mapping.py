"""The mapping under which a disc comes nearest to a tune, its holes left alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.compose.pieces import DRUMS
from sonify.disc.disc import Disc
from sonify.errors import InputError
from sonify.music.measures.alignment import Tune, alignment_pairs, tune_likeness
from sonify.music.measures.key import key_fits, pitch_classes
from sonify.music.notes import Part
from sonify.music.pitch.schemes import ToneTable
from sonify.music.settings import Music, Voice
from sonify.music.theory.scales import SCALES, degrees_to_pitch, find_scale, note_name
from sonify.performance import Performance, perform
from sonify.performance_settings import Setup
from sonify.progress import report
from sonify.settings import to_builtins

__all__ = ["FittedMapping", "fit_mapping", "key_of", "preset_of"]

Reals = NDArray[np.float64]

STEPS = ("1/32", "1/16", "1/12", "1/8", "1/6", "1/4")
SOURCES = ("ones", "zeros")
RHYTHMS: tuple[tuple[str | dict[str, Any], ...], ...] = (
    (), ("joined",), ("changes",), ({"rule": "thinned", "every": 2},),
    ({"rule": "thinned", "every": 3},), ({"rule": "even", "notes": 3, "steps": 8},),
    ({"rule": "even", "notes": 5, "steps": 8},), ({"rule": "even", "notes": 2, "steps": 4},),
)  # fmt: skip
"""The note values of a position, sources and rhythm rules that are tried. Own choice: only sources
that follow the bits, because under others all discs sound alike."""

LEADS = ("position", "place", "row", "character", "one", "value")
"""What may choose the entries of a pitch table."""

LINES: tuple[dict[str, Any], ...] = (
    {"scheme": "walk"}, {"scheme": "walk", "span": 8, "start": 0}, {"scheme": "number"},
    {"scheme": "number", "bits": 4}, {"scheme": "run-length"}, {"scheme": "gap"},
    {"scheme": "count"}, {"scheme": "character"}, {"scheme": "sweep"},
)  # fmt: skip
"""Pitch schemes that are tried beside tables. Own choice: those whose tones follow the bits."""

TONE_COST = 0.02
"""What each tone of a scale costs, in shares of notes that lie outside the scale. Own choice: a
note in fourteen outside a scale of seven tones does not make it chromatic."""

KEPT = 6
"""How many rhythms are kept for the pitches. Own choice."""

LAPS = 3
"""How often a table is fitted to the alignment that it gives. Own choice."""

MOST_ENTRIES = 64
"""The most entries of a table, as of its settings."""


@dataclass(frozen=True, eq=False)
class FittedMapping:
    """A mapping and how near the disc comes to the tune under it.

    Attributes
    ----------
    music : Music
    likeness_before, likeness : float
        From 0 to 1, under the setup given and under this mapping.
    tried : int
        How many mappings were tried.
    """

    music: Music
    likeness_before: float
    likeness: float
    tried: int


@dataclass
class _Fitting:
    """A disc, a tune and the setup to start from; counts what is tried."""

    disc: Disc
    tune: Tune
    setup: Setup
    tried: int = 0

    def played(self, music: Music) -> tuple[Performance, Part, Reals]:
        """A performance, its one part, and the beats of its notes."""
        self.tried += 1
        show = perform(self.disc, setup=msgspec.structs.replace(self.setup, music=music))
        part = show.parts[0]
        return show, part, part.on / show.grid.ticks_per_quarter

    def likeness(self, music: Music, *, rhythm: bool = False) -> float:
        """How near a mapping comes to the tune, or to its onsets alone."""
        _, part, beat = self.played(music)
        pitch = part.pitch * (not rhythm)
        tune = self.tune._replace(pitch=self.tune.pitch * (not rhythm))
        return _likeness(tune, beat, pitch)


def _likeness(tune: Tune, beat: Reals, pitch: Reals) -> float:
    tone = Tune.of(beat, pitch)
    return round(float(tune_likeness(tune, tone.beat[None], tone.pitch[None],
                                     np.array([len(beat)]))[0]), 9)  # fmt: skip


def fit_mapping(disc: Disc, tune: Tune, setup: Setup) -> FittedMapping:
    """The mapping of one voice under which a disc comes nearest to a tune.

    First the note value of a position, timing, source and rhythm rule whose onsets come nearest;
    then pitches for the best of these: each pitch table in turn, fitted to the tones that the
    alignment pairs with its entries, and some schemes that follow the bits.

    Parameters
    ----------
    disc : Disc
    tune : Tune
        Drums are left out.
    setup : Setup
        The player; its first voice gives the instrument.

    Raises
    ------
    InputError
        The tune has no tones, or the disc plays none.
    """
    tones = tune.pitch < DRUMS
    tune = Tune(tune.beat[tones], tune.pitch[tones])
    if not len(tune.beat):
        raise InputError("it has no notes but drums; give a tune with pitches")
    work = _Fitting(disc, tune, setup)
    show = perform(disc, setup=setup)
    sounding = [p for p in show.parts if p.voice.drum is None]
    before = 0.0
    if any(len(p) for p in sounding):
        on, pitch = (np.concatenate([getattr(p, c) for p in sounding]) for c in ("on", "pitch"))
        before = _likeness(tune, on / show.grid.ticks_per_quarter, pitch)
    root, scale = key_of(tune)
    base = Music(
        root=note_name(root), scale=scale, metre=setup.music.metre,
        concert_pitch=setup.music.concert_pitch,
    )  # fmt: skip
    first = setup.music.voice[0]
    instrument = {"name": first.name or "tune", "program": first.program, "pan": first.pan}
    instrument |= {"velocity": first.velocity, "volume": first.volume}
    rhythms = []
    ways = list(product(("player", "bars"), STEPS, SOURCES, RHYTHMS))
    for n, (timing, step, source, rules) in enumerate(ways):
        voice = msgspec.structs.replace(
            Voice(), **instrument, source=source, pitch="one-tone", rhythm=rules
        )
        music = msgspec.structs.replace(base, timing=timing, step=step, voice=(voice,))
        rhythms.append((-work.likeness(music, rhythm=True), n, music))
        report(0.6 * n / len(ways))
    rhythms.sort(key=lambda r: r[:2])
    best, nearest = base, -1.0
    for n, (_, _, music) in enumerate(rhythms[:KEPT]):
        for one in _pitched(work, music, root):
            near = work.likeness(one)
            if near > nearest:
                best, nearest = one, near
        report(0.6 + 0.4 * (n + 1) / KEPT)
    if nearest < 0:
        raise InputError("the disc plays no note; it needs holes")
    return FittedMapping(best, before, nearest, work.tried)


def preset_of(found: FittedMapping, about: str) -> dict[str, Any]:
    """The preset of a mapping, as a table without what is as usual."""
    music = to_builtins(found.music)
    voice, usual = music["voice"][0], to_builtins(Voice())
    kept = {k: v for k, v in voice.items() if v != usual.get(k) or k in ("pitch", "rhythm")}
    names = ("root", "scale", "step", "timing")
    return {"about": about, "music": {n: music[n] for n in names} | {"voice": [kept]}}


def key_of(tune: Tune) -> tuple[int, str]:
    """The root, as a MIDI note, and a scale of few tones that holds most of the tune."""
    heard = pitch_classes(tune.pitch, np.ones(len(tune.pitch)))
    tonic = int(np.argmax(key_fits(heard))) % 12
    found = {}
    for name, scale in SCALES.items():
        if scale.in_twelve and scale.period == 12:
            tones = degrees_to_pitch(np.arange(len(scale.semitones)), scale, float(tonic)) % 12
            has = np.isin(np.arange(12), np.rint(tones))
            missed = float(heard[~has].sum()) / heard.sum()
            found[name] = round(missed + TONE_COST * int(has.sum()), 9)
    name = min(found, key=lambda n: found[n])
    middle = float(np.median(tune.pitch))
    return round((middle - tonic) / 12 - 0.25) * 12 + tonic, name


def _pitched(work: _Fitting, music: Music, root: int) -> Iterator[Music]:
    """A rhythm with pitches of many kinds."""
    voice = music.voice[0]

    def with_pitch(pitch: dict[str, Any], octave: int = 0) -> Music:
        own = msgspec.structs.replace(voice, pitch=pitch, octave=octave)
        return msgspec.structs.replace(music, voice=(own,))

    for line, octave in product(LINES, (-1, 0, 1)):
        yield with_pitch(line, octave)
    for lead in LEADS:
        flat = with_pitch({"scheme": "one-tone"})
        for _ in range(LAPS):
            pitch = _table(work, flat, lead, root)
            if pitch is None:
                break
            flat = with_pitch(pitch)
            yield flat


def _table(work: _Fitting, music: Music, lead: str, root: int) -> dict[str, Any] | None:
    """The pitch table by a lead whose tones are nearest to those that the alignment pairs them
    with; None without notes."""
    show, part, beat = work.played(music)
    if not len(part):
        return None
    scale = find_scale(music.scale)
    entries = ToneTable(degrees_of=tuple(range(MOST_ENTRIES)), by=lead)  # type: ignore[arg-type]
    entry = entries.degrees(show.bit_stream, part.index)
    mine, theirs = alignment_pairs(work.tune, Tune(beat, part.pitch))
    degrees = np.arange(-24, 25)
    tone = degrees_to_pitch(degrees, scale, float(root))
    usual = int(np.argmin(np.abs(tone - np.median(work.tune.pitch))))
    out = []
    for k in range(int(entry.max()) + 1):
        wanted = work.tune.pitch[theirs[entry[mine] == k]]
        apart = np.minimum(np.abs(tone[:, None] - wanted), 12).sum(axis=1)
        out.append(int(degrees[int(np.argmin(apart)) if len(wanted) else usual]))
    return {"scheme": "table", "degrees": out, "by": lead}

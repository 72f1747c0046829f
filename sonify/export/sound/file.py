"""Writes a performance's sound as files."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from sonify.atomic import atomic_write
from sonify.export.file_formats import voice_path
from sonify.export.sound.encode import encode
from sonify.export.sound.marks import Marks
from sonify.export.sound.master import Master, mastered, stem_audio
from sonify.export.sound.options import SoundOptions as Options
from sonify.export.sound.options import sound_span

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "compressed", "write"]


def write(show: Performance, path: Path, options: Options) -> Master:
    """Write a performance's sound and its stems, and return the sound."""
    sound = show.setup.sound
    done = mastered(show, options)
    marks = _marks(show, options)
    lufs, peak = done.level.lufs, done.level.peak_db
    whole = replace(marks, lufs=lufs, peak_db=peak) if isfinite(lufs) else marks
    with atomic_write(path) as beside:
        encode(beside, path.suffix, done, sound, whole)
    for dry in _KINDS[options.stems_as] if options.stems is not None else ():
        assert options.stems is not None
        kind = "-dry" * (dry and options.stems_as == "both")
        for number, stem in enumerate(stem_audio(show, options, done, dry=dry)):
            title = f"{marks.title}: {show.parts[number].name}"
            with atomic_write(voice_path(options.stems, show, number, path.suffix, kind)) as beside:
                encode(beside, path.suffix, stem, sound, replace(marks, title=title))
    return done


_KINDS = {"wet": (False,), "dry": (True,), "both": (False, True)}
"""Which stems are dry."""


def _marks(show: Performance, options: Options) -> Marks:
    """What all files of a performance's sound say about it."""
    start, _ = sound_span(show, options)
    one = len(show.tempo_map.tick) == 1
    return Marks(
        show.disc.display_name, start / options.speed,
        show.tempo_bpm * options.speed if one else None, options.loop == 0,
    )  # fmt: skip


def compressed(
    show: Performance, kind: str, bitrate: int | None = None, options: Options | None = None
) -> bytes:
    """Encode a performance's sound quickly, as the bytes of a file.

    Parameters
    ----------
    show : Performance
    kind : str
        A suffix: .opus, .mp3, .m4a, .flac or .wav.
    bitrate : int, optional
        In kbit/s.
    options : Options, optional
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"sound{kind}")
        audio = mastered(show, options)
        marks = _marks(show, options or Options())
        encode(path, kind, audio, show.setup.sound, marks, bitrate, quick=True)
        return path.read_bytes()

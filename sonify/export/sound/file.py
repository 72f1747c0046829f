"""Writes a performance's sound as files."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from sonify.atomic import atomic_write
from sonify.export.file_formats import voice_path
from sonify.export.sound.audio import STRIDE, blocks_of
from sonify.export.sound.encode import encode
from sonify.export.sound.master import Master, mastered, stem_audio
from sonify.export.sound.options import SoundOptions as Options

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "compressed", "write"]


def write(show: Performance, path: Path, options: Options) -> Master:
    """Write a performance's sound and its stems, and return the sound."""
    sound, title = show.setup.sound, show.disc.display_name
    done = mastered(show, options)
    with atomic_write(path) as beside:
        encode(beside, blocks_of(done, STRIDE), sound, {"title": title})
    if options.stems is not None:
        for number, stem in enumerate(stem_audio(show, options, done)):
            with atomic_write(voice_path(options.stems, show, number, path.suffix)) as beside:
                tags = {"title": f"{title}: {show.parts[number].name}"}
                encode(beside, blocks_of(stem, STRIDE), sound, tags)
    return done


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
        tags = {"title": show.disc.display_name}
        blocks = blocks_of(mastered(show, options), STRIDE)
        encode(path, blocks, show.setup.sound, tags, bitrate, quick=True)
        return path.read_bytes()

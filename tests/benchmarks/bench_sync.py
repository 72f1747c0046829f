"""Sound and picture of a clip of ten minutes, decoded by ffmpeg: how far apart they are at most.

Not a speed: the number is the greatest distance between a note's onset in the sound and the frame
in which its lamp lights, in half frames.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

import sonify
from tests.export.clips import decoded, probe, sound_of
from tests.export.soundfonts import TICK, onsets, soundfont
from tests.export.test_clip import FPS, PLAIN, matrix_of_clip

SECONDS = 600.0


def run() -> list[tuple[str, float, str]]:
    """Name, ratio and remark of each."""
    settings = {**PLAIN, "player.rpm": 3.0, "sound.loudness": "off", "clip.views": ["matrix"]}
    with tempfile.TemporaryDirectory() as folder:
        # a tone that begins at its full height, so that its beginning is where it is found
        tones = soundfont(Path(folder, "tick.sf2"), TICK, sharp=True)
        settings |= {"sound.soundfont": str(tones), "music.voice": [{"name": "tick"}]}
        show = sonify.perform(sonify.load_disc("cairn-large"), settings=settings)
        path = Path(folder, "long.mp4")
        show.save(path, "clip", to_s=SECONDS, size="192x108", fps=FPS, quality="rough")
        lit = matrix_of_clip(show, decoded(path))
        sound = sound_of(path)
        said = probe(path)["streams"]
    frames, _ = np.nonzero(lit[1:] & ~lit[:-1])
    seen = np.unique(frames + 1) / FPS
    seen = seen[seen < SECONDS - 1]
    heard = onsets(sound[:, None], seen, 0.033)
    apart = np.abs(heard - seen)
    video, audio = (next(s for s in said if s["codec_type"] == k) for k in ("video", "audio"))
    lengths = abs(float(video["duration"]) - float(audio["duration"]))
    remark = (
        f"{len(seen)} onsets in {len(lit) / FPS / 60:.0f} min, mean {apart.mean() * 1000:.1f} ms, "
        f"most {apart.max() * 1000:.1f} ms; lengths differ by {lengths * FPS:.3f} frames"
    )
    return [("greatest distance of onset and lamp, in half frames", apart.max() * 2 * FPS, remark)]

"""The `[sound]` section: how MIDI becomes audio."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from sonify.controls import control
from sonify.settings import Settings

__all__ = ["Sound"]


class Sound(Settings, frozen=True):
    """The `[sound]` section.

    Loudness is measured after ITU-R BS.1770. `bits` is 16, 24 or 32 (floating point) in .wav, 16
    or 24 in .flac.

    Attributes
    ----------
    soundfont
        "general-midi", the one that ships, or the path of an .sf2 file.
    renderer
        The synthesizer; fluidsynth must be installed.
    loudness
        Integrated loudness in LUFS, or off to leave the rendered level.
    true_peak
        The highest peak allowed.
    rate : Sample rate
        Samples per second.
    bits : Bit depth
        For .wav and .flac.
    bitrate : Bit rate
        For lossy formats. Empty: the default.
    """

    soundfont: str = "general-midi"
    renderer: Literal["midirenderer", "fluidsynth"] = "midirenderer"
    loudness: Annotated[float, msgspec.Meta(ge=-60, le=-5)] | Literal["off"] = -14.0
    true_peak: Annotated[float, control(step=0.5, unit="dBTP", ge=-20, le=0)] = -1.0
    rate: Literal[44100, 48000, 96000] = 48000
    bits: Literal[16, 24, 32] = 24
    bitrate: (
        Annotated[int, control(step=8, unit="kbit/s", soft=(64, 320), ge=32, le=320)] | None
    ) = None

"""The `[sound]` section: how MIDI becomes audio."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from sonify.settings import Settings

__all__ = ["Sound"]


class Sound(Settings, frozen=True):
    """The `[sound]` section.

    `soundfont` is "general-midi", the one that ships, or the path of an .sf2 file. `renderer` is
    "midirenderer", which comes with the package, or "fluidsynth", where that program is installed.
    `loudness` is in LUFS (ITU-R BS.1770), or "off" to leave the level as it is rendered;
    `true_peak` is the most that a peak may reach, in dBTP. `rate` is in samples a second. `bits`
    is 16, 24 or 32 (floating point) in .wav, 16 or 24 in .flac. `bitrate` is for the kinds that
    compress with loss, in kbit/s; without one each takes its usual one.
    """

    soundfont: str = "general-midi"
    renderer: Literal["midirenderer", "fluidsynth"] = "midirenderer"
    loudness: Annotated[float, msgspec.Meta(ge=-60, le=-5)] | Literal["off"] = -14.0
    true_peak: Annotated[float, msgspec.Meta(ge=-20, le=0)] = -1.0
    rate: Literal[44100, 48000, 96000] = 48000
    bits: Literal[16, 24, 32] = 24
    bitrate: Annotated[int, msgspec.Meta(ge=32, le=320)] | None = None

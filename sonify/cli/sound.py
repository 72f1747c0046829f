"""`sonify sound`: a disc's music as a sound file."""

from __future__ import annotations

import json
from typing import Any

from click import Choice, IntRange, option

from sonify.cli.common import RANGE, SETTINGS, WRITTEN, Request, disc_command, output_option
from sonify.cli.outputs import write_one
from sonify.errors import InputError

__all__ = ["sound"]


@disc_command(
    output_option(
        "The file: .wav, .flac, .opus, .mp3 or .m4a; - for .wav on standard output. "
        "[default: out/DISC.wav]"
    ),
    *SETTINGS,
    *RANGE,
    option(
        "--loop", type=IntRange(0, 10_000), default=1, metavar="N",
        help="Play it N times; 0 makes one pass that players can repeat seamlessly.",
    ),
    option("--loudness", metavar="LUFS", help="Such as -16; off changes nothing. [default: -14]"),
    option(
        "--stems", type=WRITTEN, metavar="DIR",
        help="Also write a file per voice; they add up to the mix.",
    ),
    option(
        "--stems-as", type=Choice(["wet", "dry", "both"]), default="wet", show_default=True,
        help="Stems with reverberation and chorus, without, or both.",
    ),
    option("--rate", type=Choice(["44100", "48000", "96000"]), help="Samples per second."),
    option("--bits", type=Choice(["16", "24", "32"]), help="Bits per sample of .wav and .flac."),
    option("--soundfont", metavar="FILE", help="Use this SoundFont (.sf2)."),
    option(
        "--renderer", type=Choice(["midirenderer", "fluidsynth"]),
        help="What renders the sound; fluidsynth must be installed.",
    ),
)  # fmt: skip
def sound(
    request: Request,
    output: str | None,
    soundfont: str | None,
    renderer: str | None,
    loudness: str | None,
    bits: str | None,
    rate: str | None,
    **options: Any,
) -> None:
    """Write the disc's music as a sound file.

    It plays the notes that `sonify midi` writes. The loudness is -14 LUFS (ITU-R BS.1770) with
    true peaks below -1 dBTP; the last notes ring out. No other program is needed.

    Stems begin with the first sample of the MIDI file. A .wav knows where it begins in the piece
    (EBU Tech 3285). With --loop 0, .wav and .flac have loop points; all but .wav have a tempo tag.

    Caution: loud sound can damage hearing. Turn the volume down before you play a new sound,
    especially on headphones.

    \b
    Examples:
      sonify sound cairn-small
      sonify sound my.toml -p music-box --rows 1-2 --loop 4 -o intro.flac
      sonify sound my.toml --stems stems --loudness -18 -o mix.wav
      sonify sound my.toml --rows 1-2 --loop 0 --stems loops --stems-as both -o loop.wav
    """
    from sonify.export.sound.renderers import make_ready

    if renderer != "fluidsynth":
        make_ready()
    own = {
        "soundfont": None if soundfont is None else json.dumps(soundfont),
        "renderer": renderer,
        "loudness": None if loudness is None else _loudness(loudness),
        "bits": bits,
        "rate": rate,
    }
    show = request.perform(*(f"sound.{k}={v}" for k, v in own.items() if v is not None))
    write_one(show, "sound", output, **options)


def _loudness(text: str) -> float | str:
    if text.strip().casefold() == "off":
        return "off"
    try:
        return float(text)
    except ValueError:
        raise InputError(
            f"'{text}' is not a loudness; give LUFS such as -16, or off", place="--loudness"
        ) from None

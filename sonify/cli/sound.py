"""`sonify sound`: a disc's music as a sound file."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sonify.cli.common import (
    DEFAULT_FOLDER,
    caution,
    cautions_shown,
    disc_argument,
    length,
    output_option,
    perform_from,
    range_options,
    setting_options,
    size,
)
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.export.sound.master import Master
    from sonify.export.sound.options import SoundOptions
    from sonify.performance import Performance

__all__ = ["sound", "write_sound"]

LOUD_LUFS = -10.0


@click.command()
@disc_argument
@output_option(
    "The file: .wav, .flac, .opus, .mp3 or .m4a; - for a .wav on standard output. "
    "[default: out/DISC.wav]"
)
@setting_options
@click.option(
    "--soundfont", metavar="FILE", help="A SoundFont (.sf2) instead of the one that ships."
)
@click.option(
    "--renderer",
    type=click.Choice(["midirenderer", "fluidsynth"]),
    help="What renders; fluidsynth where that program is installed.",
)
@click.option("--loudness", metavar="LUFS", help="Such as -16, or off to leave it. [default: -14]")
@click.option("--bits", type=click.Choice(["16", "24", "32"]), help="In .wav and .flac.")
@range_options
@click.option(
    "--loop",
    type=click.IntRange(0, 10_000),
    default=1,
    help="Times to play; 0: one pass that a player can repeat for ever without a seam.",
)
@click.option(
    "--stems", metavar="DIR", help="Also write one file per voice; added up they give the mix."
)
def sound(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    soundfont: str | None,
    renderer: str | None,
    loudness: str | None,
    bits: str | None,
    rows: str | None,
    from_s: float | None,
    to_s: float | None,
    loop: int,
    stems: str | None,
) -> None:
    """Write the disc's music as a sound file, rendered from the MIDI file that `midi` writes.

    The level is set to -14 LUFS (ITU-R BS.1770) with true peaks under -1 dBTP; the last notes
    ring out. Nothing else needs to be installed.

    Caution: loud sound can hurt ears. Turn the volume down before you play a new sound, on
    headphones above all.

    \b
    Examples:
      sonify sound cairn-small
      sonify sound my.toml -p music-box --rows 1-2 --loop 4 -o intro.flac
      sonify sound my.toml --stems stems --loudness -18 -o mix.wav
    """
    from sonify.export.sound.renderers import make_ready

    if renderer != "fluidsynth":
        make_ready()
    from sonify.export.sound.options import SoundOptions

    own: list[str] = []
    if soundfont is not None:
        own.append(f"sound.soundfont={json.dumps(soundfont)}")
    if renderer is not None:
        own.append(f"sound.renderer={renderer}")
    if loudness is not None:
        own.append(f"sound.loudness={_loudness(loudness)}")
    if bits is not None:
        own.append(f"sound.bits={bits}")
    show = perform_from(disc, presets, (*assignments, *own))
    options = SoundOptions(from_s=from_s, to_s=to_s, rows=rows, loop=loop, stems=stems)
    write_sound(show, output, options)


def _loudness(text: str) -> float | str:
    if text.strip().casefold() == "off":
        return "off"
    try:
        return float(text)
    except ValueError:
        raise InputError(
            f"'{text}' is not a loudness; give LUFS such as -16, or off", place="--loudness"
        ) from None


def write_sound(show: Performance, output: str | None, options: SoundOptions) -> None:
    """Write the sound where it was asked for, and print its line."""
    from sonify.export import find_writer
    from sonify.export.sound.file import write

    if output == "-":
        with tempfile.TemporaryDirectory() as folder, cautions_shown():
            path = Path(folder, f"{show.disc.name}.wav")
            write(show, path, options)
            sys.stdout.buffer.write(path.read_bytes())
            sys.stdout.buffer.flush()
        return
    path = DEFAULT_FOLDER if output is None else Path(output)
    if output is None or path.is_dir() or output.endswith("/"):
        path = path / f"{show.disc.name}.wav"
    find_writer(path, "sound")
    with cautions_shown():
        done = write(show, path, options)
    said(show, path, done)


def said(show: Performance, path: Path, done: Master) -> None:
    """The line for a sound file, and what to beware of."""
    level = done.level
    if level.peak_db == float("-inf"):
        click.echo(f"{path}  {length(done.seconds)}  {size(path)}  silent")
        caution("no note sounds, so the sound is silent")
        return
    click.echo(
        f"{path}  {length(done.seconds)}  {size(path)}  "
        f"{level.lufs:.1f} LUFS, true peak {level.peak_db:.1f} dBTP"
    )
    if level.short_db > 0.2:
        caution(
            f"the loudness is {level.short_db:.1f} LU short of what was asked: more would need "
            "its peaks cut by over 12 dB"
        )
    if level.lufs > LOUD_LUFS:
        caution("this is loud; turn the volume down before you play it")

"""`sonify audition`: a disc under many presets, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from click import FloatRange, IntRange, option
from click import Path as PathType

from sonify.cli.command_line import command_line
from sonify.cli.common import (
    SETTINGS,
    Request,
    disc_command,
    guarded,
    output_option,
    result,
)
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.music.measures.nearness import Profile

__all__ = ["audition"]


@disc_command(
    output_option("The page, .html; - for standard output. [default: out/DISC-audition.html]"),
    *SETTINGS,
    option(
        "--search", type=IntRange(1, 200), metavar="N",
        help="Compare N random variations of the presets.",
    ),
    option("--vary", metavar="PRESET", help="Compare a preset with close variations of it."),
    option(
        "--amount", type=FloatRange(0, 1), default=0.2, show_default=True,
        help="How far they vary: the share of the settings that change.",
    ),
    option(
        "--count", type=IntRange(1, 199), default=11, show_default=True,
        help="How many of them to make.",
    ),
    option("--seed", type=int, default=1, show_default=True, help="Seed of the variations."),
    option(
        "--like", type=PathType(path_type=Path), metavar="FILE.mid",
        help="Put first what is nearest to a MIDI file in key, density, register and rhythm.",
    ),
    option(
        "--seconds", type=FloatRange(1, 600), default=60.0, show_default=True,
        help="Length of each excerpt, in s.",
    ),
    option(
        "--bitrate", type=IntRange(16, 256), default=64, show_default=True,
        help="Bit rate of the sound, in kbit/s.",
    ),
)  # fmt: skip
def audition(
    request: Request,
    output: str | None,
    search: int | None,
    vary: str | None,
    amount: float,
    count: int,
    seed: int,
    like: Path | None,
    seconds: float,
    bitrate: int,
) -> None:
    """Write a page to choose a mapping by: sound, notes, matrix and figures of each.

    Name the musical presets to compare; otherwise all that ship are compared. Presets for the
    player or the look apply to all of them. The page is one file and works offline.

    Caution: start at a low volume; sudden loud sound can damage hearing.

    \b
    Examples:
      sonify audition cairn-small
      sonify audition my.toml -p quick -p hut-band -p music-box -o choose.html
      sonify audition my.toml --search 12 --seed 7
      sonify audition my.toml --vary music-box --amount 0.3
      sonify audition my.toml --like tune.mid
    """
    from sonify.export.audition import audition as make_page
    from sonify.export.audition import nearest_first
    from sonify.export.candidates import candidates_of, relatives_of

    settings = request.settings
    disc = request.load()
    if vary is not None:
        if search is not None:
            raise InputError("it makes variations of its own; leave it out", place="--search")
        candidates = relatives_of(vary, request.presets, settings, count, amount, seed)
    else:
        candidates = candidates_of(request.presets, settings, search, seed)
        if search is not None and like is not None:
            candidates = candidates_of(request.presets, settings, None, seed) + candidates
    if like is not None:
        candidates = nearest_first(disc, candidates, profile_of_file(like))
    with destination(output, f"{disc.name}-audition.html") as path:
        if path.suffix.casefold() not in (".html", ".htm"):
            raise InputError(
                f"'{path.suffix}' is not offered for audition; one of: .html", file=path
            )
        with progress_shown("listening"):
            make_page(
                disc, candidates, path,
                lambda c: command_line("make", request.disc, c.presets, c.settings),
                seconds=seconds, bitrate=bitrate,
            )  # fmt: skip
    result(path, seconds)


def profile_of_file(path: Path) -> Profile:
    """What the notes of a MIDI file are compared by."""
    return guarded(_profile, path, path)


def _profile(path: Path) -> Profile:
    import numpy as np

    from sonify.midi.channels import DRUM_CHANNEL
    from sonify.music.measures.nearness import profile_of
    from sonify.recover.sources.midi.note_events import read_recorded_midi

    file = read_recorded_midi(path, queue=True)
    notes = file.notes
    length = np.nan_to_num(notes["off_beat"] - notes["on_beat"], nan=1.0)
    pitch = notes["pitch"].astype(np.float64)
    return profile_of(
        notes["on_beat"], length, pitch, notes["channel"] == DRUM_CHANNEL, file.seconds
    )

"""`sonify audition`: a disc under many presets, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from click import FloatRange, IntRange, option
from click import Path as PathType

from sonify.cli.command_line import command_line
from sonify.cli.common import SETTINGS, Request, disc_command, output_option, result
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.export.audition import Candidate
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
    if output != "-":
        result(path, seconds)


def profile_of_file(path: Path) -> Profile:
    """What the notes of a MIDI file are compared by."""
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


def _music_of(presets: tuple[str, ...]) -> tuple[tuple[str, ...], dict[str, str]]:
    """The presets without music, and those with music with their descriptions."""
    from sonify.presets import find_preset
    from sonify.settings import load_toml

    music: dict[str, str] = {}
    base: tuple[str, ...] = ()
    for name in presets:
        table = load_toml(find_preset(name))
        if "music" in table:
            music[name] = str(table.get("about", ""))
        else:
            base = (*base, name)
    return base, music


def candidates_of(
    presets: tuple[str, ...], settings: dict[str, object], search: int | None, seed: int
) -> list[Candidate]:
    """What is compared: each musical preset on top of the other presets, or variations of them."""
    from sonify.export.audition import Candidate
    from sonify.music.vary import variation
    from sonify.performance_settings import load_setup
    from sonify.presets import shipped

    base, music = _music_of(presets)
    music = music or {s.name: s.about for s in shipped() if s.kind == "music"}
    if search is None:
        return [Candidate(name, about, (*base, name), settings) for name, about in music.items()]
    out = []
    for n in range(search):
        name = list(music)[(seed + n) % len(music)]
        number = seed * 1000 + n
        found = variation(load_setup((*base, name), settings).music, number)
        out.append(_varied(f"variation {number}", name, base, settings, found))
    return out


def relatives_of(
    preset: str,
    presets: tuple[str, ...],
    settings: dict[str, object],
    count: int,
    amount: float,
    seed: int,
) -> list[Candidate]:
    """A musical preset on top of the other presets, and close variations of it."""
    from sonify.export.audition import Candidate
    from sonify.music.relatives import relative
    from sonify.performance_settings import load_setup

    base, music = _music_of((*presets, preset))
    if preset not in music:
        raise InputError(f"'{preset}' has no music; name a preset that has", place="--vary")
    own = load_setup((*base, preset), settings).music
    out = [Candidate(preset, music[preset], (*base, preset), settings)]
    for n in range(count):
        number = seed * 1000 + n
        found = relative(own, number, amount)
        out.append(_varied(f"{preset} {number}", preset, base, settings, found))
    return out


def _varied(
    title: str, name: str, base: tuple[str, ...], settings: dict[str, object], found: dict[str, Any]
) -> Candidate:
    """A preset with what varies, in words, but for what the user has set."""
    from sonify.export.audition import Candidate

    kept = {k: v for k, v in found.items() if not any(k.startswith(s) for s in settings)}
    words = f"{name} in {kept.get('music.root', 'its key')} {kept.get('music.scale', '')}".rstrip()
    for key, value in kept.items():
        if key.endswith(".pitch"):
            words += f", {value.get('line', value)['scheme']}"
        elif key.endswith(".program"):
            words += f", {value}"
    return Candidate(title, words, (*base, name), {**settings, **kept})

"""`sonify audition`: a disc under many presets, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

from click import FloatRange, IntRange, option

from sonify.cli.command_line import command_line
from sonify.cli.common import SETTINGS, Request, disc_command, output_option, result
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.export.audition import Candidate

__all__ = ["audition"]


@disc_command(
    output_option("The page, .html; - for standard output. [default: out/DISC-audition.html]"),
    *SETTINGS,
    option(
        "--search", type=IntRange(1, 200), metavar="N",
        help="Compare N random variations of the presets.",
    ),
    option("--seed", type=int, default=1, show_default=True, help="Seed of the variations."),
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
    seed: int,
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
    """
    from sonify.export.audition import audition as make_page

    settings = request.settings
    disc = request.load()
    candidates = candidates_of(request.presets, settings, search, seed)
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


def candidates_of(
    presets: tuple[str, ...], settings: dict[str, object], search: int | None, seed: int
) -> list[Candidate]:
    """What is compared: each musical preset on top of the other presets, or variations of them."""
    from sonify.export.audition import Candidate
    from sonify.music.vary import variation
    from sonify.performance_settings import load_setup
    from sonify.presets import find_preset, shipped
    from sonify.settings import load_toml

    music: dict[str, str] = {}
    base: tuple[str, ...] = ()
    for name in presets:
        table = load_toml(find_preset(name))
        if "music" in table:
            music[name] = str(table.get("about", ""))
        else:
            base = (*base, name)
    music = music or {s.name: s.about for s in shipped() if s.kind == "music"}
    if search is None:
        return [Candidate(name, about, (*base, name), settings) for name, about in music.items()]
    out = []
    for n in range(search):
        name = list(music)[(seed + n) % len(music)]
        number = seed * 1000 + n
        found = variation(load_setup((*base, name), settings).music, number)
        # keep what --set asked for
        kept = {k: v for k, v in found.items() if not any(k.startswith(s) for s in settings)}
        words = f"{name} in {kept.get('music.root', 'its key')} {kept.get('music.scale', '')}"
        for key, value in kept.items():
            if key.endswith(".pitch"):
                words += f", {value.get('line', value)['scheme']}"
            elif key.endswith(".program"):
                words += f", {value}"
        out.append(Candidate(f"variation {number}", words, (*base, name), {**settings, **kept}))
    return out

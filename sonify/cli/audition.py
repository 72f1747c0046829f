"""`sonify audition`: a disc under many presets, side by side."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sonify.cli.command_line import command_line
from sonify.cli.common import (
    DEFAULT_FOLDER,
    disc_argument,
    load,
    output_option,
    result,
    setting_options,
)
from sonify.cli.progress import progress_shown
from sonify.errors import InputError
from sonify.settings import parse_assignment

if TYPE_CHECKING:
    from sonify.export.audition import Candidate

__all__ = ["audition"]


@click.command()
@disc_argument
@output_option("The page, .html; - for standard output. [default: out/DISC-audition.html]")
@setting_options
@click.option(
    "--search", type=click.IntRange(1, 200), metavar="N",
    help="N variations of the presets instead of the presets themselves.",
)  # fmt: skip
@click.option(
    "--seed", type=int, default=1, show_default=True, help="Random seed of the variations."
)
@click.option(
    "--seconds", type=click.FloatRange(1, 600), default=60.0, show_default=True,
    help="Length of each excerpt, in s.",
)  # fmt: skip
@click.option(
    "--bitrate", type=click.IntRange(16, 256), default=64, show_default=True,
    help="Bit rate of the sound, in kbit/s.",
)  # fmt: skip
def audition(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    search: int | None,
    seed: int,
    seconds: float,
    bitrate: int,
) -> None:
    """Write one page to choose a mapping by: sound, notes, matrix and measures of each.

    Without musical presets all that ship are compared; presets for the player or the look go
    with each of them. The page needs nothing else and works without a network.

    Caution: begin at a low volume; sudden loud sound can hurt ears.

    \b
    Examples:
      sonify audition cairn-small
      sonify audition my.toml -p quick -p hut-band -p music-box -o choose.html
      sonify audition my.toml --search 12 --seed 7
    """
    from sonify.export.audition import audition as make_page

    settings = dict(parse_assignment(a) for a in assignments)
    source = load(disc)
    candidates = candidates_of(presets, settings, search, seed)

    def write(path: Path) -> None:
        with progress_shown("listening"):
            make_page(
                source, candidates, path,
                lambda c: command_line("make", disc, c.presets, c.settings),
                seconds=seconds, bitrate=bitrate,
            )  # fmt: skip

    path = Path(output) if output else DEFAULT_FOLDER / f"{source.name}-audition.html"
    if output == "-":
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "page.html"
            write(path)
            sys.stdout.buffer.write(path.read_bytes())
            sys.stdout.buffer.flush()
        return
    if path.is_dir() or (output or "").endswith("/"):
        path = path / f"{source.name}-audition.html"
    if path.suffix.casefold() not in (".html", ".htm"):
        raise InputError(f"'{path.suffix}' is not offered for audition; one of: .html", file=path)
    write(path)
    result(path, seconds)


def candidates_of(
    presets: tuple[str, ...], settings: dict[str, object], search: int | None, seed: int
) -> list[Candidate]:
    """What is compared: each musical preset with the other presets, or variations of them."""
    from sonify.export.audition import Candidate
    from sonify.music.vary import variation
    from sonify.presets import find_preset, shipped
    from sonify.settings import load_toml
    from sonify.setup import load_setup

    music: list[tuple[str, str]] = []
    others: list[tuple[str, str]] = []
    for name in presets:
        table = load_toml(find_preset(name))
        (music if "music" in table else others).append((name, str(table.get("about", ""))))
    if not music:
        music = [(s.name, s.about) for s in shipped() if s.kind == "music"]
    base = tuple(name for name, _ in others)
    if search is None:
        return [Candidate(name, about, (*base, name), settings) for name, about in music]
    out = []
    for n in range(search):
        name, _ = music[(seed + n) % len(music)]
        one = seed * 1000 + n
        found = variation(load_setup((*base, name), settings).music, one)
        # what was asked for stays as it was asked for
        kept = {k: v for k, v in found.items() if not any(k.startswith(s) for s in settings)}
        words = f"{name} in {kept.get('music.root', 'its key')} {kept.get('music.scale', '')}"
        for key, value in kept.items():
            if key.endswith(".pitch"):
                line = value.get("line", value)
                words += f", {line['scheme']}"
            elif key.endswith(".program"):
                words += f", {value}"
        out.append(Candidate(f"variation {one}", words, (*base, name), {**settings, **kept}))
    return out

"""`sonify presets`: the presets and discs that ship."""

from __future__ import annotations

from collections.abc import Iterable

import click
from click import Choice, option

from sonify.errors import InputError, close_matches, look_up

__all__ = ["presets"]


@click.command()
@click.argument("name", required=False)
@option("--kind", type=Choice(["music", "player", "look"]), help="List only this kind.")
@option("--discs", is_flag=True, help="List the discs that ship.")
@option(
    "--list", "what", metavar="WHAT",
    help="List names for use in presets: scales, schemes, rules, sources, programs or drums.",
)  # fmt: skip
def presets(name: str | None, discs: bool, kind: str | None, what: str | None) -> None:
    """List the presets that ship, or print one in full.

    A preset is a TOML file: print one, save it, change it, and give it to --preset.

    \b
    Examples:
      sonify presets
      sonify presets --kind music
      sonify presets music-box > mine.toml
      sonify presets --list scales
    """
    from sonify.presets import shipped

    if kind is not None and (discs or name is not None):
        raise InputError("it filters the list of presets; give it alone", place="--kind")
    if what is not None:
        from sonify.music.listing import LISTS

        _print(look_up(LISTS, what, "list of", place="--list")())
        return
    everything = shipped()
    if name is None:
        _print(
            (s.name, s.about if discs else f"{s.kind:<7}{s.about}")
            for s in everything
            if (s.kind == "disc") == discs and kind in (None, s.kind)
        )
        return
    found = next((s for s in everything if s.name == name), None)
    if found is None:
        near = close_matches(name, [s.name for s in everything])
        raise InputError(f"nothing that ships is called '{name}'{near}; see `sonify presets`")
    click.echo(found.path.read_text(encoding="utf-8"), nl=False)


def _print(rows: Iterable[tuple[str, str]]) -> None:
    rows = list(rows)
    wide = max((len(name) for name, _ in rows), default=0)
    for name, about in rows:
        click.echo(f"{name:<{wide}}  {about}".rstrip())

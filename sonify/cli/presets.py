"""`sonify presets`: what ships."""

from __future__ import annotations

import click

from sonify.errors import InputError, close_matches

__all__ = ["presets"]


@click.command()
@click.argument("name", required=False)
@click.option("--discs", is_flag=True, help="List the discs that ship instead.")
@click.option(
    "--kind", type=click.Choice(["music", "player", "look"]), help="Only presets of this kind."
)
@click.option(
    "--list", "what", metavar="WHAT",
    help="What a preset may name instead: scales, schemes, rules, sources, programs or drums.",
)  # fmt: skip
def presets(name: str | None, discs: bool, kind: str | None, what: str | None) -> None:
    """List the presets that ship, one a line, or print one in full.

    What is printed in full is a TOML file: save it, change it, and give it to --preset.

    \b
    Examples:
      sonify presets
      sonify presets --kind music
      sonify presets music-box > mine.toml
      sonify presets --list scales
    """
    from sonify.presets import shipped

    if kind is not None and (discs or name is not None):
        raise InputError("it picks from the list of presets: give it alone", place="--kind")
    if what is not None:
        _list(what)
        return

    everything = shipped()
    if name is not None:
        for one in everything:
            if one.name == name:
                click.echo(one.path.read_text(encoding="utf-8"), nl=False)
                return
        near = close_matches(name, [s.name for s in everything])
        raise InputError(f"nothing that ships is called '{name}'{near}; see `sonify presets`")
    rows = [
        s for s in everything if (s.kind == "disc") == discs and (kind is None or s.kind == kind)
    ]
    wide = max((len(s.name) for s in rows), default=0)
    for s in rows:
        label = "" if discs else f"{s.kind:<7}"
        click.echo(f"{s.name:<{wide}}  {label}{s.about}".rstrip())


def _list(what: str) -> None:
    from sonify.music.listing import LISTS, listed

    if what not in LISTS:
        raise InputError(
            f"there is no list of '{what}'{close_matches(what, LISTS)}; one of: {', '.join(LISTS)}",
            place="--list",
        )
    rows = listed(what)
    wide = max(len(name) for name, _ in rows)
    for name, about in rows:
        click.echo(f"{name:<{wide}}  {about}")

"""`sonify presets`: the presets and discs that ship."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import click
from click import Choice, option

from sonify.cli.common import AS_JSON, Request, source_given
from sonify.cli.usual import print_json
from sonify.errors import InputError, close_matches, look_up
from sonify.settings import load_toml

__all__ = ["presets"]


@click.command()
@click.argument("name", required=False)
@option("--kind", type=Choice(["music", "player", "look"]), help="List only this kind.")
@option("--discs", is_flag=True, help="List the discs that ship.")
@option(
    "--list",
    "what",
    metavar="WHAT",
    help="List names for use in presets: scales, schemes, rules, sources, forms, walks, programs "
    "or drums.",
)
@option(
    "--machine",
    metavar="DISC",
    help="Say of each musical preset whether a machine can play it on a disc, and if not, why.",
)
@option(
    "--schema",
    type=Choice(["disc", "preset", "project"]),
    help="Print the JSON Schema of this kind of file, for editors.",
)
@AS_JSON
def presets(
    name: str | None, discs: bool, kind: str | None, what: str | None, machine: str | None,
    schema: Any, as_json: bool,
) -> None:  # fmt: skip
    """List the presets that ship, or print one in full.

    A preset is a TOML file: print one, save it, change it, and give it to --preset.

    \b
    Examples:
      sonify presets
      sonify presets --kind music
      sonify presets music-box > mine.toml
      sonify presets --list scales
      sonify presets --machine cairn-small
    """
    from sonify.presets import shipped

    if kind is not None and (discs or name is not None):
        raise InputError("it filters the list of presets; give it alone", place="--kind")
    if schema is not None:
        from sonify.library import schema as schema_of

        click.echo(json.dumps(schema_of(schema), indent=2, ensure_ascii=False))
        return
    if what is not None:
        from sonify.music.listing import LISTS

        rows = list(look_up(LISTS, what, "list of", place="--list")())
        _tell(rows, as_json, {"list": what, "names": [{"name": n, "about": a} for n, a in rows]})
        return
    if machine is not None:
        if name is not None or discs or kind is not None:
            raise InputError("it lists the musical presets; give it alone", place="--machine")
        played = list(_on_machine(machine))
        facts = [{"name": n, "plays": not why, "why": why or None} for n, why in played]
        rows = [(n, f"no   {why}" if why else "yes") for n, why in played]
        _tell(rows, as_json, {"presets": facts})
        return
    everything = shipped()
    if name is None:
        some = [s for s in everything if (s.kind == "disc") == discs and kind in (None, s.kind)]
        rows = [(s.name, s.about if discs else f"{s.kind:<7}{s.about}") for s in some]
        facts = [{"name": s.name, "kind": s.kind, "about": s.about} for s in some]
        _tell(rows, as_json, {"discs" if discs else "presets": facts})
        return
    found = next((s for s in everything if s.name == name), None)
    if found is None:
        near = close_matches(name, [s.name for s in everything])
        raise InputError(f"nothing that ships is called '{name}'{near}; see `sonify presets`")
    if as_json:
        table = load_toml(found.path)
        print_json({"name": found.name, "kind": found.kind, "table": table})
    else:
        click.echo(found.path.read_text(encoding="utf-8"), nl=False)


def _on_machine(disc_name: str) -> Iterator[tuple[str, str]]:
    """The musical presets, each with what keeps a machine from playing a disc with it."""
    from sonify.export.firmware import plan_of
    from sonify.performance import perform
    from sonify.presets import shipped

    disc = Request(source_given(disc_name), (), ()).load()
    for preset in shipped():
        if preset.kind == "music":
            # a machine keeps its own time, whatever the preset says
            show = perform(disc, [preset.name], {"music.timing": "player"})
            try:
                plan_of(show)
            except InputError as e:
                yield preset.name, e.what
            else:
                yield preset.name, ""


def _tell(rows: list[tuple[str, str]], as_json: bool, facts: dict[str, Any]) -> None:
    if as_json:
        print_json(facts)
        return
    wide = max((len(name) for name, _ in rows), default=0)
    for name, about in rows:
        click.echo(f"{name:<{wide}}  {about}".rstrip())

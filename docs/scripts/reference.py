"""The reference pages, made from the tables, types and docstrings of sonify by MkDocs as it builds.

A new command, setting, scheme, rule, scale, cause, format or function appears by itself.
"""

from __future__ import annotations

import inspect
import json
import re
import types
import typing
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property
from importlib import resources
from typing import Any

import click
import msgspec
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

import sonify
from sonify import library
from sonify.cli import app
from sonify.compose import choices, objectives
from sonify.disc.file import DiscFile
from sonify.export.drawing.drawing_formats import DRAWINGS
from sonify.export.file_formats import WRITERS
from sonify.light.fill_rules import FILLS
from sonify.live import controllers, set_list
from sonify.music.listing import LISTS
from sonify.music.pitch.schemes import SCHEMES, Scheme
from sonify.music.rhythm.rules import RULES, Rule
from sonify.music.theory import scale_table
from sonify.performance_settings import Setup
from sonify.recover.diagnosis.causes import CAUSES
from sonify.recover.sources.source import KINDS
from sonify.studio.tables import fields_of, first_line


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the pages. The docstring of each function has its page's title and first words."""
    for make in PAGES:
        text = "\n\n".join(("# " + (inspect.getdoc(make) or ""), *filter(None, make()))) + "\n"
        files.append(File.generated(config, f"reference/{make.__name__}.md", content=text))
    for kind, schema in SCHEMAS.items():
        text = json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        files.append(File.generated(config, f"reference/{kind}.schema.json", content=text))
    return files


def table(head: str, rows: Iterable[Iterable[object]]) -> str:
    """A table; `head` names its columns, apart by |."""
    lines = [f"| {head} |", "|" + " --- |" * (head.count("|") + 1)]
    for row in rows:
        cells = (" ".join(str(c).split()).replace("|", "\\|") for c in row)
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def code(*values: object) -> str:
    return ", ".join(f"`{v}`" for v in values if str(v))


def prose(text: str) -> str:
    """A docstring's markup as Markdown."""
    return re.sub(r"``?([^`]+)``?", r"`\1`", text)


def plain(text: str) -> str:
    """A help text: brackets and the like are no markup."""
    return re.sub(r"([\[_*])", r"\\\1", text).replace("<", "&lt;")


def about(thing: object) -> str:
    """A docstring's text before its sections."""
    return prose(re.split(r"\n\n\w+\n-{3,}", inspect.getdoc(thing) or "")[0])


def commands() -> Iterable[str]:
    """Commands

    What `sonify COMMAND --help` says. The exit status is 0 for success, 1 if the work could not be
    done, and 2 if the input is wrong.
    """
    for name in app.COMMANDS:
        command = app.sonify.get_command(click.Context(app.sonify), name) or app.sonify
        context = click.Context(command, info_name=name)
        yield f"## {name}\n\n`sonify {name} {' '.join(command.collect_usage_pieces(context))}`"
        yield from told(command.help or "")
        records = (p.get_help_record(context) for p in command.get_params(context))
        yield table("option | meaning", ((code(r[0]), plain(r[1])) for r in records if r and r[1]))
        yield from told(command.epilog or "")


def told(text: str) -> Iterable[str]:
    """A help text: what click leaves unwrapped is code, and cautions are set apart."""
    for part in filter(None, re.split(r"\n\s*\n", inspect.cleandoc(text))):
        first, _, rest = part.partition("\n")
        if first == "\b":
            title, _, body = rest.partition("\n") if rest[0] != " " else ("", "", rest)
            yield f"{title}\n\n```text\n{inspect.cleandoc(body)}\n```"
        elif first.startswith("Caution: "):
            words = " ".join(part.removeprefix("Caution: ").split())
            yield f'!!! warning "Caution"\n    {words[0].upper()}{words[1:]}'
        else:
            yield plain(part)


def settings() -> Iterable[str]:
    """Settings

    Files are [TOML](https://toml.io/en/v1.0.0). Unknown keys are refused, with the nearest known
    one. `--set section.key=value` sets a single one of a preset.
    """
    files: dict[str, Any] = {"Preset files": Setup, "Disc files": DiscFile}
    files |= {"Set lists": set_list.SetList, "Controllers": controllers.ControlFile}
    for title, kind in files.items():
        yield from (f"## {title}", settings_table(kind), *sections(kind, ""))


def sections(kind: type[msgspec.Struct], path: str) -> Iterable[str]:
    """Each section and list of tables in a struct, and those within them."""
    for field in msgspec.structs.fields(kind):
        for inner, many in filter(None, [struct_in(typing.get_type_hints(kind)[field.name])]):
            name = f"{path}{field.encode_name}"
            head = f"[[{name}]]" if many else f"[{name}]"
            yield f"### {head} {{ #{name.replace('.', '-')} }}"
            yield from (about(inner), settings_table(inner))
            yield from sections(inner, f"{name}.")


def struct_in(kind: Any) -> tuple[type[msgspec.Struct], bool] | None:
    """The struct that a field holds, and whether it holds a list of them."""
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return kind, False
    for inner in filter(None, map(struct_in, typing.get_args(kind))):
        return inner[0], inner[1] or typing.get_origin(kind) in (tuple, list)
    return None


def settings_table(kind: type[msgspec.Struct], leave_out: Iterable[str] = ()) -> str:
    fields = [f for f in fields_of(kind) if f["key"] not in leave_out]
    rows = ((code(f["key"]), prose(f["help"]), values(f), default(f["default"])) for f in fields)
    return table("key | what it sets | values | default", rows) if fields else ""


def values(f: dict[str, Any]) -> str:
    if f.get("choices"):
        return "<br>".join(f"{code(c['name'])} {c.get('about', '')}" for c in f["choices"])
    words = {"min": "from", "above": "above", "max": "to", "below": "below"}
    limits = " ".join(f"{word} {f[key]:,.10g}" for key, word in words.items() if key in f)
    others = {"bool": "`true`, `false`", "list": "a list", "colour": "`#rrggbb`"}
    return f"{limits} {f.get('unit', '')}" if limits else others.get(f["kind"], "")


def default(value: Any) -> str:
    if isinstance(value, bool):
        return code(str(value).lower())
    if isinstance(value, (list, tuple)):
        return code(*value) if all(isinstance(v, (str, int, float)) for v in value) else ""
    return code(f"{value:g}" if isinstance(value, float) else value or "")


def kinds(rows: Mapping[str, type[Any]], base: type[Any]) -> Iterable[str]:
    """Classes whose fields are their settings, then the settings that all share."""
    shared = set(base.__struct_encode_fields__)
    for name, kind in rows.items():
        yield from (f"## {name}", about(kind), settings_table(kind, shared))
    if shared:
        own = {f["key"] for f in fields_of(kind)} - shared
        yield from ("## What all take { #shared }", settings_table(kind, own))


def schemes() -> Iterable[str]:
    """Pitch schemes

    Which degree of the scale a place sounds: `pitch = { scheme = "walk", span = 12 }` in a
    [voice](settings.md#music-voice).
    """
    return kinds(SCHEMES, Scheme)


def rules() -> Iterable[str]:
    """Rhythm rules

    Which places sound, when, how long and how loudly. A [voice](settings.md#music-voice) applies
    them in the order written: `rhythm = ["changes", { rule = "swing", amount = 0.6 }]`.
    """
    return kinds(RULES, Rule)


def scales() -> Iterable[str]:
    """Scales

    In semitones above the root, up to where the scale repeats. `scale` in
    [music](settings.md#music) takes a name or a [table](settings.md#music-scale) of your own.
    """
    scales = {s.name: (*s.semitones, s.period) for s in scale_table.SCALES.values()}
    rows = ((code(n), ", ".join(f"{x:.4g}" for x in scales[n]), w) for n, w in LISTS["scales"]())
    yield table("name | tones | about", rows)
    yield about(scale_table)


def sources() -> Iterable[str]:
    """Sources and other names

    Names that presets and options take, by the table that holds them.
    """
    named: dict[str, Any] = {"fill rules": FILLS, "objectives of compose": objectives.OBJECTIVES}
    named["choices of compose"] = choices.CHOICES
    named |= {
        n: dict(rows()) for n, rows in LISTS.items() if n not in ("schemes", "rules", "scales")
    }
    for title, rows in named.items():
        lines = ((code(n), getattr(x, "about", x)) for n, x in rows.items())
        yield from (f"## {title.capitalize()}", table("name | about", lines))


def causes() -> Iterable[str]:
    """Causes

    What [`sonify compare`](../how-to/misreads.md) can name, with the remedies that it prints.

    !!! danger "Before you open the player"
        Unplug it, protect all eyes from laser beams (see the classes of IEC 60825-1), and keep
        hands and hair away from rotating parts.
    """
    for module in dict.fromkeys(inspect.getmodule(type(c)) for c in CAUSES):
        some = [c for c in CAUSES if inspect.getmodule(type(c)) is module]
        yield f"## {first_line(module).rstrip('.')}"
        rows = ((code(c.name), c.title, "<br>".join(c.repairs)) for c in some)
        yield table("name in JSON | cause | what to try", rows)


def formats() -> Iterable[str]:
    """File formats

    A file is written whole or not at all, and the same input gives the same bytes.
    """
    yield "## Written from a performance\n\nA `/` stands for a folder of numbered pictures."
    yield table("output | suffixes", ((code(w.what), code(*w.suffixes)) for w in WRITERS))
    rows = ((code(s), "cutting" if k.to_cut else "looking at") for s, k in DRAWINGS.items())
    yield from ("## Drawings of the disc", table("suffix | for", rows))
    yield "## Read as a disc\n\nArrays hold a grid or a log; tables a drawing, a log or a grid."
    rows = ((k, code(*(s for s in KINDS if KINDS[s] == k))) for k in sorted(set(KINDS.values())))
    yield table("source | suffixes", rows)
    yield "## JSON Schemas { #schemas }\n\nFor editors that complete TOML, and for programs."
    rows = ((f"{k} file", f"[{k}.schema.json]({k}.schema.json)") for k in SCHEMAS)
    yield table("file | schema (JSON Schema 2020-12)", rows)
    yield "`sonify presets --schema disc` prints the same, as does `sonify.schema` in Python."


def python() -> Iterable[str]:
    """Python

    What `import sonify` gives.
    """
    things = ((n, getattr(library, n, getattr(sonify, n))) for n in sonify.__all__)
    for name, thing in (t for t in things if callable(t[1])):
        yield from (f"## {name}", signature(name, thing) if inspect.isfunction(thing) else "")
        struct = inspect.isclass(thing) and issubclass(thing, msgspec.Struct)
        yield from (about(thing), settings_table(thing)) if struct else (docstring(thing),)
        for key, member in vars(thing).items():
            function = getattr(member, "__func__", member)
            method = isinstance(function, types.FunctionType)
            if key[0] != "_" and (method or isinstance(member, (property, cached_property))):
                yield f"### {key} {{ #{name}-{key} }}"
                yield from (signature(key, function) if method else "", docstring(function))


def signature(name: str, function: Callable[..., Any]) -> str:
    text = re.sub(r"\((self|cls)(, )?", "(", str(inspect.signature(function)))
    return f"```python\n{name}{text}\n```"


def docstring(thing: object) -> str:
    """A NumPy docstring: each section as code, or as a list of what it names."""
    first, *rest = re.split(r"(?m)^(\w[\w ]*)\n-{3,}\n", inspect.getdoc(thing) or "")
    out = [prose(first)]
    for title, body in zip(rest[::2], rest[1::2], strict=True):
        items = re.sub(r"(?m)^([^ \n].*)$", r"- `\1`", prose(body))
        out.append(f"*{title}*\n\n" + (f"```pycon\n{body}\n```" if ">>>" in body else items))
    return "\n\n".join(out)


def firmware() -> Iterable[str]:
    """Firmware

    The two headers for you, in the C that `sonify firmware` writes.
    """
    for name in ("player.h", "player_hardware.h"):
        yield f"## {name}"
        header = resources.files("sonify.export.firmware") / "core" / name
        for block in header.read_text("utf-8").split("\n\n"):
            words, _, rest = block.partition("*/")
            words = " ".join(re.sub(r"^/\*|\n \*", " ", words).split())
            if words.startswith("----"):
                yield f"### {words.strip('- ').capitalize()}"
            elif block.startswith("/*"):
                yield words
                yield f"```c\n{rest.strip()}\n```" if rest and rest[-2:] != "_H" else ""
            elif "/*" in block:
                yield f"```c\n{block}\n```"


SCHEMAS = {k: library.schema(k) for k in ("disc", "preset", "project")}
PAGES = (commands, settings, schemes, rules, scales, sources, causes, formats, python, firmware)

"""The data that the page makes its controls from: all tables and settings types.

Names, limits and choices come from the types; labels from the types (`sonify.controls`), from
`sonify.studio.labels` or from docstrings. So a new scale, scheme, rule or setting shows up in the
page by itself.
"""

from __future__ import annotations

import inspect
import re
from functools import lru_cache
from typing import Any

import msgspec
from msgspec import inspect as mi

from sonify.studio.labels import CONTROLS, FAMILIES, WORDS, Words

__all__ = ["describe", "fields_of", "tables"]


def first_line(thing: object) -> str:
    """The first paragraph of a docstring, on one line."""
    doc = inspect.getdoc(thing) or ""
    return " ".join(doc.split("\n\n")[0].split())


def help_from_docstring(kind: type, attribute: str) -> str:
    """The sentence of a class's docstring that mentions an attribute."""
    doc = " ".join((inspect.getdoc(kind) or "").split())
    for sentence in re.split(r"(?<=\.)\s+(?=[A-Z`])", doc):
        if f"`{attribute}`" in sentence:
            return sentence.replace("`", "")
    return ""


def label_of(key: str) -> str:
    """A setting's key as words."""
    return key.replace("-", " ").capitalize()


def describe(kind: Any) -> dict[str, Any]:
    """A type as `kind`, bounds and choices."""
    t = mi.type_info(kind) if not isinstance(kind, mi.Type) else kind
    if isinstance(t, mi.Metadata):
        return describe(t.type)
    if isinstance(t, mi.UnionType):
        some = [x for x in t.types if not isinstance(x, mi.NoneType)]
        optional = len(some) < len(t.types)
        inner = describe(some[0]) if len(some) == 1 else _union(some)
        return {**inner, "optional": True} if optional else inner
    if isinstance(t, (mi.IntType, mi.FloatType)):
        out: dict[str, Any] = {"kind": "int" if isinstance(t, mi.IntType) else "float"}
        for name, key in (("ge", "min"), ("le", "max"), ("gt", "above"), ("lt", "below")):
            if getattr(t, name) is not None:
                out[key] = getattr(t, name)
        return out
    if isinstance(t, mi.BoolType):
        return {"kind": "bool"}
    if isinstance(t, mi.LiteralType):
        return {"kind": "choice", "choices": [{"name": v} for v in t.values]}
    if isinstance(t, mi.StrType):
        return {"kind": "colour" if t.pattern and "0-9a-fA-F" in t.pattern else "text"}
    if isinstance(t, (mi.VarTupleType, mi.ListType)):
        item = describe(t.item_type)
        if item["kind"] == "choice":
            return {"kind": "list", "item": {"kind": "text"}, "choices": item["choices"]}
        plain = item["kind"] in ("int", "float", "text")
        return {"kind": "list", "item": item} if plain else {"kind": "toml"}
    if isinstance(t, mi.StructType):
        return {"kind": "section"}
    return {"kind": "toml"}


def _union(some: list[mi.Type]) -> dict[str, Any]:
    kinds = [describe(t) for t in some]
    # a choice or free text, a number or a name: sent as text, resolved when settings are read
    numbers = [k for k in kinds if k["kind"] in ("int", "float")]
    if len(numbers) == len(kinds):
        return numbers[-1]
    if all(k["kind"] in ("int", "float", "text", "choice") for k in kinds):
        return {"kind": "mixed"}
    return {"kind": "toml"}


def fields_of(kind: type[msgspec.Struct], place: str) -> list[dict[str, Any]]:
    """The settings of a section, scheme or rule, in order.

    Parameters
    ----------
    kind : type
    place : str
        The prefix of its rows in `WORDS`, such as `player` or `scheme.walk`.
    """
    info = mi.type_info(kind)
    assert isinstance(info, mi.StructType)
    names = {f.encode_name: f.name for f in msgspec.structs.fields(kind)}
    out = []
    for field in info.fields:
        shape = describe(field.type)
        if shape["kind"] == "section":
            continue
        key = field.encode_name
        words = _words(place, key, field.type, kind, names[key])
        default = None if field.default is msgspec.NODEFAULT else _plain(field.default)
        entry = {"key": key, "default": default, "label": words.label, "help": words.help, **shape}
        if f"{place}.{key}" in CONTROLS:
            entry["control"] = CONTROLS[f"{place}.{key}"]
        if words.step is not None:
            entry["step"] = words.step
        if words.unit:
            entry["unit"] = words.unit
        if words.soft is not None:
            entry["soft"] = list(words.soft)
        if words.choices and "choices" in entry:
            for choice in entry["choices"]:
                choice["about"] = words.choices.get(str(choice["name"]), "")
        out.append(entry)
    return out


def _words(place: str, key: str, shape: mi.Type, kind: type, attribute: str) -> Words:
    if isinstance(shape, mi.Metadata) and shape.extra_json_schema:
        given = shape.extra_json_schema
        return Words(given["title"], given["description"], **(shape.extra or {}))
    words = WORDS.get(f"{place}.{key}")
    return words or Words(label_of(key), help_from_docstring(kind, attribute))


def _plain(value: Any) -> Any:
    from sonify.settings import to_builtins

    return to_builtins(value) if isinstance(value, msgspec.Struct) else msgspec.to_builtins(value)


def _classes(table: dict[str, Any], place: str) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "about": first_line(kind),
            "fields": fields_of(kind, f"{place}.{name}"),
        }
        for name, kind in table.items()
    ]


@lru_cache(maxsize=1)
def tables() -> dict[str, Any]:
    """All tables, ready for JSON."""
    from sonify import __version__
    from sonify.disc.code.alphabets import ALPHABETS
    from sonify.disc.code.code import Code
    from sonify.disc.geometry.fit import FitSpec
    from sonify.disc.layout import Layout
    from sonify.disc.sizes import Geometry
    from sonify.light.lights import FILLS
    from sonify.midi.general_midi import DRUMS, PROGRAMS
    from sonify.music.pitch.scheme import Scheme
    from sonify.music.pitch.schemes import SCHEMES
    from sonify.music.rhythm.rules import RULES
    from sonify.music.settings import Music, Voice
    from sonify.music.sources import SOURCES
    from sonify.music.theory.scales import SCALES
    from sonify.player.profile import Matrix, Player
    from sonify.presets import shipped
    from sonify.setup import Setup
    from sonify.studio.dice import LOCKS
    from sonify.studio.downloads import downloads

    sections: dict[str, type[msgspec.Struct]] = {
        "music": Music,
        "voice": Voice,
        "player": Player,
        "player.matrix": Matrix,
        "code": Code,
        "layout": Layout,
        "geometry": Geometry,
        "fit": FitSpec,
    }
    # the other sections are about files
    extra = []
    for f in msgspec.structs.fields(Setup):
        if isinstance(f.type, type) and issubclass(f.type, msgspec.Struct):
            if f.encode_name not in (*sections, "light"):
                extra.append(f.encode_name)
            sections.setdefault(f.encode_name, f.type)
    return {
        "version": __version__,
        "sections": {name: fields_of(kind, name) for name, kind in sections.items()},
        "scales": [
            {
                "name": s.name,
                "about": s.about,
                "semitones": [float(x) for x in s.semitones],
                "period": float(s.period),
            }
            for s in SCALES.values()
        ],
        "schemes": _classes(SCHEMES, "scheme"),
        "shared": [f.encode_name for f in msgspec.structs.fields(Scheme)],
        "rules": _classes(RULES, "rule"),
        "sources": [{"name": s.name, "about": s.about} for s in SOURCES.values()],
        "fills": [{"name": f.name, "about": f.about} for f in FILLS.values()],
        "alphabets": [{"name": a.name, "about": a.about} for a in ALPHABETS.values()],
        "programs": list(PROGRAMS),
        "families": list(FAMILIES),
        "locks": LOCKS,
        "drums": [{"name": name, "note": note} for name, note in DRUMS.items()],
        "presets": [{"name": s.name, "kind": s.kind, "about": s.about} for s in shipped()],
        "extra": [name for name in sections if name in extra],
        "downloads": downloads(),
    }

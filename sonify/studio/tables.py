"""The data from which the page makes its controls: all tables and settings types.

Names, limits and choices come from the settings' types, labels and help from their docstrings
(`sonify.controls`). So a new scale, scheme, rule or setting appears on the page by itself.
"""

from __future__ import annotations

import inspect
from functools import lru_cache
from typing import Any, Literal, get_args, get_origin

import msgspec
from msgspec import inspect as mi

from sonify.controls import Words, words_of

__all__ = ["describe", "fields_of", "tables"]

CONTROLS = {
    "music.root": "root", "music.scale": "scale", "music.step": "step", "music.metre": "metre",
    "voice.source": "source", "voice.program": "program", "voice.drum": "drum",
    "voice.pitch": "scheme", "voice.rhythm": "rules", "player.matrix.fill": "fill",
    "light.background": "colour", "light.unlit": "colour", "clip.views": "order",
} | dict.fromkeys((
    "music.voice", "voice.name", "player.matrix.letters", "geometry.keep-out", "fit.keep-out",
    "fit.clock-radius", "fit.first-row-radius", "fit.row-pitch", "sound.soundfont", "clip.font",
    *(f"player.matrix.{key}" for key in (
        "wiring", "first-lamp", "panels", "missing", "gaps", "colour-order", "brightness",
        "lamp-current", "supply",
    )),
), "skip")  # fmt: skip
"""Settings with a special control, and those (`skip`) that only files can set."""


def first_line(thing: object) -> str:
    """The first paragraph of a docstring, on one line."""
    doc = inspect.getdoc(thing) or ""
    return " ".join(doc.split("\n\n")[0].split())


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


def fields_of(kind: type[msgspec.Struct], place: str = "") -> list[dict[str, Any]]:
    """The settings of a section, scheme or rule, in order; `place` is as in `CONTROLS`."""
    info = mi.type_info(kind)
    assert isinstance(info, mi.StructType)
    words = words_of(kind)
    declared = {f.name: f.type for f in msgspec.structs.fields(kind)}
    out = []
    for field in info.fields:
        shape = describe(field.type)
        if shape["kind"] == "section":
            continue
        key, given, moves = field.encode_name, {}, {}
        for t in (field.type, *getattr(field.type, "types", ())):
            if isinstance(t, mi.Metadata):
                given, moves = t.extra_json_schema or {}, t.extra or {}
        plain = Words(key.replace("-", " ").capitalize(), "", {})
        label, about, choices = words.get(field.name, plain)
        entry = {
            "key": key,
            "default": None if field.default is msgspec.NODEFAULT else _plain(field.default),
            "label": given.get("title", label),
            "help": given.get("description", about),
            **shape,
            **moves,
        }
        if f"{place}.{key}" in CONTROLS:
            entry["control"] = CONTROLS[f"{place}.{key}"]
        order = _literals(declared[field.name])
        entry.get("choices", []).sort(key=lambda c: order.index(c["name"]))
        for choice in entry.get("choices", ()):
            if choices:
                choice["about"] = choices.get(str(choice["name"]), "")
        out.append(entry)
    return out


def _literals(kind: Any) -> list[Any]:
    """The values of a type's literals, in the order in which they are written."""
    inner = get_args(kind)
    if get_origin(kind) is Literal:
        return list(inner)
    return [value for one in inner for value in _literals(one)]


def _plain(value: Any) -> Any:
    from sonify.settings import to_builtins

    return to_builtins(value) if isinstance(value, msgspec.Struct) else msgspec.to_builtins(value)


def _classes(table: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"name": name, "about": first_line(kind), "fields": fields_of(kind)}
        for name, kind in table.items()
    ]


@lru_cache(maxsize=1)
def tables() -> dict[str, Any]:
    """All tables, ready for JSON."""
    import sonify.hooks as hooks
    from sonify.disc.code.code import Code
    from sonify.disc.geometry.fit import FitSpec
    from sonify.disc.layout import Layout
    from sonify.disc.sizes import Geometry
    from sonify.disc_player.profile import Matrix, Player
    from sonify.light.fill_rules import FILLS
    from sonify.midi.general_midi import DRUMS, FAMILIES, PROGRAMS
    from sonify.music.pitch.scheme import Scheme
    from sonify.music.pitch.schemes import SCHEMES
    from sonify.music.rhythm.rules import RULES
    from sonify.music.settings import Music, Voice
    from sonify.music.theory.scales import SCALES
    from sonify.music.voice_sources import SOURCES
    from sonify.performance_settings import Setup
    from sonify.presets import shipped
    from sonify.studio.dice import LOCKS
    from sonify.studio.downloads import FileOptions, downloads

    sections: dict[str, type[msgspec.Struct]] = {
        "music": Music,
        "voice": Voice,
        "player": Player,
        "player.matrix": Matrix,
        "code": Code,
        "layout": Layout,
        "geometry": Geometry,
        "fit": FitSpec,
        "drawn": FileOptions,
    }
    own = {
        f.encode_name: f.type
        for f in msgspec.structs.fields(Setup)
        if isinstance(f.type, type) and issubclass(f.type, msgspec.Struct)
    }
    # the other sections are about files
    extra = [name for name in own if name not in (*sections, "light")]
    return {
        "version": hooks.version,
        "sections": {name: fields_of(kind, name) for name, kind in (own | sections).items()},
        "scales": [
            {
                "name": s.name,
                "about": s.about,
                "semitones": [float(x) for x in s.semitones],
                "period": float(s.period),
            }
            for s in SCALES.values()
        ],
        "schemes": _classes(SCHEMES),
        "shared": [f.encode_name for f in msgspec.structs.fields(Scheme)],
        "rules": _classes(RULES),
        "sources": [{"name": s.name, "about": s.about} for s in SOURCES.values()],
        "fills": [{"name": f.name, "about": f.about} for f in FILLS.values()],
        "programs": list(PROGRAMS),
        "families": list(FAMILIES),
        "locks": LOCKS,
        "drums": [{"name": name, "note": note} for name, note in DRUMS.items()],
        "presets": [{"name": s.name, "kind": s.kind, "about": s.about} for s in shipped()],
        "extra": extra,
        "downloads": downloads(),
    }

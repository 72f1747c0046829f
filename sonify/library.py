"""What `import sonify` offers beside discs and performances: all that the command line does.

Options of `encode`, `fit` and `compose` are those of `Wishes`; sizes are in mm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypedDict, Unpack

from sonify.atomic import Target, save_to, write_data
from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.disc.sizes import FitSpec
from sonify.errors import InputError, look_up
from sonify.presets import Presets, find_disc, listed
from sonify.settings import convert, keyed

if TYPE_CHECKING:
    from sonify.compose.search import Composed
    from sonify.export.firmware import FirmwarePlan
    from sonify.performance import Performance
    from sonify.recover.diagnosis import Comparison
    from sonify.recover.search.find import Found
    from sonify.recover.survey import Survey

__all__ = [
    "Wishes", "audition", "compare", "compose", "draw", "encode", "firmware", "fit",
    "read", "schema", "settled",
]  # fmt: skip


class Wishes(TypedDict, total=False):
    """What may be asked of a disc: its code, its layout and its sizes."""

    alphabet: str
    bit_order: str
    framing: str
    check: str
    redundancy: float
    positions: int
    reading: str
    turning: str
    hole_means: int
    outer_diameter: float
    bore_diameter: float
    hole_diameter: float
    least_web: float
    clock_radius: float
    first_row_radius: float
    row_pitch: float


_SECTIONS: dict[str, type[Any]] = {
    **dict.fromkeys(("alphabet", "bit_order", "framing", "check", "redundancy"), Code),
    **dict.fromkeys(("reading", "turning", "hole_means"), Layout),
}
"""Where the wishes that are not about sizes belong."""


def settled(wishes: Mapping[str, Any]) -> tuple[Code, Layout, FitSpec]:
    """The code, layout and required sizes that wishes give.

    Raises
    ------
    InputError
        A wish that is not known, or a value that is not possible; with its key.
    """
    tables: dict[type[Any], dict[str, Any]] = {Code: {}, Layout: {}, FitSpec: {}}
    for name, value in wishes.items():
        look_up(dict.fromkeys((*Wishes.__annotations__, "keep_out")), name, "option", None)
        if value is not None:
            tables[_SECTIONS.get(name, FitSpec)][name.replace("_", "-")] = value
    code, layout, spec = (convert(table, kind) for kind, table in tables.items())
    return code, layout, spec


def encode(message: str, *, title: str = "", name: str = "disc", **wishes: Unpack[Wishes]) -> Disc:
    """Make a disc that carries a message, with sizes to cut it by.

    Sizes that are not asked for are calculated: the smallest disc that holds the message or, with
    `outer_diameter`, the layout with the widest webs.

    Raises
    ------
    InputError
        An empty message, a character that the alphabet lacks, or a disc that is too small.

    Examples
    --------
    >>> disc = encode("RIDGE CLEAR", check="parity", outer_diameter=120)
    >>> disc.message, disc.geometry.outer_diameter
    ('RIDGE CLEAR', 120.0)
    """
    from sonify.disc.geometry.fit import fit as find

    code, layout, spec = settled(wishes)
    found = find(message, code, layout, spec)
    return Disc.from_message(
        message, code=code, layout=found.layout, geometry=found.geometry, title=title, name=name
    )


def fit(disc: Disc, **wishes: Unpack[Wishes]) -> Disc:
    """Give a disc the sizes that fit its rows and positions.

    Raises
    ------
    InputError
        The rows have no room on such a disc, or a wish that would change them.

    Examples
    --------
    >>> fit(Disc.from_bits(["1011"] * 3), hole_diameter=4).geometry.hole_diameter
    4.0
    """
    from sonify.disc.geometry.fit import fit_grid

    for name in wishes:
        if _SECTIONS.get(name, FitSpec) is not FitSpec or name == "positions":
            raise InputError(f"'{name}' is not a size; the disc has its own", key=name)
    spec = settled(wishes)[2]
    return replace(disc, geometry=fit_grid(disc.rows, disc.layout, spec).geometry)


def read(
    source: str | Path,
    *,
    presets: Presets = (),
    settings: Mapping[str, Any] | None = None,
    positions: int | None = None,
    rows: int | None = None,
    sample_rate: float | None = None,
    overlay: str | Path | None = None,
    threshold: float | None = None,
    start: int | None = None,
    **wanted: Any,
) -> Found:
    """Read a disc from a photograph, drawing, detector log, recording, grid or disc file.

    Parameters
    ----------
    source : str or Path
    presets : str, Path, or iterable of them
        What the player played with (a log or recording).
    settings : mapping, optional
        Dotted keys and values over the presets.
    positions, rows : int, optional
        Of the disc, if known.
    sample_rate : float, optional
        Samples per second of a log without times.
    overlay : str or Path, optional
        Where to draw what was found over a photograph, as .png.
    threshold : float, optional
        The confidence, 0 to 1, below which a bit is unknown.
    start : int, optional
        The position at which rows start, from 0.
    **wanted
        What is known of the arrangement and code: `turning`, `reading`, `hole_means`, `alphabet`,
        `bit_order`, `framing` or `check`.

    Raises
    ------
    InputError
        It can't be read; the message says what is missing and what to do.

    Examples
    --------
    >>> found = read("cairn-small")
    >>> found.disc.message
    'FOG LIFTS AT 9'
    """
    import json

    from sonify.load import find_in
    from sonify.recover.search.arrangement import Wanted
    from sonify.recover.sources.options import ReadOptions

    settled(wanted)
    assignments = tuple(f"{k}={json.dumps(v)}" for k, v in (settings or {}).items())
    place = None if overlay is None else Path(overlay)
    options = ReadOptions(
        positions, rows, sample_rate, tuple(map(str, listed(presets))), assignments, place
    )
    return find_in(source, options, Wanted(start=start, **wanted), threshold)


def draw(
    disc: Disc,
    target: Target | None = None,
    *,
    format: str = "svg",
    side: Literal["front", "back"] = "front",
    kerf: float = 0.0,
    engrave: Literal["title", "message", "none"] = "title",
    **options: Any,
) -> bytes:
    """Draw a disc at real size, for cutting, or as a picture of the finished disc.

    Parameters
    ----------
    disc : Disc
        If it has no sizes, sizes that fit are used.
    target : str, Path or binary file, optional
        Where to write it.
    format : str
        svg, dxf, pdf, png or csv; a path's own suffix wins.
    side, kerf, engrave
        As for `sonify draw`.
    **options
        Of the kind of drawing: `stroke`, `paper`, `dxf_version`, `material`, `size`.

    Returns
    -------
    bytes
        The file.

    Examples
    --------
    >>> draw(Disc.from_bits(["1011"] * 3)).startswith(b"<?xml")
    True
    """
    from sonify.disc.geometry.cautions import geometry_of
    from sonify.export.drawing.drawing import drawing_of
    from sonify.export.drawing.drawing_formats import draw as drawn
    from sonify.export.drawing.drawing_formats import kind_of

    path = Path(target) if isinstance(target, (str, Path)) else Path(f"drawing.{format}")
    kind = kind_of(path)
    given = keyed(options)
    for name in given:
        look_up(dict.fromkeys(kind.options), name, f"option of .{kind.module}", None)
    drawing = drawing_of(disc, geometry_of(disc)[0], side=side, kerf=kerf, engrave=engrave)
    data = drawn(drawing, path.suffix, **given)
    if target is not None:
        write_data(target, data)
    return data


def compare(
    show: Performance | Disc | str | Path, what: str | Path, **options: Any
) -> Comparison | Survey:
    """Compare a performance with what a real player did, or a disc with the one that was cut.

    Parameters
    ----------
    show : Performance, Disc, str or Path
        The disc, with the player and the presets that it was played with; a disc or its name alone
        is played with the usual ones.
    what : str or Path
        A recording (MIDI file or detector log), or a photograph, drawing, grid or disc file.
    **options
        For a recording: `sample_rate`, `threshold`, `sample_at`, `sample_width`.

    Raises
    ------
    InputError
        It can't be read, or belongs to another disc.

    Examples
    --------
    >>> compare("cairn-small", "cairn-small")
    <Survey of 'cairn-small' by cairn-small.toml: 0 faults>
    """
    from sonify.load import load_disc
    from sonify.recover import diagnosis
    from sonify.recover.sources.options import ReadOptions
    from sonify.recover.sources.source import kind_of
    from sonify.recover.survey import survey

    if isinstance(show, (Disc, str, Path)):
        from sonify.performance import perform

        show = perform(show)
    path = find_disc(str(what))
    given = ReadOptions(sample_rate=options.get("sample_rate"))
    kind = "disc" if path.suffix.casefold() == ".toml" else kind_of(path, given)
    if kind in ("log", "recording"):
        return diagnosis.compare(show, path, **options)
    for name, value in options.items():
        if value is not None:
            key = name.replace("_", "-")
            raise InputError(f"it is for recordings, and this is a {kind}", key=key)
    return survey(show, path, load_disc(path) if kind in ("disc", "grid") else kind)


def audition(
    disc: Disc,
    target: Target,
    presets: Presets = (),
    settings: Mapping[str, Any] | None = None,
    *,
    search: int | None = None,
    seed: int = 1,
    seconds: float = 60.0,
) -> Path | None:
    """Write a page (.html) to choose a mapping by: sound, notes, matrix and figures of each.

    Parameters
    ----------
    disc : Disc
    target : str, Path or binary file
    presets : str, Path, or iterable of them
        The musical ones are compared (all that ship, if there are none) on top of the others.
    settings : mapping, optional
        Over all of them.
    search : int, optional
        Compare so many random variations.
    seed : int
        Of the variations.
    seconds : float
        Of each.
    """
    from sonify.export.audition import Candidate
    from sonify.export.audition import audition as written
    from sonify.export.candidates import candidates_of

    candidates = candidates_of(tuple(map(str, listed(presets))), dict(settings or {}), search, seed)

    def line(one: Candidate) -> str:
        return f"sonify.perform({disc.name!r}, {[*one.presets]}, {dict(one.settings)})"

    def write(path: str | Path) -> None:
        written(disc, candidates, Path(path), line, seconds=seconds)

    return save_to(target, ".html", write)


def firmware(
    show: Performance, folder: str | Path, *, prefix: str = "player", text: int | None = None,
    force: bool = False,
) -> FirmwarePlan:  # fmt: skip
    """Write the mapping as portable C99 for the microcontroller of a real player.

    Parameters are those of `sonify.export.firmware.write_firmware`.

    Raises
    ------
    InputError
        A mapping that a machine can't follow, with the reason.
    """
    from sonify.export.firmware import write_firmware

    return write_firmware(show, folder, prefix=prefix, text=text, force=force)


def compose(
    message: str,
    presets: Presets = (),
    settings: Mapping[str, Any] | None = None,
    *,
    weights: Mapping[str, float] | None = None,
    free: Iterable[str] | None = None,
    effort: int = 10_000,
    seed: int = 1,
    title: str = "",
    name: str = "disc",
    progress: Callable[[float], None] | None = None,
    **wishes: Unpack[Wishes],
) -> Composed:
    """Find the disc that sounds best among those that carry a message.

    Parameters
    ----------
    message : str
    presets, settings
        As for `perform`.
    weights : mapping, optional
        Of the objectives by name, as in `sonify.compose.objectives.OBJECTIVES`.
    free : iterable of str, optional
        What may be chosen. What changes neither the message nor its protection, if not given.
    effort : int
        About how many discs to score.
    seed : int
    title, name : str
        Of the disc.
    progress : callable, optional
        Is called with the share that is done, 0 to 1.

    Examples
    --------
    >>> found = compose("FOG", "music-box", effort=200)
    >>> found.after.message, found.score >= found.score_before
    ('FOG', True)
    """
    from sonify.compose.choices import CHOICES, USUAL, Choices
    from sonify.compose.judge import Budget, Judge
    from sonify.compose.objectives import Aims
    from sonify.compose.search import compose as search
    from sonify.performance_settings import load_setup

    code, layout, spec = settled(wishes)
    names = frozenset(USUAL if free is None else free)
    fixed = {c for c in CHOICES if c.replace("-", "_") in wishes}
    choices = Choices(((message,),), code, layout, spec, names - fixed, title, name)
    budget = Budget(effort, progress or (lambda share: None))
    judge = Judge(load_setup(presets, settings), Aims.of(weights or {}), spec.least_web, budget)
    return search(choices, judge, seed)


def schema(kind: Literal["disc", "preset", "project"]) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of disc, preset or project files, from the settings' types.

    Examples
    --------
    >>> sorted(schema("disc")["$defs"]["DiscFile"]["properties"])[:3]
    ['bits', 'code', 'credits']
    """
    import msgspec

    from sonify.disc.file import DiscFile
    from sonify.performance_settings import Setup
    from sonify.studio.project import Project

    kinds = {"disc": DiscFile, "preset": Setup, "project": Project}
    out = msgspec.json.schema(look_up(kinds, kind, "kind of file", None))
    if kind == "disc":
        out["oneOf"] = [{"required": ["message"]}, {"required": ["bits"]}]
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return {**head, "title": f"sonify {kind} file", **out}

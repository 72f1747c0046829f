"""Fit: positions, rows and radii for a text on a disc.

With no outer diameter the smallest disc that holds the text is found; with one, the layout on it
whose thinnest web is the widest. Rows lie at equal steps between the bore and the clock row, which
is the outermost, and all of them between two keep-outs where there are any. The chord between
neighbouring holes of the innermost row limits the positions.

With holes of diameter d, webs of at least w, q = d + w, N positions and R rows, of which the
innermost has the radius a:

    2 a sin(pi / N) >= q        neighbours in the innermost row
    a - d/2 - w >= bore / 2     the bore
    a + R q + d/2 + w <= rim    the rows, the clock row, and the rim
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.code import Code
from sonify.disc.code.encoding import message_units, rows_for
from sonify.disc.geometry.capacity import (
    LARGEST,
    SLACK,
    FitSpec,
    bands_of,
    characters_that_fit,
    check_wish,
    room_on,
    turn_of,
)
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry, check_geometry
from sonify.errors import InputError

__all__ = ["Fit", "FitSpec", "derive_geometry", "fit"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

GRAIN = 0.1
"""Radii and diameters that are found are rounded to this, in mm."""
SMALLEST_HOLE = 0.2


class Fit(NamedTuple):
    """A layout and a geometry that hold the text on so many rows."""

    layout: Layout
    geometry: Geometry
    rows: int


class _Found(NamedTuple):
    """Candidates, an array each: radii in mm of the innermost row, the outermost one and the
    clock row, the row pitch, the outer diameter, and the thinnest web."""

    inner: Reals
    outer: Reals
    clock: Reals
    pitch: Reals
    diameter: Reals
    web: Reals


def _up(value: Reals, grain: float = GRAIN) -> Reals:
    return np.ceil(value / grain - SLACK) * grain


def _down(value: Reals, grain: float = GRAIN) -> Reals:
    return np.floor(value / grain + SLACK) * grain


def _least_diameter(spec: FitSpec) -> float:
    """The diameter that the keep-outs need."""
    return 2 * max((k.radius + k.diameter / 2 + spec.least_web for k in spec.keep_out), default=0.0)


def _smallest(spec: FitSpec, band: tuple[float, float], n: Index, rows: Index) -> _Found:
    """As small as can be: every web is the least one."""
    d, w = spec.hole_diameter, spec.least_web
    q = d + w
    inner = _up(np.maximum(turn_of(n) * q, band[0] + w + d / 2))
    clock = inner + rows * q
    edge = clock + d / 2 + w
    diameter = np.maximum(_up(2 * edge), _up(np.array(_least_diameter(spec))))
    fits = edge <= band[1] + SLACK
    return _Found(inner, clock - q, clock, np.full(len(n), q), diameter, np.where(fits, w, -np.inf))


def _roomiest(spec: FitSpec, band: tuple[float, float], n: Index, rows: Index) -> _Found:
    """All webs as wide as the one that limits them."""
    d = spec.hole_diameter
    low, high = band
    q = np.minimum((high + d / 2) / (1 + rows + turn_of(n)), (high + d - low) / (rows + 2))
    # the pitch is rounded down, and the rest goes to the innermost row
    q = np.where(q >= d + spec.least_web, np.maximum(_down(q), d + spec.least_web), q)
    clock = high + d / 2 - q
    outer = clock - q
    inner = outer - (rows - 1) * q
    diameter = np.full(len(n), spec.outer_diameter or 2 * high)
    return _Found(inner, outer, clock, q, diameter, q - d)


def _pinned(
    spec: FitSpec,
    band: tuple[float, float],
    n: Index,
    rows: Index,
    inwards: bool,
    clock_inside: bool = False,
) -> _Found:
    """With some of the radii given, the clock row outside the others or inside."""
    d, w = spec.hole_diameter, spec.least_web
    low, high = band
    q = d + w
    pitch = np.full(len(n), spec.row_pitch or q)
    step = np.maximum(pitch, q)
    span = (rows - 1) * pitch
    if spec.first_row_radius is not None:
        first = np.full(len(n), spec.first_row_radius)
        outer = first if inwards else first + span
    elif spec.clock_radius is not None and not clock_inside:
        outer = spec.clock_radius - step
    elif spec.clock_radius is not None:
        least = np.maximum(turn_of(n) * q, low + w + d / 2)
        outer = _up(np.maximum(least, spec.clock_radius + step)) + span
    elif spec.outer_diameter is not None:
        outer = high - d / 2 - w - step
    else:
        outer = _up(np.maximum(turn_of(n) * q, low + w + d / 2)) + span
    inner = outer - span
    if spec.clock_radius is not None:
        clock = np.full(len(n), spec.clock_radius)
    else:
        clock = inner - step if clock_inside else outer + step
    top = np.maximum(outer, clock)
    if spec.outer_diameter is None:
        diameter = np.maximum(_up(2 * (top + d / 2 + w)), _up(np.array(_least_diameter(spec))))
    else:
        diameter = np.full(len(n), spec.outer_diameter)
    clock_room = np.max([np.minimum(clock - a, b - clock) for a, b in bands_of(spec)], axis=0)
    turn = np.maximum(turn_of(n), 1e-12)
    webs = (
        np.where(n > 1, np.minimum(inner, clock) / turn, np.inf) - d,
        np.where(rows > 1, pitch - d, np.inf),
        np.where(clock > outer, clock - outer, inner - clock) - d,
        inner - low - d / 2,
        high - outer - d / 2,
        clock_room - d / 2,
        diameter / 2 - top - d / 2,
    )
    return _Found(inner, outer, clock, pitch, diameter, np.min(webs, axis=0))


def _candidates(spec: FitSpec, units: int, code: Code) -> Index:
    """Numbers of positions worth a look."""
    if spec.positions is not None:
        return np.array([spec.positions], np.int64)
    # about sqrt(2 pi bits) gives the smallest disc; narrow rings between keep-outs want more
    bits = units * code.unit_bits
    best = np.sqrt(2 * np.pi * bits)
    high = 3 * best + 24
    solved = code.check == "reed-solomon"  # whose rows are found one number at a time
    near = np.linspace(0.3 * best, high, 3000) if solved else np.arange(0.3 * best, high)
    wide = np.arange(1, 400) if bits < 20_000 else np.arange(0)
    far = np.geomspace(1, max(2, bits), 1000) if spec.keep_out else np.arange(0)
    n = np.unique(np.concatenate((near, wide, far)).astype(np.int64))
    n = n[(n >= 1) & (n <= (2 * bits + 200 if solved else max(2, bits)))]
    if spec.outer_diameter is not None:
        most = np.pi * spec.outer_diameter / (spec.hole_diameter + spec.least_web)
        n = n[n <= max(2.0, most)]
    return n


def fit(text: str, code: Code, layout: Layout, spec: FitSpec) -> Fit:
    """Positions, rows and radii for a text.

    Parameters
    ----------
    text : str
    code : Code
    layout : Layout
        Its reading, turning and hole-means hold; its positions are found.
    spec : FitSpec

    Raises
    ------
    InputError
        A text that does not fit: by how many characters, and what would do. Sizes that
        contradict each other.
    """
    check_wish(spec)
    units = len(message_units(text, code))
    n = _candidates(spec, units, code)
    rows = _rows(units, code, n)
    found = _choose(spec, n, rows, layout.reading == "outside-in")
    if found is None:
        raise _too_long(text, code, layout, spec)
    return _as_fit(found, layout, spec)


def _rows(units: int, code: Code, n: Index) -> Index:
    if code.check == "reed-solomon":
        return np.array([rows_for(units, code, k) for k in n.tolist()], np.int64)
    return -(-units * code.unit_bits // n)


class _Chosen(NamedTuple):
    positions: int
    rows: int
    inner: float
    outer: float
    clock: float
    pitch: float
    diameter: float


def _choose(spec: FitSpec, n: Index, rows: Index, inwards: bool) -> _Chosen | None:
    """The best of the candidates in the best of the free rings."""
    pinned = any(v is not None for v in (spec.clock_radius, spec.first_row_radius, spec.row_pitch))
    best: tuple[tuple[float, ...], _Chosen] | None = None
    for band, clock_inside in product(bands_of(spec), (False, True) if pinned else (False,)):
        if pinned:
            found = _pinned(spec, band, n, rows, inwards, clock_inside)
        elif spec.outer_diameter is None:
            found = _smallest(spec, band, n, rows)
        else:
            found = _roomiest(spec, band, n, rows)
        good = (found.web >= spec.least_web - SLACK) & (found.diameter <= LARGEST)
        at = np.flatnonzero(good)
        if not len(at):
            continue
        first = found.diameter if spec.outer_diameter is None else -found.web
        k = int(at[np.lexsort((rows[at] * n[at], np.round(first[at], 6)))[0]])
        key = (round(float(first[k]), 6), float(rows[k] * n[k]))
        if best is None or key < best[0]:
            values = (float(column[k]) for column in found[:5])
            best = key, _Chosen(int(n[k]), int(rows[k]), *values)
    return None if best is None else best[1]


def _as_fit(found: _Chosen, layout: Layout, spec: FitSpec) -> Fit:
    first = found.outer if layout.reading == "outside-in" else found.inner
    geometry = Geometry(
        outer_diameter=round(found.diameter, 4),
        bore_diameter=spec.bore_diameter,
        clock_radius=round(found.clock, 4),
        first_row_radius=round(first, 4),
        row_pitch=round(found.pitch, 4),
        hole_diameter=spec.hole_diameter,
        keep_out=spec.keep_out,
    )
    check_geometry(geometry)
    return Fit(msgspec.structs.replace(layout, positions=found.positions), geometry, found.rows)


def _too_long(text: str, code: Code, layout: Layout, spec: FitSpec) -> InputError:
    pins = ("clock_radius", "first_row_radius", "row_pitch", "positions")
    given = [p for p in pins if getattr(spec, p) is not None]
    free = msgspec.structs.replace(spec, **dict.fromkeys(pins))
    units = len(message_units(text, code))
    if spec.outer_diameter is None or (given and room_on(free, code).units >= units):
        count = f"{len(text):,} character" + ("" if len(text) == 1 else "s")
        names = ", ".join(p.replace("_", "-") for p in given)
        if not names:
            return InputError(
                f"{count} would take a disc of more than {LARGEST / 1000:g} m with holes of "
                f"{spec.hole_diameter:g} mm and webs of {spec.least_web:g} mm; smaller ones or a "
                "shorter text",
                place="message",
            )
        return InputError(
            f"no disc holds {count} with the {names} given and webs of {spec.least_web:g} mm; "
            "leave some of them to be found",
            place="geometry",
        )
    held = room_on(spec, code)
    fits = characters_that_fit(text, code, held.units)
    would = []
    try:
        larger = fit(text, code, layout, msgspec.structs.replace(free, outer_diameter=None))
        would.append(f"a disc of {larger.geometry.outer_diameter:g} mm")
    except InputError:
        pass
    hole = _hole_that_does(units, code, free, 0.0)
    if hole is not None:
        would.append(f"holes of {hole:g} mm")
    else:
        share = spec.least_web / spec.hole_diameter
        hole = _hole_that_does(units, code, free, share)
        if hole is not None:
            would.append(f"holes of {hole:g} mm with webs of {hole * share:.3g} mm")
    would.extend(_alphabets_that_do(text, code, free))
    hint = f"; what would do: {', or '.join(would)}" if would else ""
    return InputError(
        f"{len(text):,} characters are {len(text) - fits:,} too many: a disc of "
        f"{spec.outer_diameter:g} mm with holes of {spec.hole_diameter:g} mm and webs of "
        f"{spec.least_web:g} mm holds {fits:,}{hint}",
        place="message",
    )


def _hole_that_does(units: int, code: Code, spec: FitSpec, share: float) -> float | None:
    """The largest hole, in steps of 0.05 mm, with which so many units fit; with a `share`, webs
    shrink along with it."""
    steps = np.arange(round(SMALLEST_HOLE / 0.05), int(spec.hole_diameter / 0.05 - SLACK) + 1)
    low, high = 0, len(steps)
    while low < high:  # the first step that is too large
        middle = (low + high) // 2
        hole = round(float(steps[middle]) * 0.05, 2)
        web = float(f"{hole * share:.3g}") if share else spec.least_web
        trial = msgspec.structs.replace(spec, hole_diameter=hole, least_web=web)
        if room_on(trial, code).units >= units:
            low = middle + 1
        else:
            high = middle
    return round(float(steps[low - 1]) * 0.05, 2) if low else None


def _alphabets_that_do(text: str, code: Code, spec: FitSpec) -> Iterable[str]:
    for name in ALPHABETS:
        if name == code.alphabet:
            continue
        for form, note in ((text, ""), (text.upper(), " in capitals")):
            other = msgspec.structs.replace(code, alphabet=name)
            try:
                units = len(message_units(form, other))
            except InputError:
                continue
            if room_on(spec, other).units >= units:
                yield f"the alphabet {name}{note}"
                break


def derive_geometry(rows: int, positions: int, layout: Layout) -> Geometry:
    """A geometry for a disc that has none: the smallest one with holes of 3 mm, webs of 1.5 mm
    and a bore of 8 mm.

    Raises
    ------
    InputError
        A disc that would be larger than 10 m.
    """
    spec = FitSpec(positions=positions)
    found = _choose(spec, np.array([positions]), np.array([rows]), layout.reading == "outside-in")
    if found is None:
        raise InputError(
            f"{rows:,} rows of {positions:,} positions make a disc of more than "
            f"{LARGEST / 1000:g} m with holes of {spec.hole_diameter:g} mm; give it a [geometry]",
            place="geometry",
        )
    return _as_fit(found, layout, spec).geometry

"""Fit: positions, rows and radii for a text on a disc.

Without an outer diameter, the result is the smallest disc that holds the text; with one, it is
the layout with the widest webs. Within 3 % of that, the layout is taken whose rows are whole bars
of the most usual metre (4/4, 3/4, 2/4, then any of quarters; positions are sixteenths or halves or
doubles of them). The rows are evenly spaced between the bore and the clock row,
which is the outermost, and all on the same side of any keep-out. The chord between neighbouring
holes of the innermost row limits the positions.

With holes of diameter d, webs of at least w, q = d + w, N positions and R rows, the innermost with
radius a:

    2 a sin(pi / N) >= q        neighbours in the innermost row
    a - d/2 - w >= bore / 2     the bore
    a + R q + d/2 + w <= rim    the rows, the clock row, and the rim
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from contextlib import suppress
from itertools import product
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.code import Code
from sonify.disc.code.encoding import message_units, rows_for
from sonify.disc.geometry.capacity import SLACK, bands_of, characters_that_fit, room_on, turn_of
from sonify.disc.layout import Layout
from sonify.disc.sizes import LARGEST, FitSpec, Geometry, check_geometry
from sonify.errors import InputError, plural

__all__ = ["Fit", "FitSpec", "derive_geometry", "fit", "fit_grid"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

GRAIN = 0.1
"""Calculated radii and diameters are rounded to this, in mm."""
HOLE_GRAIN = 0.05
SMALLEST_HOLE = 0.2
_GIVE = 0.03
"""How much larger a disc, or thinner its webs, may be for rows of whole bars: own choice."""
RADII = ("clock_radius", "first_row_radius", "row_pitch")


class Fit(NamedTuple):
    """A layout and a geometry that hold the text, and the number of rows."""

    layout: Layout
    geometry: Geometry
    rows: int


class _Candidates(NamedTuple):
    """One array each, in mm: radii of the row read first and of the clock row, row pitch, outer
    diameter, and thinnest web."""

    first: Reals
    clock: Reals
    pitch: Reals
    diameter: Reals
    web: Reals


def _up(value: Reals) -> Reals:
    return np.ceil(value / GRAIN - SLACK) * GRAIN


def _roomiest(
    spec: FitSpec, band: tuple[float, float], n: Index, rows: Index, inwards: bool
) -> _Candidates:
    """Candidates in which all webs are as wide as the tightest one allows."""
    d = spec.hole_diameter
    low, high = band
    q = np.minimum((high + d / 2) / (1 + rows + turn_of(n)), (high + d - low) / (rows + 2))
    # the pitch is rounded down, and the rest goes to the innermost row
    least = d + spec.least_web
    q = np.where(q >= least, np.maximum(np.floor(q / GRAIN + SLACK) * GRAIN, least), q)
    clock = high + d / 2 - q
    first = clock - q if inwards else clock - rows * q
    return _Candidates(first, clock, q, np.full(len(n), spec.outer_diameter), q - d)


def _tightest(
    spec: FitSpec,
    band: tuple[float, float],
    n: Index,
    rows: Index,
    inwards: bool,
    clock_inside: bool,
) -> _Candidates:
    """Candidates as small as the given radii and the least web allow."""
    d, w = spec.hole_diameter, spec.least_web
    low, high = band
    q = d + w
    pitch = np.full(len(n), spec.row_pitch or q)
    step = np.maximum(pitch, q)
    span = (rows - 1) * pitch
    least = np.maximum(turn_of(n) * q, low + w + d / 2)
    if spec.first_row_radius is not None:
        outer = spec.first_row_radius + span * (not inwards)
    elif spec.clock_radius is not None and not clock_inside:
        outer = spec.clock_radius - step
    elif spec.clock_radius is not None:
        outer = _up(np.maximum(least, spec.clock_radius + step)) + span
    elif spec.outer_diameter is not None:
        outer = high - d / 2 - w - step
    else:
        outer = _up(least) + span
    inner = outer - span
    clock = inner - step if clock_inside else outer + step
    if spec.clock_radius is not None:
        clock = np.full(len(n), spec.clock_radius)
    top = np.maximum(outer, clock)
    diameter = np.full(len(n), spec.outer_diameter or 0.0)
    if spec.outer_diameter is None:
        edges = [k.radius + k.diameter / 2 + w for k in spec.keep_out]
        diameter = _up(2 * np.maximum(top + d / 2 + w, max(edges, default=0.0)))
    clock_room = np.max([np.minimum(clock - a, b - clock) for a, b in bands_of(spec)], axis=0)
    webs = (
        np.where(n > 1, np.minimum(inner, clock) / np.maximum(turn_of(n), 1e-12), np.inf) - d,
        np.where(rows > 1, pitch - d, np.inf),
        np.where(clock > outer, clock - outer, inner - clock) - d,
        inner - low - d / 2,
        high - outer - d / 2,
        clock_room - d / 2,
        diameter / 2 - top - d / 2,
    )
    return _Candidates(outer if inwards else inner, clock, pitch, diameter, np.min(webs, axis=0))


def _positions_to_try(spec: FitSpec, units: int, code: Code) -> Index:
    if spec.positions is not None:
        return np.array([spec.positions], np.int64)
    # about sqrt(2 pi bits) gives the smallest disc; narrow rings between keep-outs need more
    bits = units * code.unit_bits
    best = np.sqrt(2 * np.pi * bits)
    high = 3 * best + 24
    solved = code.check == "reed-solomon"  # its rows are found for one number at a time
    near = np.linspace(0.3 * best, high, 3000) if solved else np.arange(0.3 * best, high)
    wide = np.arange(1, 400) if bits < 20_000 else np.arange(0)
    far = np.geomspace(1, max(2, bits), 1000) if spec.keep_out else np.arange(0)
    n = np.unique(np.concatenate((near, wide, far)).astype(np.int64))
    n = n[(n >= 1) & (n <= (2 * bits + 200 if solved else max(2, bits)))]
    if spec.outer_diameter is not None:
        most = np.pi * spec.outer_diameter / (spec.hole_diameter + spec.least_web)
        n = n[n <= max(2.0, most)]
    return n


def fit(text: str, code: Code, layout: Layout, spec: FitSpec, give: float = _GIVE) -> Fit:
    """Positions, rows and radii for a text.

    Parameters
    ----------
    text : str
    code : Code
    layout : Layout
        Its positions are replaced.
    spec : FitSpec
    give : float
        The share of the diameter, or of the webs, that may be given up for rows of whole bars.

    Raises
    ------
    InputError
        A text that does not fit (with the excess, and what would help), or sizes that contradict
        each other.
    """
    least = spec.hole_diameter + spec.least_web
    if spec.row_pitch is not None and spec.row_pitch < least:
        raise InputError(
            f"a row pitch of {spec.row_pitch:g} mm is less than a hole of "
            f"{spec.hole_diameter:g} mm and a web of {spec.least_web:g} mm",
            place="geometry.row-pitch",
        )
    check_geometry(spec)
    units = len(message_units(text, code))
    n = _positions_to_try(spec, units, code)
    if code.check == "reed-solomon":
        rows = np.array([rows_for(units, code, k) for k in n.tolist()], np.int64)
    else:
        rows = -(-units * code.unit_bits // n)
    found = _best(spec, n, rows, layout, give)
    if found is None:
        raise _too_long(text, units, code, layout, spec)
    return found


def _metre_rank(n: Index) -> Index:
    """How usual the metre is in which rows of so many positions are whole bars, 0 the most."""
    return np.select([n % 16 == 0, n % 12 == 0, n % 8 == 0, n % 4 == 0], [0, 1, 2, 3], 4)


def _best(spec: FitSpec, n: Index, rows: Index, layout: Layout, give: float = 0.0) -> Fit | None:
    """The best candidate in the best free ring."""
    inwards = layout.reading == "outside-in"
    pinned = any(getattr(spec, key) is not None for key in RADII)
    best: tuple[tuple[float, int], Fit] | None = None
    for band, clock_inside in product(bands_of(spec), (False, True) if pinned else (False,)):
        if pinned or spec.outer_diameter is None:
            found = _tightest(spec, band, n, rows, inwards, clock_inside)
        else:
            found = _roomiest(spec, band, n, rows, inwards)
        at = np.flatnonzero((found.web >= spec.least_web - SLACK) & (found.diameter <= LARGEST))
        if not len(at):
            continue
        goal = np.round(found.diameter if spec.outer_diameter is None else -found.web, 6)
        close = goal[at] <= goal[at].min() + give * np.abs(goal[at].min())
        k = int(at[np.lexsort((rows[at] * n[at], goal[at], _metre_rank(n[at]), ~close))[0]])
        key = (float(goal[k]), int(rows[k] * n[k]))
        if best is None or key < best[0]:
            first, clock, pitch, diameter = (round(float(column[k]), 4) for column in found[:4])
            geometry = Geometry(
                outer_diameter=diameter,
                bore_diameter=spec.bore_diameter,
                clock_radius=clock,
                first_row_radius=first,
                row_pitch=pitch,
                hole_diameter=spec.hole_diameter,
                keep_out=spec.keep_out,
            )
            best = key, Fit(msgspec.structs.replace(layout, positions=int(n[k])), geometry,
                            int(rows[k]))  # fmt: skip
    if best is None:
        return None
    check_geometry(best[1].geometry)
    return best[1]


def _too_long(text: str, units: int, code: Code, layout: Layout, spec: FitSpec) -> InputError:
    given = [key for key in (*RADII, "positions") if getattr(spec, key) is not None]
    free = msgspec.structs.replace(spec, **dict.fromkeys(given))
    hole, web = spec.hole_diameter, spec.least_web
    count = plural(len(text), "character")
    if given and (spec.outer_diameter is None or room_on(free, code).units >= units):
        names = ", ".join(key.replace("_", "-") for key in given)
        return InputError(
            f"no disc holds {count} with the {names} given and webs of {web:g} mm; leave some of "
            "them out",
            place="geometry",
        )
    if spec.outer_diameter is None:
        return InputError(
            f"{count} need a disc of more than {LARGEST / 1000:g} m with holes of {hole:g} mm and "
            f"webs of {web:g} mm; use smaller holes and webs or a shorter text",
            place="message",
        )
    fits = characters_that_fit(text, code, room_on(spec, code).units)
    would = ", or ".join(_what_would_do(text, units, code, layout, free))
    return InputError(
        f"{count} are {len(text) - fits:,} too many: a disc of {spec.outer_diameter:g} mm with "
        f"holes of {hole:g} mm and webs of {web:g} mm holds {fits:,}"
        + (f"; what would help: {would}" if would else ""),
        place="message",
    )


def _what_would_do(
    text: str, units: int, code: Code, layout: Layout, spec: FitSpec
) -> Iterator[str]:
    """Changes that make room: a larger disc, smaller holes, other alphabets."""
    with suppress(InputError):
        larger = fit(text, code, layout, msgspec.structs.replace(spec, outer_diameter=None), 0.0)
        yield f"a disc of {larger.geometry.outer_diameter:g} mm"
    # keep the webs, or else scale them with the holes
    for share in (0.0, spec.least_web / spec.hole_diameter):
        steps = range(round(SMALLEST_HOLE / HOLE_GRAIN),
                      int(spec.hole_diameter / HOLE_GRAIN - SLACK) + 1)  # fmt: skip

        def smaller(step: int, share: float = share) -> FitSpec:
            hole = round(step * HOLE_GRAIN, 2)
            web = float(f"{hole * share:.3g}") if share else spec.least_web
            return msgspec.structs.replace(spec, hole_diameter=hole, least_web=web)

        count = bisect_left(steps, True, key=lambda s: room_on(smaller(s), code).units < units)
        if count:
            one = smaller(steps[count - 1])
            webs = f" with webs of {one.least_web:.3g} mm" if share else ""
            yield f"holes of {one.hole_diameter:g} mm{webs}"
            break
    for name in ALPHABETS:
        other = msgspec.structs.replace(code, alphabet=name)
        for form, note in ((text, ""), (text.upper(), " in capitals")):
            with suppress(InputError):
                if name != code.alphabet and (
                    room_on(spec, other).units >= len(message_units(form, other))
                ):
                    yield f"the alphabet {name}{note}"
                    break


def fit_grid(rows: int, layout: Layout, spec: FitSpec) -> Fit:
    """Radii for so many rows of the layout's positions.

    Raises
    ------
    InputError
        They don't fit.
    """
    found = _best(spec, np.array([layout.positions]), np.array([rows]), layout)
    if found is None:
        raise InputError(
            f"{rows:,} rows of {layout.positions:,} positions don't fit a disc with holes of "
            f"{spec.hole_diameter:g} mm and webs of {spec.least_web:g} mm",
            place="geometry",
        )
    return found


def derive_geometry(rows: int, positions: int, layout: Layout) -> Geometry:
    """A geometry for a disc that has none: the smallest with the defaults of `FitSpec`.

    Raises
    ------
    InputError
        A disc that would be larger than 10 m.
    """
    spec = FitSpec(positions=positions)
    found = _best(spec, np.array([positions]), np.array([rows]), layout)
    if found is None:
        raise InputError(
            f"{rows:,} rows of {positions:,} positions make a disc of more than "
            f"{LARGEST / 1000:g} m with holes of {spec.hole_diameter:g} mm; give it a [geometry]",
            place="geometry",
        )
    return found.geometry

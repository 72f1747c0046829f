"""SVG drawings: every round outline in them, in mm."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.input_file import input_file
from sonify.recover.sources.drawing.rounds import Rounds, rounds_of

__all__ = ["read_svg"]

MAX_BYTES = 64 * 1024 * 1024
# a disc of 400,000 positions, the most that the page takes, has holes at about half of them
MAX_ELEMENTS = 300_000
MAX_DRAWN = 400_000
MAX_DEPTH = 200
CURVE_STEPS = [k / 16 for k in range(1, 17)]
MM_PER_PX = 25.4 / 96  # CSS Values and Units: 96 px = 1 in
_UNIT = re.compile(r"^\s*[-+0-9.eE]+\s*(mm|cm|in|pt|pc|px|q)\s*$", re.IGNORECASE)


def _root_of(data: bytes, path: Path) -> dict[str, str]:
    """The attributes of the root, after a first pass that needs no memory and refuses what must not
    be in a drawing."""
    elements = depth = 0
    root: dict[str, str] | None = None

    def fail(what: str) -> bool:
        raise InputError(what, file=path)

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal elements, depth, root
        elements += 1
        depth += 1
        if root is None:
            root = attributes
            if name.rpartition(":")[2] != "svg":
                fail(f"its outermost element is <{name}>; an SVG drawing begins with <svg>")
        if elements > MAX_ELEMENTS:
            fail(f"it has more than {MAX_ELEMENTS:,} elements; keep only the disc's outlines")
        if depth > MAX_DEPTH:
            fail(f"its groups are nested more than {MAX_DEPTH} deep; ungroup them")

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1

    # with namespaces, so that a prefix without one is found here
    parser = expat.ParserCreate(namespace_separator=":")
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.EntityDeclHandler = lambda name, *rest: fail(
        f"it defines the entity '{name}', which could include other files or grow without limit; "
        "save it without a DOCTYPE of its own"
    )
    parser.ExternalEntityRefHandler = lambda *rest: fail(
        "it includes another file (an external entity); save it as one file"
    )
    try:
        parser.Parse(data, True)
    except expat.ExpatError as e:
        raise InputError(
            f"this is not XML ({expat.ErrorString(e.code)}); an SVG drawing is needed",
            file=path,
            place=f"line {e.lineno}, column {e.offset + 1}",
        ) from None
    # Python's codecs raise these for an encoding that expat lacks
    except (LookupError, ValueError) as e:
        raise InputError(
            f"its encoding can't be read ({e}); save the drawing as UTF-8", file=path
        ) from None
    return root or {}


def _hidden(element: Any) -> bool:
    values = getattr(element, "values", {}) or {}
    return values.get("display") == "none" or values.get("visibility") in ("hidden", "collapse")


def _circle_of(shape: Any) -> tuple[float, float, float] | None:
    """The circle that a circle or ellipse element draws; None if it is not round."""
    m = shape.transform
    across = np.array([[m.a, m.c], [m.b, m.d]]) @ np.diag([float(shape.rx), float(shape.ry)])
    long, short = np.linalg.svd(across, compute_uv=False)
    if long <= 0 or (long - short) / (long + short) > 0.05:
        return None
    x = m.a * float(shape.cx) + m.c * float(shape.cy) + m.e
    y = m.b * float(shape.cx) + m.d * float(shape.cy) + m.f
    return x, y, float(np.sqrt(long * short)) * 2


def _sampled(path: Any) -> Iterator[NDArray[np.float64]]:
    """The outlines of a path as points, fine enough to tell a circle from a polygon."""
    import svgelements as se

    straight = (se.Move, se.Line, se.Close)
    for sub in path.as_subpaths():
        points: list[tuple[float, float]] = []
        for segment in sub:
            curve = [] if isinstance(segment, straight) else CURVE_STEPS
            ends = [segment.point(t) for t in curve] if curve else [segment.end]
            points.extend((p.x, p.y) for p in ends if p is not None)
        line = np.array(points, float).reshape(-1, 2)
        if len(line) > 1:
            keep = np.append(True, np.abs(np.diff(line, axis=0)).max(axis=1) > 0)
            line = line[keep]
        yield line


def read_svg(path: Path) -> Rounds:
    """Every circle, and every path that is round within 5 %, with transforms and units applied.

    Raises
    ------
    InputError
        Not an SVG drawing, XML entities in it, or far too many elements.
    """
    import svgelements as se

    with input_file(path, MAX_BYTES):
        data = path.read_bytes()
    root = _root_of(data, path)
    # in a drawing without units, numbers count as written and not as px
    has_unit = any(_UNIT.match(root.get(key, "")) for key in ("width", "height"))
    scale = MM_PER_PX if has_unit else 1.0
    notes = () if has_unit else ("the drawing names no unit; its numbers are read as mm",)
    exact: list[tuple[float, float, float]] = []
    lines: list[NDArray[np.float64]] = []
    flat = 0
    try:
        source = io.BytesIO(data if has_unit else _without_size(data))
        for drawn, element in enumerate(se.SVG.parse(source, reify=False, ppi=96).elements()):
            if drawn >= MAX_DRAWN:
                raise InputError(
                    f"its <use> elements draw more than {MAX_DRAWN:,} shapes; keep only the disc's "
                    "outlines",
                    file=path,
                )
            if not isinstance(element, se.Shape) or _hidden(element):
                continue
            if isinstance(element, (se.Circle, se.Ellipse)):
                one = _circle_of(element)
                if one is None:
                    flat += 1
                else:
                    exact.append(one)
                continue
            outline = se.Path(element)
            outline.reify()
            lines.extend(_sampled(outline))
    except RecursionError:
        raise InputError(
            "its elements refer to themselves without end; write each shape once", file=path
        ) from None
    except (ValueError, TypeError, AttributeError, IndexError, ZeroDivisionError) as e:
        raise InputError(f"it has a shape that can't be understood ({e})", file=path) from None
    return rounds_of(exact, lines, (scale, -scale), flat, notes)


def _without_size(data: bytes) -> bytes:
    """The drawing without width, height and viewBox on its root, so that units stay as written."""
    match = re.search(rb"<(?:\w+:)?svg\b[^>]*>", data)
    if match is None:
        return data
    tag = re.sub(rb"""\s(?:width|height|viewBox)\s*=\s*("[^"]*"|'[^']*')""", b"", match.group(0))
    return data[: match.start()] + tag + data[match.end() :]

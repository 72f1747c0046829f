"""SVG drawings: every round outline in them, in mm."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.drawing.rounds import CIRCLES, Rounds, round_outlines

__all__ = ["read_svg"]

MAX_BYTES = 64 * 1024 * 1024
MAX_ELEMENTS = 200_000
MAX_DRAWN = 400_000
MM_PER_PX = 25.4 / 96  # CSS Values and Units: 96 px = 1 in
_UNIT = re.compile(r"^\s*[-+0-9.eE]+\s*(mm|cm|in|pt|pc|px|q)\s*$", re.IGNORECASE)


class _Scan:
    """A first look that takes no memory: elements, units, and what must not be in there."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.elements = 0
        self.depth = 0
        self.root: dict[str, str] | None = None
        self.ids: dict[str, int] = {}
        self.uses: list[str] = []

    def fail(self, what: str) -> None:
        raise InputError(what, file=self.path)

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.elements += 1
        self.depth += 1
        if self.root is None:
            if name.rpartition(":")[2] != "svg":
                self.fail(f"its outermost element is <{name}>; an SVG drawing begins with <svg>")
            self.root = attributes
        if self.elements > MAX_ELEMENTS:
            self.fail(
                f"it has more than {MAX_ELEMENTS:,} elements; keep only the disc's outlines in it"
            )
        if self.depth > 200:
            self.fail("its groups are nested more than 200 deep; ungroup them")
        if name.rpartition(":")[2] == "use":
            self.uses.append(attributes.get("href", attributes.get("xlink:href", "")))

    def end(self, name: str) -> None:
        self.depth -= 1

    def entity(self, name: str, *rest: Any) -> None:
        self.fail(
            f"it defines the entity '{name}'; entities can draw in other files or grow without "
            "end, so save it without a DOCTYPE of its own"
        )

    def external(self, *rest: Any) -> bool:
        self.fail("it draws in another file (an outside entity); save it as one file")
        return False


def _scan(data: bytes, path: Path) -> dict[str, str]:
    scan = _Scan(path)
    parser = expat.ParserCreate()
    parser.StartElementHandler = scan.start
    parser.EndElementHandler = scan.end
    parser.EntityDeclHandler = scan.entity
    parser.ExternalEntityRefHandler = scan.external
    try:
        parser.Parse(data, True)
    except expat.ExpatError as e:
        raise InputError(
            f"this is not XML ({expat.ErrorString(e.code)}); an SVG drawing is needed",
            file=path,
            place=f"line {e.lineno}, column {e.offset + 1}",
        ) from None
    if scan.root is None:
        raise InputError("it is empty; an SVG drawing is needed", file=path)
    return scan.root


def _scale(root: dict[str, str]) -> tuple[float, str]:
    """Millimetres per px of the parsed drawing, and what to say about it."""
    for key in ("width", "height"):
        unit = _UNIT.match(root.get(key, ""))
        if unit:
            return MM_PER_PX, ""
    return 1.0, "the drawing names no unit; its numbers are taken as mm"


def _hidden(element: Any) -> bool:
    values = getattr(element, "values", {}) or {}
    return values.get("display") == "none" or values.get("visibility") in ("hidden", "collapse")


def _circle_of(shape: Any) -> tuple[float, float, float] | None:
    """Circle and ellipse elements, without sampling them, where that is exact."""
    m = shape.transform
    across = np.array([[m.a, m.c], [m.b, m.d]]) @ np.diag([float(shape.rx), float(shape.ry)])
    long, short = np.linalg.svd(across, compute_uv=False)
    if long <= 0 or (long - short) / (long + short) > 0.05:
        return None
    x = m.a * float(shape.cx) + m.c * float(shape.cy) + m.e
    y = m.b * float(shape.cx) + m.d * float(shape.cy) + m.f
    return x, y, float(np.sqrt(long * short)) * 2


def _sampled(path: Any) -> Iterator[NDArray[np.float64]]:
    """The outlines of a path as points, finely enough to tell a circle from a polygon."""
    import svgelements as se

    for sub in path.as_subpaths():
        points: list[tuple[float, float]] = []
        for segment in sub:
            if isinstance(segment, se.Move):
                points.append((segment.end.x, segment.end.y))
            elif isinstance(segment, (se.Line, se.Close)):
                if segment.end is not None:
                    points.append((segment.end.x, segment.end.y))
            else:
                steps = np.linspace(0, 1, 17)[1:]
                points.extend((p.x, p.y) for p in (segment.point(float(t)) for t in steps))
        line = np.array(points, float).reshape(-1, 2)
        if len(line) > 1:
            keep = np.append(True, np.abs(np.diff(line, axis=0)).max(axis=1) > 0)
            line = line[keep]
        yield line


def read_svg(path: Path) -> Rounds:
    """Every circle, and every path that is round to 5 %, with transforms and units applied.

    Raises
    ------
    InputError
        Not an SVG drawing, entities, or more elements than can be meant.
    """
    import svgelements as se

    if path.stat().st_size > MAX_BYTES:
        raise InputError(
            f"{path.stat().st_size:,} bytes are too many for a drawing of a disc; "
            f"at most {MAX_BYTES:,}",
            file=path,
        )
    data = path.read_bytes()
    root = _scan(data, path)
    scale, note = _scale(root)
    exact: list[tuple[float, float, float]] = []
    lines: list[NDArray[np.float64]] = []
    flat = 0
    drawn = 0
    try:
        import io

        # a drawing without units is its user units, and not px of a page
        no_page = scale == 1.0
        bare = _without_size(data) if no_page else data
        svg = se.SVG.parse(io.BytesIO(bare), reify=False, ppi=96)
        for element in svg.elements():
            drawn += 1
            if drawn > MAX_DRAWN:
                raise InputError(
                    f"its <use> elements draw more than {MAX_DRAWN:,} shapes; "
                    "keep only the disc's outlines in it",
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
        raise InputError(f"a shape in it can't be understood ({e})", file=path) from None
    found = round_outlines(lines)
    circles = np.concatenate([np.array(exact, CIRCLES), found.circles])
    circles["x"] *= scale
    circles["y"] *= -scale
    circles["diameter"] *= scale
    return Rounds(circles, found.ignored + flat, found.open_lines, (note,) if note else ())


def _without_size(data: bytes) -> bytes:
    """The drawing without width, height and viewBox on its root, so that units stay as written."""
    match = re.search(rb"<(?:\w+:)?svg\b[^>]*>", data)
    if match is None:
        return data
    tag = re.sub(rb"""\s(?:width|height|viewBox)\s*=\s*("[^"]*"|'[^']*')""", b"", match.group(0))
    return data[: match.start()] + tag + data[match.end() :]

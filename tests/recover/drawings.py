"""Drawings of a disc, written by hand in the ways that other programs write them.

Nothing here comes from the package: angles, radii and order follow the design's words.
"""

from __future__ import annotations

import math

GRID = [
    "1010011011100010",
    "0111001000010111",
    "1000000110100101",
    "0011111000000001",
]
N = len(GRID[0])
CLOCK, FIRST, PITCH, HOLE, OUTER, BORE = 40.0, 34.0, 5.0, 2.5, 90.0, 6.0


def sites(grid: list[str] = GRID) -> list[tuple[float, float, float]]:
    """Holes as (x, y up, diameter) about the centre, clock row first."""
    out = []
    n = len(grid[0])
    rows = [(CLOCK, "1" * n)] + [(FIRST - r * PITCH, bits) for r, bits in enumerate(grid)]
    for radius, bits in rows:
        for p, bit in enumerate(bits):
            if bit == "1":
                a = -2 * math.pi * p / n  # anticlockwise seen from the front
                out.append((radius * math.sin(a), radius * math.cos(a), HOLE))
    return out


def svg(body: str, head: str = 'width="100mm" height="100mm" viewBox="0 0 100 100"') -> str:
    return (
        '<?xml version="1.0"?>\n<svg xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink" {head}>\n{body}\n</svg>\n'
    )


def circles(scale: float = 1.0, cx: float = 50.0, cy: float = 50.0) -> str:
    """Plain circle elements, y down."""
    every = [*sites(), (0.0, 0.0, OUTER), (0.0, 0.0, BORE)]
    return "\n".join(
        f'<circle cx="{(cx + x) * scale:.6f}" cy="{(cy - y) * scale:.6f}" r="{d / 2 * scale:.6f}"/>'
        for x, y, d in every
    )


def in_inches() -> str:
    """A page in inches, with user units of a thousandth of an inch."""
    k = 1000 / 25.4
    return svg(circles(k), 'width="4in" height="4in" viewBox="0 0 4000 4000"')


def in_points_without_viewbox() -> str:
    return svg(circles(96 / 25.4), 'width="300pt" height="300pt"')


def without_units() -> str:
    return svg(circles(), 'width="100" height="100"')


def halves() -> str:
    """Every circle as two separate arcs, the second drawn the other way."""
    out = []
    for x, y, d in [*sites(), (0.0, 0.0, OUTER), (0.0, 0.0, BORE)]:
        r, cx, cy = d / 2, 50 + x, 50 - y
        out.append(f'<path d="M{cx - r:.5f},{cy:.5f} a{r},{r} 0 0 1 {2 * r},0" fill="none"/>')
        out.append(f'<path d="M{cx - r:.5f},{cy:.5f} a{r},{r} 0 0 0 {2 * r},0" fill="none"/>')
    return svg("\n".join(out))


def nested() -> str:
    """Groups in groups, with turns, flips and scales that cancel out, and use elements."""
    out = [
        '<defs><circle id="h" r="1"/><g id="pair"><use xlink:href="#h"/></g></defs>',
        '<g transform="translate(50,50) scale(1,-1)">',
        f'<circle r="{OUTER / 2}"/><ellipse rx="{BORE / 2}" ry="{BORE / 2}"/>',
    ]
    for n, (x, y, d) in enumerate(sites()):
        if n % 2:
            out.append(
                f'<g transform="rotate({n * 7})"><g transform="rotate({-n * 7})">'
                f'<use xlink:href="#pair" transform="translate({x:.6f},{y:.6f}) scale({d / 2})"/>'
                "</g></g>"
            )
        else:
            out.append(f'<use href="#h" transform="matrix({d / 2} 0 0 {-d / 2} {x:.6f} {y:.6f})"/>')
    out.append("</g>")
    return svg("\n".join(out))


def bezier(cx: float, cy: float, r: float) -> str:
    """A circle as four cubic curves, as most drawing programs save it."""
    k = 0.5522847498 * r
    return (
        f"M{cx + r:.5f} {cy:.5f}"
        f"C{cx + r:.5f} {cy + k:.5f} {cx + k:.5f} {cy + r:.5f} {cx:.5f} {cy + r:.5f}"
        f"S{cx - r:.5f} {cy + k:.5f} {cx - r:.5f} {cy:.5f}"
        f"S{cx - k:.5f} {cy - r:.5f} {cx:.5f} {cy - r:.5f}"
        f"S{cx + r:.5f} {cy - k:.5f} {cx + r:.5f} {cy:.5f}z"
    )


def one_path() -> str:
    """All of it in a single path of curves, with a title and cross hairs besides."""
    every = [*sites(), (0.0, 0.0, OUTER), (0.0, 0.0, BORE)]
    d = " ".join(bezier(50 + x, 50 - y, s / 2) for x, y, s in every)
    return svg(
        f'<path fill-rule="evenodd" d="{d}"/>'
        '<text x="5" y="5">Cairn Hut</text><line x1="0" y1="50" x2="100" y2="50"/>'
        '<rect x="1" y="1" width="98" height="98" fill="none"/>'
        '<path d="M50 0V100M40 40l3 5 4-2z"/>'
    )


def polygons() -> str:
    """Circles as polygons of 24 corners, in a style sheet's class, inside a nested svg."""
    out = []
    for x, y, d in [*sites(), (0.0, 0.0, OUTER), (0.0, 0.0, BORE)]:
        points = " ".join(
            f"{50 + x + d / 2 * math.cos(t * math.pi / 12):.4f},"
            f"{50 - y + d / 2 * math.sin(t * math.pi / 12):.4f}"
            for t in range(24)
        )
        out.append(f'<polygon class="cut" points="{points}"/>')
    return svg("<style>.cut{fill:none;stroke:red}</style>\n" + "\n".join(out))


SVGS = {
    "circles": lambda: svg(circles()),
    "inches": in_inches,
    "points": in_points_without_viewbox,
    "no-units": without_units,
    "halves": halves,
    "nested": nested,
    "one-path": one_path,
    "polygons": polygons,
}

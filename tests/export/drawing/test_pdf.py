"""PDF, measured by pypdf."""

from __future__ import annotations

import io
import shutil
import subprocess

import numpy as np
import pytest

from sonify.disc.disc import Disc
from sonify.disc.sizes import Geometry
from sonify.export.drawing.drawing import GROUPS, drawing_of
from sonify.export.drawing.drawing_formats import draw
from sonify.export.drawing.pdf import PAPERS, sheets
from tests.export.drawing.expected import DISC, MICRON, TEXT, expected, same

MM = 72 / 25.4
"""Points in a mm: a point is 1/72 inch (ISO 32000-1, user space), an inch 25.4 mm by definition."""

# ISO 216, and ANSI/ASME Y14.1 in inches; legal is common practice, no source
SIZES = {
    "a2": (420, 594), "a3": (297, 420), "a4": (210, 297), "a5": (148, 210),
    "letter": (8.5 * 25.4, 11 * 25.4), "legal": (8.5 * 25.4, 14 * 25.4),
    "tabloid": (11 * 25.4, 17 * 25.4),
}  # fmt: skip


def circles_of(page) -> list[tuple[float, float, float, tuple]]:
    """Every circle of four curves on a page, in mm from its lower left corner, with its colour."""
    pypdf = pytest.importorskip("pypdf")
    content = pypdf.generic.ContentStream(page.get_contents(), page.pdf)
    out, stack = [], []
    matrix, colour, points = np.eye(3), None, []
    for operands, operator in content.operations:
        v = [float(o) if not isinstance(o, (str, list, dict)) else o for o in operands]
        match operator:
            case b"q":
                stack.append((matrix, colour))
            case b"Q":
                matrix, colour = stack.pop()
            case b"cm":
                a, b, c, d, e, f = v
                matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
            case b"RG" | b"G":
                colour = tuple(v) if len(v) == 3 else (v[0],) * 3
            case b"m":
                points = [v]
            case b"c":
                points.append(v)
            case b"l":
                points = []
            case b"h":
                if len(points) == 5 and all(len(p) == 6 for p in points[1:]):
                    ends = np.array([points[0], *(p[4:] for p in points[1:4])])
                    ends = np.column_stack((ends, np.ones(4))) @ matrix
                    right, top, left, bottom = ends[:, :2] / MM
                    middle = (right + left) / 2
                    assert np.abs(middle - (top + bottom) / 2).max() < MICRON / 10
                    out.append((*middle, float(np.hypot(*(right - left))), colour))
                points = []
    return out


def lines_of(page) -> list[tuple[np.ndarray, np.ndarray]]:
    """Straight lines of a page, in mm."""
    pypdf = pytest.importorskip("pypdf")
    out, start = [], None
    stack, matrix = [], np.eye(3)
    for operands, operator in pypdf.generic.ContentStream(page.get_contents(), page.pdf).operations:
        if operator == b"q":
            stack.append(matrix)
        elif operator == b"Q":
            matrix = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = map(float, operands)
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif operator in (b"m", b"l"):
            here = (np.array([*map(float, operands), 1]) @ matrix)[:2] / MM
            if operator == b"l":
                out.append((start, here))
            start = here
    return out


def test_pdf_measured_by_pypdf(way):
    pypdf = pytest.importorskip("pypdf")
    drawing, wanted = way
    reader = pypdf.PdfReader(io.BytesIO(draw(drawing, ".pdf", paper="a4")))
    (page,) = reader.pages
    assert float(page.mediabox.width) / MM == pytest.approx(210, abs=0.01)
    assert float(page.mediabox.height) / MM == pytest.approx(297, abs=0.01)
    found: dict[str, list] = {}
    names = {tuple(c / 255 for c in bytes.fromhex(g.colour[1:])): g.id for g in GROUPS.values()}
    circles = circles_of(page)
    (ox, oy) = next((x, y) for x, y, d, _ in circles if d > 100)
    for x, y, d, colour in circles:
        name = min(names, key=lambda c: sum(abs(a - b) for a, b in zip(c, colour, strict=True)))
        found.setdefault(names[name], []).append((x - ox, y - oy, d))
    assert found.keys() == wanted.keys()
    for name in wanted:
        # a PDF holds four decimals of a point: 0.02 µm at each end
        same(found[name], wanted[name], 0.0001)


def test_pdf_has_a_bar_of_50_mm_on_every_page():
    pypdf = pytest.importorskip("pypdf")
    drawing = drawing_of(DISC, DISC.geometry)
    assert set(PAPERS) == set(SIZES)
    for paper, size in SIZES.items():
        reader = pypdf.PdfReader(io.BytesIO(draw(drawing, ".pdf", paper=paper)))
        pages, _, _ = sheets(drawing, paper)
        assert len(reader.pages) == len(pages)
        for page in reader.pages:
            box = sorted((float(page.mediabox.width) / MM, float(page.mediabox.height) / MM))
            assert box == pytest.approx(size, abs=0.01)
            flat = [np.hypot(*(b - a)) for a, b in lines_of(page) if abs(a[1] - b[1]) < 1e-6]
            assert max(flat) == pytest.approx(50, abs=MICRON)
            assert "50 mm" in page.extract_text()


@pytest.mark.parametrize(("diameter", "paper"), [(180.0, "a5"), (400.0, "a4"), (600.0, "letter")])
def test_pdf_tiles_make_up_the_whole(diameter, paper):
    """Each hole is whole on some page or split between two that both show it, and the register
    marks of neighbours are at the same places of the disc."""
    pypdf = pytest.importorskip("pypdf")
    g = Geometry(outer_diameter=diameter, clock_radius=diameter / 2 - 6,
                 first_row_radius=diameter / 2 - 13)  # fmt: skip
    disc = Disc.from_message(TEXT, geometry=g)
    drawing = drawing_of(disc, g)
    pages, columns, lines = sheets(drawing, paper)
    reader = pypdf.PdfReader(io.BytesIO(draw(drawing, ".pdf", paper=paper)))
    assert len(reader.pages) == len(pages) == columns * lines > 1
    seen = set()
    marks: list[set] = []
    wanted = np.array([c for k in ("holes", "clock-row") for c in expected(disc)[k]])
    for sheet, page in zip(pages, reader.pages, strict=True):
        offset = np.array([sheet.x - 8.0, sheet.y - 22.0])
        for x, y, d, _ in circles_of(page):
            if d > 5:
                continue
            far = np.hypot(wanted[:, 0] - x - offset[0], wanted[:, 1] - y - offset[1])
            assert far.min() < MICRON * 4  # and the page's own height in whole hundredths of a pt
            k = int(far.argmin())
            cx, cy = wanted[k, :2]
            if (
                sheet.x <= cx - 1.5
                and cx + 1.5 <= sheet.x + sheet.across
                and sheet.y <= cy - 1.5
                and cy + 1.5 <= sheet.y + sheet.up
            ):
                seen.add(k)
        crosses = {
            tuple(np.round((a + b) / 2 + offset, 1))
            for a, b in lines_of(page)
            if np.hypot(*(b - a)) == pytest.approx(8, abs=0.001)
        }
        marks.append(crosses)
    assert seen == set(range(len(wanted)))
    for k, sheet in enumerate(pages):
        for other in range(k):
            o = pages[other]
            beside = abs(o.column - sheet.column) + abs(o.line - sheet.line) == 1
            if beside:
                assert len(marks[k] & marks[other]) >= 2


@pytest.mark.skipif(shutil.which("qpdf") is None, reason="qpdf (Debian) is not installed")
def test_real_size_is_what_print_dialogues_offer(tmp_path):
    path = tmp_path / "a.pdf"
    path.write_bytes(draw(drawing_of(DISC, DISC.geometry), ".pdf", stroke=0.3))
    subprocess.run(["qpdf", "--check", str(path)], check=True, capture_output=True)
    done = subprocess.run(["qpdf", "--json", str(path)], check=True, capture_output=True)
    assert b'"/PrintScaling": "/None"' in done.stdout

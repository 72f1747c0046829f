"""SVG, read back by svgelements, laid out and painted by Chromium."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from sonify.export.drawing.drawing import GROUPS, drawing_of
from sonify.export.drawing.drawing_formats import draw
from tests.export.drawing.expected import DISC, expected, same


def test_svg_read_by_svgelements(way):
    elements = pytest.importorskip("svgelements")
    drawing, wanted = way
    text = draw(drawing, ".svg").decode("utf-8")
    # at 25.4 dots an inch a unit is a millimetre; the library knows an inch to seven digits
    whole = elements.SVG.parse(io.StringIO(text), ppi=25.4, reify=False)
    reach = (wanted["outline"][0][2] + 2) / 2
    assert whole.width == pytest.approx(2 * reach, rel=1e-6)
    found: dict[str, list] = {}
    for group in (g for g in whole if isinstance(g, elements.Group)):
        for c in group.select(lambda e: isinstance(e, elements.Circle)):
            found.setdefault(group.id, []).append((c.cx, -c.cy, 2 * c.rx))
            assert c.rx == c.ry
            # and where that lands at real size, from the upper left corner
            assert c.implicit_center.x == pytest.approx(c.cx + reach, rel=1e-6)
            assert c.implicit_center.y == pytest.approx(c.cy + reach, rel=1e-6)
            assert c.implicit_rx == pytest.approx(c.rx, rel=1e-6)
    assert found.keys() == wanted.keys()
    for name in wanted:
        same(found[name], wanted[name])


def test_svg_has_groups_with_titles_in_the_order_of_work():
    import xml.etree.ElementTree as tree

    root = tree.fromstring(draw(drawing_of(DISC, DISC.geometry), ".svg"))
    ns = "{http://www.w3.org/2000/svg}"
    groups = root.findall(f"{ns}g")
    assert [g.get("id") for g in groups] == list(GROUPS)
    for g in groups:
        assert g.find(f"{ns}title").text == GROUPS[g.get("id")].title
        assert g.get("fill") == "none"
        assert g.get("{http://www.inkscape.org/namespaces/inkscape}groupmode") == "layer"
        assert float(g.get("stroke-width")) == 0.25
    assert len({g.get("stroke") for g in groups}) == len(groups)
    rows = groups[list(GROUPS).index("holes")].findall(f"{ns}g")
    assert [r.get("id") for r in rows] == [f"row-{k + 1}" for k in range(DISC.rows)]
    assert [len(r.findall(f"{ns}circle")) for r in rows] == (DISC.grid == 1).sum(axis=1).tolist()
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert root.find(f"{ns}title").text == "Cairn Hut, 14 March <&>"
    assert root.find(f".//{ns}text") is None  # no typeface to be missing


@pytest.fixture(scope="module")
def chromium():
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("chromium is not installed (Debian: apt install chromium)")

    def run(*arguments: str) -> str:
        return subprocess.run(
            [path, "--headless", "--no-sandbox", "--disable-gpu", *arguments],
            capture_output=True, text=True, check=True, timeout=300,
        ).stdout  # fmt: skip

    return run


def test_svg_laid_out_by_chromium(chromium, tmp_path):
    """The browser's own boxes of the circles in millimetres, and the size of the whole in CSS
    millimetres."""
    drawing = drawing_of(DISC, DISC.geometry, kerf=0.15)
    page = tmp_path / "page.html"
    script = """
      const svg = document.querySelector("svg"), box = svg.getBoundingClientRect();
      const out = {size: [box.width, box.height], circles: {}};
      for (const c of svg.querySelectorAll("circle")) {
        const b = c.getBBox(), name = c.closest("svg > g").id;
        (out.circles[name] ??= []).push([b.x + b.width / 2, -b.y - b.height / 2, b.width]);
      }
      document.body.textContent = JSON.stringify(out);
    """
    svg = draw(drawing, ".svg").decode("utf-8").split("?>", 1)[1]
    page.write_text(f"<meta charset=utf-8><body>{svg}<script>{script}</script>", encoding="utf-8")
    text = chromium("--dump-dom", page.as_uri())
    data = json.loads(re.search(r"<body>(\{.*\})", text).group(1))
    wanted = expected(DISC, kerf=0.15)
    assert data["circles"].keys() == wanted.keys()
    for name, circles in data["circles"].items():
        # the browser reckons in single precision
        same([tuple(c) for c in circles], wanted[name], 0.00005)
    # and lays out in sixty-fourths of a pixel
    assert data["size"] == pytest.approx([182.15 * 96 / 25.4] * 2, abs=1 / 64)


def test_svg_painted_by_chromium(chromium, tmp_path):
    """Filled instead of outlined: holes come out where they should, and nowhere else."""
    drawing = drawing_of(DISC, DISC.geometry)
    svg = draw(drawing, ".svg").decode("utf-8").split("?>", 1)[1]
    css = """svg{position:absolute;left:0;top:0;width:800px;height:800px}
             circle{fill:#000;stroke:none} #outline circle{fill:#fff}
             #engraving,#index-mark,#keep-outs{display:none}"""
    # the outline is drawn last: put it under the others to see them
    script = "const s=document.querySelector('svg');s.prepend(s.querySelector('#outline'))"
    page, shot = tmp_path / "page.html", tmp_path / "shot.png"
    page.write_text(
        f"<style>body{{background:#00f}}{css}</style><body>{svg}<script>{script}</script>",
        encoding="utf-8",
    )
    chromium(f"--screenshot={shot}", "--window-size=800,900", page.as_uri())
    pixels = np.asarray(Image.open(shot).convert("RGB")).astype(int)[:800]
    scale = 800 / 182
    y, x = np.mgrid[:800, :800]
    wanted = expected(DISC)
    inside = np.zeros((800, 800), bool)
    edge = np.zeros((800, 800), bool)
    for cx, cy, d in wanted["holes"] + wanted["clock-row"] + wanted["bore"]:
        away = np.hypot((x + 0.5) / scale - 91 - cx, 91 - (y + 0.5) / scale - cy) - d / 2
        inside |= away < 0
        edge |= np.abs(away) < 0.3
    disc = np.hypot((x + 0.5) / scale - 91, (y + 0.5) / scale - 91)
    edge |= np.abs(disc - 90) < 0.3
    colour = np.where(inside[..., None], [0, 0, 0], [255, 255, 255])
    colour = np.where((disc > 90)[..., None], [0, 0, 255], colour)
    assert np.abs(pixels - colour)[~edge].max() == 0


def test_lines_can_be_seen_on_a_screen_and_their_width_is_asked_for():
    """At 96 pixels an inch, each cut has a contrast of 3 to 1 with white (WCAG 2.2, SC 1.4.11)."""
    import resvg_py

    drawing = drawing_of(DISC, DISC.geometry)
    data = draw(drawing, ".svg").decode()
    image = bytes(resvg_py.svg_to_bytes(svg_string=data, dpi=96, background="#ffffff"))
    light = np.asarray(Image.open(io.BytesIO(image)).convert("RGB")) / 255
    light = np.where(light <= 0.04045, light / 12.92, ((light + 0.055) / 1.055) ** 2.4)
    light = light @ [0.2126, 0.7152, 0.0722]
    pixel, middle = 96 / 25.4, light.shape[0] / 2
    holes = expected(DISC)["holes"]
    for x, y, d in holes:
        left, top = middle + x * pixel, middle - y * pixel
        reach = int(d * pixel / 2) + 2
        spot = light[int(top) - reach : int(top) + reach + 1, int(left) - reach :][:, : 2 * reach]
        assert 1.05 / (spot.min() + 0.05) > 3
    fine = draw(drawing, ".svg", stroke=0.01).decode()
    assert set(re.findall(r'stroke-width="(.*?)"', fine)) == {"0.01"}


@pytest.mark.skipif(shutil.which("inkscape") is None, reason="Inkscape (Debian) is not installed")
def test_inkscape_shows_the_groups_as_layers(tmp_path):
    path = tmp_path / "a.svg"
    path.write_bytes(draw(drawing_of(DISC, DISC.geometry), ".svg"))
    done = subprocess.run(
        ["inkscape", "--actions=select-all:layers; select-list", str(path)],
        capture_output=True, text=True, check=True, env={**os.environ, "HOME": str(tmp_path)},
    )  # fmt: skip
    assert [line.split()[0] for line in done.stdout.splitlines()] == list(GROUPS)

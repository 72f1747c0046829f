"""The site that `mkdocs build --strict` made: whole, without a network, on small screens."""

from __future__ import annotations

import json
import re
from pathlib import Path

import av
import pytest
from PIL import Image

import sonify
from tests.shipped import LOOKS, MUSIC

SITE = Path(__file__).parents[2] / "build/site"
pytestmark = pytest.mark.skipif(not SITE.is_dir(), reason="`mkdocs build --strict` comes first")


def test_no_page_loads_anything_from_elsewhere() -> None:
    loads = re.compile(
        r"<(?:script|img|iframe|audio|source)[^>]* src=[\"']?((?:https?:)?//[^\"' >]+)"
        r"|<link[^>]* rel=[\"']?(?:stylesheet|preconnect|preload)[^>]*(//[^\"' >]+)"
    )
    pages = list(SITE.rglob("*.html"))
    assert len(pages) > 30
    assert {p: found for p in pages if (found := loads.findall(p.read_text("utf-8")))} == {}


def test_every_preset_is_heard_and_seen() -> None:
    page = (SITE / "gallery/presets.html").read_text("utf-8")
    for preset in MUSIC:
        assert page.count(f"{preset.stem}.opus") == 1
        with av.open(str(SITE / f"gallery/{preset.stem}.opus")) as sound:
            assert sound.streams.audio[0].codec_context.name.endswith("opus")
            assert sound.duration > 10 * av.time_base
        with Image.open(SITE / f"gallery/{preset.stem}-notes.png") as notes:
            assert notes.getchannel("A").getextrema() == (0, 255)


def test_every_look_is_seen() -> None:
    page = (SITE / "gallery/looks.html").read_text("utf-8")
    for look in LOOKS:
        assert f'src="{look.stem}.png"' in page
        with Image.open(SITE / f"gallery/{look.stem}.png") as picture:
            assert len(picture.convert("RGBA").getcolors(1 << 20)) > 2, look


def test_commands_are_found_by_search() -> None:
    found = json.loads((SITE / "search/search_index.json").read_text("utf-8"))["docs"]
    assert "reference/commands.html#compose" in {d["location"] for d in found}


@pytest.mark.parametrize("kind", ["disc", "preset", "project"])
def test_the_schemas_lie_beside_the_reference(kind: str) -> None:
    text = (SITE / f"reference/{kind}.schema.json").read_text("utf-8")
    assert json.loads(text) == json.loads(json.dumps(sonify.schema(kind)))
    assert f'href="{kind}.schema.json"' in (SITE / "reference/formats.html").read_text("utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_fit_a_phone_and_ask_for_nothing(browser, scheme) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800}, color_scheme=scheme)
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    for name in ("index", "start", "how-to/clip", "gallery/presets", "reference/settings"):
        page.goto((SITE / f"{name}.html").as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, name
    page.close()
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []

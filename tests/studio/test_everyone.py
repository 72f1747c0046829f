"""Keyboard alone, screen readers, large type, small screens, light and dark, and still pictures."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.nightly import nightly, sampled
from tests.studio.conftest import ROOT, Page, Studio
from tests.studio.test_midi import PORTS

AXE = Path(os.environ.get("SONIFY_AXE", ROOT / "build/axe/package/axe.min.js"))
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


IN_DARK = ["color-contrast", "target-size", "scrollable-region-focusable", "meta-viewport"]
"""Rules that colours and the size of the page decide."""


def violations(page: Page, inside: str = "html", rules: list[str] | None = None) -> list[str]:
    """What axe-core finds inside an element, with where: by some rules or by all."""
    if not AXE.is_file():
        pytest.skip("axe-core is not here; `npm pack axe-core` and unpack it into build/axe")
    if not page.js("'axe' in window"):
        page.js(AXE.read_text(encoding="utf-8") + "; 0")
    found = page.js(
        """([inside, type, values]) => axe.run(inside, { runOnly: { type, values } })""",
        [inside, "rule" if rules else "tag", rules or RULES],
    )
    return [
        f"{v['id']}: {n['target']} {n['failureSummary'][:300]}"
        for v in found["violations"]
        for n in v["nodes"]
    ]


def late(size: tuple[int, int], **look: str) -> Any:
    return pytest.param(size, look, None, marks=nightly)


@pytest.mark.parametrize(
    ("size", "look", "rules"),
    [
        ((1440, 900), {"color_scheme": "light"}, None),
        ((390, 844), {"color_scheme": "dark"}, IN_DARK),
        late((390, 844), color_scheme="dark"),
        late((1440, 900), color_scheme="dark"),
        late((1440, 900), forced_colors="active"),
        late((820, 1180), color_scheme="light"),
        late((720, 450), color_scheme="light"),  # 1440 by 900 at 200 %
        late((320, 640), forced_colors="active", color_scheme="dark"),
    ],
)
def test_axe_finds_nothing(
    browser: Any,
    studio: Studio,
    look: dict[str, str],
    size: tuple[int, int],
    rules: list[str] | None,
) -> None:
    width, height = size
    page = Page(
        browser, studio, PORTS, viewport={"width": width, "height": height}, bypass_csp=True, **look
    )  # fmt: skip
    if not rules:
        assert violations(page) == []
    # all that can be opened is open: once on the whole page, then area by area
    page.js("for (const d of document.querySelectorAll('details')) d.open = true")
    page.js("document.body.dataset.help = ''")
    assert violations(page, rules=rules) == []
    for area in page.js("studio.areas().names"):
        page.js("(name) => studio.areas().open(name)", area)
        if area == "midi":
            page.page.get_by_role("button", name="Connect MIDI").click()
            page.page.get_by_label("Send to").select_option("o1")
        assert violations(page, f"#panel-{area}", rules) == [], area
    page.page.keyboard.press("Control+K")
    assert violations(page, "#palette", rules) == []
    page.page.keyboard.press("Escape")
    # ... and something is wrong
    page.js("studio.store.set('setup.music.metre', '7/9')")
    page.page.wait_for_selector("#wrong:not([hidden])")
    assert violations(page, "#wrong" if rules else "html", rules) == []
    page.close()


def focus(page: Page) -> dict[str, Any]:
    out: dict[str, Any] = page.js(
        """() => {
          const e = document.activeElement, r = e.getBoundingClientRect();
          const label = e.labels?.[0]?.textContent ?? "";
          return { tag: e.tagName, id: e.id, type: e.type ?? "", seen: r.width > 0 && r.height > 0,
                   name: e.getAttribute("aria-label") || label || e.textContent.trim(),
                   top: r.top, bottom: r.bottom };
        }"""
    )
    return out


def test_keyboard_alone_types_plays_changes_and_takes_away(page: Page) -> None:
    keys = page.page.keyboard
    keys.press("Tab")
    assert focus(page)["name"] == "Skip to the controls"
    seen = []
    for _ in range(40):
        keys.press("Tab")
        now = focus(page)
        assert now["seen"], now
        assert now["name"] or now["id"] == "seek", now
        seen.append(now["id"])
        if now["id"] == "play":
            break
    assert "version-a" in seen  # the toolbar is one stop; arrow keys move inside it
    assert "seek" in seen
    keys.press("Enter")
    page.until("studio.sound.playing")
    keys.press("Space")
    page.until("!studio.sound.playing")
    for _ in range(15):
        keys.press("Tab")
        if focus(page)["id"] == "start-message":
            break
    keys.press("Control+A")
    keys.type("BY KEYS ALONE")
    page.settled()
    assert page.js("studio.show.message") == "BY KEYS ALONE"
    for _ in range(15):
        keys.press("Tab")
        if focus(page)["name"].startswith("MIDI file"):
            break
    with page.page.expect_download() as got:
        keys.press("Enter")
    assert got.value.suggested_filename.endswith(".mid")
    # and out at the other end: no trap
    for _ in range(80):
        keys.press("Tab")
        if focus(page)["tag"] == "BODY":
            break
    assert focus(page)["tag"] == "BODY"


def test_what_has_the_focus_is_not_hidden_behind_the_bar(page: Page) -> None:
    keys = page.page.keyboard
    bar = "document.querySelector('.transport').getBoundingClientRect()"
    page.at("#message").focus()
    for _ in range(60):
        keys.press("Tab")
        now = focus(page)
        if now["tag"] == "BODY":  # round once
            continue
        top, bottom = page.js(f"[{bar}.top, {bar}.bottom]")
        inside = page.js("Boolean(document.activeElement.closest('.transport'))")
        assert inside or now["bottom"] <= top + 1 or now["top"] >= bottom - 1, now


def test_space_plays_when_no_control_has_the_focus(page: Page) -> None:
    page.page.locator(".now-title").click()
    page.page.keyboard.press("Space")
    page.until("studio.sound.playing")
    page.at("#message").focus()
    page.page.keyboard.press("Space")
    assert page.js("studio.sound.playing")


def test_nothing_runs_out_of_a_narrow_page(visit: Callable[..., Page]) -> None:
    """320 px is WCAG's measure for reflow (SC 1.4.10); 640 px is 1280 at 200 %."""
    page = visit(320, 720)
    page.js("for (const d of document.querySelectorAll('details')) d.open = true")
    for width in (320, 390, 640, 1024):
        page.page.set_viewport_size({"width": width, "height": 720})
        page.frames()
        assert page.js("document.documentElement.scrollWidth") <= width
        over = page.js(
            """() => [...document.querySelectorAll("main *, footer *, header *")]
              .filter((e) => e.checkVisibility())
              .filter((e) => !e.closest(".hidden, .skip, .presets, .roof, dialog"))
              .filter((e) => !(e instanceof SVGElement))
              .filter((e) => e.getBoundingClientRect().right > innerWidth + 1)
              .map((e) => e.tagName + "." + e.className + "#" + e.id)"""
        )
        assert over == [], width
        assert page.page.is_visible("#play"), width


def test_twice_as_large_type_still_fits(page: Page) -> None:
    page.js("document.documentElement.style.fontSize = '200%'")
    page.frames()
    assert page.js("document.documentElement.scrollWidth") <= 1280
    cut = page.js(
        """() => [...document.querySelectorAll("button, label, h2, .pill span")]
          .filter((e) => e.checkVisibility() && !e.closest(".hidden"))
          .filter((e) => e.scrollWidth > e.clientWidth + 2
                         && getComputedStyle(e).overflow !== "visible")
          .map((e) => e.textContent)"""
    )
    assert cut == []


def test_reduced_motion_keeps_the_disc_still(visit: Callable[..., Page]) -> None:
    page = visit(reduced_motion="reduce")
    plate = """(t) => { studio.sound.seek(t); studio.views.disc.draw(t);
      const c = studio.views.disc.canvas, x = c.getContext("2d");
      const d = x.getImageData(0, c.height * 0.55, c.width, c.height * 0.2).data;
      return Array.from(d).filter((_, k) => k % 16 < 3); }"""
    still = page.js(plate, 0.0)
    later = page.js(plate, 1.0)
    moved = sum(abs(a - b) > 24 for a, b in zip(still, later, strict=True)) / len(still)
    assert moved < 0.02
    page.page.emulate_media(reduced_motion="no-preference")
    turned = page.js(plate, 1.0)
    assert sum(abs(a - b) > 24 for a, b in zip(still, turned, strict=True)) / len(still) > 0.02


@pytest.mark.parametrize("scheme", sampled(["dark", "light"], 1))
def test_colours_follow_the_system_until_chosen(visit: Callable[..., Page], scheme: str) -> None:
    page = visit(color_scheme=scheme)
    ground = "getComputedStyle(document.body).backgroundColor"
    first = page.js(ground)
    level = sum(int(x) for x in first.removeprefix("rgb(").rstrip(")").split(",")) / 3
    assert (level > 128) == (scheme == "light")
    page.page.click("#theme")
    assert page.js(ground) != first


def test_the_work_areas_take_one_row_and_none_is_cut_off(page: Page) -> None:
    for width in (1280, 1440):
        page.page.set_viewport_size({"width": width, "height": 720})
        page.frames()
        ends = page.js(
            """() => { const list = document.getElementById("areas");
              const all = [...list.children];
              const tabs = all.map((t) => t.getBoundingClientRect());
              return { tops: new Set(tabs.map((r) => r.top)).size, right: tabs.at(-1).right,
                       room: list.getBoundingClientRect().right,
                       cut: all.filter((t) => t.scrollWidth > t.clientWidth).length }; }"""
        )
        assert (ends["tops"], ends["cut"]) == (1, 0), width
        assert ends["right"] <= ends["room"] + 0.5, width


def test_the_list_of_keys_opens_at_its_top(page: Page) -> None:
    for width, height in ((1280, 720), (390, 844)):
        page.page.set_viewport_size({"width": width, "height": height})
        page.page.locator("body").press("?")
        box = page.page.locator("#shortcuts")
        box.wait_for()
        assert box.evaluate("(e) => e.scrollTop") == 0
        assert box.evaluate("(e) => e.scrollWidth - e.clientWidth") <= 0
        page.page.keyboard.press("Escape")
        box.wait_for(state="hidden")

"""Keys, the command palette, explanations, the full screen, and targets for fingers."""

from __future__ import annotations

from typing import Any

import pytest

from tests.nightly import sampled
from tests.studio.conftest import Page, Studio


def test_the_palette_finds_commands_controls_presets_and_files(page: Page) -> None:
    keys = page.page.keyboard
    options = page.page.locator("#palette [role=option]")

    def run(text: str, first: str) -> None:
        keys.press("Control+K")
        keys.type(text)
        assert (options.first.text_content() or "").startswith(first)
        keys.press("Enter")
        assert page.page.is_hidden("#palette")

    run("koto", "koto pond")
    page.until("studio.store.document.presets.includes('koto-pond')")
    page.settled()
    run("go to lamps", "Go to Lamps")
    assert page.js("studio.areas().now") == "lamps"
    run("stage move", "Stage move")
    assert page.js("studio.areas().now") == "machine"
    assert page.js("document.activeElement.labels[0].textContent") == "Stage move"
    run("undo", "Undo")
    page.until("!studio.store.document.presets.includes('koto-pond')")
    with page.page.expect_download() as got:
        run("make midi", "Make: MIDI file")
    assert got.value.suggested_filename == "cairn-small.mid"
    # a word that is nowhere
    keys.press("Control+K")
    keys.type("zzzz")
    assert options.count() == 0
    keys.press("Enter")
    keys.press("Escape")
    assert page.page.is_hidden("#palette")
    # arrow keys go round, and the page follows what is chosen
    page.page.click("#find")
    keys.press("ArrowUp")
    last = options.last.get_attribute("id")
    assert page.page.get_attribute("#palette input", "aria-activedescendant") == last
    assert options.last.get_attribute("aria-selected") == "true"
    keys.press("Escape")


def test_explanations_are_folded_behind_one_mark(page: Page) -> None:
    page.page.click("#tab-machine")
    helps = page.page.locator("#panel-machine .help")
    assert helps.count() > 3
    assert not helps.first.is_visible()
    page.page.keyboard.press("h")
    assert helps.first.is_visible()
    assert page.page.get_attribute("#explain", "aria-pressed") == "true"
    page.page.reload()
    page.ready()
    assert helps.first.is_visible()
    page.page.click("#explain")
    assert not helps.first.is_visible()
    # a control names its explanation all the same
    described = page.page.locator("#panel-machine input[type=number]").first
    assert described.get_attribute("aria-describedby")


def test_the_show_takes_the_whole_screen(page: Page) -> None:
    page.page.keyboard.press("f")
    page.until("Boolean(document.fullscreenElement) && document.body.dataset.view === 'large'")
    page.until("document.querySelector('.work').getClientRects().length === 0")
    assert page.page.is_hidden(".top")
    assert page.page.is_visible("#play")
    # the show alone while nothing is touched
    seen = "getComputedStyle(document.querySelector('.transport')).opacity"
    page.until(f"{seen} === '0'")
    page.page.keyboard.press("Shift")
    page.until(f"{seen} === '1'")
    page.page.keyboard.press("f")
    page.until("!document.fullscreenElement && document.body.dataset.view === 'work'")
    assert page.page.is_visible(".top")


SMALL = """() => [...document.querySelectorAll("button, select, input, textarea, summary")]
  .filter((e) => e.getClientRects().length && !e.closest(".hidden, .skip") && e.id !== "seek")
  .map((e) => {
    const [a, b] = [e, e.closest("label") ?? e].map((x) => x.getBoundingClientRect());
    return [e.tagName, e.id || e.ariaLabel || e.textContent.slice(0, 30),
      Math.max(a.width, b.width), Math.max(a.height, b.height)];
  })
  .filter(([, , w, h]) => w < 43.9 || h < 43.9)"""  # WCAG 2.2, 2.5.5 (AAA)


@pytest.mark.parametrize("size", sampled([(390, 844), (768, 1024)], 1))
def test_fingers_can_hit_all_targets(browser: Any, studio: Studio, size: tuple[int, int]) -> None:
    width, height = size
    page = Page(
        browser, studio, viewport={"width": width, "height": height}, has_touch=True, is_mobile=True
    )
    page.js("for (const d of document.querySelectorAll('details')) d.open = true")
    for area in page.js("studio.areas().names"):
        page.js("(name) => studio.areas().open(name)", area)
        assert page.js(SMALL) == [], area
        assert page.js("document.documentElement.scrollWidth") <= width
    page.close()
    assert page.wrong == []

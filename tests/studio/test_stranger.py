"""How far a stranger has to go: actions by pointer, Tab stops by keyboard, each area once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.nightly import nightly
from tests.studio.conftest import Page, Studio

MOST_STOPS = 15


class Stranger:
    """Does only what can be seen, and counts it."""

    def __init__(self, browser: Any, studio: Studio) -> None:
        self.page = Page(browser, studio, viewport={"width": 1280, "height": 720})
        self.actions = 0

    def press(self, selector: str) -> None:
        """Click on something that is in sight."""
        self.actions += 1
        self.page.page.locator(selector).click()

    def type(self, selector: str, text: str) -> None:
        """Fill a field that is in sight."""
        self.actions += 1
        self.page.page.locator(selector).fill(text)
        self.page.settled()


def test_actions_to_what_a_stranger_wants(browser: Any, plain: Studio, tmp_path: Path) -> None:
    one = Stranger(browser, plain)
    one.type("#start-message", "SOUP FROM ELEVEN")
    one.press("#play")
    one.page.until("studio.sound.place() > 0.3")
    assert one.page.js("studio.show.message") == "SOUP FROM ELEVEN"
    assert one.actions <= 3
    with one.page.page.expect_download() as got:
        one.press('[data-take="midi"]')
    got.value.save_as(tmp_path / "own.mid")
    assert (tmp_path / "own.mid").read_bytes()[:4] == b"MThd"
    assert one.actions <= 5
    one.page.again(1280, 720)
    one.actions = 0
    one.type("#start-message", "SOUP FROM ELEVEN")
    one.press("#tab-disc")
    one.press("#panel-disc summary:text-is('Sizes')")
    one.type('[data-place="disc.fit.outer-diameter"] input[type=number]', "180")
    one.press("#tab-start")
    with one.page.page.expect_download() as got:
        one.press('[data-take="draw"]')
    got.value.save_as(tmp_path / "own.svg")
    assert 'r="90.0"' in (tmp_path / "own.svg").read_text(encoding="utf-8")
    assert one.actions <= 7
    one.page.close()


AREA = "document.activeElement.closest('.panel')?.id"


def test_every_area_is_within_few_tab_stops(page: Page) -> None:
    keys = page.page.keyboard
    names = page.js("studio.areas().names")
    for n, name in enumerate(names):
        page.js("document.activeElement.blur(); studio.areas().open('start')")
        page.page.locator("a.skip").evaluate("(e) => { e.focus(); e.blur(); }")
        stops = 0
        while not page.js("Boolean(document.activeElement.closest('.areas'))"):
            keys.press("Tab")
            stops += 1
            assert stops <= MOST_STOPS, name
        for _ in range(n):
            keys.press("ArrowRight")
        assert page.js("studio.areas().now") == name
        while page.js(AREA) != f"panel-{name}":
            keys.press("Tab")
            stops += 1
            assert stops <= MOST_STOPS, name


@nightly  # other tests do more in each area
def test_each_area_once(browser: Any, plain: Studio, tmp_path: Path) -> None:
    """One deed in each area, by what is written on it; each is seen to have an effect."""
    one = Stranger(browser, plain)
    page = one.page
    one.type("#start-message", "LAMPS OUT AT TEN")
    deeds = {
        "disc": lambda: page.page.locator("#title").fill("Evening note"),
        "holes": lambda: page.page.locator(".holes canvas").click(position={"x": 40, "y": 30}),
        "music": lambda: page.page.locator('[data-preset="kalimba-path"]').click(),
        "voices": lambda: page.page.locator(".voice .mute").first.click(),
        "lamps": lambda: page.page.get_by_label("Look", exact=True).select_option("glacier"),
        "machine": lambda: page.page.locator('[data-place="player.rpm"] input[type=number]').fill(
            "12"
        ),
    }
    for area, deed in deeds.items():
        before, past = page.document, page.js("studio.store.version.past.length")
        one.press(f"#tab-{area}")
        deed()
        page.until(f"studio.store.version.past.length > {past}")
        page.settled()
        assert page.document != before, area
        assert page.js("document.getElementById('wrong').hidden"), area
    one.press("#tab-notes")
    page.page.locator(".roll").focus()
    page.page.keyboard.press("ArrowRight")
    page.page.keyboard.press("m")
    page.settled()
    assert page.document["setup"]["note"][0]["mute"] is True
    one.press("#tab-files")
    with page.page.expect_download() as got:
        one.press("#make")
    got.value.save_as(tmp_path / "a.mid")
    assert (tmp_path / "a.mid").stat().st_size > 200
    one.press("#tab-read")
    (tmp_path / "seen.txt").write_text("1011001\n0110100\n")
    page.page.set_input_files("#file", tmp_path / "seen.txt")
    page.until("studio.show.rows === 2 && studio.show.positions === 7")
    one.press("#tab-compare")
    (tmp_path / "cut.txt").write_text("1011001\n0110000\n")
    page.page.set_input_files("#panel-compare input[type=file]", tmp_path / "cut.txt")
    page.until("document.querySelectorAll('#panel-compare :is(dl, .errors, .cause)').length > 0")
    one.press("#tab-midi")
    page.page.get_by_label("Tempo in bpm").fill("96")
    page.page.keyboard.press("Enter")
    page.settled()
    assert page.document["setup"]["music"]["tempo"] == 96
    assert page.wrong == []
    page.close()

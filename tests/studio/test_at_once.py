"""What the page draws and plays from what it knows, before the server has answered."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.studio.conftest import Page


@pytest.fixture
def alone(page: Page) -> Iterator[Page]:
    """A page whose server keeps its answers back."""
    page.frames()
    for path in ("show", "holes"):
        page.page.route(f"**/api/{path}", lambda route: None)
    yield page
    page.page.unroute_all(behavior="ignoreErrors")


def pixels(page: Page, canvas: str) -> int:
    """A number that the pixels of a canvas give, after the next frame."""
    number: int = page.js(
        """async (id) => {
          await new Promise(requestAnimationFrame);
          await new Promise(requestAnimationFrame);
          const c = document.getElementById(id);
          const { data } = c.getContext("2d").getImageData(0, 0, c.width, c.height);
          return data.reduce((sum, x, k) => (sum * 31 + x * (k % 251)) % 4294967296, 0);
        }""",
        canvas,
    )
    return number


def test_a_flipped_hole_is_drawn(alone: Page) -> None:
    alone.page.click("#tab-holes")
    before = [pixels(alone, x) for x in ("disc", "holes")]
    bits = alone.js("[...studio.show.bits]")
    alone.page.locator("#holes").focus()
    alone.page.keyboard.press("Enter")
    after = [pixels(alone, x) for x in ("disc", "holes")]
    assert all(a != b for a, b in zip(before, after, strict=True))
    changed = alone.js("[...studio.show.bits]")
    assert [n for n, (a, b) in enumerate(zip(bits, changed, strict=True)) if a != b] == [0]


def test_a_hole_that_the_server_refuses_is_as_before(page: Page) -> None:
    page.page.click("#tab-holes")
    bits = page.js("[...studio.show.bits]")
    page.page.route("**/api/holes", lambda r: r.fulfill(status=422, json={"error": "no"}))
    page.page.locator("#holes").focus()
    page.page.keyboard.press("Enter")
    page.until("!document.getElementById('wrong').hidden")
    assert page.js("[...studio.show.bits]") == bits
    page.wrong.clear()  # the browser's console tells the refused request


def test_a_colour_is_drawn(alone: Page) -> None:
    before = pixels(alone, "matrix")
    alone.js('studio.store.set("setup.light.background", "#204060")')
    assert pixels(alone, "matrix") != before


def test_level_and_pan_are_heard(page: Page) -> None:
    page.js("studio.sound.wake()")
    page.js("studio.sound.setVoices()")
    page.page.route("**/api/show", lambda route: None)
    page.js(
        """() => { const { store } = studio;
          store.set("setup.music.voice.0.volume", 50);
          store.set("setup.music.voice.0.pan", -0.5); }"""
    )
    page.until("Math.abs(studio.sound.mixer.voices[0].gain.gain.value - 0.25) < 0.01")
    page.until("Math.abs(studio.sound.mixer.voices[0].pan.pan.value + 0.5) < 0.02")
    page.page.unroute_all(behavior="ignoreErrors")

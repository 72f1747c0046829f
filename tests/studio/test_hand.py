"""What a hand finds out: folds that stay open, voices heard alone, steady places, plain words."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from tests.nightly import nightly, sampled
from tests.studio.conftest import Page, Studio


def voices(page: Page, count: int) -> None:
    page.js(
        """(count) => studio.store.change("voices", (d) => {
          d.setup.music.voice = Array.from({ length: count }, (_, k) => (
            { name: "voice " + "abcdef"[k], source: "ones", program: "celesta", octave: 0 }));
        })""",
        count,
    )
    page.settled()


def names(page: Page) -> list[str]:
    return [v["name"] for v in page.document["setup"]["music"]["voice"]]


def heard(page: Page) -> list[str]:
    silent = page.js("[...studio.sound.silent]")
    return [name for n, name in enumerate(names(page)) if n not in silent]


def test_the_voice_heard_alone_stays_the_same_when_voices_move_and_go(page: Page) -> None:
    voices(page, 4)
    page.page.click("#tab-voices")
    page.page.click('[aria-label="Solo voice 3"]')
    assert heard(page) == ["voice c"]
    page.page.click('[aria-label="Voice 3 up"]')
    assert heard(page) == ["voice c"]
    page.page.click('[aria-label="Remove voice 1"]')
    assert names(page) == ["voice c", "voice b", "voice d"]
    assert heard(page) == ["voice c"]
    page.page.click('[aria-label="Remove voice 1"]')
    assert heard(page) == ["voice b", "voice d"]
    page.page.click('[aria-label="Solo voice 2"]')
    voices(page, 1)  # what was heard alone is gone: the rest must not stay silent
    assert heard(page) == ["voice a"]


def test_folds_stay_open_and_go_with_their_voice(shared: Page) -> None:
    page = shared
    voices(page, 2)
    page.page.click("#tab-voices")
    page.page.wait_for_selector('[data-voice="1"] details', state="attached")
    page.js("""() => {
      for (const d of document.querySelectorAll('[data-voice="0"] details')) d.open = true;
      document.querySelector('[data-voice="1"] details').open = false;
    }""")
    opened = """(n) => [...document.querySelectorAll(`[data-voice="${n}"] details`)]
      .map((d) => d.open)"""
    before = page.js(opened, 0)
    assert all(before)
    page.at('[data-voice="0"] .block > select').select_option("swing")
    assert page.js(opened, 0) == before
    page.page.click('[aria-label="Voice 1 down"]')
    assert page.js(opened, 1) == before
    assert not any(page.js(opened, 0))


def test_ends_of_the_list_offer_no_way_further(shared: Page) -> None:
    page = shared
    voices(page, 2)
    for button in ("Voice 1 up", "Voice 2 down"):
        page.page.wait_for_selector(f'[aria-label="{button}"]:disabled', state="attached")
    page.page.wait_for_selector('[aria-label="Voice 1 down"]:enabled', state="attached")


def test_the_place_is_where_the_pointer_is(shared: Page) -> None:
    page = shared
    box = page.page.locator("#seek").bounding_box()
    assert box is not None
    for share in (0.02, 0.3, 0.97):
        page.page.mouse.click(box["x"] + box["width"] * share, box["y"] + box["height"] / 2)
        got = page.js("studio.sound.place() / studio.sound.end")
        assert (got - share) * box["width"] == pytest.approx(0, abs=1.5)


@pytest.mark.parametrize("size", sampled([(390, 844), (1280, 900), (1024, 768)], 1))
def test_nothing_moves_while_the_message_comes(
    visit: Callable[..., Page], size: tuple[int, int]
) -> None:
    page = visit(*size)
    page.at("#message").fill("FOG IN THE SADDLE UNTIL NOON, THEN CLEAR. THE SPRING RUNS. " * 3)
    page.settled()
    tops = set()
    for share in (0, 0.1, 0.2, 0.35, 0.5, 0.8, 1):
        page.js("(x) => studio.sound.seek(studio.sound.end * x)", share)
        tops.add(
            page.js("""(async () => {
          await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
          const said = document.getElementById("said");
          return [document.querySelector(".trail").getBoundingClientRect().top + scrollY,
                  said.scrollHeight <= said.clientHeight + 1].join();
        })()""")
        )
    assert len(tops) == 1
    assert next(iter(tops)).endswith("true")


def test_every_setting_is_told_in_plain_words(studio: Studio) -> None:
    tables = studio.ask("GET", "/api/tables").json
    fields = [f for rows in tables["sections"].values() for f in rows]
    fields += [f for kind in ("schemes", "rules") for one in tables[kind] for f in one["fields"]]
    for f in fields:
        if f.get("control") == "skip":
            continue
        assert f["help"], f["key"]
        assert "_" not in f["help"] + f["label"], f["key"]
        assert "`" not in f["help"], f["key"]


def test_the_tab_says_which_disc_it_holds(shared: Page) -> None:
    page = shared
    page.at("#title").fill("Hut book, 3 May")
    page.settled()
    assert page.page.title() == "Hut book, 3 May · sonify studio"


def test_space_plays_wherever_the_focus_is_but_in_text(page: Page) -> None:
    page.page.click("#loop-row")
    page.page.keyboard.press(" ")
    page.until("studio.sound.playing")
    assert page.js("studio.sound.loop") == "row"
    page.page.keyboard.press(" ")
    page.until("!studio.sound.playing")
    page.page.focus("#loop-row")
    page.page.keyboard.press("Tab")
    page.page.keyboard.press(" ")
    page.until("studio.sound.playing")
    assert page.js("studio.sound.loop") == "row"
    page.page.keyboard.press("Enter")
    assert page.js("studio.sound.loop") == "all"
    # a box that only Space can tick keeps it
    page.make("lights")
    page.page.focus(".making [type=checkbox]")
    page.page.keyboard.press("Shift+Tab")
    page.page.keyboard.press("Tab")
    page.page.keyboard.press(" ")
    assert page.page.is_checked(".making [type=checkbox]")


def test_undo_says_so(shared: Page) -> None:
    page = shared
    page.at("#add-voice").click()
    page.settled()
    assert page.page.text_content("#state") == "Voice added"
    page.page.click("#undo")
    page.settled()
    assert page.page.text_content("#state") == "Undone: add voice"


def test_a_number_that_is_none_is_not_left_standing(shared: Page) -> None:
    page = shared
    box = page.at('[data-place="player.rpm"] input[type=number]')
    before = box.input_value()
    box.fill("")
    box.press("Tab")
    assert box.input_value() == before


def test_a_choice_that_says_nothing_new_shows_what_it_began_from(shared: Page) -> None:
    page = shared
    pick = page.at("#panel-disc").get_by_label("Disc", exact=True)
    before = pick.input_value()
    assert before
    pick.select_option("")
    assert pick.input_value() == before


def test_making_again_right_after_cancelling(page: Page) -> None:
    page.make("clip").get_by_text("Cancel").click()
    again = page.make("clip")
    for _ in range(2):
        with page.page.expect_response(
            lambda r: r.request.method == "GET" and "/api/jobs/" in r.url
        ) as got:
            pass
        assert got.value.ok
    assert again.get_by_text("Cancel").is_visible()
    assert "no such job" not in (again.locator(".fact").text_content() or "")
    again.get_by_text("Cancel").click()


def test_flashing_that_could_not_be_measured_is_said_so(page: Page) -> None:
    page.js("studio.store.set('setup.player.rpm', 60)")
    page.js("studio.store.set('setup.player.matrix.scroll', 20)")
    page.settled()
    assert page.js("studio.show.mayFlash")
    page.page.route("**/api/flash", lambda route: route.abort())
    with page.page.expect_console_message(lambda m: "Failed to load" in m.text):
        page.page.click("#play")
    page.page.wait_for_selector("#flash[open]")
    text = page.page.text_content("#flash") or ""
    assert "could not be measured" in text
    assert "flash more than" not in text
    page.page.click("#flash-no")
    page.wrong[:] = [w for w in page.wrong if "Failed to load" not in w]


def test_a_phone_has_pace_loudness_and_what_is_told(visit: Callable[..., Page]) -> None:
    page = visit(390, 844)
    assert not page.page.is_visible("#pace")
    page.page.click("#more")
    assert page.page.get_attribute("#more", "aria-expanded") == "true"
    for name in ("#pace", "#loud", "#loop-row"):
        assert page.page.is_visible(name)
    page.page.locator("#pace").press("ArrowRight")
    assert page.js("studio.sound.pace") > 1
    page.page.click("#more")
    assert not page.page.is_visible("#pace")
    # the lamps stay in sight whatever is worked on
    page.page.click("#tab-voices")
    assert page.js("document.getElementById('matrix').getBoundingClientRect().top") >= 0
    assert page.js("document.querySelector('.transport').offsetHeight") < 70
    page.page.set_input_files(
        "#file", {"name": "grid.csv", "mimeType": "text/csv", "buffer": b"time,clock,data\n0,1,1\n"}
    )
    page.page.wait_for_selector("#wrong:not([hidden])")
    assert page.page.text_content("#state") == "grid.csv could not be read"
    assert page.js("getComputedStyle(document.getElementById('state')).clipPath") == "none"
    page.page.click('[aria-label="Close this message"]')
    assert page.page.is_hidden("#wrong")
    page.wrong.clear()  # the browser's console tells the refused file


def test_what_is_told_does_not_move_the_page(page: Page) -> None:
    page.at("#message").fill("WIND " * 200)
    page.settled()
    tall = "document.querySelector('.transport').offsetHeight"
    before = page.js(tall)
    page.page.set_input_files(
        "#file", {"name": "a-rather-long-name-of-a-file.txt", "mimeType": "text/plain",
                  "buffer": b"0101\n1100\n"},
    )  # fmt: skip
    page.until("document.getElementById('state').textContent.startsWith('Read:')")
    assert page.js(tall) == before


def test_a_reader_s_hint_names_the_page_s_own_controls() -> None:
    from sonify.errors import InputError
    from sonify.studio.naming import said

    page = Path(__file__).parents[2] / "sonify/studio/static/panel-read.js"
    labels = page.read_text(encoding="utf-8")
    for key in ("positions", "rows", "sample-rate"):
        text = said(InputError("it is not clear", hint=f"give {{{key}}}"))
        label, where = re.findall("“([^”]+)”", text)
        assert f'"{label}"' in labels
        assert f'"{where}"' in labels
    assert said(InputError("too fast", key="player.rpm")) == "“Speed”: too fast"


SIZES = [(1440, 900), (1440, 560), (390, 844)]
MATRICES = [(32, 8), (16, 16), (8, 64), (128, 8), (1, 1)]


@pytest.mark.parametrize(
    "cases",
    [
        [(SIZES[k % 3], lamps) for k, lamps in enumerate(MATRICES)],
        pytest.param(list(product(SIZES, MATRICES)), marks=nightly),
    ],
    ids=["some", "all"],
)
def test_all_lamps_of_any_matrix_are_seen(page: Page, cases: list[Any]) -> None:
    for size, lamps in cases:
        page.page.set_viewport_size({"width": size[0], "height": size[1]})
        page.js(
            """([w, h]) => studio.store.change("lamps", (d) => {
          Object.assign(d.setup.player.matrix, { width: w, height: h }); })""",
            list(lamps),
        )
        page.settled()
        page.frames()
        wide, tall, across, down = page.js("""() => {
          const m = studio.views.matrix, [w, h] = m.units();
          return [m.canvas.clientWidth, m.canvas.clientHeight, w, h]; }""")
        assert wide / tall == pytest.approx(across / down, rel=0.05), (size, lamps)
        assert page.js("document.documentElement.scrollWidth") <= size[0], (size, lamps)
    # a message has no room to scroll on some of them
    page.forget_refusals()


def test_a_value_that_can_t_be_read_says_why(shared: Page) -> None:
    page = shared
    page.js("for (const d of document.querySelectorAll('details')) d.open = true")
    field = page.at('[data-place="music.voice[0].curves"]')
    field.locator("input").fill("[{")
    field.locator("input").press("Tab")
    page.until("document.querySelector('[aria-invalid=true]') !== null")
    assert "not a TOML value" in (field.text_content() or "")
    field.locator("input").fill("")
    field.locator("input").press("Tab")
    assert "not a TOML value" not in (field.text_content() or "")
    page.forget_refusals()


def test_a_colour_that_is_none_says_what_would_be_one(shared: Page) -> None:
    page = shared
    box = page.at('[data-place="light.lamp"] input[type=text]')
    box.fill("red")
    box.press("Tab")
    page.page.wait_for_selector("#wrong:not([hidden])")
    said = page.page.text_content("#wrong") or ""
    assert "regex" not in said
    assert "#rrggbb" in said
    page.forget_refusals()


def test_a_message_that_is_cleared_to_write_another_leads_nowhere(page: Page) -> None:
    page.page.click("#tab-start")
    page.page.locator("#start-message").fill("")
    page.page.wait_for_selector("#wrong:not([hidden])")
    assert page.page.get_attribute("#start-message", "aria-invalid") == "true"
    assert page.js("document.activeElement.id") == "start-message"
    page.page.keyboard.type("BREAD AT LAKE 2")
    page.settled()
    assert page.js("studio.show.message") == "BREAD AT LAKE 2"
    assert page.page.is_hidden("#wrong")
    page.wrong.clear()  # the answer 422


def test_an_error_about_another_area_can_be_gone_to(page: Page) -> None:
    page.page.click("#tab-midi")
    page.page.locator("#bpm").focus()
    page.js("studio.store.set('setup.music.metre', '7/9')")
    page.page.wait_for_selector("#wrong:not([hidden])")
    assert page.page.is_visible("#panel-midi")
    page.page.locator("#wrong").get_by_role("button", name="Show").click()
    assert page.page.is_visible("#panel-music")
    assert page.page.get_attribute("#metre", "aria-invalid") == "true"
    page.wrong.clear()

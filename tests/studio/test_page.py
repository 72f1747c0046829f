"""The page in Debian's Chromium: what a maker does with it, and what comes of it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest

import sonify
from sonify.disc.code.code import Code
from sonify.disc.geometry.fit import fit
from sonify.disc.layout import Layout
from sonify.disc.sizes import FitSpec
from sonify.settings import convert
from tests.lamps import states_at
from tests.nightly import late, sampled
from tests.studio.conftest import LOUD, Page, Studio


def test_type_a_message_and_play(page: Page) -> None:
    typed_and_played(page)


def test_type_play_and_save_in_the_whole_browser(
    whole_browser: Any, studio: Studio, tmp_path: Path
) -> None:
    page = Page(whole_browser, studio)
    typed_and_played(page)
    with page.page.expect_download() as got:
        page.make("midi")
    got.value.save_as(tmp_path / "typed.mid")
    file = mido.MidiFile(tmp_path / "typed.mid")
    played = [m for m in file if m.type == "note_on" and m.velocity]
    assert len(played) == sum(v["notes"] for v in page.js("studio.show.voices"))
    page.page.reload()
    page.ready()
    assert page.js("studio.show.message") == "TWO LANTERNS LEFT"
    assert page.wrong == []
    page.close()


def typed_and_played(page: Page) -> None:
    """Type a message, play, pause and go to its end."""
    page.at("#message").fill("TWO LANTERNS LEFT")
    page.settled()
    assert page.js("studio.show.message") == "TWO LANTERNS LEFT"
    want = fit("TWO LANTERNS LEFT", Code(), Layout(), FitSpec())  # as `encode` does
    fact = page.page.text_content("#panel-disc .fact")
    assert fact is not None
    assert "17 characters" in fact
    assert "119 bits" not in fact  # a row is filled up
    assert f"{want.rows} rows of {want.layout.positions}" in fact
    assert re.search(r"\d+ mm across", fact)
    page.page.click("#play")
    page.until("studio.sound.place() > 0.8")
    assert page.js(LOUD) > 0.01
    assert page.page.text_content("#play-name") == "Pause"
    page.page.click("#play")
    page.until("!studio.sound.playing")
    at = page.js("studio.sound.place()")
    page.frames(10)
    assert page.js("studio.sound.place()") == at
    page.js("studio.sound.seek(studio.show.durationS)")
    page.until("document.getElementById('said').textContent === 'TWO LANTERNS LEFT'")


def table_of(page: Page) -> dict[str, Any]:
    out: dict[str, Any] = page.studio.ask("GET", "/api/tables").json
    return out


def at(table: Any, place: str) -> Any:
    for part in re.findall(r"[^.\[\]]+", place):
        if isinstance(table, list):
            table = table[int(part)] if int(part) < len(table) else None
        else:
            table = (table or {}).get(part)
    return table


def other(f: dict[str, Any], now: Any) -> Any:
    """A value that a control may have and that it has not now."""
    if "choices" in f:
        return next(c["name"] for c in f["choices"] if c["name"] != now)
    match f["kind"]:
        case "bool":
            return not now
        case "colour":
            return "#12ab56"
        case "int" | "float":
            low = f.get("min", f.get("above", 0))
            high = f.get("max", f.get("below", 1000))
            step = 1 if f["kind"] == "int" else 0.25 * min(1.0, high - low)
            value = (now if isinstance(now, (int, float)) else low + step) + step
            value = value if value < high else value - 2 * step
            return round(value, 4)
        case "list":
            return [1, 0, 2] if f["item"]["kind"] != "text" else ["D4", "F4", "A4"]
    raise AssertionError(f)


def turn(page: Page, place: str, f: dict[str, Any], value: Any) -> None:
    """Move a control as a hand would."""
    box = page.at(f'[data-place="{place}"]')
    box.evaluate("""(e) => {
        for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
    }""")
    if f["kind"] == "choice":
        select = box.locator("select")
        if select.count():
            select.select_option(str(value))
        else:
            box.locator(f'input[value="{value}"]').check(force=True)
    elif f["kind"] == "bool":
        box.locator("input").set_checked(value)
    elif f["kind"] in ("int", "float"):
        box.locator("input[type=number]").fill(str(value))
    else:
        text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
        box.locator("input[type=text]").fill(text)
        box.locator("input[type=text]").press("Tab")


SECTIONS = {
    "player": "setup.player",
    "player.matrix": "setup.player.matrix",
    "light": "setup.light",
    "music": "setup.music",
    "code": "disc.code",
    "layout": "disc.layout",
}
PLAIN = ("bool", "colour", "int", "float", "list", "choice")


one_in = pytest.mark.parametrize("one_in", [12, late(1)])


@one_in
@pytest.mark.parametrize("section", SECTIONS)
def test_every_control_of_a_section_changes_its_setting(
    shared: Page, section: str, one_in: int
) -> None:
    page, base = shared, SECTIONS[section]
    place = base.removeprefix("setup.")
    fields = [
        f
        for f in table_of(page)["sections"][section]
        if not f.get("control") and f["kind"] in PLAIN and f["key"] != "redundancy"
    ]
    for f in fields[::one_in]:
        where = f"{base}.{f['key']}"
        if f["key"] == "filling":  # it needs the end mark of a frame
            page.js("studio.store.set('disc.code.framing', 'framed')")
        before = page.document
        now = at(before, where)
        want = other(f, f["default"] if now is None else now)
        if f["key"] == "tuning-output":  # this music has too many voices for MPE
            want = "mts"
        turn(page, f"{place}.{f['key']}", f, want)
        assert at(page.document, where) == want, where
        page.settled()
        assert page.js("studio.store.wrong") is None, (
            where,
            page.js("studio.store.wrong?.message"),
        )
        page.js("studio.store.undo()")
        page.settled()
        assert page.document == before, where
        if f["key"] == "filling":
            page.js("studio.store.undo()")
            page.settled()


@one_in
def test_every_scheme_and_each_of_its_controls(shared: Page, one_in: int) -> None:
    page = shared
    where = "setup.music.voice.0.pitch"
    start = page.document
    for scheme in table_of(page)["schemes"][::one_in]:
        box = page.at('[data-place="music.voice[0].pitch"] > .field select')
        box.select_option(scheme["name"])
        assert at(page.document, where)["scheme"] == scheme["name"]
        if scheme["name"] == "progression":
            page.js("studio.store.set('setup.music.voice.0.pitch.chords', 'i VI III VII')")
        if scheme["name"] == "table":
            page.js("studio.store.set('setup.music.voice.0.pitch.degrees', [0, 2, 4])")
        page.settled()
        assert page.js("studio.store.wrong?.message ?? null") is None, scheme["name"]
        for f in scheme["fields"]:
            if f["kind"] not in PLAIN or f["key"] == "notes":
                continue
            now = at(page.document, f"{where}.{f['key']}")
            want = other(f, f["default"] if now is None else now)
            turn(page, f"music.voice[0].pitch.{f['key']}", f, want)
            assert at(page.document, f"{where}.{f['key']}") == want, (scheme["name"], f["key"])
            page.settled()
    while page.js("studio.store.canUndo"):
        page.js("studio.store.undo()")
    page.settled()
    assert page.document == start


@one_in
def test_every_rule_and_each_of_its_controls(shared: Page, one_in: int) -> None:
    page = shared
    start = page.document
    for rule in table_of(page)["rules"][::one_in]:
        count = len(at(page.document, "setup.music.voice.0.rhythm"))
        adder = page.at('[data-voice="0"] .block > select')
        adder.select_option(rule["name"])
        rules = at(page.document, "setup.music.voice.0.rhythm")
        assert rules[count:] == [rule["name"]]
        for f in rule["fields"]:
            if f["kind"] not in PLAIN:
                continue
            want = other(f, f["default"])
            place = f"music.voice[0].rhythm[{count}].{f['key']}"
            turn(page, place, f, want)
            got = at(page.document, f"setup.music.voice.0.rhythm.{count}.{f['key']}")
            assert got == want, (rule["name"], f["key"])
        page.settled()
        page.at(f'[data-voice="0"] [aria-label="Remove rule {count + 1}"]').click()
        assert len(at(page.document, "setup.music.voice.0.rhythm")) == count
    while page.js("studio.store.canUndo"):
        page.js("studio.store.undo()")
    page.settled()
    assert page.document == start


def test_voices_are_added_moved_muted_heard_alone_and_removed(shared: Page) -> None:
    page = shared
    names = lambda: [v["name"] for v in page.document["setup"]["music"]["voice"]]  # noqa: E731
    two = page.document["setup"]["music"]["voice"][:2]
    page.js(f"studio.store.set('setup.music.voice', {json.dumps(two)})")
    page.settled()
    first = names()
    page.at("#add-voice").click()
    assert len(names()) == len(first) + 1
    page.settled()
    page.page.click('[aria-label="Voice 3 up"]')
    assert names()[1] == "voice 3"
    page.page.press('[aria-label="Name of voice 2"]', "Alt+ArrowUp")
    assert names()[0] == "voice 3"
    page.page.fill('[aria-label="Name of voice 1"]', "bell buoy")
    page.page.press('[aria-label="Name of voice 1"]', "Tab")
    assert names()[0] == "bell buoy"
    page.page.click('[data-voice="1"] .mute')
    assert page.document["muted"] == [1]
    page.page.click('[data-voice="2"] .solo')
    assert page.js("[...studio.sound.silent].sort()") == [0, 1]
    page.page.click('[data-voice="2"] .solo')
    assert page.js("[...studio.sound.silent]") == [1]
    page.page.click('[aria-label="Remove voice 1"]')
    assert names() == first
    assert page.document["muted"] == [0]
    source = page.at('[data-place="music.voice[0].source"] select')
    source.select_option("zeros")
    page.settled()
    show = sonify.perform(
        sonify.load_disc("cairn-small"), setup=convert(page.document["setup"], sonify.Setup)
    )
    assert page.js("studio.show.onset.length") == len(show.notes)
    page.at('[data-place="music.voice[0].program"] .pill', has_text="drum").click()
    page.settled()
    assert page.document["setup"]["music"]["voice"][0]["drum"] == "side stick"
    assert page.js("studio.show.voices[0].instrument") == 128


def test_presets_scale_root_step_and_metre(shared: Page) -> None:
    page = shared
    page.at('[data-preset="koto-pond"]').click()
    page.until("studio.store.document.presets.includes('koto-pond')")
    page.settled()
    want = sonify.perform(sonify.load_disc("cairn-small"), ["koto-pond"])
    assert page.js("studio.show.onset.length") == len(want.notes)
    assert page.page.get_attribute('[data-preset="koto-pond"]', "aria-pressed") == "true"
    page.at('[data-place="music.scale"] select').select_option("lydian")
    page.page.select_option('[data-place="music.root"] select >> nth=0', "7")
    page.settled()
    assert page.document["setup"]["music"]["scale"] == "lydian"
    assert page.document["setup"]["music"]["root"][0] == "G"
    title = page.at(".keyboard title").text_content()
    assert title == "G lydian: G, A, B, C#, D, E, F#"
    lit = page.at(".keyboard .key.lit").count()
    assert lit == 14  # seven tones in each of two octaves
    page.at(".keyboard .key").nth(0).click()
    assert page.document["setup"]["music"]["root"][0] == "C"
    step = page.at("#panel-music").get_by_label("Step", exact=True).first
    step.fill("1/8")
    step.press("Tab")
    metre = page.at("#panel-music").get_by_label("Metre", exact=True)
    metre.fill("7/8")
    metre.press("Tab")
    page.settled()
    assert page.js("studio.show.metre") == "7/8"
    assert page.document["setup"]["music"]["step"] == "1/8"


def test_what_is_wrong_is_said_at_its_place_and_the_music_goes_on(page: Page) -> None:
    page.page.click("#play")
    page.until("studio.sound.place() > 0.2")
    metre = page.at("#panel-music").get_by_label("Metre", exact=True)
    metre.fill("7/9")
    metre.press("Tab")
    page.page.wait_for_selector("#wrong:not([hidden])")
    assert "7/9 is not a metre" in (page.page.text_content("#wrong") or "")
    assert page.js("studio.sound.playing")
    step = page.at("#panel-music").get_by_label("Step", exact=True).first
    metre.fill("auto")
    metre.press("Tab")
    page.settled()
    step.fill("rubbish")
    step.press("Tab")
    page.page.wait_for_selector("#wrong:not([hidden])")
    page.page.click("#undo")
    page.page.wait_for_selector("#wrong", state="hidden")
    # a refused question is an answer 422, which the browser notes
    page.wrong[:] = [w for w in page.wrong if "422" not in w]


def test_undo_redo_and_two_versions(page: Page) -> None:
    first = page.document
    page.at('[data-place="music.scale"] select').select_option("phrygian")
    page.settled()
    second = page.document
    page.page.click("#undo")
    assert page.document == first
    page.page.keyboard.press("Control+Shift+Z")
    assert page.document == second
    page.page.keyboard.press("Control+Z")
    assert page.document == first
    assert page.page.is_disabled("#undo")
    page.page.click("#version-b")
    page.at('[data-place="music.scale"] select').select_option("blues")
    page.settled()
    third = page.document
    page.page.click("#version-a")
    assert page.document == first
    page.settled()
    a = page.js("studio.show.pitch.join()")
    page.page.click("#version-b")
    assert page.document == third
    page.settled()
    assert page.js("studio.show.pitch.join()") != a


def test_a_drag_of_a_slider_is_one_step_back(shared: Page) -> None:
    page = shared
    before = page.document
    slider = page.at('[data-place="player.rpm"] input[type=range]')
    slider.focus()
    for _ in range(6):
        slider.press("ArrowRight")
    page.settled()
    assert page.document["setup"]["player"]["rpm"] == before["setup"]["player"]["rpm"] + 3
    page.page.click("#undo")
    assert page.document == before


def test_dice_gives_the_same_for_a_seed_and_keeps_what_is_locked(page: Page) -> None:
    before = page.document
    page.at(".lock", has_text="root and scale").click()
    page.at(".lock", has_text="matrix and look").click()
    page.page.fill(".dice input[type=number]", "4711")
    page.at("#roll-seed").click()
    page.until("studio.store.canUndo")
    page.settled()
    one = page.document["setup"]
    assert one["music"]["scale"] == before["setup"]["music"]["scale"]
    assert one["music"]["root"] == before["setup"]["music"]["root"]
    assert one["light"] == before["setup"]["light"]
    assert one["music"]["voice"] != before["setup"]["music"]["voice"]
    page.page.click("#undo")
    page.settled()
    page.at("#roll-seed").click()
    page.until("studio.store.canUndo")
    assert page.document["setup"] == one
    page.at("#roll").click()
    page.until("studio.store.version.past.length === 2")
    assert page.document["setup"] != one


def test_going_anywhere_looping_and_pace(page: Page) -> None:
    box = page.page.locator("#seek").bounding_box()
    assert box is not None
    page.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    end = page.js("studio.sound.end")
    assert page.js("studio.sound.place()") == pytest.approx(end / 2, abs=end / 40)
    page.page.focus("#seek")
    page.page.keyboard.press("Home")
    assert page.js("studio.sound.place()") == pytest.approx(0, abs=0.02)
    page.page.keyboard.press("PageUp")
    assert page.js("studio.sound.place()") == page.js("studio.show.row_s[1]")
    page.page.keyboard.press("ArrowRight")
    assert page.js("studio.sound.place() - studio.show.row_s[1]") == pytest.approx(1)
    page.page.keyboard.press("PageDown")
    assert page.js("studio.sound.place()") == 0
    page.page.click("#loop-row")
    page.js("studio.sound.seek(studio.show.row_s[1] - 0.25)")
    page.page.click("#play")
    page.until("studio.sound.range && 0 < studio.sound.place() && studio.sound.place() < 4")
    start, stop = page.js("studio.sound.range")
    assert (start, stop) == (0, page.js("studio.show.row_s[1]"))
    page.page.click("#loop-row")
    page.js("document.getElementById('pace').value = 1;"
            "document.getElementById('pace').dispatchEvent(new Event('input'))")  # fmt: skip
    page.frames()
    moment = "(() => { const t = studio.sound.heard(); return [studio.sound.placeAt(t), t]; })()"
    a = page.js(moment)
    page.until(f"studio.sound.heard() > {a[1] + 0.6}")
    b = page.js(moment)
    assert (b[0] - a[0]) / (b[1] - a[1]) == pytest.approx(2.0, rel=0.02)
    assert page.page.text_content("#pace-is") == "2 ×"


def test_a_change_while_playing_keeps_the_place_on_the_disc(page: Page) -> None:
    page.page.click("#play")
    page.until("studio.sound.place() > 1")
    row = "(() => { const s = studio.show, p = studio.sound.place(); let n = 0;" \
          "while (n + 1 < s.read_s.length && s.read_s[n + 1] <= p) n++; return n; })()"  # fmt: skip
    page.at('[data-place="player.rpm"] input[type=number]').fill("20")
    before, then = page.js(f"[{row}, studio.sound.context.currentTime]")
    page.settled()
    after, now = page.js(f"[{row}, studio.sound.context.currentTime]")
    assert page.js("studio.show.positionS") == pytest.approx(60 / 20 / 56)
    assert 0 <= after - before <= 4 + (now - then) / (60 / 20 / 56)
    assert page.js("studio.sound.playing")


def lamps_of(page: Page) -> np.ndarray:
    """Which lamps are lit on the page's canvas, from the colours of their middles."""
    got = page.js("""() => {
      const view = studio.views.matrix;
      const { width, height } = studio.show.matrix;
      const across = view.canvas.width;
      const { data } = view.canvas.getContext("2d").getImageData(0, 0, across, view.canvas.height);
      const out = [];
      for (let y = 0; y < height; y++) for (let x = 0; x < width; x++) {
        const [cx, cy] = view.centre(x, y);
        const at = 4 * (Math.round(cy) * across + Math.round(cx));
        out.push([...data.slice(at, at + 3)]);
      }
      return out;
    }""")
    return np.asarray(got, float)


@pytest.mark.parametrize("fill", sampled(["rolling", "rows", "characters"], 1))
def test_lamps_on_the_canvas_are_the_readings_at_twenty_moments(shared: Page, fill: str) -> None:
    page = shared
    page.at('[data-place="player.matrix.fill"] select').select_option(fill)
    page.settled()
    setup = convert(page.document["setup"], sonify.Setup)
    show = sonify.perform(sonify.load_disc("cairn-small"), setup=setup)
    scroll = show.scroll
    assert scroll is not None
    rng = np.random.default_rng(8)
    times = np.sort(rng.uniform(0, show.message_s, 16))
    later = np.sort(rng.uniform(scroll.start_s, scroll.end_s - 0.1, 4))
    want = states_at(show.lights, times, setup.player.matrix.lamps)
    steps = ((later - scroll.start_s) / scroll.column_s).astype(int)
    want = np.concatenate([want, [scroll.levels(int(k)).reshape(-1) for k in steps]])
    lamp, unlit = (
        np.array([int(c[k : k + 2], 16) for k in (1, 3, 5)], float)
        for c in (setup.light.lamp, setup.light.off)
    )
    # backwards too: the order of asking must not matter
    order = rng.permutation(20)
    for k in order:
        page.js("(t) => studio.sound.seek(t)", float(np.concatenate([times, later])[k]))
        page.js("() => new Promise(requestAnimationFrame)")
        page.js("() => new Promise(requestAnimationFrame)")
        seen = lamps_of(page)
        lit = np.linalg.norm(seen - lamp, axis=1) < np.linalg.norm(seen - unlit, axis=1)
        assert np.array_equal(lit, want[k] > 0), (fill, k)


def test_two_tabs_do_not_disturb_each_other(browser: Any, studio: Studio, page: Page) -> None:
    two = Page(browser, studio)
    page.at("#message").fill("FIRST TAB")
    two.at("#message").fill("SECOND")
    page.settled()
    two.settled()
    assert page.js("studio.show.message") == "FIRST TAB"
    assert two.js("studio.show.message") == "SECOND"
    page.page.reload()
    page.ready()
    assert page.js("studio.show.message") == "FIRST TAB"
    two.close()


def test_no_outside_address_is_asked_for(page: Page) -> None:
    page.page.click("#play")
    page.until("studio.sound.place() > 0.4")
    assert page.asked
    assert all(u.startswith((page.studio.address, "blob:", "data:")) for u in page.asked)


def test_look_and_size_of_the_matrix_show_at_once(shared: Page) -> None:
    page = shared
    page.at('[data-place="player.matrix.width"] input[type=number]').fill("64")
    page.at('[data-place="light.lamp"] input[type=text]').fill("#00ff00")
    page.at('[data-place="light.lamp"] input[type=text]').press("Tab")
    page.settled()
    page.js("studio.sound.seek(studio.show.readS)")
    page.frames()
    seen = lamps_of(page)
    assert len(seen) == 64 * 8
    # green, with a hot core that is paler
    red, green, blue = seen.T
    assert ((green > 250) & (red < 200) & (abs(red - blue) < 3)).sum() > 20

"""The flash caution: measured as clips are, shown before the first play, and a calmer show."""

from __future__ import annotations

import time
from typing import Any

import msgspec
import numpy as np
import pytest

import sonify
from sonify.studio.flashing import _suspects, _tile, check, flashing_of, may_flash
from tests.nightly import late
from tests.studio.conftest import Page, Studio

CASES = [
    ("cairn-small", ["usual"], {}),
    ("cairn-small", ["quick", "lichen"], {}),
    ("cairn-middle", ["quick"], {}),
    ("cairn-middle", ["paper"], {}),
    ("cairn-quilt", ["quick", "glacier"], {"player.rpm": 90.0, "player.matrix.fill": "rolling"}),
]


def as_a_clip(show: sonify.Performance, what: str) -> Any:
    """The same matrix as the clip's writer measures it, on the pixels of its frames."""
    from sonify.export.animation.options import ClipOptions
    from sonify.export.clip.film import measured
    from sonify.export.clip.job import Job

    light = msgspec.structs.replace(
        show.setup.light, pixels=round(_tile(show.setup.light, show.setup.player.matrix))
    )
    setup = msgspec.structs.replace(show.setup, light=light)
    shown = sonify.perform(show.disc, setup=setup)
    return measured(Job(shown, ClipOptions(fps=60.0, sound=False), what), ".mp4")


@pytest.mark.parametrize(
    ("disc", "presets", "settings"), [CASES[0], *(late(*c) for c in CASES[1:-1]), CASES[-1]]
)
def test_page_and_clips_agree_on_what_is_over(
    disc: str, presets: list[str], settings: dict[str, Any]
) -> None:
    show = sonify.perform(sonify.load_disc(disc), presets, settings)
    whats = ["lights"] if show.scroll is None else ["lights", "message"]
    clips = [as_a_clip(show, what).over for what in whats]
    assert flashing_of(show).over == any(clips)


FLASHING = {
    "player.matrix.scroll": 40.0,
    "light.lamp": "#ffffff",
    "light.unlit": "#000000",
    "light.shape": "square",
    "light.gap": 0.0,
}


def test_the_quick_bound_never_says_no_wrongly() -> None:
    rng = np.random.default_rng(12)
    denied = 0
    for _ in range(16):
        text = "".join(rng.choice(list("MW H.I1#"), 10))
        settings = {
            "player.rpm": float(rng.choice([20, 60, 120])),
            "player.matrix.fill": str(rng.choice(["rows", "rolling", "characters"])),
            "player.matrix.scroll": float(rng.choice([6, 12, 25, 60])),
            "player.matrix.width": int(rng.choice([16, 32, 48])),
            "light.gap": float(rng.choice([0.0, 0.25, 0.5])),
            "light.shape": str(rng.choice(["round", "square", "diffused"])),
            "light.lamp": str(rng.choice(["#ffffff", "#ff2010", "#203060", "#ffb347"])),
            "light.turned": int(rng.choice([0, 90])),
        }
        show = sonify.perform(sonify.Disc.from_message(text), (), settings)
        if not may_flash(show):
            denied += 1
            assert not as_a_clip(show, "message").over, settings
            assert not as_a_clip(show, "lights").over, settings
    assert denied >= 4
    # and some shows do flash
    show = sonify.perform(sonify.Disc.from_message("MWMWMWMW"), (), FLASHING)
    assert may_flash(show)
    assert as_a_clip(show, "message").over


@pytest.mark.parametrize("scroll", [late(6.0), 25.0, late(60.0)])
def test_a_message_in_pieces_has_all_the_suspects_of_the_whole(
    scroll: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (
        "COLD FRONT AT NOON. " + "MWMWMWMW" * 3 + " . . . . . . . . TEA AT FOUR, ####### THEN SOUP"
    )
    settings = {"player.matrix.scroll": scroll, "light.lamp": "#ffffff", "light.gap": 0.0}
    show = sonify.perform(sonify.Disc.from_message(text), settings=settings)
    monkeypatch.setattr("sonify.studio.flashing.COLUMNS", 10**6)
    whole = _suspects(show)
    monkeypatch.setattr("sonify.studio.flashing.COLUMNS", 40)
    pieces = _suspects(show)
    assert all(((pieces[:, 0] <= a) & (pieces[:, 1] >= b)).any() for a, b in whole - [[-0.3, 0.3]])
    assert len(whole) > 0 or scroll < 20


def test_calm_is_within_the_threshold() -> None:
    presets = ["quick", "glacier"]
    settings = {"player.rpm": 90.0, "player.matrix.fill": "rolling"}
    show = sonify.perform(sonify.load_disc("cairn-small"), presets, settings)
    found = check(show)
    assert found["over"]
    assert len(found["calm"]) > 1
    calm = sonify.perform(show.disc, presets, {**settings, **found["calm"]})
    assert not flashing_of(calm).over
    assert not check(calm)["over"]


@pytest.fixture
def flashing(page: Page) -> Page:
    page.js("""() => studio.store.change("x", (d) => {
      d.disc = { message: "MWMWMWMW MWMWMWMW" };
      d.shipped = null;
      d.setup.player.matrix.scroll = 40;
      Object.assign(d.setup.light, { lamp: "#ffffff", unlit: "#000000", shape: "square", gap: 0 });
    })""")
    page.settled()
    return page


def test_caution_comes_before_the_first_play(flashing: Page) -> None:
    page = flashing
    page.page.click("#play")
    page.page.wait_for_selector("#flash[open]")
    assert not page.js("studio.sound.playing")
    text = page.page.text_content("#flash-text") or ""
    assert "2.3.1" in text
    assert "epilepsy" in text
    page.page.click("#flash-no")
    page.until("!document.getElementById('flash').open")
    assert not page.js("studio.sound.playing")
    page.page.click("#play")
    page.page.click("#flash-go")
    page.until("studio.sound.playing")
    page.page.click("#play")
    page.page.click("#play")
    page.until("studio.sound.playing")  # it is asked once
    assert page.js("document.getElementById('flash').open") is False


def test_calm_version_is_offered_and_played(flashing: Page) -> None:
    page = flashing
    before = page.document
    page.page.click("#play")
    page.page.click("#flash-calm")
    page.until("studio.sound.playing")
    light = page.document["setup"]["light"]
    assert light["fade"] > 0
    assert page.document["setup"]["player"]["matrix"]["scroll"] < 40
    page.page.click("#play")
    page.page.click("#undo")
    assert page.document == before


def test_escape_does_not_play(flashing: Page) -> None:
    page = flashing
    page.page.click("#play")
    page.page.wait_for_selector("#flash[open]")
    page.page.keyboard.press("Escape")
    page.until("!document.getElementById('flash').open")
    page.frames(10)
    assert not page.js("studio.sound.playing")


def test_lamps_that_fade_are_between_dark_and_lit_on_the_canvas(shared: Page) -> None:
    page = shared
    page.js("studio.store.set('setup.light.fade', 0.4)")
    page.settled()
    first = page.js("studio.show.light_s[0]")
    level = "(t) => studio.views.matrix.levelsAt(t)[studio.show.seen[studio.show.light_led[0]]]"
    assert page.js(level, first) == 0
    assert page.js(level, first + 0.2) == pytest.approx(127, abs=2)
    assert page.js(level, first + 0.41) == 255


@pytest.mark.parametrize(("turned", "mirrored"), [(90, False), late(180, True), (270, True)])
def test_mounting_moves_the_lamps(shared: Page, turned: int, mirrored: bool) -> None:
    from sonify.light.mounting import Mounting
    from tests.lamps import states_at

    change = """([t, m]) => studio.store.change("mounting", (d) => {
      d.setup.light.turned = t;
      d.setup.light.mirrored = m;
    })"""
    page = shared
    page.js(change, [turned, mirrored])
    page.settled()
    show = sonify.perform(sonify.load_disc("cairn-small"), ["music-box"])
    time = show.read_s * 0.7
    want = Mounting(32, 8, turned, mirrored).levels(
        states_at(show.lights, np.array([time]), 256)[0].reshape(8, 32)
    )
    got = page.js("(t) => [...studio.views.matrix.levelsAt(t)]", time)
    assert np.array_equal(np.reshape(got, want.shape), want)
    size = page.js("[studio.show.look.across, studio.show.look.down]")
    assert tuple(size) == want.shape[::-1]


def test_moving_pictures_say_what_they_flash(studio: Studio) -> None:
    document = studio.start_document()
    body = {"document": document, "what": "message", "suffix": ".gif", "calm": True}
    id = studio.post("/api/jobs", body).json["id"]
    while (facts := studio.ask("GET", f"/api/jobs/{id}").json)["state"] in ("waiting", "working"):
        time.sleep(0.05)
    assert facts["state"] == "done", facts
    assert any("10-degree field" in n or "no flashes" in n for n in facts["notes"])
    studio.ask("DELETE", f"/api/jobs/{id}")

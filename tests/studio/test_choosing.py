"""Choosing a preset: heard before it is chosen, favourites, filters, neighbours and arrow keys."""

from __future__ import annotations

from typing import Any

import sonify
from sonify.music.measures.nearness import piece_distance, profile_of_parts
from sonify.presets import shipped
from sonify.settings import load_toml
from tests.studio.conftest import LOUD, Page

MUSIC = [s.name for s in shipped() if s.kind == "music"]


def shown(page: Page) -> list[str]:
    out: list[str] = page.js(
        """[...document.querySelectorAll('.presets .card:not([hidden]) .preset')]
          .map((b) => b.dataset.preset)"""
    )
    return out


def test_a_preset_is_heard_by_pointing_at_it(page: Page) -> None:
    page.page.click("#tab-music")
    page.page.hover('[data-preset="hut-band"]')
    page.until("studio.preview.own.playing")
    before = page.document
    assert page.js("studio.preview.own.show.voices.length") == len(
        sonify.perform(sonify.load_disc("cairn-small"), ["hut-band"]).parts
    )
    assert page.js("studio.preview.own.show.message") == page.js("studio.show.message")
    page.until("studio.preview.own.sounding.length > 0")
    assert page.js(LOUD) > 0.003
    assert not page.js("studio.sound.playing")
    assert page.js("document.querySelector('.is-heard .preset').dataset.preset") == "hut-band"
    page.page.locator("#loud").fill("0")
    page.page.wait_for_timeout(300)
    assert page.js(LOUD) < 1e-4  # as loud as the piece
    page.page.mouse.move(5, 5)
    page.until("!studio.preview.own.playing && studio.preview.name === null")
    assert page.document == before  # heard, not chosen
    page.page.get_by_label("Hear a preset by pointing at it").uncheck()
    page.page.hover('[data-preset="hut-band"]')
    page.page.wait_for_timeout(700)
    assert page.js("studio.preview.name") is None


def test_the_piece_is_silent_while_a_preset_is_heard_and_goes_on(page: Page) -> None:
    page.page.click("#play")
    page.until("studio.sound.place() > 0.4")
    page.page.click("#tab-music")
    page.page.hover('[data-preset="bell-tower"]')
    page.until("studio.preview.own.playing")
    # it begins at the same place of the disc
    assert page.js("studio.preview.own.rest") > 0.2
    page.until("studio.sound.mixer.mix.gain.value < 0.01")
    page.page.mouse.move(5, 5)
    page.until("studio.sound.mixer.mix.gain.value > 0.99")
    assert page.js("studio.sound.playing")


def test_keys_reach_presets_and_their_marks(page: Page) -> None:
    page.page.click("#tab-music")
    page.page.locator('[data-preset="music-box"]').focus()
    keys = page.page.keyboard
    keys.press("ArrowDown")
    assert page.js("document.activeElement.dataset.preset") == MUSIC[MUSIC.index("music-box") + 1]
    page.until("studio.preview.own.playing")  # the keyboard hears it too
    keys.press("ArrowRight")
    page.until("studio.preview.name === null")
    assert page.js("document.activeElement.title") == "Favourite"
    keys.press("Enter")
    keys.press("Home")
    assert page.js("document.activeElement.dataset.preset") == MUSIC[0]
    stops = page.js("document.querySelectorAll('.presets button[tabindex=\"0\"]').length")
    assert stops == 1
    page.page.get_by_label("Only favourites").check()
    assert shown(page) == [MUSIC[MUSIC.index("music-box") + 1]]
    page.page.reload()
    page.ready()
    page.page.get_by_label("Only favourites").check()
    assert shown(page) == [MUSIC[MUSIC.index("music-box") + 1]]
    page.page.get_by_role("button", name="Show all").click()
    assert shown(page) == MUSIC


def drummed(name: str) -> bool:
    path = next(s.path for s in shipped() if s.name == name)
    voices: list[dict[str, Any]] = load_toml(path)["music"]["voice"]
    return any("drum" in v for v in voices)


def test_filters_measure_presets_on_the_own_disc(page: Page) -> None:
    page.page.click("#tab-music")
    page.page.click("text=Filter the presets")
    page.until("document.querySelector('.preset small').textContent !== ''")
    page.page.select_option('[data-filter="drums"]', "with")
    disc = sonify.load_disc("cairn-small")
    sounding = {
        n: {p.voice.drum is not None for p in sonify.perform(disc, [n]).parts if len(p)}
        for n in MUSIC
    }
    assert shown(page) == [n for n in MUSIC if True in sounding[n]]
    assert all(drummed(n) for n in shown(page))
    page.page.select_option('[data-filter="density"]', "many")
    dense = {}
    for name in MUSIC:
        show = sonify.perform(disc, [name])
        dense[name] = len(show.notes) / show.read_s
    assert shown(page) == [n for n in MUSIC if True in sounding[n] and dense[n] > 6]
    page.page.get_by_role("button", name="Show all").click()
    page.page.fill("#panel-music .more .field input[type=text]", "harp")
    found = shown(page)
    assert "alpine-harp" in found
    assert len(found) < len(MUSIC)


def test_more_like_this_puts_the_nearest_first(page: Page) -> None:
    disc = sonify.load_disc("cairn-small")
    profiles = {}
    for name in MUSIC:
        show = sonify.perform(disc, [name])
        profiles[name] = profile_of_parts(show.parts, show.grid, show.tick_s)
    away = {n: piece_distance(profiles["hut-band"], profiles[n]) for n in MUSIC}
    page.page.click("#tab-music")
    page.page.get_by_role("button", name="More like hut band").click()
    page.until("document.querySelector('.preset').dataset.preset === 'hut-band'")
    got = shown(page)
    assert [round(away[n], 4) for n in got[1:]] == sorted(round(away[n], 4) for n in got[1:])
    assert "Nearest to hut band first" in (page.page.text_content("#panel-music .fact") or "")


def test_a_long_disc_is_measured_by_its_first_rows(studio: Any) -> None:
    document = studio.start_document()
    document["disc"] = {"message": "SLEET ON THE SADDLE. " * 600, "code": {"alphabet": "ascii"}}
    document["shipped"], document["fit"] = None, {}
    found = studio.post("/api/measures", document).json
    assert {m["name"] for m in found} == set(MUSIC)
    assert all(len(m["like"]) == len(MUSIC) - 1 for m in found)


def test_player_and_look_are_named_by_their_settings(shared: Page) -> None:
    page = shared

    def named(kind: str, name: str) -> None:
        page.until(f"document.querySelector('#preset-{kind}').selectedOptions[0].text === '{name}'")

    page.page.click("#tab-lamps")
    named("look", "usual")
    page.page.select_option("#preset-look", "glacier")
    named("look", "glacier")
    page.js("studio.store.set('setup.light.glow', 0.9)")
    named("look", "your own")
    page.page.select_option("#preset-look", label="usual")
    named("look", "usual")
    assert page.document["presets"] == ["music-box"]
    page.page.click("#tab-machine")
    named("player", "usual")
    page.js("studio.store.set('setup.player.rpm', 11.5)")
    named("player", "your own")

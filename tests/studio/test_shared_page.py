"""The page to share: one file that plays from the disk, without asking for anything else."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sonify
from sonify.errors import OutputError
from sonify.studio.page import write_page
from tests.lamps import states_at
from tests.studio.conftest import LONGEST_S

TEXT = "LAMP OIL FOR TWO NIGHTS"


@pytest.fixture(scope="module")
def show() -> sonify.Performance:
    from sonify.disc.layout import Layout

    disc = sonify.Disc.from_message(TEXT, layout=Layout(positions=28), name="oil")
    return sonify.perform(disc, ["usual", "kalimba-path"], {"player.rpm": 30})


@pytest.fixture(scope="module")
def file(show: sonify.Performance, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "oil.html"
    write_page(show, path)
    return path


class Tab:
    """The page in a browser that has no network."""

    def __init__(self, browser: Any, file: Path, **context: Any) -> None:
        self.context = browser.new_context(offline=True, **context)
        self.tab = self.context.new_page()
        self.asked: list[str] = []
        self.wrong: list[str] = []
        self.tab.on("request", lambda r: self.asked.append(r.url))
        self.tab.on("pageerror", lambda e: self.wrong.append(str(e)))
        self.tab.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        self.tab.goto(file.as_uri())
        self.tab.wait_for_selector("body[data-state=ready]")

    def until(self, what: str) -> None:
        end = time.monotonic() + LONGEST_S
        while not self.tab.evaluate(what):
            assert time.monotonic() < end, what
            time.sleep(0.02)


def test_it_plays_from_the_disk_and_asks_for_nothing(
    browser: Any, file: Path, show: sonify.Performance
) -> None:
    assert file.stat().st_size < 3e6 * max(1.0, show.duration_s / 60)
    tab = Tab(browser, file)
    tab.tab.click("#play")
    tab.until("shared.clock.place() > 1.2")
    assert tab.tab.evaluate("document.getElementById('sound').currentTime") > 1
    tab.tab.keyboard.press(" ")
    tab.until("!shared.clock.playing")
    # after the sound's end the message scrolls on
    tab.tab.evaluate("(x) => { shared.clock.seek(x); shared.clock.play(); }", show.duration_s - 0.4)
    tab.until("!shared.clock.playing")
    assert tab.tab.evaluate("shared.clock.place()") == pytest.approx(
        max(show.duration_s, tab.tab.evaluate("shared.show.soundS")), abs=0.3
    )
    assert all(a.startswith(("file:", "data:", "blob:")) for a in tab.asked)
    assert tab.wrong == []
    tab.context.close()


def test_lamps_and_message_are_those_of_the_show(
    browser: Any, file: Path, show: sonify.Performance
) -> None:
    tab = Tab(browser, file)
    times = show.read_s * np.array([0.1, 0.35, 0.6, 0.95])
    lamps = show.setup.player.matrix.lamps
    earlier, settled = (
        states_at(show.lights, t, lamps) for t in (times - show.setup.light.fade, times)
    )
    for now, before, after in zip(times.tolist(), earlier, settled, strict=True):
        tab.tab.evaluate("(t) => shared.clock.seek(t)", now)
        got = np.array(tab.tab.evaluate("(t) => Array.from(shared.matrix.levelsAt(t))", now))
        still = before == after  # the others are fading
        assert (got[still] == after[still]).all()
        assert still.mean() > 0.9
    tab.tab.evaluate("(t) => shared.clock.seek(t)", show.read_s)
    said = tab.tab.text_content("#said")
    assert said
    assert TEXT.endswith(said[-10:].strip())
    tab.context.close()


def test_a_show_that_flashes_asks_first(browser: Any, tmp_path: Path) -> None:
    disc = sonify.Disc.from_message("SLEET", name="sleet")
    show = sonify.perform(
        disc, settings={"player.rpm": 60, "player.matrix.scroll": 30, "light.unlit": "#000000"}
    )
    write_page(show, tmp_path / "sleet.html")
    tab = Tab(browser, tmp_path / "sleet.html", reduced_motion="reduce")
    assert tab.tab.evaluate("shared.show.flash.over")
    tab.tab.click("#play")
    tab.tab.wait_for_selector("#flash[open]")
    assert not tab.tab.evaluate("shared.clock.playing")
    tab.tab.click("#flash button[value=no]")
    assert not tab.tab.evaluate("shared.clock.playing")
    tab.tab.click("#play")
    tab.tab.click("#flash button[value=still]")
    before = tab.tab.evaluate("Array.from(shared.matrix.levels)")
    tab.until("shared.clock.place() > 0.5")
    assert tab.tab.evaluate("Array.from(shared.matrix.levels)") == before
    tab.context.close()


def test_a_page_ends_in_html(show: sonify.Performance, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"ends in \.html"):
        write_page(show, tmp_path / "page.pdf")

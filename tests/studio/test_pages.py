"""The pages that commands write: an audition and the report of a take, on any screen."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.nightly import sampled_product
from tests.studio.conftest import ROOT
from tests.studio.test_everyone import AXE, RULES


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    audition, take, report = (folder / n for n in ("audition.html", "take.mid", "report.html"))
    short = "--seconds", "3"
    for words in (
        ["audition", "cairn-small", "-p", "music-box", "-p", "bell-tower", *short, "-o",
         str(audition)],
        ["midi", "cairn-small", "-p", "usual", "-o", str(take)],
        ["compare", "cairn-small", str(take), "-p", "usual", "-o", str(report)],
    ):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "sonify", *words], cwd=ROOT, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
    return {"audition": audition, "report": report}


@pytest.mark.parametrize(
    ("which", "look"),
    sampled_product(["audition", "report"], [((1440, 900), "light"), ((390, 844), "dark")]),
)
def test_axe_finds_nothing_and_nothing_runs_out(
    browser: Any, pages: dict[str, Path], which: str, look: tuple[tuple[int, int], str]
) -> None:
    size, scheme = look
    if not AXE.is_file():
        pytest.skip("axe-core is not here; `npm pack axe-core` and unpack it into build/axe")
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, bypass_csp=True
    )
    tab = context.new_page()
    tab.goto(pages[which].as_uri())
    tab.evaluate(AXE.read_text(encoding="utf-8") + "; 0")
    found = tab.evaluate(
        """(tags) => axe.run(document, { runOnly: { type: "tag", values: tags } })""", RULES
    )
    assert [(v["id"], v["nodes"][0]["target"]) for v in found["violations"]] == []
    assert tab.evaluate("document.documentElement.scrollWidth") <= size[0]
    context.close()


def test_a_report_s_picture_can_be_read_on_a_phone(browser: Any, pages: dict[str, Path]) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    tab = context.new_page()
    tab.goto(pages["report"].as_uri())
    assert tab.evaluate("document.querySelector('img').clientWidth") > 700
    assert tab.evaluate("document.documentElement.scrollWidth") <= 390
    tab.focus(".picture")
    tab.keyboard.press("ArrowRight")
    tab.wait_for_function("document.querySelector('.picture').scrollLeft > 0")
    context.close()


def test_a_sound_plays_on_while_the_cards_are_sorted(browser: Any, pages: dict[str, Path]) -> None:
    context = browser.new_context(bypass_csp=True)
    tab = context.new_page()
    tab.goto(pages["audition"].as_uri())
    tab.evaluate("document.querySelector('audio').play()")
    tab.wait_for_function("document.querySelector('.card.playing audio')?.currentTime > 0.2")
    tab.select_option("#sort", "name")
    tab.wait_for_timeout(200)
    assert tab.evaluate("document.querySelectorAll('.card.playing').length") == 1
    context.close()

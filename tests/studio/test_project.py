"""Projects: saved as a file, taken by the command line, and kept by the browser."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sonify.studio.project import project_at
from tests.studio.conftest import Page, Studio, begin
from tests.studio.test_files import drop, sonify_command

TEXT = "MARMOT SEEN BELOW THE COL AT SIX"


@pytest.fixture(scope="module")
def plain() -> Iterator[Studio]:
    """A studio that was started without naming a disc."""
    one = begin()
    yield one
    one.stop()


def worked(page: Page) -> None:
    """Two versions of an own message, with one voice muted in the first."""
    page.at("#start-message").fill(TEXT)
    page.settled()
    page.page.keyboard.press("Escape")
    page.at('[aria-label="Mute voice 1"]').click()
    page.settled()
    page.page.click("#version-b")
    page.at('[data-place="player.rpm"] input[type=number]').fill("15")
    page.settled()
    page.page.click("#version-a")
    page.settled()


def test_a_project_file_is_taken_by_the_command_and_by_another_page(
    browser: Any, studio: Studio, page: Page, tmp_path: Path
) -> None:
    page.page.select_option("#start-preset", "bell-tower")
    page.settled()
    worked(page)
    with page.page.expect_download() as got:
        page.page.click("#save")
    assert got.value.suggested_filename == "my-disc-project.toml"
    path = tmp_path / got.value.suggested_filename
    got.value.save_as(path)
    table = tomllib.loads(path.read_text("utf-8"))
    assert table["a"]["disc"]["message"] == TEXT
    assert table["a"]["muted"] == [0]
    assert table["b"]["setup"]["player"]["rpm"] == 15
    sonify_command("midi", path.name, "-o", "command.mid", cwd=tmp_path)
    with page.page.expect_download() as got:
        page.make("midi")
    got.value.save_as(tmp_path / "page.mid")
    assert (tmp_path / "command.mid").read_bytes() == (tmp_path / "page.mid").read_bytes()
    # a setting on the command line wins over the project
    sonify_command("midi", path.name, "--set", "player.rpm=15", "-o", "quick.mid", cwd=tmp_path)
    assert (tmp_path / "quick.mid").read_bytes() != (tmp_path / "page.mid").read_bytes()

    two = Page(browser, studio)
    drop(two, path)
    assert two.js("document.getElementById('wrong').hidden"), two.page.text_content("#wrong")
    assert two.document == page.document
    two.page.click("#version-b")
    two.settled()
    assert two.document["setup"]["player"]["rpm"] == 15
    two.page.click("#version-a")
    two.page.click("#undo")
    two.settled()
    assert two.document["name"] != "my-disc"
    two.close()


def test_a_new_tab_and_a_reload_go_on_with_the_project_and_its_history(
    browser: Any, plain: Studio
) -> None:
    page = Page(browser, plain)
    worked(page)
    kept = page.document
    past = page.js("studio.store.version.past.length")
    page.until("!studio.store.keeper.writing")
    page.page.reload()
    page.ready()
    assert page.document == kept
    assert page.js("studio.store.version.past.length") == past
    second = page.context.new_page()
    second.goto(plain.address)
    second.wait_for_selector("body[data-state=ready]")
    assert second.evaluate("studio.store.document") == kept
    second.click("#undo")  # and what it does leaves the first tab alone
    page.page.reload()
    page.ready()
    assert page.document == kept
    page.page.click("#version-b")
    page.settled()
    assert page.document["setup"]["player"]["rpm"] == 15
    page.close()


def test_a_disc_named_on_the_command_line_wins_over_what_was_kept(
    browser: Any, studio: Studio, page: Page
) -> None:
    worked(page)
    page.until("!studio.store.keeper.writing")
    second = page.context.new_page()
    second.goto(studio.address)
    second.wait_for_selector("body[data-state=ready]")
    assert second.evaluate("studio.store.document.shipped") == "cairn-small"


@pytest.mark.parametrize(
    "text",
    [
        '[a.disc]\nmessage = "HUT"\n',
        '[ "a" . disc ]\nmessage = "HUT"\n',
        'a.disc.message = "HUT"\n',
        'version = "a"\na = { disc = { message = "HUT" } }\n',
    ],
)
def test_a_project_is_known_however_it_is_written(text: str, tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(text)
    project = project_at(tmp_path / "own.toml")
    assert project is not None
    assert project.document.disc["message"] == "HUT"


def test_a_disc_that_looks_like_a_project_is_a_disc(tmp_path: Path) -> None:
    (tmp_path / "disc.toml").write_text("message = '''\na = b\n[a]'''\n")
    assert project_at(tmp_path / "disc.toml") is None

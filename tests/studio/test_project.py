"""Projects: saved as a file, taken by the command line, and kept by the browser."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from sonify.studio.project import project_at
from tests.nightly import late
from tests.studio.conftest import Page, Studio, begin
from tests.studio.test_files import drop, sonify_command

TEXT = "MARMOT SEEN BELOW THE COL AT SIX"


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


COPIED = """fetch("api/kept").then((answer) => answer.json()).then(({ project }) =>
  JSON.stringify(project?.a.document) === JSON.stringify(studio.store.document))"""

STORED = "sessionStorage.getItem('sonify-project')"


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


def test_another_port_and_another_browser_go_on_with_the_last_project(
    browser: Any, tmp_path: Path
) -> None:
    first = begin(folder=tmp_path)
    page = Page(browser, first)
    worked(page)
    kept, past = page.document, page.js("studio.store.version.past.length")
    page.until(COPIED)
    page.close()
    first.stop()
    (copy,) = tmp_path.glob("sonify*/studio.json")
    assert copy.parent.stat().st_mode & 0o077 == 0

    second = begin(folder=tmp_path)
    assert second.address != first.address
    page = Page(browser, second)
    assert page.document == kept
    assert page.js("studio.store.version.past.length") == past
    page.close()
    # what is damaged, or could be another user's, is left alone
    copy.write_text("{")
    assert second.ask("GET", "/api/kept").json == {"project": None}
    copy.write_text("{}")
    copy.parent.chmod(0o755)
    assert second.ask("GET", "/api/kept").json == {"project": None}
    second.stop()


def test_a_duplicated_tab_leaves_the_first_ones_project_alone(browser: Any, plain: Studio) -> None:
    page = Page(browser, plain)
    worked(page)
    kept = page.document
    page.until("!studio.store.keeper.writing")
    second = page.context.new_page()
    # browsers copy the session storage
    second.add_init_script(f"sessionStorage.setItem('sonify-project', '{page.js(STORED)}')")
    second.goto(plain.address)
    second.wait_for_selector("body[data-state=ready]")
    assert second.evaluate("studio.store.document") == kept
    second.evaluate("studio.store.set('setup.player.rpm', 19)")
    second.wait_for_timeout(500)
    page.page.reload()
    page.ready()
    assert page.document == kept
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


def keep(page: Page, name: str) -> None:
    """Keep the document under a name."""
    page.at("#version-name").fill(name)
    page.page.keyboard.press("Enter")
    page.until("!studio.store.keeper.writing")


def names(page: Page) -> list[str]:
    out: list[str] = page.page.locator(".versions li strong").all_text_contents()
    return out


@pytest.mark.parametrize("elsewhere", [False, late(True)], ids=["here", "elsewhere"])
def test_versions_with_a_name_are_kept_opened_and_removed(
    browser: Any, plain: Studio, tmp_path: Path, elsewhere: bool
) -> None:
    page = Page(browser, plain)
    page.at("#start-message").fill(TEXT)
    page.settled()
    keep(page, "for the marmots")
    first = page.document
    page.at('[data-place="player.rpm"] input[type=number]').fill("15")
    page.settled()
    keep(page, "quick")
    assert names(page) == ["quick", "for the marmots"]
    page.page.get_by_role("button", name="Open for the marmots").click()
    page.settled()
    assert page.document == first
    page.page.click("#undo")
    page.settled()
    assert page.document["setup"]["player"]["rpm"] == 15
    # the same name again takes the place of the old one
    page.at('[data-place="player.rpm"] input[type=number]').fill("12")
    page.settled()
    keep(page, "quick")
    assert names(page) == ["quick", "for the marmots"]
    # in another tab, and after the browser was closed and opened
    page.page.reload()
    page.ready()
    page.at(".versions")
    assert names(page) == ["quick", "for the marmots"]
    if elsewhere:
        second = page.context.new_page()
        second.goto(plain.address)
        second.wait_for_selector("body[data-state=ready]")
        kept = second.evaluate("studio.store.named.map((one) => one.name)")
        assert kept == ["quick", "for the marmots"]
    # in the project file, which another browser opens
    with page.page.expect_download() as got:
        page.page.click("#save")
    path = tmp_path / "my-disc-project.toml"
    got.value.save_as(path)
    project = project_at(path)
    assert project is not None
    assert [one.name for one in project.named] == ["quick", "for the marmots"]
    assert project.named[0].document.setup["player"]["rpm"] == 12
    if elsewhere:
        other = Page(browser, plain)
        drop(other, path)
        other.at(".versions")
        assert names(other) == ["quick", "for the marmots"]
        other.page.get_by_role("button", name="Open for the marmots").click()
        other.settled()
        assert other.document == first
        other.close()
    # removing asks once more
    page.page.get_by_role("button", name="Remove quick", exact=True).click()
    assert len(names(page)) == 2
    page.page.get_by_role("button", name="Really remove quick").click()
    assert names(page) == ["for the marmots"]
    page.close()


def test_the_studio_starts_at_the_same_port_again_if_it_is_free() -> None:
    import socket

    from sonify.studio.run import USUAL_PORT

    try:
        taken = socket.create_server(("127.0.0.1", USUAL_PORT))
    except OSError:
        taken = None  # by somebody else
    one = begin(usual_port=True)
    assert urlsplit(one.address).port != USUAL_PORT
    one.stop()
    if taken is not None:
        taken.close()
        one = begin(usual_port=True)
        assert urlsplit(one.address).port == USUAL_PORT
        one.stop()

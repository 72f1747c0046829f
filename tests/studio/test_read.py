"""Reading a disc from a file, and comparing a recording or the cut disc with the disc at hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import soundfile

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from tests.recover.log_player import Machine, record
from tests.studio.conftest import Page
from tests.studio.test_files import drop


@pytest.fixture(scope="module")
def disc() -> sonify.Disc:
    return sonify.load_disc("cairn-small")


def log_of(grid: np.ndarray[Any, Any], path: Path) -> Path:
    soundfile.write(path, record(grid, Machine(rpm=10, noise=0.02)), 4000, subtype="FLOAT")
    return path


def text_of(page: Page, area: str) -> str:
    return page.page.text_content(f"#panel-{area} .full:last-child") or ""


def test_what_was_read_is_shown_and_its_message_can_be_edited(page: Page, tmp_path: Path) -> None:
    from sonify.disc.geometry.cautions import geometry_of
    from sonify.export.drawing.drawing import drawing_of
    from sonify.export.drawing.drawing_formats import draw

    one = sonify.Disc.from_message(
        "TWO LANTERNS LEFT, ONE SPARE WICK", code=Code(framing="framed", check="crc-16"),
        layout=Layout(positions=56), name="note",
    )  # fmt: skip
    path = tmp_path / "note.png"
    path.write_bytes(draw(drawing_of(one, geometry_of(one)[0]), ".png"))
    drop(page, path)
    assert page.js("studio.areas().now") == "read"
    told = text_of(page, "read")
    assert "a photograph" in told
    assert "% on average" in told
    size = page.js(
        "(({ naturalWidth, naturalHeight }) => [naturalWidth, naturalHeight])"
        "(document.querySelector('#panel-read .seen img'))"
    )
    assert 200 < max(size) <= 1200
    box = page.page.locator("#panel-read .full textarea")
    assert box.input_value() == one.message
    box.fill("ONE LANTERN LEFT")
    page.page.get_by_role("button", name="Make a new disc of this text").click()
    page.settled()
    assert page.js("studio.show.message") == "ONE LANTERN LEFT"
    page.page.click("#undo")
    page.settled()
    assert page.js("studio.show.message") == one.message


def test_another_way_to_read_it_can_be_chosen(page: Page, tmp_path: Path) -> None:
    plain = sonify.Disc.from_message("SNOW BY NOON", layout=Layout(positions=28))
    path = tmp_path / "marks.txt"
    path.write_text("\n".join("".join(map(str, row)) for row in plain.grid) + "\n")
    drop(page, path)
    others = page.page.locator("#panel-read .others li")
    assert others.count() > 0
    wanted = others.first.locator("strong").text_content()
    others.first.get_by_role("button").click()
    page.settled()
    assert page.js("studio.show.message") == wanted
    assert wanted != "SNOW BY NOON"


def test_a_log_is_compared_and_its_errors_are_shown(
    page: Page, disc: sonify.Disc, tmp_path: Path
) -> None:
    grid = disc.grid.copy()
    at = [tuple(p) for p in np.argwhere(grid == 1)[[5, 17]].tolist()]
    for row, position in at:
        grid[row, position] = 0  # two holes are blocked
    page.page.click("#tab-compare")
    drop(page, log_of(grid, tmp_path / "log.wav"))
    told = text_of(page, "compare")
    assert "2 errors found" in (page.page.text_content("#state") or "")
    lines = page.page.locator("#panel-compare .errors li").all_text_contents()
    for (row, position), line in zip(sorted(at), lines, strict=True):
        assert f"row {row + 1}, position {position + 1}" in line
    assert page.js("studio.views.disc.errors.map((e) => [e.row, e.position])") == [
        list(p) for p in sorted(at)
    ]
    assert "Likely causes" in told
    assert page.page.locator("#panel-compare [aria-label=Evidence] li").count() > 0
    assert page.page.locator("#panel-compare [aria-label=Try] li").count() > 0
    safety = page.page.text_content("#panel-compare [aria-label=Safety]") or ""
    assert "unplug it" in safety
    assert "IEC 60825-1" in safety
    # an error leads to its place, and the report can be kept
    page.page.click("#panel-compare .errors button >> nth=1")
    assert page.js("[studio.marks.place.row, studio.marks.place.position]") == list(sorted(at)[1])
    with page.page.expect_download() as got:
        page.page.get_by_role("button", name="Save the report").click()
    got.value.save_as(tmp_path / "report.html")
    assert "<html" in (tmp_path / "report.html").read_text(encoding="utf-8")
    # marks of another disc would be wrong
    page.at("#message").fill("ANOTHER DISC, WITH OTHER ROWS AND MORE OF THEM")
    page.settled()
    assert page.js("studio.views.disc.errors.length") == 0


def test_a_midi_recording_is_compared(page: Page, disc: sonify.Disc, tmp_path: Path) -> None:
    show = sonify.perform(disc, ["music-box"])
    show.save(tmp_path / "whole.mid")
    page.page.click("#tab-compare")
    drop(page, tmp_path / "whole.mid")
    assert "all bits right" in text_of(page, "compare")
    assert mido.MidiFile(tmp_path / "whole.mid").length > 1


def test_a_cut_disc_is_compared(page: Page, disc: sonify.Disc, tmp_path: Path) -> None:
    grid = disc.grid.copy()
    row, position = np.argwhere(grid == 1)[9].tolist()
    grid[row, position] = 0
    cut = sonify.Disc.from_bits(grid, layout=disc.layout, geometry=disc.geometry)
    sonify.save_disc(cut, tmp_path / "cut.toml")
    before = page.document
    page.page.click("#tab-compare")
    drop(page, tmp_path / "cut.toml")
    told = text_of(page, "compare")
    assert "1 fault" in told
    assert f"row {row + 1} position {position + 1}" in told.replace(",", "")
    assert page.page.locator("#panel-compare .seen img").count() == 1
    assert page.document == before  # compared, not opened


def test_what_does_not_fit_is_said_at_the_field(page: Page, tmp_path: Path) -> None:
    other = sonify.Disc.from_message("NOTHING LIKE IT. " * 3, layout=Layout(positions=42))
    page.page.click("#tab-compare")
    drop(page, log_of(other.grid, tmp_path / "other.wav"))
    said = page.page.text_content("#wrong") or ""
    assert "other.wav" in said
    assert "/tmp" not in said
    page.wrong[:] = [w for w in page.wrong if "422" not in w]


def test_arguments_of_the_reader_are_named_once_together() -> None:
    from sonify.errors import Caution
    from sonify.studio.naming import said

    hint = "{alphabet}, {start} and {turning} settle it"
    told = said(Caution("no message was found", hint=hint))
    assert told == (
        "no message was found; `alphabet`, `start` and `turning` of `sonify read` settle it"
    )


def test_what_is_read_shows_that_it_goes_on_and_can_be_stopped(page: Page, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("0,1\n")
    before = page.document
    page.page.route("**/api/drop", lambda route: None)  # no answer comes
    page.page.route("**/api/progress/*", lambda route: route.fulfill(json={"progress": 0.37}))
    page.at("#file").set_input_files(path)
    going = page.page.get_by_role("progressbar", name="Reading log.csv")
    going.wait_for()
    page.page.get_by_text("37 %, 2 s").wait_for()
    assert going.get_attribute("value") == "0.37"
    page.page.get_by_role("button", name="Stop", exact=True).click()
    going.wait_for(state="detached")
    assert page.page.text_content("#state") == "Stopped: log.csv"
    assert page.document == before


def test_the_share_of_the_reading_that_is_done_is_told(tmp_path: Path) -> None:
    from sonify.progress import watching
    from sonify.studio.document import starting
    from sonify.studio.receive import receive

    told: list[float] = []
    sonify.perform(sonify.load_disc("cairn-small"), ["music-box"]).save(tmp_path / "take.mid")
    setup = starting("cairn-small", ("music-box",))["setup"]
    with watching(told.append):
        found = receive(tmp_path / "take.mid", setup, {})
    assert found["seen"]["kind"] == "recording"
    assert told == sorted(told)
    assert 0 < told[0] < 0.5 <= told[-1] <= 1

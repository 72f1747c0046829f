"""The form of the files: part of the piece, how the disc is drawn, all as one zip, estimates."""

from __future__ import annotations

import io
import shlex
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import ezdxf
import mido
import pytest
import soundfile

from sonify.studio.downloads import downloads
from tests.studio.conftest import ROOT, Page


def making(page: Page, what: str, suffix: str | None, to: Path) -> Path:
    with page.page.expect_download() as got:
        page.make(what, suffix)
    path = to / got.value.suggested_filename
    got.value.save_as(path)
    return path


def command(page: Page, to: Path) -> str:
    """Run the command that the page shows, in a folder, and give it."""
    page.answered("/api/command")
    line = page.page.text_content(".command code") or ""
    words = shlex.split(line)
    assert words[0] == "sonify"
    subprocess.run(
        [sys.executable, "-m", "sonify", *words[1:]], cwd=to, check=True, capture_output=True,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    return line


def test_only_the_part_that_repeats_is_in_the_sound(page: Page, tmp_path: Path) -> None:
    page.at('.kind[data-what="sound"] input').check(force=True)
    only = page.page.get_by_label("only the part that repeats")
    assert only.is_hidden()
    page.js("studio.sound.setLoop([1.5, 4])")
    only.check()
    path = making(page, "sound", ".wav", tmp_path)
    part = soundfile.info(path).duration
    assert 2.5 <= part < 9  # it rings out
    other = tmp_path / "command"
    other.mkdir()
    line = command(page, other)
    assert "--from 1.5 --to 4" in line
    assert (other / path.name).read_bytes() == path.read_bytes()
    page.page.click("#loop-part")
    assert only.is_hidden()


def test_the_score_of_the_part_that_repeats_has_its_rows(page: Page) -> None:
    page.at('.kind[data-what="score"] input').check(force=True)
    starts = page.js("[...studio.show.row_s]")
    page.js(f"studio.sound.setLoop([{starts[1]}, {starts[1] + 2}])")
    page.page.get_by_label("only the part that repeats").check()
    line = page.page.locator(".command code", has_text="--rows 2-2")
    line.wait_for()
    page.page.click("#loop-part")
    page.page.locator('[id="drawn.rows"]').fill("1")
    page.page.locator('[id="drawn.rows"]').blur()
    page.page.locator(".command code", has_text="--rows 1 ").wait_for()


def test_views_of_a_clip_are_ticked_and_put_in_order(shared: Page) -> None:
    page = shared
    page.at('.kind[data-what="clip"] input').check(force=True)
    views = "studio.store.setup.clip.views.join()"
    ticks = page.at('[data-place="clip.views"] .ticks')
    ticks.get_by_label("disc", exact=True).check()
    page.until(f"{views} === 'matrix,message,disc'")
    earlier = ticks.get_by_label("Earlier: disc")
    earlier.click()
    earlier.click()
    page.until(f"{views} === 'disc,matrix,message'")
    assert earlier.is_disabled()
    for name in ("matrix", "message"):
        ticks.get_by_label(name, exact=True).uncheck()
    page.until(f"{views} === 'disc'")
    assert ticks.get_by_label("disc", exact=True).is_disabled()  # a clip has one at least
    page.settled()
    assert page.js("studio.store.wrong ?? null") is None


def test_kerf_and_side_are_drawn_as_by_the_command(page: Page, tmp_path: Path) -> None:
    page.at('.kind[data-what="draw"] input').check(force=True)
    plain = making(page, "draw", ".dxf", tmp_path).rename(tmp_path / "plain.dxf")
    page.page.get_by_role("spinbutton", name="Kerf").fill("0.2")
    page.page.locator(".making .pill", has_text="back").click()
    path = making(page, "draw", ".dxf", tmp_path)
    other = tmp_path / "command"
    other.mkdir()
    line = command(page, other)
    assert "--kerf 0.2" in line
    assert "--side back" in line
    assert (other / path.name).read_bytes() == path.read_bytes()

    def smallest(of: Path) -> float:
        return min(c.dxf.radius for c in ezdxf.readfile(of).modelspace().query("CIRCLE"))

    assert smallest(plain) - smallest(path) == pytest.approx(0.1, abs=1e-6)


def test_everything_is_one_zip(page: Page, tmp_path: Path) -> None:
    page.at('.kind[data-what="everything"] input').check(force=True)
    boxes = page.page.locator(".zip input[type=checkbox]")
    for k in range(boxes.count()):
        boxes.nth(k).uncheck()
    assert page.page.is_disabled("#make")
    for name in ("MIDI file", "Drawing", "Disc file", "Preset file"):
        page.page.locator(".zip").get_by_label(name, exact=True).check()
    page.page.get_by_label("File type of Drawing").select_option(".dxf")
    path = making(page, "everything", None, tmp_path)
    assert path.name == "cairn-small-everything.zip"
    with zipfile.ZipFile(path) as file:
        assert file.testzip() is None
        names = file.namelist()
        midi = mido.MidiFile(file=io.BytesIO(file.read("cairn-small.mid")))
    assert sorted(names) == [
        "cairn-small-preset.toml", "cairn-small-project.toml", "cairn-small.dxf",
        "cairn-small.mid", "cairn-small.toml",
    ]  # fmt: skip
    assert midi.length > 5
    again = making(page, "everything", None, tmp_path / "again")
    assert again.read_bytes() == path.read_bytes()
    assert page.page.is_hidden(".command")


def test_what_can_t_be_made_is_left_out_and_said(page: Page, tmp_path: Path) -> None:
    page.at("#panel-disc select").first.select_option("cairn-quilt")  # bits without a message
    page.until("studio.store.document.name === 'cairn-quilt'")
    page.settled()
    page.at('.kind[data-what="everything"] input').check(force=True)
    boxes = page.page.locator(".zip input[type=checkbox]")
    for k in range(boxes.count()):
        boxes.nth(k).uncheck()
    for name in ("MIDI file", "Message"):
        page.page.locator(".zip").get_by_label(name, exact=True).check()
    path = making(page, "everything", None, tmp_path)
    with zipfile.ZipFile(path) as file:
        assert file.namelist() == ["cairn-quilt-project.toml", "cairn-quilt.mid"]
    told = page.page.locator(".file .fact").first.text_content() or ""
    assert "cairn-quilt-message.gif was left out" in told


def test_time_and_size_are_estimated_and_learned(page: Page, tmp_path: Path) -> None:
    page.at('.kind[data-what="sound"] input').check(force=True)
    said = page.page.locator(".making > .row .fact")
    page.page.select_option(".making select", ".wav")
    path = making(page, "sound", ".wav", tmp_path)
    page.until("JSON.parse(localStorage.getItem('sonify-costs'))['sound.wav'] !== undefined")
    told = said.text_content() or ""
    assert told.startswith("About ")
    number, unit = told.split(", ")[1].split(" ")
    size = float(number) * {"kB": 1e3, "MB": 1e6}[unit]
    assert size == pytest.approx(path.stat().st_size, rel=0.06)


def test_every_download_has_an_estimate() -> None:
    for row in downloads():
        if row["what"] != "everything":
            assert set(row["costs"]) == set(row["suffixes"]), row["what"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"options": {"kerf": -1}},
        {"options": {"paper": "../x"}},
        {"options": {"from": "a"}},
        {"items": [["midi", ".exe"]]},
        {"items": [["midi", ".mid"]] * 41},
    ],
)
def test_wrong_options_are_refused(studio: Any, wrong: dict[str, Any]) -> None:
    document = studio.start_document()
    answer = studio.post(
        "/api/jobs", {"document": document, "what": "everything", "suffix": ".zip", **wrong}
    )
    assert answer.status == 422

"""What is dropped on the page is read, and what is taken away is what the commands make."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sonify
from sonify.performance_settings import load_setup
from sonify.recover.sources.source import KINDS
from sonify.settings import convert, to_builtins
from sonify.studio.downloads import downloads
from tests.nightly import late, sampled
from tests.studio.conftest import Page, Studio

DROP = """async ([name, data]) => {
  const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
  const files = new DataTransfer();
  files.items.add(new File([bytes], name));
  for (const kind of ["dragenter", "dragover", "drop"]) {
    const how = { dataTransfer: files, bubbles: true, cancelable: true };
    window.dispatchEvent(new DragEvent(kind, how));
  }
}"""


def drop(page: Page, path: Path) -> None:
    """Drop a file on the page and wait until it is read."""
    import base64

    page.js(DROP, [path.name, base64.b64encode(path.read_bytes()).decode()])
    page.until("!('reading' in document.body.dataset)")
    page.settled()


@pytest.fixture(scope="module")
def disc() -> sonify.Disc:
    from sonify.disc.code.code import Code
    from sonify.disc.layout import Layout

    return sonify.Disc.from_message(
        "TWO LANTERNS LEFT, ONE SPARE WICK",
        code=Code(framing="framed", check="crc-16"),
        layout=Layout(positions=56),
        name="note",
    )


def made(kind: str, disc: sonify.Disc, folder: Path) -> Path:
    """A file of each kind that says the same as the disc."""
    path = folder / f"note{kind}"
    if kind in (".svg", ".dxf", ".csv", ".png"):
        from sonify.disc.geometry.cautions import geometry_of
        from sonify.export.drawing.drawing import drawing_of
        from sonify.export.drawing.drawing_formats import draw

        path.write_bytes(draw(drawing_of(disc, geometry_of(disc)[0]), kind))
    elif kind == ".toml":
        sonify.save_disc(disc, path)
    elif kind == ".txt":
        rows = ("".join(map(str, row)) for row in disc.grid)
        path.write_text("\n".join(rows) + "\n")
    elif kind == ".npy":
        np.save(path, disc.grid)
    elif kind == ".wav":
        log_to_wave(disc, path)
    elif kind == ".mid":
        sonify.perform(disc, ["music-box"]).save(path)
    return path


def log_to_wave(disc: sonify.Disc, path: Path) -> None:
    """The two detectors' signals while a player reads the disc."""
    import soundfile

    from tests.recover.log_player import Machine, record

    soundfile.write(path, record(disc.grid, Machine()), 4000, subtype="FLOAT")


# every third kind of source runs always
READ = (".dxf", ".csv", ".svg", ".npy", ".mid", ".wav", ".png", ".txt")


@pytest.mark.parametrize("kind", sampled([".toml", *(k for k in READ if k in KINDS)], 3))
def test_drop_each_kind_of_file(shared: Page, disc: sonify.Disc, kind: str, tmp_path: Path) -> None:
    page = shared
    assert page.document["name"] != "note"
    path = made(kind, disc, tmp_path)
    if kind == ".wav":
        page.at("#panel-read summary >> text=Help the reader")
        page.page.get_by_label("Positions per turn").fill("56")
    drop(page, path)
    assert page.js("document.getElementById('wrong').hidden"), page.page.text_content("#wrong")
    assert page.js("studio.show.message") == disc.message
    assert page.js("studio.show.rows") == disc.rows
    assert page.document["name"] == "note"
    assert page.document["shipped"] is None
    assert "note" in (page.page.text_content("#state") or "")
    if kind == ".wav":
        page.page.get_by_label("Positions per turn").fill("")


def test_drop_a_preset_file(page: Page, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('about = "mine"\n[music]\nroot = "A3"\nscale = "lydian"\n[player]\nrpm = 7.5\n')
    before = page.document["disc"]
    drop(page, path)
    assert page.document["setup"]["music"] == {"root": "A3", "scale": "lydian"}
    assert page.document["disc"] == before
    page.page.click("#undo")
    page.settled()
    assert page.document["presets"] == ["music-box"]


def test_drop_something_that_is_no_disc(page: Page, tmp_path: Path) -> None:
    path = tmp_path / "letter.svg"
    path.write_text('<svg xmlns="http://www.w3.org/2000/svg"><rect width="3" height="4"/></svg>')
    before = page.document
    drop(page, path)
    said = page.page.text_content("#wrong") or ""
    assert "letter.svg" in said
    assert "/tmp" not in said
    assert page.document == before
    page.forget_refusals()


def test_choose_a_file_by_hand(page: Page, disc: sonify.Disc, tmp_path: Path) -> None:
    page.page.set_input_files("#file", made(".toml", disc, tmp_path))
    page.until("studio.store.document.name === 'note'")
    page.settled()
    assert page.js("studio.show.message") == disc.message


def sonify_command(*args: str, cwd: Path) -> None:
    got = subprocess.run(
        [sys.executable, "-m", "sonify", *args], cwd=cwd, capture_output=True, text=True,
        env={"PYTHONPATH": str(Path(__file__).parents[2]), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    assert got.returncode == 0, got.stderr


# kinds that are slow to make are taken in one size of many
QUICK = {row["what"]: row["suffixes"][:1] for row in downloads()} | {
    "midi": [".mid"],
    "lights": [".gif", ".webp"],
    "draw": [".svg", ".dxf", ".csv"],
    "sound": [".wav", ".opus"],
    "everything": [],  # has tests of its own
}


@pytest.fixture(scope="module")
def changed(browser: Any, studio: Studio) -> Iterator[Page]:
    """A page with settings that its disc's command must name."""
    page = Page(browser, studio)
    page.at('[data-place="music.scale"] select').select_option("hirajoshi")
    page.at('[data-place="player.rpm"] input[type=number]').fill("16")
    # small, so that it is made soon
    page.js("studio.store.set('setup.clip.size', '320x180')")
    page.js("studio.store.set('setup.clip.fps', 24)")
    page.settled()
    yield page
    page.close()
    assert page.wrong == []


# the files of each kind, with options, are compared without a page in test_drafts
ALWAYS = ("midi-.mid", "lights-.gif", "draw-.svg", "disc-.toml")
KINDS = [(what, suffix) for what, some in QUICK.items() for suffix in some]


@pytest.mark.parametrize("kind", [k if k in ALWAYS else late(k) for k in map("-".join, KINDS)])
def test_what_is_taken_away_is_what_the_command_makes(
    changed: Page,
    kind: str,
    tmp_path: Path,
    run: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    page = changed
    what, suffix = kind.split("-")
    with page.page.expect_download() as got:
        page.make(what, suffix)
    name = got.value.suggested_filename
    path = tmp_path / "page" / name
    got.value.save_as(path)
    assert path.suffix == suffix
    if what in ("disc", "preset"):
        return  # these are read back in tests of their own
    page.until(f"document.querySelector('.command code').textContent.endsWith('{name}')")
    line = shlex.split(page.page.text_content(".command code") or "")
    assert line[:2] == ["sonify", what]
    if line[2] == "cairn-small-project.toml":  # too many settings for a line
        with page.page.expect_download() as got:
            page.page.click("#save")
        got.value.save_as(tmp_path / line[2])
    else:
        assert line[2] == "cairn-small"
    by_command = tmp_path / name
    monkeypatch.chdir(tmp_path)
    done = run(*line[1:])
    assert done.status == 0, done.err
    if suffix == ".dxf":  # it holds the moment at which it was written
        assert dxf_circles(by_command) == dxf_circles(path)
    else:
        assert by_command.read_bytes() == path.read_bytes()


def dxf_circles(path: Path) -> list[tuple[float, ...]]:
    import ezdxf

    circles = ezdxf.readfile(path).modelspace().query("CIRCLE")
    return [(*c.dxf.center, c.dxf.radius) for c in circles]


def test_a_saved_preset_is_taken_by_the_command(page: Page, tmp_path: Path) -> None:
    page.at('[data-place="music.scale"] select').select_option("blues")
    page.at('[data-place="player.rpm"] input[type=number]').fill("12.5")
    page.settled()
    with page.page.expect_download() as got:
        page.make("preset")
    path = tmp_path / "mine.toml"
    got.value.save_as(path)
    want = to_builtins(convert(page.document["setup"], sonify.Setup))
    assert {**to_builtins(load_setup([path])), "about": ""} == {**want, "about": ""}
    by_command = tmp_path / "a.mid"
    sonify_command("midi", "cairn-small", "-p", str(path), "-o", str(by_command), cwd=tmp_path)
    with page.page.expect_download() as got:
        page.make("midi")
    got.value.save_as(tmp_path / "b.mid")
    assert by_command.read_bytes() == (tmp_path / "b.mid").read_bytes()


def test_a_typed_disc_is_taken_by_the_command(page: Page, tmp_path: Path) -> None:
    page.at("#message").fill("SOUP FROM ELEVEN")
    page.settled()
    page.page.click("#tab-files")  # the command is asked for where it is shown
    page.until("document.querySelector('.command code')?.textContent.includes('my-disc.toml')")
    line = shlex.split(page.page.text_content(".command code") or "")
    assert line[:3] == ["sonify", "midi", "my-disc.toml"]
    with page.page.expect_download() as got:
        page.make("disc")
    assert got.value.suggested_filename == line[2]
    got.value.save_as(tmp_path / line[2])
    disc = sonify.load_disc(tmp_path / line[2])
    assert disc.message == "SOUP FROM ELEVEN"
    assert disc.geometry is not None
    assert disc.geometry.outer_diameter == pytest.approx(2 * page.js("studio.show.geometry.outer"))
    sonify_command(*line[1:], cwd=tmp_path)
    with page.page.expect_download() as got:
        page.make("midi")
    got.value.save_as(tmp_path / "b.mid")
    assert (tmp_path / "my-disc.mid").read_bytes() == (tmp_path / "b.mid").read_bytes()


def test_a_file_in_the_making_can_be_cancelled(page: Page) -> None:
    page.at("#message").fill("THE BELL RINGS EVERY QUARTER HOUR. " * 20)
    page.settled()
    item = page.make("sound")
    item.locator("button", has_text="Cancel").click()
    assert item.locator(".fact").text_content() == "Cancelled"
    assert page.js("document.activeElement.id") == "make"  # the focus has a place to stay


def test_what_can_not_be_made_is_said(page: Page) -> None:
    page.at("#panel-disc select").first.select_option("cairn-quilt")
    page.until("studio.store.document.name === 'cairn-quilt'")
    page.settled()
    page.make("message")
    fact = "document.querySelector('.file[data-what=message] .fact').textContent"
    page.until(f"{fact}.includes('no message')")


def test_state_survives_json(studio: Studio) -> None:
    start: dict[str, Any] = studio.start_document()
    assert json.loads(json.dumps(start)) == start


def test_solo_is_what_the_file_holds(page: Page, tmp_path: Path) -> None:
    import mido

    page.at('[aria-label="Solo voice 2"]').click()
    with page.page.expect_download() as got:
        page.make("midi")
    got.value.save_as(tmp_path / "solo.mid")
    notes = [m for m in mido.MidiFile(tmp_path / "solo.mid") if m.type == "note_on" and m.velocity]
    assert len(notes) == page.js("studio.show.voices[1].notes")
    assert page.page.is_visible("text=Only the voices on solo are in the files.")

"""The piano roll: notes chosen, moved, muted and accented, and a part repeated."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import mido
import pytest

from tests.studio.conftest import ROOT, Page


@pytest.fixture
def roll(page: Page) -> Page:
    """A page with the piano roll open."""
    page.page.click("#tab-notes")
    page.until("studio.roll.canvas.clientWidth > 200")
    return page


def point(page: Page, n: int, lane: bool = False) -> tuple[float, float]:
    """Where a note is on the screen; or its bar in the lane of velocities."""
    x, y = page.js(
        """([n, lane]) => {
          const { roll } = studio, note = { k: n, silent: false };
          const box = roll.canvas.getBoundingClientRect();
          const y = lane ? box.height - 10 : roll.y(roll.of(note, "pitch")) + roll.step / 2;
          return [box.left + roll.x(roll.of(note, "onset")) + 2, box.top + y];
        }""",
        [n, lane],
    )
    return x, y


def changes(page: Page) -> Any:
    return page.document["setup"].get("note") or []


def test_a_note_is_moved_muted_and_accented_by_pointer(roll: Page) -> None:
    mouse = roll.page.mouse
    x, y = point(roll, 2)
    before = roll.js("[studio.show.pitch[2], studio.show.velocity[2], studio.show.onset.length]")
    place = roll.js("[studio.show.note_row[2] + 1, studio.show.note_position[2] + 1]")
    mouse.click(x, y)
    told = roll.page.text_content("#panel-notes .fact")
    assert told is not None
    assert f"row {place[0]}, position {place[1]}" in told
    mouse.move(x, y)
    mouse.down()
    mouse.move(x, y - 4 * roll.js("studio.roll.step"), steps=4)
    mouse.up()
    roll.settled()
    assert changes(roll) == [{"row": place[0], "position": place[1], "semitones": 4}]
    assert roll.js("studio.show.pitch[2]") == before[0] + 4
    # its bar in the lane, to the top: as hard as can be
    x, y = point(roll, 2, lane=True)
    mouse.move(x, y)
    mouse.down()
    mouse.move(x, y - 100, steps=4)
    mouse.up()
    roll.settled()
    assert roll.js("studio.show.velocity[2]") == 127
    x, y = point(roll, 2)
    mouse.dblclick(x, y)
    roll.settled()
    assert roll.js("studio.show.onset.length") == before[2] - 1
    assert roll.js("studio.show.silent_onset.length") == 1
    # it is still there to be brought back
    assert roll.page.get_attribute("#panel-notes .row button:text-is('Mute')", "aria-pressed") == (
        "true"
    )
    roll.page.get_by_role("button", name="Mute", exact=True).locator("visible=true").click()
    roll.settled()
    assert roll.js("studio.show.onset.length") == before[2]
    roll.page.get_by_role("button", name="Undo changes here").click()
    roll.settled()
    assert changes(roll) == []
    assert roll.js("studio.show.pitch[2]") == before[0]
    for _ in range(5):
        roll.page.click("#undo")
    roll.settled()
    assert changes(roll) == []


def test_keys_do_the_same_and_changes_outlive_a_preset(roll: Page, tmp_path: Path) -> None:
    keys = roll.page.keyboard
    roll.page.locator(".roll").focus()
    keys.press("ArrowRight")
    keys.press("ArrowRight")
    chosen = roll.js("studio.roll.chosen.k")
    place = roll.js(
        f"[studio.show.note_row[{chosen}] + 1, studio.show.note_position[{chosen}] + 1]"
    )
    keys.press("ArrowUp")
    keys.press("+")
    keys.press("m")
    roll.settled()
    want = [{"row": place[0], "position": place[1], "semitones": 1, "accent": 10, "mute": True}]
    assert changes(roll) == want
    keys.press("m")
    roll.settled()
    del want[0]["mute"]
    roll.at('[data-preset="koto-pond"]').click()
    roll.until("studio.store.document.presets.includes('koto-pond')")
    roll.settled()
    assert changes(roll) == want
    # the page's MIDI file, and that which the command makes of the project
    with roll.page.expect_download() as got:
        roll.make("midi")
    got.value.save_as(tmp_path / "page.mid")
    with roll.page.expect_download() as got:
        roll.page.click("#save")
    project = tmp_path / "one-project.toml"
    got.value.save_as(project)
    table = tomllib.loads(project.read_text(encoding="utf-8"))
    assert table["a"]["setup"]["note"] == want
    out = tmp_path / "command.mid"
    subprocess.run(
        [sys.executable, "-m", "sonify", "midi", str(project), "-o", str(out)],
        check=True, cwd=ROOT, capture_output=True,
    )  # fmt: skip

    def notes(path: Path) -> list[Any]:
        return [
            (m.time, m.note, m.velocity)
            for t in mido.MidiFile(path).tracks
            for m in t
            if m.type in ("note_on", "note_off")
        ]

    assert notes(out) == notes(tmp_path / "page.mid")


def test_a_part_is_repeated_by_dragging_over_the_bars(roll: Page) -> None:
    box = roll.js("(({ left, top }) => [left, top])(studio.roll.canvas.getBoundingClientRect())")
    first, last = roll.js("[studio.show.bar_s[1], studio.show.bar_s[2]]")
    x = roll.js(f"[studio.roll.x({first}), studio.roll.x({last})]")
    mouse = roll.page.mouse
    mouse.move(box[0] + x[0] + 2, box[1] + 10)
    mouse.down()
    mouse.move(box[0] + x[1] - 2, box[1] + 10, steps=5)
    mouse.up()
    assert roll.js("studio.sound.loop") == pytest.approx([first, last])  # at the bar lines
    roll.js(f"studio.sound.seek({last} - 0.2)")
    roll.page.click("#play")
    roll.until(f"studio.sound.playing && studio.sound.place() < {last} - 0.5")
    assert roll.js("studio.sound.place()") >= first - 0.05
    roll.page.click("#loop-part")
    assert roll.js("studio.sound.loop") is None
    assert roll.page.is_hidden("#loop-part")


def test_the_roll_zooms_and_shows_one_voice(roll: Page) -> None:
    wide = roll.js("studio.roll.perS")
    roll.page.get_by_role("button", name="Zoom in").click()
    assert roll.js("studio.roll.perS") > wide
    roll.page.get_by_role("button", name="Whole piece").click()
    assert (
        roll.js("studio.roll.x(studio.sound.end)") <= roll.js("studio.roll.canvas.clientWidth") + 1
    )
    roll.page.select_option("#panel-notes select", "0")
    only = roll.js(
        "[...studio.roll.within(-1, Infinity, false)].map((n) => studio.show.voice[n.k])"
    )
    assert set(only) == {0}
    # a disc may have more notes than a call can take arguments
    roll.js(
        """{ const show = { ...studio.show, duration: new Float32Array(1e6).fill(0.25) };
          studio.roll.setShow(show); studio.roll.setShow(studio.show); }"""
    )

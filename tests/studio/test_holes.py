"""Holes by hand: flipped in the grid and on the disc, and pointed at in any view."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import sonify
from sonify.disc.code.code import Code
from sonify.disc.file import disc_from_table
from sonify.errors import InputError
from sonify.settings import convert
from sonify.studio.document import Document, disc_table
from sonify.studio.holes import flipped
from tests.studio.conftest import Page


def document(check: str) -> tuple[Document, sonify.Disc]:
    disc = sonify.Disc.from_message("KETTLE ON", code=Code(check=check))  # type: ignore[arg-type]
    return convert({"disc": disc_table(disc)}, Document), disc


def test_one_hole_changes_one_letter_and_back_makes_the_message_again() -> None:
    doc, disc = document("none")
    got = flipped(doc, (6,))  # the last bit of K
    assert got["said"] == ["Character 1: “K” becomes “J”."]
    assert got["check"] is None
    one = disc_from_table(got["disc"], name="one")
    assert one.grid.sum() - disc.grid.sum() in (-1, 1)
    back = flipped(convert({"disc": got["disc"]}, Document), (6,))
    assert back["disc"]["message"] == "KETTLE ON"


@pytest.mark.parametrize("check", ["parity", "crc-16"])
def test_a_check_that_fails_is_said_and_can_be_made_to_fit(check: str) -> None:
    doc, _ = document(check)
    got = flipped(doc, (5, 6, 12))
    assert got["check"] == "failed"
    assert "The check fails" in got["said"][-1]
    mended = flipped(convert({"disc": got["disc"]}, Document), (), repair=True)
    assert mended["check"] == "valid"
    assert mended["said"][-1] == "The check passes."


def test_a_place_that_is_not_there() -> None:
    with pytest.raises(InputError, match="does not have this place"):
        flipped(document("none")[0], (10**6,))


def centre(page: Page, row: int, position: int) -> tuple[float, float]:
    """Where a place of the grid is on the screen."""
    box = page.at("#holes").bounding_box()
    rows, positions = page.js("[studio.show.rows, studio.show.positions]")
    return (
        box["x"] + (position + 0.5) / positions * box["width"],
        box["y"] + (row + 0.5) / rows * box["height"],
    )


def bits(page: Page) -> np.ndarray[Any, Any]:
    flat = np.array(page.js("Array.from(studio.show.bits)"))
    return flat.reshape(page.js("studio.show.rows"), -1)


def test_a_click_flips_a_stroke_paints_and_undo_takes_back(page: Page) -> None:
    page.page.click("#tab-holes")
    before = bits(page)
    page.page.mouse.click(*centre(page, 1, 3))
    page.until("studio.store.version.past.length === 1")
    page.settled()
    assert np.argwhere(bits(page) != before).tolist() == [[1, 3]]
    assert "becomes" in (page.page.text_content(".said-of-holes") or "")
    assert page.document["shipped"] is None
    page.page.mouse.move(*centre(page, 0, 2))
    page.page.mouse.down()
    for position in range(2, 9):
        page.page.mouse.move(*centre(page, 0, position))
    page.page.mouse.up()
    page.until("studio.store.version.past.length === 2")
    page.settled()
    assert len(set(bits(page)[0, 2:9].tolist())) == 1
    page.page.click("#undo")
    page.page.click("#undo")
    page.settled()
    assert (bits(page) == before).all()


def test_keys_move_and_flip_and_the_place_is_told(page: Page) -> None:
    page.page.click("#tab-holes")
    page.page.focus("#holes")
    for key in ("ArrowRight", "ArrowRight", "ArrowDown"):
        page.page.keyboard.press(key)
    assert (page.page.text_content("#holes-place") or "").startswith("Row 2, position 3:")
    before = bits(page)
    page.page.keyboard.press("Enter")
    page.until("studio.store.version.past.length === 1")
    page.settled()
    assert np.argwhere(bits(page) != before).tolist() == [[1, 2]]


def test_a_place_is_found_again_on_disc_lamps_and_notes(page: Page) -> None:
    """What is under the pointer in a view is the place that the view shows there."""
    page.page.click("#tab-holes")
    page.js("studio.sound.seek(studio.show.read_s[40] + 0.01)")
    found = page.js(
        """(async () => {
          await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
          const { disc, matrix, near } = studio.views, s = studio.show, out = [];
          for (const n of [3, 21, 40]) {
            const place = { row: s.read_row[n], position: s.read_position[n] };
            const [x, y] = disc.spot(place.row, place.position), a = disc.angle, k = disc.scale;
            const half = disc.canvas.width / 2;
            out.push([place, disc.hit(half + k * (x * Math.cos(a) - y * Math.sin(a)),
                                      half + k * (x * Math.sin(a) + y * Math.cos(a)))]);
          }
          for (let k = 0; k < 5; k++) {
            const lamp = s.seen[s.light_led[k]];
            const [x, y] = matrix.centre(lamp % s.look.across, Math.floor(lamp / s.look.across));
            const n = s.read_s.findIndex((t) => Math.abs(t - s.light_s[k]) < 1e-6);
            out.push([{ row: s.read_row[n], position: s.read_position[n] }, matrix.hit(x, y)]);
          }
          const k = s.onset.findIndex((t, i) => t > near.place && s.duration[i] > 0.05);
          const { range, thick } = near.scale();
          const up = 1 - (s.pitch[k] - s.low + 1) / range;
          const y = (near.canvas.height - thick) * up + thick / 2;
          const x = (s.onset[k] + 0.02 - near.place + 1.6) / 6 * near.canvas.width;
          out.push([{ row: s.note_row[k], position: s.note_position[k] }, near.hit(x, y)]);
          return out;
        })()"""
    )
    for want, got in found:
        assert got == want


def test_a_letter_is_marked_with_its_hole_and_marks_it(page: Page) -> None:
    page.page.click("#tab-holes")
    message = page.js("studio.show.message")
    letters = page.page.locator("#panel-holes .letters span")
    assert "".join(letters.all_text_contents()) == message
    letters.nth(3).hover()
    first = page.js("studio.show.caption_first[3]")
    across = page.js("studio.show.positions")
    assert page.js("studio.marks.place") == {"row": first // across, "position": first % across}
    assert page.page.locator("#panel-holes .is-marked").all_text_contents() == [message[3]]
    page.page.mouse.move(*centre(page, 1, 3))
    index = across + 3
    at = page.js(f"studio.show.caption_last.findIndex((last) => last >= {index})")
    assert page.page.locator("#panel-holes .is-marked").all_text_contents() == [message[at]]
    page.page.mouse.move(5, 5)
    assert page.page.locator("#panel-holes .is-marked").count() == 0
    # what is told of a letter has lines of its own, and moves no letter away from the pointer
    box = "document.querySelector('#panel-holes {}').getBoundingClientRect().{}"
    assert page.js(box.format(".letters", "bottom")) <= page.js(box.format("#holes-place", "top"))

"""The music goes on while it is changed: no hold-up, no note twice, long notes joined."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from tests.studio.conftest import Page

CHANGES = """async (text) => {
  const { sound, store } = studio;
  const change = {
    pace: () => sound.setPace(1),
    loop: () => sound.setLoop(null),
    glow: (k) => store.set("setup.light.margin", (k % 10) / 10),
  }[text];
  const begun = [];
  const start = sound.start;
  sound.start = function (note) {
    const had = this.sounding.length;
    const done = start.call(this, note);
    const last = this.sounding.at(-1);
    if (this.sounding.length > had && last.source) begun.push([note.n, last]);
    return done;
  };
  const [clock, place] = [sound.context.currentTime, sound.placeAt(sound.context.currentTime)];
  for (let k = 0; k < 30; k++) {
    change(k);
    await new Promise((done) => setTimeout(done, 40));
  }
  await new Promise((done) => setTimeout(done, 300));
  const now = sound.context.currentTime;
  const out = { clock: now - clock, place: sound.placeAt(now) - place,
    notes: begun.filter(([, x]) => x.over !== 0).map(([n]) => n) };
  sound.start = start;
  return out;
}"""


def test_music_does_not_wait_while_a_control_is_dragged(page: Page) -> None:
    page.page.click("#play")
    for what in ("pace", "loop", "glow"):
        page.js("studio.sound.seek(0)")
        page.until("studio.sound.place() > 0.6 && studio.sound.samples.wanted.length === 0")
        got: dict[str, Any] = page.js(CHANGES, what)
        assert got["place"] == pytest.approx(got["clock"], abs=0.03), what
        assert len(got["notes"]) > 2, what
        assert [n for n, times in Counter(got["notes"]).items() if times > 1] == [], what


def test_pace_that_changes_in_a_pause_between_rows_goes_on_from_there(page: Page) -> None:
    page.page.click("#play")
    page.until("studio.sound.playing")
    end = "studio.show.read_s[studio.show.positions - 1] + studio.show.positionS"
    page.js(f"studio.sound.seek({end} + 0.3)")
    page.js("studio.store.set('setup.light.margin', 0.3)")
    page.settled()
    assert page.js(f"studio.sound.placeAt(studio.sound.context.currentTime) - ({end})") > 0.29


HELD = "studio.sound.sounding.filter((n) => n.off > studio.sound.context.currentTime)"


def test_a_long_note_is_joined_in_its_middle_and_changes_at_once(page: Page) -> None:
    page.js("""studio.store.change("drone", (d) => {
      d.muted = [];
      d.setup.music.voice = [{ name: "pad", source: "drone", program: "reed organ" }];
    })""")
    page.settled()
    page.js("studio.sound.setPace(0.25)")  # so that the note outlasts a busy machine's answers
    page.js("studio.sound.seek(studio.show.onset[0] + studio.show.duration[0] / 2)")
    page.page.click("#play")
    page.until(f"{HELD}.length === 1")
    first = page.js(f"{HELD}[0].key")
    # what changes nothing of the note leaves it be
    page.js(f"window.held = {HELD}[0]; 0")
    page.js("studio.store.set('setup.light.margin', 0.7)")
    page.settled()
    assert page.js(f"{HELD}.length === 1 && {HELD}[0] === window.held")
    # another instrument is heard now, and not with the next note
    page.js("studio.store.set('setup.music.voice.0.program', 'church organ')")
    page.settled()
    page.until(f"{HELD}.length === 1 && {HELD}[0].key !== {first!r}")
    assert page.js(f"{HELD}[0].key.split(':')[1]") == "19"
    # and a voice that is taken away falls silent
    page.js("studio.store.set('setup.music.voice', [])")
    page.settled()
    page.until(f"{HELD}.length === 0")

"""The mixer: level and pan of each voice, meters, and versions compared at equal loudness."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest
import soundfile

import sonify
from sonify.settings import convert
from tests.studio.conftest import Page

# the highest that each meter stood in two seconds
METERS = """async () => {
  const most = [];
  const bars = [...document.querySelectorAll('.meter i')];
  for (let k = 0; k < 60; k++) {
    await new Promise(requestAnimationFrame);
    bars.forEach((b, n) => { most[n] = Math.max(most[n] ?? 0, parseFloat(b.style.scale) || 0); });
    await new Promise((done) => setTimeout(done, 33));
  }
  return most;
}"""


def test_level_and_pan_are_in_the_midi_file(page: Page, tmp_path: Path) -> None:
    page.at('.voice[data-voice="0"] [data-strip="volume"]').fill("64")
    page.at('.voice[data-voice="0"] [data-strip="pan"]').fill("-0.5")
    page.settled()
    voice = page.document["setup"]["music"]["voice"][0]
    assert (voice["volume"], voice["pan"]) == (64, -0.5)
    assert page.page.locator(".strip output").nth(1).text_content() == "50 % left"
    with page.page.expect_download() as got:
        page.make("midi")
    path = tmp_path / "mixed.mid"
    got.value.save_as(path)
    sent = {
        m.control: m.value
        for m in mido.MidiFile(path).tracks[1]
        if m.type == "control_change" and m.control in (7, 10)
    }
    assert sent == {7: 64, 10: 32}  # channel volume and pan (MIDI 1.0); 64 is the middle
    page.at('.voice[data-voice="0"] [data-strip="volume"]').dblclick()
    assert "volume" not in page.document["setup"]["music"]["voice"][0]


def test_meters_follow_the_sound(page: Page) -> None:
    page.page.click("#tab-voices")
    muted = page.at('.voice[data-voice="1"] .mute')
    muted.click()
    page.settled()
    assert page.js(METERS) == [0] * len(page.document["setup"]["music"]["voice"])
    page.page.click("#play")
    page.until("studio.sound.place() > 0.5")
    most = page.js(METERS)
    assert most[0] > 0.3
    assert most[1] < 0.05


def test_a_and_b_are_compared_at_equal_loudness(page: Page, tmp_path: Path) -> None:
    import pyloudnorm

    page.page.click("#version-b")
    page.at('.voice[data-voice="0"] [data-strip="volume"]').fill("60")
    page.at('.voice[data-voice="1"] [data-strip="volume"]').fill("60")
    page.settled()
    page.page.get_by_label("Compare A and B at equal loudness").check()
    page.until("/dB louder/.test(document.querySelector('.equal .fact').textContent)")
    loud = {}
    project = page.js("studio.store.project()")
    for name in ("a", "b"):
        one = project[name]
        setup = convert({**one["setup"], "sound": {"loudness": "off"}}, sonify.Setup)
        show = sonify.perform(sonify.load_disc("cairn-small"), setup=setup)
        path = tmp_path / f"{name}.wav"
        show.save(path, to_s=min(60.0, show.music_s))
        sound, rate = soundfile.read(path)
        loud[name] = pyloudnorm.Meter(rate).integrated_loudness(sound)
    apart = loud["a"] - loud["b"]
    assert apart > 3
    assert page.js("studio.sound.trim") == pytest.approx(0, abs=1e-6)  # B plays, the softer one
    page.page.click("#version-a")
    page.until("studio.sound.trim < 0")
    assert page.js("studio.sound.trim") == pytest.approx(-apart, abs=0.3)
    page.page.get_by_label("Compare A and B at equal loudness").uncheck()
    assert page.js("studio.sound.trim") == 0

"""MIDI from the page: what goes to a port, and what comes from one; the ports are fake."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

import mido
import pytest

import sonify
from tests.studio.conftest import Page, Studio

PORTS = """
  const output = { id: "o1", name: "Synth", send(data, when) {
    window.sent.push([when ?? performance.now(), [...data]]);
  } };
  const input = { id: "i1", name: "Keys", onmidimessage: null };
  window.sent = [];
  window.arrive = (data, timeStamp) => input.onmidimessage({ data, timeStamp });
  const access = { outputs: new Map([["o1", output]]), inputs: new Map([["i1", input]]) };
  Object.defineProperty(navigator, "requestMIDIAccess", { value: async () => access });
"""
START, CONTINUE, STOP, CLOCK = 0xFA, 0xFB, 0xFC, 0xF8  # MIDI 1.0


@pytest.fixture(scope="module")
def ported(browser: Any, studio: Studio) -> Iterator[Page]:
    """A tab whose browser has an output and an input."""
    page = Page(browser, studio, PORTS)
    yield page
    page.close()


@pytest.fixture
def ports(ported: Page) -> Iterator[Page]:
    """A first visit in it, with both chosen; whatever goes wrong in it is a failure."""
    page = ported
    page.again()
    page.page.click("#tab-midi")
    page.page.get_by_role("button", name="Connect MIDI").click()
    page.page.get_by_label("Send to").select_option("o1")
    page.page.get_by_label("Listen to").select_option("i1")
    page.until("studio.midi.out.events !== null")
    yield page
    assert page.wrong == []


def sent(page: Page) -> list[tuple[float, list[int]]]:
    return [(when, data) for when, data in page.js("sent")]


def notes(messages: list[tuple[float, list[int]]]) -> list[tuple[float, list[int]]]:
    return [(w, d) for w, d in messages if d[0] & 0xF0 == 0x90]


def test_the_piece_goes_out_as_in_the_midi_file(ports: Page, tmp_path: Path) -> None:
    ports.page.click("#play")
    ports.until("studio.sound.place() > 2")
    ports.page.click("#play")
    ports.until("!studio.sound.playing")
    path = tmp_path / "file.mid"
    sonify.perform(sonify.load_disc("cairn-small"), ["music-box"]).save(path)
    want, time = [], 0.0
    for message in mido.MidiFile(path):  # in s
        time += message.time
        if message.type == "note_on" and message.velocity:
            want.append((time, list(message.bytes())))
    got = notes(sent(ports))
    assert len(got) > 4
    # notes at one time may come in another order
    together = sorted(zip(want, range(len(got)), strict=False), key=lambda x: (x[0][0], x[0][1]))
    assert sorted(d for _, d in got) == sorted(w[1] for w, _ in together)
    apart = [when - 1000 * at for (when, _), (at, _) in zip(got, want, strict=False)]
    # a busy machine may keep the page from sending one or the other in time
    assert sum(abs(one - median(apart)) < 60 for one in apart) > 0.7 * len(apart)
    # programs come first, and every note ends
    messages = [d for _, d in sent(ports)]
    first = next(k for k, d in enumerate(messages) if d[0] & 0xF0 == 0x90)
    assert any(d[0] & 0xF0 == 0xC0 for d in messages[:first])
    ends = {(d[0] & 15, d[1]) for d in messages if d[0] & 0xF0 == 0x80}
    assert {(d[0] & 15, d[1]) for _, d in got} <= ends


def test_clock_start_and_stop_are_sent(ports: Page) -> None:
    ports.page.click("#play")
    ports.until("studio.sound.place() > 1.5")
    ports.page.click("#play")
    ports.until("!studio.sound.playing")
    status = [d[0] for _, d in sent(ports)]
    assert status.index(START) < status.index(CLOCK)
    assert status[-1] == STOP
    clocks = [w for w, d in sent(ports) if d[0] == CLOCK]
    quarter = 60000 / ports.js("studio.show.tempo")
    # where a busy machine stops the sound, some are left out
    apart = median(later - w for w, later in pairwise(clocks))
    assert apart == pytest.approx(quarter / 24, rel=0.05)
    # from the middle: the position, then continue
    ports.js("sent.length = 0")
    ports.js("studio.sound.seek(3)")
    ports.page.click("#play")
    ports.until("sent.some(([, d]) => d[0] === 0xF8)")
    ports.page.click("#play")
    status = [d[0] for _, d in sent(ports)]
    assert status.index(0xF2) < status.index(CONTINUE) < status.index(CLOCK)
    low, high = next(d[1:] for _, d in sent(ports) if d[0] == 0xF2)
    assert (low + 128 * high) * quarter / 4 == pytest.approx(3000, abs=quarter / 2)


def test_muted_voices_are_not_sent_and_the_page_is_silent(ports: Page) -> None:
    ports.at('.voice[data-voice="0"] .mute').click()
    ports.settled()
    channel = ports.js("studio.midi.out.events.voice.indexOf(0)")
    own = ports.js(f"studio.midi.out.events.message[{channel} * 3] & 15")
    ports.page.click("#play")
    ports.until("studio.sound.place() > 1.5")
    assert own not in {d[0] & 15 for _, d in notes(sent(ports))}
    assert ports.js("studio.sound.mixer.mix.gain.value") < 0.01


def test_a_part_that_repeats_is_sent_again(ports: Page) -> None:
    ports.js("studio.sound.setLoop([0, 1.2])")
    ports.page.click("#play")
    ports.until("sent.filter(([, d]) => d[0] === 0xFA).length >= 3")
    ports.page.click("#play")
    got = [d for _, d in notes(sent(ports))]
    first = [d for d in got if d == got[0]]
    assert len(first) >= 2


def test_taps_and_transport_come_in(ports: Page) -> None:
    ports.js("studio.sound.seek(5)")
    ports.js(f"arrive([{START}], 0)")
    ports.until("studio.sound.playing && studio.sound.place() < 4")
    ports.js(f"arrive([{STOP}], 0)")
    ports.until("!studio.sound.playing")
    ports.js("studio.store.set('setup.player.rpm-range', [4, 20])")
    for time in (1000, 1500, 2010, 2500):
        ports.js(f"arrive([0x90, 60, 90], {time})")
        ports.js(f"arrive([0x80, 60, 0], {time + 90})")
    ports.settled()
    assert ports.document["setup"]["music"]["tempo"] == pytest.approx(120, abs=0.2)
    assert ports.js("studio.show.tempo") == pytest.approx(120, rel=0.02)
    ports.page.get_by_label("Its notes tap the tempo").uncheck()
    for time in (5000, 5300, 5600, 5900):
        ports.js(f"arrive([0x90, 60, 90], {time})")
    assert ports.document["setup"]["music"]["tempo"] == pytest.approx(120, abs=0.2)
    ports.page.get_by_role("button", name="All notes off").click()
    assert [d for _, d in sent(ports)][-16:] == [[0xB0 | c, 123, 0] for c in range(16)]


def learn(page: Page, label: str, controller: int, channel: int = 0) -> None:
    page.at(f'[aria-label="Learn: {label}"]').click()
    page.js(f"arrive([{0xB0 | channel}, {controller}, 64], 0)")


def test_controls_are_learned_and_move_settings(ports: Page) -> None:
    learn(ports, "Tempo", 21)
    learn(ports, "Level of comb", 7)
    learn(ports, "Pan of comb", 10, 3)
    learn(ports, "Transposition (root, C3 to C5)", 22)
    ports.js("new Promise(requestAnimationFrame)")  # what is learned moves its setting too
    ports.settled()
    said = ports.page.locator('[data-target="pan comb"] .fact').text_content()
    assert said == "controller 10, channel 4"
    past = ports.js("studio.store.version.past.length")
    # one movement is one step of undo
    ports.js("for (const value of [80, 90, 100]) arrive([0xB0, 7, value], 0)")
    ports.js("arrive([0xB3, 10, 0], 0); arrive([0xB0, 22, 127], 0); arrive([0xB0, 21, 127], 0)")
    ports.until("studio.store.setup.music.tempo === 240")
    ports.settled()
    music = ports.document["setup"]["music"]
    assert music["voice"][0]["volume"] == 100
    assert music["voice"][0]["pan"] == -1
    assert music["root"] == "C5"
    assert ports.js("studio.store.version.past.length") <= past + 4
    assert ports.js("studio.show.scale.root") == 72
    # the same controller on another channel is another control
    ports.js("arrive([0xB1, 7, 20], 0)")
    ports.js("new Promise(requestAnimationFrame)")
    assert ports.document["setup"]["music"]["voice"][0]["volume"] == 100
    # a control that is learned again moves the new one only
    learn(ports, "Level of low pins", 7)
    ports.js("arrive([0xB0, 7, 33], 0)")
    ports.until("studio.store.setup.music.voice[1].volume === 33")
    assert ports.document["setup"]["music"]["voice"][0]["volume"] == 100
    ports.at('[aria-label="Forget: Level of low pins"]').click()
    ports.js("arrive([0xB0, 7, 99], 0)")
    ports.js("new Promise(requestAnimationFrame)")
    assert ports.document["setup"]["music"]["voice"][1]["volume"] == 33
    # controls follow a voice that is moved and one that gets another name
    ports.at('.voice[data-voice="0"] .voice-name').fill("rake")
    ports.at('.voice[data-voice="0"] .voice-name').blur()
    ports.at('.voice[data-voice="0"] [aria-label="Voice 1 down"]').click()
    ports.js("arrive([0xB3, 10, 127], 0)")
    ports.until("studio.store.setup.music.voice[1].pan === 1")
    assert ports.document["setup"]["music"]["voice"][1]["name"] == "rake"
    # the rest is remembered
    ports.page.reload()
    ports.ready()
    ports.page.click("#tab-midi")
    ports.page.get_by_role("button", name="Connect MIDI").click()
    ports.page.get_by_label("Listen to").select_option("i1")
    ports.js("arrive([0xB0, 21, 0], 0)")
    ports.until("studio.store.setup.music.tempo === 40")


def test_the_clock_that_comes_in_sets_the_tempo_if_it_may(ports: Page) -> None:
    ports.js("studio.store.set('setup.player.rpm-range', [4, 20])")
    ports.settled()
    before = ports.document["setup"]["music"].get("tempo")

    def clocks(bpm: float, begin: float, count: int = 60) -> None:
        # jitter of 2 ms, as of a busy line
        ports.js(
            f"""for (let k = 0; k < {count}; k++)
              arrive([{CLOCK}], {begin} + k * {60000 / bpm / 24} + (k % 3) - 1)"""
        )

    clocks(110, 1000)
    assert ports.document["setup"]["music"].get("tempo") == before
    ports.page.get_by_label("Its clock sets the tempo").check()
    clocks(110, 10_000, 30)  # too few to tell
    assert ports.document["setup"]["music"].get("tempo") == before
    clocks(110, 20_000)
    assert ports.document["setup"]["music"]["tempo"] == pytest.approx(110, abs=1)
    ports.settled()
    past = ports.js("studio.store.version.past.length")
    clocks(110, 20_000 + 60 * 60000 / 110 / 24, 240)  # steady: nothing changes
    assert ports.js("studio.store.version.past.length") == past
    clocks(90, 90_000)
    assert ports.document["setup"]["music"]["tempo"] == pytest.approx(90, abs=1)


def test_a_key_taps_the_tempo_but_not_in_a_text_field(page: Page) -> None:
    page.js("studio.store.set('setup.player.rpm-range', [4, 20])")
    page.settled()
    # the page's clock is the test's: pressing may take any time
    page.js("performance.now = () => window.clock")
    page.js("window.clock = 10_000; 0")
    page.page.locator("body").press("t")
    for _ in range(4):
        page.js("window.clock += 400; 0")
        page.page.keyboard.press("t")
    page.settled()
    tempo = page.document["setup"]["music"]["tempo"]
    assert tempo == pytest.approx(150)
    page.at("#start-message").press("t")
    assert page.document["setup"]["music"]["tempo"] == tempo


def test_ports_are_remembered(ports: Page) -> None:
    ports.page.reload()
    ports.ready()
    ports.page.click("#tab-midi")
    ports.page.get_by_role("button", name="Connect MIDI").click()
    ports.until("studio.midi.out.port?.name === 'Synth'")
    assert ports.page.get_by_label("Listen to").input_value() == "i1"


def test_a_refusal_is_said(browser: Any, studio: Studio) -> None:
    page = Page(
        browser,
        studio,
        """Object.defineProperty(navigator, "requestMIDIAccess", { value: async () => {
          throw new DOMException("no", "NotAllowedError"); } })""",
    )
    page.page.click("#tab-midi")
    page.page.get_by_role("button", name="Connect MIDI").click()
    page.page.wait_for_selector("text=The browser was not allowed to use MIDI")
    page.close()
    assert page.wrong == []


def test_a_browser_without_midi_says_so(browser: Any, studio: Studio) -> None:
    hide = 'Object.defineProperty(Navigator.prototype, "requestMIDIAccess", { value: undefined })'
    page = Page(browser, studio, hide)
    page.page.click("#tab-midi")
    told: Any = page.page.text_content("#panel-midi")
    assert "no Web MIDI" in told
    assert page.page.get_by_role("button", name="Connect MIDI").count() == 0
    page.close()
    assert page.wrong == []

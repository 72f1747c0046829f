"""The studio in Chromium: how soon a change is seen and heard, and how smoothly it plays.

Each figure stands beside what the same browser does at the same time without the studio's work:
an empty question and a frame, or frames of a page that draws nothing.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import sonify
from sonify.disc.layout import Layout
from tests.studio.conftest import CHROMIUM, Page, Studio, begin

TEXT = (
    "SUMMIT 7 C, WIND SW 6, CLOUD BASE 900 M. SNOW BRIDGE ON THE NORTH PATH IS GONE: TAKE THE "
    "RIDGE. SOUP FROM ELEVEN, BREAD WHILE IT LASTS. WALK WELL."
)

# until what the server answered is drawn
CHANGES = """async ([count, kinds]) => {
  const { store } = studio;
  const frame = () => new Promise(requestAnimationFrame);
  const scales = ["dorian", "lydian", "blues", "hirajoshi", "phrygian"];
  const schemes = ["place", "walk", "character", "row-ladder"];
  const fills = ["rows", "running", "characters", "columns"];
  const change = [
    (k) => store.set("setup.music.scale", scales[k % 5], null),
    (k) => store.set("setup.player.rpm", 8 + k / 10, null),
    (k) => store.set("setup.music.voice.0.pitch", { scheme: schemes[k % 4] }, null),
    (k) => store.set("setup.player.matrix.fill", fills[k % 4], null),
  ];
  const ours = [];
  const peer = [];
  for (let k = 0; k < count; k++) {
    let began = performance.now();
    change[k % 4](k + 1);
    while (store.busy) await new Promise((done) => setTimeout(done));
    await frame();
    ours.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 30));
    began = performance.now();
    await (await fetch("api/value", { method: "POST", body: '{"text": "1"}',
      headers: { "content-type": "application/json" } })).json();
    await frame();
    peer.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 10));
  }
  return [ours, peer];
}"""

# until every note of the next half second can sound
INSTRUMENTS = """async (count) => {
  const { store, sound } = studio;
  const names = ["celesta", "marimba", "flute", "violin", "koto", "harpsichord", "kalimba",
    "trumpet", "clarinet", "sitar", "oboe", "banjo", "ocarina", "tuba", "viola", "dulcimer"];
  const out = [];
  const ready = () => {
    if (store.busy) return false;
    const s = studio.show;
    const from = sound.place();
    for (let n = 0; n < s.onset.length; n++) {
      if (s.onset[n] < from || s.onset[n] >= from + 0.5) continue;
      const id = `${s.voices[s.voice[n]].instrument}:${Math.round(s.pitch[n])}`;
      if (!sound.samples.notes.has(id)) return false;
    }
    return true;
  };
  for (let k = 0; k < count; k++) {
    const began = performance.now();
    store.set("setup.music.voice.0.program", names[k % names.length], null);
    while (!ready()) await new Promise((done) => setTimeout(done, 1));
    out.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 120));
  }
  return out;
}"""

FRAMES = """async (ms) => {
  studio.frames.times.length = 0;
  studio.frames.on = true;
  await new Promise((done) => setTimeout(done, ms));
  studio.frames.on = false;
  const t = studio.frames.times;
  return t.slice(1).map((x, k) => x - t[k]);
}"""

BARE = """async (ms) => {
  const t = [];
  const end = performance.now() + ms;
  await new Promise((done) => {
    const frame = (x) => { t.push(x); if (performance.now() < end) requestAnimationFrame(frame); else done(); };
    requestAnimationFrame(frame);
  });
  return t.slice(1).map((x, k) => x - t[k]);
}"""  # noqa: E501

# when the first samples of a note are heard, and when the first frame that shows it begins
SYNC = """async (count) => {
  const { sound } = studio;
  const c = sound.context;
  const tap = new AnalyserNode(c, { fftSize: 2048 });
  sound.mixer.mix.connect(tap);
  const wave = new Float32Array(2048);
  const onsets = [...new Set(studio.show.onset)].sort((a, b) => a - b);
  const out = [];
  let n = 0;
  while (n < onsets.length && onsets[n] < sound.place() + 0.3) n++;
  let heard = null;
  let seen = null;
  let last = -1;
  while (out.length < count && n < onsets.length && sound.playing) {
    await new Promise(requestAnimationFrame);
    const now = performance.now();
    const place = sound.place();
    // the frame that is being drawn now is the first to show the note
    if (seen === null && place >= onsets[n]) seen = now;
    tap.getFloatTimeDomainData(wave);
    const end = c.currentTime;
    for (let k = 1; k < 2048 && heard === null; k++) {
      const time = end - (2048 - k) / c.sampleRate;
      if (time <= last) continue;
      if (Math.abs(wave[k]) > 0.004 && Math.abs(sound.placeAt(time) - onsets[n]) < 0.06) {
        const stamp = c.getOutputTimestamp();
        heard = stamp.performanceTime + (time - stamp.contextTime) * 1000;
      }
    }
    if (seen !== null && heard !== null) {
      out.push(seen - heard);
      last = end + 0.02;
      n++;
      while (n < onsets.length && onsets[n] < place + 0.08) n++;
      seen = heard = null;
    } else if (place > onsets[n] + 0.3) { n++; seen = heard = null; }
  }
  return out;
}"""


def share(times: list[float], q: float) -> float:
    """The value below which a share of the times lies."""
    return sorted(times)[min(len(times) - 1, int(q * len(times)))]


def disc_of(bits: int, positions: int, folder: str) -> str:
    text = (TEXT * (bits // 7 // len(TEXT) + 1))[: bits // 7]
    disc = sonify.Disc.from_message(text, layout=Layout(positions=positions), name=f"d{bits}")
    return str(sonify.save_disc(disc, Path(folder) / f"d{bits}.toml"))


def run() -> list[tuple[str, float, str]]:
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    assert chromium is not None, "Debian's chromium is not installed"
    out: list[tuple[str, float, str]] = []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as p:
        browser = p.chromium.launch(executable_path=chromium, args=list(CHROMIUM))
        for bits, positions in ((1000, 56), (10_000, 112)):
            studio = begin(disc_of(bits, positions, folder), "-p", "hut-band")
            out += of_disc(browser, studio, bits)
            studio.stop()
        browser.close()
    return out


def of_disc(browser: Any, studio: Studio, bits: int) -> list[tuple[str, float, str]]:
    out = []
    began = time.perf_counter()
    page = Page(browser, studio, viewport={"width": 1440, "height": 900})
    first = page.js("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    whole = 1000 * (time.perf_counter() - began)
    page.js("studio.frames.times.length = 0")
    page.js(CHANGES, [8, 0])  # what is done once
    ours, peer = page.js(CHANGES, [80, 0])
    out.append(
        (
            f"{bits:,} bits: a change drawn / an empty question and a frame, 95 %",
            share(ours, 0.95) / share(peer, 0.95),
            f"{share(ours, 0.5):.0f} ms, 95 % {share(ours, 0.95):.0f} ms (peer "
            f"{share(peer, 0.5):.0f}, {share(peer, 0.95):.0f}); at most 150 ms",
        )
    )
    if bits == 1000:
        out.append(
            ("first paint / all drawn", first / whole, f"{first:.0f} ms of {whole:.0f}; under 1 s")
        )
    page.page.click("#play")
    page.until("studio.sound.playing")
    page.page.wait_for_timeout(1500)
    blank = page.context.new_page()
    bare = blank.evaluate(BARE, 3000)
    blank.close()
    page.page.bring_to_front()
    page.page.wait_for_timeout(300)
    frames = page.js(FRAMES, 6000)
    late, late_bare = (100 * sum(t > 20 for t in x) / len(x) for x in (frames, bare))
    out.append(
        (
            f"{bits:,} bits, playing: time of a frame / of a blank page's frame",
            (sum(frames) / len(frames)) / (sum(bare) / len(bare)),
            f"{1000 * len(frames) / sum(frames):.1f} frames/s, {late:.1f} % over 20 ms (blank "
            f"page {1000 * len(bare) / sum(bare):.1f}, {late_bare:.1f} %)",
        )
    )
    cost = page.js(
        """() => { const began = performance.now(); const { views } = studio;
          for (let k = 0; k < 300; k++) for (const v of Object.values(views)) v.draw(20 + k / 60);
          return (performance.now() - began) / 300; }"""
    )
    out.append(
        (f"{bits:,} bits: script of a frame / 16.7 ms", cost / 16.7, f"{cost:.2f} ms a frame")
    )
    if bits == 1000:
        ready = page.js(INSTRUMENTS, 32)
        out.append(
            (
                "a new instrument can sound / 600 ms, 95 %",
                share(ready, 0.95) / 600,
                f"{share(ready, 0.5):.0f} ms, 95 % {share(ready, 0.95):.0f} ms",
            )
        )
        page.js(
            """studio.store.set("setup.music.voice", [{ name: "taps", program: "xylophone",
              rhythm: [{ rule: "thinned", every: 3 }, { rule: "gate", amount: 0.5 }] }])"""
        )
        page.settled()
        page.page.wait_for_timeout(1500)
        apart = page.js(SYNC, 24)
        middle = share([abs(x) for x in apart], 0.5)
        out.append(
            (
                "picture after sound / 20 ms, median",
                middle / 20,
                f"{len(apart)} notes: median {share(apart, 0.5):+.1f} ms, from {min(apart):+.1f} "
                f"to {max(apart):+.1f}",
            )
        )
    page.close()
    return out


if __name__ == "__main__":
    for line in run():
        print(*line)

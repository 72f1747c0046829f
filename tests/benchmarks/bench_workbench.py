"""The studio as a workbench: how soon it is ready, what it weighs, and how far its tasks are.

Ready and weight stand beside the limits of the project's aims; tasks are done by a script that
takes the shortest way, once by pointer and once by keyboard alone. `SONIFY_AXE` names axe-core.
"""

from __future__ import annotations

import gzip
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from tests.benchmarks.bench_studio import BARE, FRAMES, disc_of, share
from tests.studio.conftest import CHROMIUM, Page, begin
from tests.studio.test_everyone import violations

MOST_READY_MS = 1000
MOST_CHANGE_MS = 50
MOST_HEARD_MS = 150
CHANGES = 60
MOST_BYTES = 400_000
MOST_FRAME_MS = 20
MOST_SHIFT = 0.02
MOST_STOPS = 15
SIZES = ((1440, 900), (1024, 768), (768, 1024), (390, 844))

SHIFT = """new Promise((done) => {
  let sum = 0;
  new PerformanceObserver((list) => {
    for (const e of list.getEntries()) if (!e.hadRecentInput) sum += e.value;
  }).observe({ type: "layout-shift", buffered: true });
  setTimeout(() => done(sum), 500);
})"""

# until the frame after the server's answer is drawn
ANSWERED = """async (count) => {
  const { store } = studio;
  const scales = ["dorian", "lydian", "blues", "hirajoshi", "phrygian"];
  const schemes = ["place", "walk", "character", "row-ladder"];
  const fills = ["rows", "running", "characters", "columns"];
  const change = [
    (k) => store.set("setup.music.scale", scales[k % 5], null),
    (k) => store.set("setup.player.rpm", 8 + k / 10, null),
    (k) => store.set("setup.music.voice.0.pitch", { scheme: schemes[k % 4] }, null),
    (k) => store.set("setup.player.matrix.fill", fills[k % 4], null),
  ];
  const out = [];
  for (let k = 0; k < count; k++) {
    const began = performance.now();
    const answered = new Promise((done) => store.addEventListener("show", done, { once: true }));
    change[k % 4](1 + (k >> 2));
    await answered;
    await new Promise(requestAnimationFrame);
    out.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 60));
  }
  return out;
}"""

# until the frame that shows or plays what the page itself knows
AT_ONCE = """async (count) => {
  const { store } = studio;
  studio.areas().open("holes");
  const change = [
    (k) => store.set("setup.music.voice.0.volume", 60 + k, null),
    (k) => store.set("setup.light.background", `#0000${10 + k}`, null),
    () => document.getElementById("holes").dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", cancelable: true })),
  ];
  const out = [];
  for (let k = 0; k < count; k++) {
    const began = performance.now();
    change[k % 3](k);
    await new Promise(requestAnimationFrame);
    out.push(performance.now() - began);
    while (store.busy) await new Promise((done) => setTimeout(done, 5));
    await new Promise((done) => setTimeout(done, 60));
  }
  return out;
}"""  # noqa: E501

# until the changed music leaves the speakers, as the browser's clock tells; new sounds are at hand
HEARD = """async (count) => {
  const { store, sound } = studio;
  const programs = ["celesta", "marimba"];
  const out = [];
  for (let k = 0; k < count; k++) {
    const began = performance.now();
    const answered = new Promise((done) => store.addEventListener("show", done, { once: true }));
    store.set("setup.music.voice.0.program", programs[k % 2], null);
    await answered;
    const stamp = sound.context.getOutputTimestamp();
    const { time } = sound.segments.at(-1);
    out.push(stamp.performanceTime + 1000 * (time - stamp.contextTime) - began);
    while (sound.samples.wanted.length || sound.samples.fetching) await new Promise((done) => setTimeout(done, 20));
    await new Promise((done) => setTimeout(done, 150));
  }
  return out;
}"""  # noqa: E501

FOCUS = "document.activeElement.id || document.activeElement.textContent"

Line = tuple[str, float, str]


def run() -> list[Line]:
    from playwright.sync_api import sync_playwright

    out: list[Line] = []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as p:
        browser = p.chromium.launch(executable_path=shutil.which("chromium"), args=list(CHROMIUM))
        studio = begin(disc_of(1000, 56, folder), "-p", "hut-band")
        try:
            out += ready(browser, studio)
            out += changes(browser, studio)
            out += heard(browser, studio)
            out += editing(browser, studio)
            out += axe(browser, studio)
        finally:
            studio.stop()
        studio = begin()  # as a stranger does
        try:
            out += tasks(browser, studio)
        finally:
            studio.stop()
        browser.close()
    return out


def ready(browser: Any, studio: Any) -> list[Line]:
    """Until the page can be used, the fifth time of five in the middle; what came over the wire."""
    times, weight, shift = [], 0, 0.0
    for _ in range(5):
        page = Page(browser, studio, viewport={"width": 1440, "height": 900})
        times.append(page.js("performance.now()"))
        names = {u for u in page.asked if u.startswith("http")}
        shift = max(shift, page.js(SHIFT))
        if not weight:
            for name in names:
                path = "/" + name.split("/", 3)[3]
                weight += 0 if "/api/" in path else len(gzip.compress(studio.ask("GET", path).body))
        page.close()
    middle = share(times, 0.5)
    return [
        ("ready / 1 s", middle / MOST_READY_MS, f"{middle:.0f} ms, from {min(times):.0f}"),
        ("scripts, styles and fonts / 400 kB", weight / MOST_BYTES, f"{weight / 1000:.0f} kB gzip"),
        ("layout shift / 0.02", shift / MOST_SHIFT, f"{shift:.4f}"),
    ]


def cpu_ms(process: int) -> float:
    """The processor time that a process has taken (Linux)."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return 1000 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def changes(browser: Any, studio: Any) -> list[Line]:
    """Until a change is drawn; and the processor time that it takes, which a busy machine changes
    less."""
    page = Page(browser, studio, viewport={"width": 1440, "height": 900})
    page.page.wait_for_timeout(1500)
    page.js(ANSWERED, 8)  # what is done once
    protocol = page.context.new_cdp_session(page.page)
    protocol.send("Performance.enable")

    def script_ms() -> float:
        found = protocol.send("Performance.getMetrics")["metrics"]
        return next(1000 * float(x["value"]) for x in found if x["name"] == "ScriptDuration")

    before = script_ms(), cpu_ms(studio.process.pid)
    times = page.js(ANSWERED, CHANGES)
    script, server = script_ms() - before[0], cpu_ms(studio.process.pid) - before[1]
    once = page.js(AT_ONCE, CHANGES // 2)
    page.close()
    told = [f"median {share(x, 0.5):.0f} ms, least {min(x):.0f}" for x in (times, once)]
    return [
        ("a change drawn, 95 % / 50 ms", share(times, 0.95) / MOST_CHANGE_MS, told[0]),
        ("hole, level or colour drawn, 95 % / 50 ms", share(once, 0.95) / MOST_CHANGE_MS, told[1]),
        ("processor time of a change / 50 ms", (script + server) / CHANGES / MOST_CHANGE_MS,
         f"page's scripts {script / CHANGES:.1f} ms, server {server / CHANGES:.1f} ms"),
    ]  # fmt: skip


def heard(browser: Any, studio: Any) -> list[Line]:
    """Until a change is heard while the piece plays."""
    page = Page(browser, studio, viewport={"width": 1440, "height": 900})
    play(page)
    page.js(HEARD, 4)  # what is done once
    times = page.js(HEARD, CHANGES // 2)
    page.close()
    told = f"median {share(times, 0.5):.0f} ms, least {min(times):.0f}"
    return [("a change heard, 95 % / 150 ms", share(times, 0.95) / MOST_HEARD_MS, told)]


def play(page: Page) -> None:
    page.page.click("#play")
    if page.page.is_visible("#flash"):
        page.page.click("#flash-go")
    page.until("studio.sound.playing")


def editing(browser: Any, studio: Any) -> list[Line]:
    """Frames while the piece plays with the piano roll open and a note is moved again and again."""
    page = Page(browser, studio, viewport={"width": 1440, "height": 900})
    page.page.click("#tab-notes")
    play(page)
    page.page.locator(".roll").focus()
    page.page.keyboard.press("ArrowRight")
    page.page.wait_for_timeout(1500)
    page.js(
        """window.moving = setInterval(() => document.querySelector(".roll").dispatchEvent(
          new KeyboardEvent("keydown", { key: Math.random() < 0.5 ? "ArrowUp" : "ArrowDown" })),
          400); 0"""
    )
    frames = page.js(FRAMES, 6000)
    page.js("clearInterval(moving)")
    blank = page.context.new_page()
    bare = blank.evaluate(BARE, 3000)
    page.close()
    late, late_bare = share(frames, 0.95), share(bare, 0.95)
    rate = 1000 * len(frames) / sum(frames)
    told = f"{late:.1f} ms (blank page {late_bare:.1f}), {rate:.1f} frames/s"
    return [
        ("frame while playing and editing, 95 % / 20 ms", late / MOST_FRAME_MS, told),
        ("... / a blank page's frame", late / late_bare, ""),
    ]


def stops_to(page: Page, wanted: str, most: int = 60) -> int:
    """How often Tab is pressed until the focus is on what is wanted."""
    for n in range(1, most + 1):
        page.page.keyboard.press("Tab")
        if page.js(FOCUS).startswith(wanted):
            return n
    raise AssertionError(f"{wanted} is not within {most} Tab stops")


def tasks(browser: Any, studio: Any) -> list[Line]:
    """Actions by pointer and Tab stops by keyboard, from the first view."""
    out: list[Line] = []
    # own message heard: type, play
    page = Page(browser, studio)
    page.page.fill("#start-message", "SOUP FROM ELEVEN")
    page.settled()
    page.page.click("#play")
    page.until("studio.sound.place() > 0.3")
    out.append(("own message heard: actions / 3", 2 / 3, "type it, press Play"))
    # a MIDI file: one more
    with page.page.expect_download():
        page.page.click('[data-take="midi"]')
    out.append(("own MIDI file saved: actions / 5", 2 / 5, "type it, press MIDI file"))
    page.close()
    # a file to cut with the diameter: type it, Disc, Sizes, diameter, Files, Drawing, Make
    page = Page(browser, studio)
    page.page.fill("#start-message", "SOUP FROM ELEVEN")
    page.settled()
    page.page.click("#tab-disc")
    page.page.click("#panel-disc summary:text-is('Sizes')")
    page.page.locator('[data-place="disc.fit.outer-diameter"] input[type=number]').fill("180")
    page.settled()
    page.page.click("#tab-start")
    with page.page.expect_download():
        page.page.click('[data-take="draw"]')
    assert round(2 * page.js("studio.show.geometry.outer")) == 180
    out.append(
        ("file to cut, own diameter: actions / 7", 6 / 7,
         "type it, Disc, Sizes, the diameter, Start, Drawing")
    )  # fmt: skip
    page.close()
    for name, wanted in (("play", "play"), ("message", "start-message"), ("MIDI file", "MIDI"),
                         ("areas", "tab-start")):  # fmt: skip
        page = Page(browser, studio)
        stops = stops_to(page, wanted)
        out.append((f"Tab stops to {name} / {MOST_STOPS}", stops / MOST_STOPS, f"{stops}"))
        page.close()
    return out


def axe(browser: Any, studio: Any) -> list[Line]:
    """Findings of axe-core in every area, at four sizes in both schemes and in forced colours."""
    if not Path(os.environ.get("SONIFY_AXE", "")).is_file():
        return []
    found: list[str] = []
    for width, height in SIZES:
        for scheme in ({"color_scheme": "light"}, {"color_scheme": "dark"},
                       {"forced_colors": "active"}):  # fmt: skip
            size = {"width": width, "height": height}
            page = Page(browser, studio, viewport=size, bypass_csp=True, **scheme)
            page.js("for (const d of document.querySelectorAll('details')) d.open = true")
            for area in page.js("studio.areas().names"):
                page.js("(name) => studio.areas().open(name)", area)
                found += violations(page)
            page.close()
    told = f"{len(found)} in 12 areas, 4 sizes, 3 schemes; none is the aim {found[:3]}"
    return [("axe-core findings", float(len(found)), told)]


if __name__ == "__main__":
    for line in run():
        print(*line)

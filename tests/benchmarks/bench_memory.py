"""The studio's memory over a long session at a quick pace: 2,000 changes, played 1,000 times.

The changes are those that a maker makes: settings, sliders, levels, notes, holes, presets,
versions, undo, areas opened and closed. After a first part, in which caches fill and the undo
history comes to its limit, the heap after a forced collection, the elements and the listeners must
stay as they are. So must the server's memory, processes and open files: after each part a file is
made and downloaded. `SONIFY_CHANGES` gives another number of changes; `SONIFY_MINUTES` is how long
the session takes at least (none): what is left of each part's time is spent playing.
"""

from __future__ import annotations

import os
import shutil
import time
from typing import Any

import psutil

from tests.studio.conftest import CHROMIUM, Page, begin

CHANGES = int(os.environ.get("SONIFY_CHANGES", "2000"))
MINUTES = float(os.environ.get("SONIFY_MINUTES", "0"))
PARTS = 8
"""The session is measured after each part; the first two only warm it up."""

MOST_GROWTH = 1.1
"""Of the heap, in all parts after the second: own choice, above what measuring again varies by."""

SESSION = """async (count) => {
  const { store, sound } = studio;
  const areas = studio.areas();
  const scales = ["dorian", "lydian", "blues", "hirajoshi", "phrygian"];
  const presets = ["music-box", "hut-band", "larch-marimba"];
  const answered = async () => { while (store.busy) await new Promise((done) => setTimeout(done, 5)); };
  const press = (key, at) => document.querySelector(at).dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
  const changes = [
    (k) => store.set("setup.music.scale", scales[k % 5], null),
    (k) => store.set("setup.player.rpm", 8 + (k % 90) / 10),
    (k) => store.set("setup.music.voice.0.volume", 60 + k % 60, null),
    (k) => store.set("setup.light.lamp", `#ff${(k % 200 + 20).toString(16)}47`, null),
    (k) => store.set("disc.message", `SOUP FROM ${k % 60}`, null),
    (k) => store.set("setup.music.voice.0.pitch", { scheme: ["place", "walk"][k & 1] }, null),
    () => store.undo(),
    (k) => store.choose(k & 1 ? "a" : "b"),
    (k) => { areas.open("notes"); press("ArrowRight", ".roll"); press(k & 1 ? "ArrowUp" : "m", ".roll"); },
    (k) => { areas.open("holes"); press("Enter", "#holes"); },
  ];
  for (let k = 0; k < count; k++) {
    areas.open(areas.names[k % areas.names.length]);
    if (k % 100 === 50) {
      areas.open("music");
      document.querySelector(`[data-preset="${presets[(k / 50 | 0) % 3]}"]`).click();
    } else changes[k % changes.length](k);
    await answered();
    if (k % 2) continue;
    sound.rest = 0;
    await sound.play();
    await new Promise((done) => setTimeout(done, 30));
    sound.pause();
  }
}"""  # noqa: E501


def measured(page: Page, protocol: Any) -> tuple[float, int, int]:
    """The heap in MB after a collection, the elements and other nodes, and the listeners."""
    for _ in range(3):
        protocol.send("HeapProfiler.collectGarbage")
        page.page.wait_for_timeout(300)
    heap = protocol.send("Runtime.getHeapUsage")
    dom = protocol.send("Memory.getDOMCounters")
    return heap["usedSize"] / 1e6, dom["nodes"], dom["jsEventListeners"]


def served(process: int) -> tuple[float, int, int]:
    """The memory of a server with its child processes in MB, their number, and its open files."""
    server = psutil.Process(process)
    all_of_it = [server, *server.children(recursive=True)]
    return sum(p.memory_info().rss for p in all_of_it) / 1e6, len(all_of_it), server.num_fds()


def made(page: Page) -> None:
    """Make a file, and download it."""
    with page.page.expect_download() as got:
        page.make("midi")
    got.value.path()


def run() -> list[tuple[str, float, str]]:
    from playwright.sync_api import sync_playwright

    seen, server = [], []
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=shutil.which("chromium"), args=list(CHROMIUM))
        studio = begin("cairn-small", "-p", "music-box")
        try:
            page = Page(browser, studio)
            protocol = page.context.new_cdp_session(page.page)
            began = time.monotonic()
            for part in range(1, PARTS + 1):
                page.js(SESSION, CHANGES // PARTS)
                page.settled()
                made(page)
                page.js("studio.sound.play()")
                while time.monotonic() < began + 60 * MINUTES * part / PARTS:
                    page.page.wait_for_timeout(1000)
                page.js("studio.sound.pause()")
                seen.append(measured(page, protocol))
                server.append(served(studio.process.pid))
            assert page.wrong == []
        finally:
            studio.stop()
            browser.close()
    heap, nodes, listeners = zip(*seen, strict=True)
    memory, processes, files = zip(*server, strict=True)
    told = ", ".join(f"{x:.1f}" for x in heap)
    return [
        (f"heap / {MOST_GROWTH} of it after two of {PARTS} parts", heap[-1] / heap[1] / MOST_GROWTH,
         f"{CHANGES} changes; MB after each part: {told}"),
        ("elements, last / second part", nodes[-1] / nodes[1], f"{', '.join(map(str, nodes))}"),
        ("listeners, last / second part", listeners[-1] / listeners[1],
         f"{', '.join(map(str, listeners))}"),
        ("server's memory, last / second part", memory[-1] / memory[1],
         f"MB: {', '.join(f'{x:.0f}' for x in memory)}"),
        ("server's processes, last / second part", processes[-1] / processes[1],
         f"{', '.join(map(str, processes))}"),
        ("server's open files, last / second part", files[-1] / files[1],
         f"{', '.join(map(str, files))}"),
    ]  # fmt: skip


if __name__ == "__main__":
    for line in run():
        print(*line)

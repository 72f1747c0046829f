"""A running studio, and a browser to look at it with."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest

from tests.conftest import CHROMIUM

__all__ = ["CHROMIUM", "LONGEST_S", "LOUD", "ROOT", "Answer", "Page", "Studio", "begin", "unpack"]

ROOT = Path(__file__).parents[2]
_USUAL = ["-m", "sonify"]
LONGEST_S = 300
"""After which a wait is given up, on the busiest machine: it hangs."""

# what leaves the mixer, measured for a second
LOUD = """async () => {
  const tap = new AnalyserNode(studio.sound.context, { fftSize: 2048 });
  studio.sound.mixer.limit.connect(tap);
  const wave = new Float32Array(2048);
  let most = 0;
  for (let k = 0; k < 40; k++) {
    await new Promise((done) => setTimeout(done, 25));
    tap.getFloatTimeDomainData(wave);
    most = Math.max(most, ...wave.map(Math.abs));
  }
  return most;
}"""


def unpack(data: bytes) -> tuple[dict[str, Any], dict[str, Any]]:
    """The header and arrays of a packed answer."""
    size = int.from_bytes(data[:4], "little")
    header = json.loads(data[4 : 4 + size])
    base = 4 + size
    arrays = {
        name: np.frombuffer(data, f"<{kind}", count, base + at)
        for name, kind, at, count in header["arrays"]
    }
    return header, arrays


@dataclass
class Answer:
    """What the server said."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Studio:
    """A studio in a process of its own."""

    process: subprocess.Popen[str]
    address: str
    headers: dict[str, str] = field(default_factory=dict)
    folder: Path | None = None

    def forget(self) -> None:
        """Remove the copy of the last project, so that the next page is a first visit."""
        if self.folder is not None:
            for file in self.folder.glob("sonify*/studio.json"):
                file.unlink()

    @property
    def host(self) -> str:
        return urlsplit(self.address).netloc

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        timeout: float = LONGEST_S,
    ) -> Answer:
        """A request, as it is written: no client's good manners in between."""
        line = http.client.HTTPConnection(self.host, timeout=timeout)
        try:
            line.request(method, path, body, {**self.headers, **(headers or {})})
            got = line.getresponse()
            return Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read())
        finally:
            line.close()

    def post(self, path: str, data: Any, headers: dict[str, str] | None = None) -> Answer:
        return self.ask(
            "POST",
            path,
            json.dumps(data).encode(),
            {"content-type": "application/json", **(headers or {})},
        )

    def start_document(self) -> dict[str, Any]:
        out: dict[str, Any] = self.ask("GET", "/api/start").json["document"]
        return out

    def stop(self) -> None:
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.folder is not None:
            shutil.rmtree(self.folder, ignore_errors=True)


def begin(
    *args: str, usual_port: bool = False, folder: Path | None = None, before: str = ""
) -> Studio:
    """Start a studio, at any free port or the usual one, and wait for its address.

    It has a temporary folder of its own, or shares the one that is given. `before` is Python code
    that its process runs first.
    """
    if not usual_port and "--port" not in args:
        args = (*args, "--port", "0")
    own = None if folder else Path(tempfile.mkdtemp(prefix="studio-"))
    how = ["-c", f"{before}; from sonify.__main__ import main; main()"] if before else _USUAL
    process = subprocess.Popen(
        [sys.executable, *how, "studio", "--no-open", *args],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(folder or own)},
    )
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    if not address:
        assert process.stderr is not None
        raise AssertionError(process.stderr.read())
    return Studio(process, address, folder=own)


@pytest.fixture(scope="session")
def studio() -> Iterator[Studio]:
    """A studio with the small disc."""
    one = begin("cairn-small", "-p", "music-box")
    yield one
    one.stop()


@pytest.fixture(scope="session")
def by_itself() -> Iterator[Studio]:
    """A studio that was started without naming a disc."""
    one = begin()
    yield one
    one.stop()


@pytest.fixture
def plain(by_itself: Studio) -> Studio:
    """The same before the first visit."""
    by_itself.forget()
    return by_itself


class Page:
    """The studio's page in a tab of its own, which notes all that goes wrong in it."""

    def __init__(self, browser: Any, studio: Studio, init: str = "", **context: Any) -> None:
        self.wrong: list[str] = []
        self.asked: list[str] = []
        self.context = browser.new_context(
            **{"viewport": {"width": 1280, "height": 900}, **context}
        )
        self.context.set_default_timeout(1000 * LONGEST_S)
        self.page = self.context.new_page()
        if init:
            self.page.add_init_script(init)
        self.page.on("pageerror", lambda e: self.wrong.append(str(e)))
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.open: set[Any] = set()
        self.page.on("request", lambda r: self.open.add(r))
        self.page.on("requestfinished", lambda r: self.open.discard(r))
        self.page.on("requestfailed", lambda r: self.open.discard(r))
        self.studio = studio
        self.page.goto(studio.address)
        self.ready()

    def again(self, width: int = 1280, height: int = 900, **media: Any) -> None:
        """Make a first visit of it: cheaper than a fresh tab, which begins a process."""
        for other in self.context.pages:
            if other is not self.page:
                other.close()
        self.page.unroute_all(behavior="ignoreErrors")
        # a picture keeps nothing while the storage is emptied
        self.page.goto(f"{self.studio.address}icon.svg")
        line = self.context.new_cdp_session(self.page)
        every = {"origin": f"http://{self.studio.host}", "storageTypes": "all"}
        line.send("Storage.clearDataForOrigin", every)
        line.detach()
        self.js("sessionStorage.clear()")
        self.page.mouse.move(-1, -1)
        self.page.set_viewport_size({"width": width, "height": height})
        usual = {"color_scheme": "light", "reduced_motion": "no-preference"}
        self.page.emulate_media(**{**usual, **media})
        for of in (self.wrong, self.asked, self.open):
            of.clear()
        self.page.goto(self.studio.address)
        self.ready()

    def ready(self) -> None:
        self.page.wait_for_selector("body[data-state=ready]")
        self.settled()

    def settled(self) -> None:
        """Wait until the page has the answer to its last question."""
        self.until("!studio.store.busy && Boolean(studio.show)")

    def answered(self, path: str) -> None:
        """Wait until no question to a path of the server is open, and the page shows the answer."""
        self.settled()
        end = time.monotonic() + LONGEST_S
        while self.frames(2) or any(path in one.url for one in self.open):
            assert time.monotonic() < end, f"no answer within {LONGEST_S} s: {path}"
        self.frames(2)

    def forget_refusals(self) -> None:
        """Drop what the browser's console tells of the server's answers 422, which comes late."""
        self.answered("/api/")
        self.wrong[:] = [w for w in self.wrong if "422" not in w]

    def until(self, what: str) -> None:
        """Wait until something is so (looked at again and again: the policy forbids eval)."""
        so = self.js(
            f"""async (end) => {{
              while (!(await ({what}))) {{
                if (performance.now() > end) return false;
                await new Promise((done) => setTimeout(done, 20));
              }}
              return true; }}""",
            self.js("performance.now()") + 1000 * LONGEST_S,
        )
        assert so, f"not within {LONGEST_S} s: {what}"

    def frames(self, count: int = 3) -> None:
        """Wait until the page has been drawn so often, however long that takes."""
        self.js(
            """async (n) => {
              for (; n; n--) await new Promise((done) => requestAnimationFrame(done)); }""",
            count,
        )

    def at(self, selector: str, **more: Any) -> Any:
        """What a selector finds, in the work area and the folds that are then open."""
        found = self.page.locator(selector, **more)
        found.first.evaluate("""(e) => {
          studio.areas().reveal(e);
          const fold = (of) => of.closest("details");
          for (let d = fold(e); d; d = fold(d.parentElement)) d.open = true;
        }""")
        return found

    def make(self, what: str, suffix: str | None = None) -> Any:
        """Make a file, and give its line in the list."""
        self.at(f'.kind[data-what="{what}"] input').check(force=True)
        if suffix is not None:
            self.page.select_option(".making select", suffix)
        self.page.click("#make")
        return self.page.locator(f'.file[data-what="{what}"]').first

    def js(self, text: str, *args: Any) -> Any:
        return self.page.evaluate(text, *args)

    @property
    def document(self) -> dict[str, Any]:
        out: dict[str, Any] = self.js("studio.store.document")
        return out

    def close(self) -> None:
        self.context.close()


@pytest.fixture(scope="session")
def tab(browser: Any, studio: Studio) -> Iterator[Page]:
    """One tab for all tests of a process that ask for a first visit."""
    one = Page(browser, studio)
    yield one
    one.close()


@pytest.fixture
def visit(tab: Page) -> Iterator[Callable[..., Page]]:
    """`visit(390, 844)`: a first visit at a size; whatever goes wrong in it is a failure."""

    def begun(width: int = 1280, height: int = 900, **media: Any) -> Page:
        tab.again(width, height, **media)
        return tab

    yield begun
    assert tab.wrong == []


@pytest.fixture
def page(visit: Callable[..., Page]) -> Page:
    """A first visit; whatever goes wrong in it is a failure."""
    return visit()


@pytest.fixture(scope="session")
def kept(browser: Any, studio: Studio) -> Iterator[Page]:
    """A tab that `shared` goes on with."""
    one = Page(browser, studio)
    yield one
    one.close()


@pytest.fixture
def shared(kept: Page) -> Iterator[Page]:
    """A page for tests that change its document alone, which is put back after each."""
    start = kept.document
    yield kept
    kept.js(
        "() => { document.activeElement.blur(); studio.areas().open('start'); scrollTo(0, 0); }"
    )
    kept.page.mouse.move(-1, -1)
    kept.settled()
    while kept.js("studio.store.canUndo"):
        kept.js("studio.store.undo()")
    kept.settled()
    assert kept.document == start
    wrong, kept.wrong = kept.wrong, []
    assert wrong == []

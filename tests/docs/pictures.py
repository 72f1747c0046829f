"""The documentation's pictures of the studio at work, and of a report.

    python -m tests.docs.pictures [FOLDER]

They are taken in Debian's Chromium with the disc `cairn-middle`, at fixed moments, and written to
`docs/pictures/` (or another folder) as JPEG and PNG.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.studio.conftest import CHROMIUM, ROOT, Page, begin

SIZE = (1280, 800)
WIDE = 1100
QUALITY = 78
"""Of the pictures: type can be read, and each stays under 120 kB."""


def first_steps(page: Page) -> None:
    page.js("studio.sound.seek(26)")


def piano_roll(page: Page) -> None:
    page.page.click("#tab-notes")
    page.js("studio.sound.seek(14.2)")
    page.js("studio.sound.setLoop([10.3, 20.6])")


def drawing(page: Page) -> None:
    page.at('.kind[data-what="draw"] input').check(force=True)
    page.until("document.querySelector('.draft').dataset.of === 'draw'")
    page.js("studio.sound.seek(40)")
    page.js("document.getElementById('controls').scrollTop = 170")


def show(page: Page) -> None:
    page.page.click("#large")
    page.js("studio.sound.seek(studio.show.scroll.startS + 4)")


PICTURES: dict[str, tuple[str, Callable[[Page], None]]] = {
    "studio": ("light", first_steps),
    "studio-notes": ("dark", piano_roll),
    "studio-files": ("light", drawing),
    "studio-show": ("dark", show),
}


def report(path: Path) -> None:
    """What `compare` draws of a player whose stage stops beside a row."""
    from click.testing import CliRunner
    from PIL import Image

    from sonify.cli.app import sonify
    from tests.docs.inputs import log_of_stage

    with tempfile.TemporaryDirectory() as beside:
        log, drawn = Path(beside, "log.npy"), Path(beside, "report.png")
        log_of_stage(log, lambda *_: None)
        words = ["compare", "cairn-middle", str(log), "-p", "usual", "--threshold", "1.75"]
        CliRunner().invoke(sonify, [*words, "-o", str(drawn)], catch_exceptions=False)
        with Image.open(drawn) as picture:
            picture.quantize(256, Image.Quantize.MAXCOVERAGE).save(path, optimize=True)


def main(folder: Path) -> None:
    """Take all pictures."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    report(folder / "report.png")
    studio = begin("cairn-middle", "-p", "hut-band")
    try:
        with sync_playwright() as p:
            browser = p.chromium.launch(
                executable_path=shutil.which("chromium"), args=list(CHROMIUM)
            )
            for name, (scheme, prepare) in PICTURES.items():
                view = {"width": SIZE[0], "height": SIZE[1]}
                page = Page(browser, studio, viewport=view, color_scheme=scheme)
                prepare(page)
                page.page.wait_for_timeout(600)  # what fades in
                with Image.open(io.BytesIO(page.page.screenshot())) as shot:
                    picture = shot.convert("RGB")
                picture.thumbnail((WIDE, WIDE), Image.Resampling.LANCZOS)
                path = folder / f"{name}.jpg"
                picture.save(path, "JPEG", quality=QUALITY, optimize=True, progressive=True)
                print(f"{path}  {path.stat().st_size / 1000:.0f} kB")
                page.close()
            browser.close()
    finally:
        studio.stop()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs/pictures")

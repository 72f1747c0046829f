"""An audition of all presets, beside rendering their sound and nothing else."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import sonify
from sonify.export.audition import audition
from sonify.export.candidates import candidates_of
from sonify.export.score import score_bytes
from sonify.export.sound.options import SoundOptions
from tests.benchmarks.measure import best
from tests.export.soundfonts import render
from tests.shipped import MUSIC

SECONDS = 60.0


def run() -> list[tuple[str, float, str]]:
    disc = sonify.load_disc("cairn-middle")
    names = [p.stem for p in MUSIC]
    candidates = candidates_of(("usual", *names), {}, None, 1)
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        audition(disc, candidates, Path(folder) / "page.html", lambda c: c.name, seconds=SECONDS)
        page = time.perf_counter() - start
    start = time.perf_counter()
    for name in names:
        render(sonify.perform(disc, ["usual", name]), options=SoundOptions(to_s=SECONDS))
    alone = time.perf_counter() - start
    show = sonify.perform(disc, ["usual", "hut-band"])
    xml = best(lambda: score_bytes(show, ".musicxml"), 2)
    pdf = best(lambda: score_bytes(show, ".pdf"), 2)
    return [
        ("all presets, a minute each, on a page, over 12 s", page / 12, f"{page:.1f} s; under 1"),
        ("the same over rendering alone, one after another", page / alone, f"{alone:.1f} s"),
        ("a score engraved as PDF over its MusicXML", pdf / xml, f"{xml:.1f} s, {pdf:.1f} s"),
    ]

"""Titles and lengths of moving pictures, read back by ExifTool, ffprobe and Pillow."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from xml.etree import ElementTree

import pytest
from PIL import Image

import sonify
from tests.export.animations import needs_ffmpeg
from tests.nightly import sampled, sampled_product

TITLES = ["R&D <x>", "Grüße", "霧 の " * 30 + "霧"]
SUFFIXES = [".gif", ".png", ".webp", ".mp4", ".webm", ".mov"]
needs_exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None, reason="exiftool is not installed"
)


def show_of(title, **settings):
    disc = sonify.Disc.from_bits(["1000000110", "1011001010"] * 3, title=title)
    return sonify.perform(disc, settings={"clip.size": "160x90", **settings})


def probed(path):
    run = ["ffprobe", "-v", "error", "-show_entries", "format:format_tags:stream", "-of", "json"]
    done = subprocess.run([*run, path], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def by_exiftool(path):
    run = ["exiftool", "-j", "-a", "-warning", "-error", "-comment", "-description"]
    done = subprocess.run([*run, path], capture_output=True, text=True, check=False)
    return json.loads(done.stdout)[0]


@needs_exiftool
@needs_ffmpeg
@pytest.mark.parametrize(("suffix", "title"), sampled_product(SUFFIXES, TITLES))
def test_titles_survive(tmp_path, title, suffix):
    path = tmp_path / f"a{suffix}"
    show_of(title).save(path, "lights" if suffix in SUFFIXES[:3] else "clip", to_s=0.5)
    known = by_exiftool(path)
    assert "Error" not in known
    assert known.get("Warning", "[minor]").startswith("[minor]"), known
    found = [str(known[key]) for key in ("Comment", "Description") if key in known]
    if suffix in SUFFIXES[3:]:
        tags = {key.casefold(): text for key, text in probed(path)["format"]["tags"].items()}
        assert tags["title"] == title
        found.append(tags["comment"])
    elif suffix == ".webp":
        with Image.open(path) as image:
            root = ElementTree.fromstring(image.info["xmp"])
        found.append("".join(root.itertext()))
    else:
        with Image.open(path) as image:
            text = image.info.get("comment") or image.text["Comment"]
            found.append(text.decode() if isinstance(text, bytes) else text)
    assert found
    for text in found:
        assert text.startswith(f"{title}. Flashing light")
        assert text.endswith("venues."), "no padding"


@needs_ffmpeg
@pytest.mark.parametrize(
    ("suffix", "background"),
    [
        *((suffix, "#000000") for suffix in SUFFIXES),
        *((suffix, "none") for suffix in SUFFIXES if suffix not in (".gif", ".mp4")),
    ],
)
def test_each_program_counts_the_same_length(tmp_path, suffix, background):
    path = tmp_path / f"a{suffix}"
    what = "lights" if suffix in SUFFIXES[:3] else "clip"
    show = show_of("Hut", **{"light.background": background})
    show.save(path, what, to_s=2.767)
    if what == "clip":
        assert float(probed(path)["format"]["duration"]) == pytest.approx(166 / 60, abs=6e-4)
        return
    delays = []
    with Image.open(path) as image:
        for k in range(image.n_frames):
            image.seek(k)
            image.load()
            delays.append(image.info["duration"])
    assert sum(delays) == pytest.approx(2767, abs=20 if background == "none" else 6)
    if suffix == ".png":
        # as Chromium counts: whole milliseconds
        assert all(delay == int(delay) for delay in delays)


@needs_ffmpeg
def test_a_mov_says_that_its_frames_are_whole(tmp_path):
    path = tmp_path / "a.mov"
    show_of("Hut").save(path, "clip", to_s=0.2)
    video = next(s for s in probed(path)["streams"] if s["codec_type"] == "video")
    assert video["field_order"] == "progressive"


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="can't give cores away")
@pytest.mark.parametrize("suffix", sampled(SUFFIXES[3:], 2))
def test_the_same_show_gives_the_same_bytes_on_any_number_of_cores(tmp_path, suffix):
    cores = sorted(os.sched_getaffinity(0))
    made = []
    try:
        for count in (1, len(cores), len(cores)):
            os.sched_setaffinity(0, cores[:count])
            path = tmp_path / f"{len(made)}{suffix}"
            show_of("Hut", **{"clip.size": "480x270"}).save(path, "clip", to_s=0.6)
            made.append(path.read_bytes())
    finally:
        os.sched_setaffinity(0, cores)
    assert made == made[:1] * 3

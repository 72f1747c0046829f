"""The moving pictures of a disc, as other programs open them."""

from __future__ import annotations

import itertools
import json
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image, ImageSequence

import sonify
from sonify.light.paint import Painter
from tests.lamps import states_at

ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None, reason="ffmpeg is not installed (Debian's package ffmpeg)"
)
SETTINGS = {"light.pixels": 8, "player.matrix.scroll": 10.0}


@pytest.fixture(scope="module")
def show():
    return sonify.perform(sonify.load_disc("cairn-small"), ["embers"], SETTINGS)


def with_pillow(path):
    """Frames as RGB and how long each shows, in ms."""
    out = []
    with Image.open(path) as file:
        for frame in ImageSequence.Iterator(file):
            out.append((np.asarray(frame.convert("RGB")), frame.info["duration"]))
    return out


def with_ffmpeg(path):
    """Frames as RGB, and the times at which they show, in s."""
    probe = subprocess.run(
        ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries",
         "frame=pts_time:stream=width,height:format=duration", "-of", "json", str(path)],
        capture_output=True, check=True,
    )  # fmt: skip
    data = json.loads(probe.stdout)
    width, height = data["streams"][0]["width"], data["streams"][0]["height"]
    times = [float(f["pts_time"]) for f in data["frames"]]
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(path), "-fps_mode", "passthrough",
         "-f", "rawvideo", "-pix_fmt", "rgb24", "-"],
        capture_output=True, check=True,
    )  # fmt: skip
    assert raw.stderr == b""
    frames = np.frombuffer(raw.stdout, np.uint8).reshape(-1, height, width, 3)
    return frames, times, float(data["format"].get("duration", 0))


def expected(show, what):
    """The pictures that should show, painted whole, and when each begins."""
    painter = Painter(show.setup.light, show.setup.player.matrix)
    if what == "lights":
        times = np.unique(np.append(0.0, show.lights["time_s"]))
        levels = states_at(show.lights, times, 256).reshape(-1, 8, 32)
        end = show.message_s
    else:
        times = np.arange(show.scroll.steps) * show.scroll.column_s
        levels = np.array([show.scroll.levels(k) for k in range(show.scroll.steps)])
        end = show.scroll.end_s - show.scroll.start_s
    return [painter.palette[painter.picture(one)] for one in levels], times, end


def at(times, moment):
    return int(np.searchsorted(times, moment, side="right")) - 1


@pytest.mark.parametrize("what", ["lights", "message"])
@pytest.mark.parametrize("suffix", [".gif", ".png", ".webp"])
def test_pillow_sees_every_picture_in_its_time(show, tmp_path, what, suffix):
    path = show.save(tmp_path / f"a{suffix}", what)
    frames = with_pillow(path)
    pictures, times, end = expected(show, what)
    begins = np.cumsum([0.0, *[d / 1000 for _, d in frames]])
    assert abs(begins[-1] - end) <= 0.005 + 1e-9
    for k, begin in enumerate(times):
        until = times[k + 1] if k + 1 < len(times) else end
        frame = at(begins[:-1], (begin + until) / 2)
        np.testing.assert_array_equal(frames[frame][0], pictures[k])
    # and nothing else: no picture is stored twice running
    for (a, _), (b, _) in itertools.pairwise(frames):
        assert not np.array_equal(a, b)


@ffmpeg
@pytest.mark.parametrize("what", ["lights", "message"])
@pytest.mark.parametrize("suffix", [".gif", ".png"])
def test_ffmpeg_sees_the_same_frames_and_total_time(show, tmp_path, what, suffix):
    path = show.save(tmp_path / f"a{suffix}", what)
    frames, times, duration = with_ffmpeg(path)
    pillow = with_pillow(path)
    assert len(frames) == len(pillow)
    for ours, theirs in zip(frames, pillow, strict=True):
        np.testing.assert_array_equal(ours, theirs[0])
    begins = np.cumsum([0.0, *[d / 1000 for _, d in pillow]])
    np.testing.assert_allclose(times, begins[:-1], atol=0.002)
    if suffix == ".gif":
        assert duration == pytest.approx(begins[-1], abs=0.011)


@pytest.mark.parametrize("suffix", [".gif", ".png", ".webp"])
def test_a_range_starts_with_what_stood_before(show, tmp_path, suffix):
    whole = with_pillow(show.save(tmp_path / f"a{suffix}", "lights"))
    part = with_pillow(show.save(tmp_path / f"b{suffix}", "lights", rows="2"))
    begin = show.timeline.row_start_s()[1]
    begins = np.cumsum([0.0, *[d / 1000 for _, d in whole]])
    np.testing.assert_array_equal(part[0][0], whole[at(begins, begin + 0.02)][0])
    np.testing.assert_array_equal(part[-1][0], whole[-1][0])
    assert sum(d for _, d in part) / 1000 == pytest.approx(show.message_s - begin, abs=0.006)


def test_times_to_play_and_the_title_are_kept(show, tmp_path):
    with Image.open(show.save(tmp_path / "a.gif", "lights")) as gif:
        assert gif.info["loop"] == 0
        assert gif.info["comment"].decode().startswith("Cairn Hut, 14 March")
    with Image.open(show.save(tmp_path / "b.gif", "lights", loop=3)) as gif:
        assert gif.info["loop"] == 2  # the block counts the showings after the first

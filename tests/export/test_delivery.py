"""What a clip is delivered with: its exact length, range, marks, poster and joined ends."""

from __future__ import annotations

import json
import subprocess

import numpy as np
import pytest
from PIL import Image

import sonify
from sonify.export.file_formats import run
from sonify.light.look import colour
from tests.export.clips import decoded, needs, probe, shown_at, sound_of
from tests.nightly import late, sampled, sampled_product
from tests.shipped import PRESETS

DISC = PRESETS / "discs" / "cairn-small.toml"
QUICK = PRESETS / "players" / "quick.toml"
FPS = 25


def show_of(**settings):
    own = {"clip.views": ["matrix"], "light.pixels": 8, **settings}
    return sonify.perform(sonify.load_disc(DISC), [QUICK], own)


@pytest.mark.parametrize(
    ("kind", "seconds"), sampled_product(["mp4", "mov", "gif", "webp", "png"], [3.4, 60.0])
)
def test_the_length_is_exact_with_titles(tmp_path, kind, seconds):
    show = show_of(**{"clip.views": ["title", "matrix"], "clip.title-s": 1.0})
    path = show.save(
        tmp_path / f"a.{kind}", "clip", duration=seconds, size="96x64", fps=10, sound=False
    )
    if kind in ("mp4", "mov"):
        video = probe(path)["streams"][0]
        assert int(video["nb_read_packets"]) == round(seconds * 10)
        return
    with Image.open(path) as image:
        total = 0
        for k in range(image.n_frames):
            image.seek(k)
            image.load()
            total += image.info["duration"]
    assert abs(total - 1000 * seconds) < 1


def test_titles_longer_than_the_clip_are_refused(tmp_path):
    show = show_of(**{"clip.views": ["title", "matrix"], "clip.title-s": 5.0})
    with pytest.raises(sonify.InputError, match="titles take 5 s"):
        show.save(tmp_path / "a.mp4", "clip", duration=4.0)


def test_the_last_picture_stays(tmp_path):
    show = show_of()
    path = show.save(tmp_path / "a.gif", "lights", rows="1", duration=60.0)
    once = show.save(tmp_path / "b.gif", "lights", rows="1")
    late = shown_at(path, np.array([59.9]))[0]
    with Image.open(once) as image:
        image.seek(image.n_frames - 1)
        assert np.array_equal(late, np.asarray(image.convert("RGBA")))


def test_loop_0_fills_a_length(tmp_path):
    show = show_of()
    once = show.save(tmp_path / "a.mp4", "clip", rows="1", size="96x64", fps=FPS, sound=False)
    count = int(probe(once)["streams"][0]["nb_read_packets"])
    seconds = (2 * count + 10) / FPS
    path = show.save(
        tmp_path / "b.mp4", "clip", rows="1", size="96x64", fps=FPS, sound=False, loop=0,
        duration=seconds,
    )  # fmt: skip
    one, many = decoded(once).astype(int), decoded(path).astype(int)
    assert len(many) == 2 * count + 10
    assert abs(many[2 * count :] - one[:10]).mean() < 1.5


def test_rows_and_seconds_select_what_both_have(tmp_path):
    show = show_of()
    start = show.timeline.span_of_rows("2")[0]
    cut = start + 2.0
    path = show.save(tmp_path / "a.gif", "lights", rows="2", to_s=cut)
    same = show.save(tmp_path / "b.gif", "lights", from_s=start, to_s=cut)
    assert path.read_bytes() == same.read_bytes()
    with pytest.raises(sonify.InputError, match="rows 2 are read from"):
        show.save(tmp_path / "c.gif", "lights", rows="2", to_s=start / 2)


def test_rows_are_chapters(tmp_path):
    needs("ffprobe")
    show = show_of(**{"clip.views": ["title", "matrix", "message"], "clip.title-s": 2.0})
    path = show.save(tmp_path / "a.mp4", "clip", size="96x64", fps=FPS, sound=False)
    done = subprocess.run(
        ["ffprobe", "-v", "error", "-show_chapters", "-of", "json", str(path)],
        capture_output=True, check=True,
    )  # fmt: skip
    found = json.loads(done.stdout)["chapters"]
    names = [one["tags"]["title"] for one in found]
    assert names == ["Cairn Hut, 14 March", "Row 1", "Row 2", "Message"]
    starts = [0.0, *(2.0 + s for s in show.timeline.row_start_s()), 2.0 + show.scroll.start_s]
    assert np.allclose([float(one["start_time"]) for one in found], starts, atol=0.5 / FPS + 1e-3)


@pytest.mark.parametrize(
    ("fps", "timecode"), [(25, "10:00:00:00"), (29.97, "00:59:59;29"), late(50, None)]
)
def test_a_mov_has_a_timecode_track(tmp_path, fps, timecode):
    show = show_of()
    path = show.save(tmp_path / "a.mov", "clip", size="96x64", fps=fps, to_s=1.0, timecode=timecode)
    tracks = [s for s in probe(path)["streams"] if s["codec_tag_string"] == "tmcd"]
    assert len(tracks) == 1
    assert tracks[0]["tags"]["timecode"] == (timecode or "00:00:00:00")


@pytest.mark.parametrize(
    ("fps", "timecode", "said"),
    [(25, "10:00", "HH:MM:SS:FF"), (25, "10:00:00:25", "from 0 to 24"),
     (25, "10:00:00;00", "drop frame"), (29.97, "00:01:00;01", "does not exist in drop frame")],
)  # fmt: skip
def test_a_timecode_that_can_not_be(tmp_path, fps, timecode, said):
    with pytest.raises(sonify.InputError, match=said):
        show_of().save(tmp_path / "a.mov", "clip", fps=fps, timecode=timecode, to_s=1.0)


def test_the_poster_is_the_picture_of_its_second(tmp_path):
    show = show_of()
    path = show.save(
        tmp_path / "a.png", "clip", size="192x96", fps=FPS, to_s=4.0, poster=3.0, sound=False
    )
    poster = np.asarray(Image.open(tmp_path / "a-poster.png"))
    assert np.array_equal(poster, shown_at(path, np.array([3.0 + 0.5 / FPS]))[0][..., :3])


def test_a_seamless_clip_is_joined_in_picture_and_sound(tmp_path):
    show = show_of(**{"clip.views": ["disc", "matrix"], "light.fade": 0.3})
    path = show.save(tmp_path / "a.mov", "clip", rows="2", size="256x128", fps=FPS, seamless=True)
    frames = decoded(path).astype(int)
    steps = abs(np.diff(frames, axis=0)).mean(axis=(1, 2, 3))
    join = abs(frames[-1] - frames[0]).mean()
    assert join <= 1.1 * steps.max()
    plain = show.save(tmp_path / "b.mov", "clip", rows="2", size="256x128", fps=FPS)
    others = decoded(plain).astype(int)
    assert abs(others[-1] - others[0]).mean() > 1.5 * join, "this range has a visible seam"
    assert np.array_equal(frames[: -FPS // 2 - 1], others[: -FPS // 2 - 1])

    sound = sound_of(path)
    assert len(sound) == 48_000 * len(frames) // FPS
    assert abs(sound[0] - sound[-1]) <= abs(np.diff(sound)).max()
    # what rings on after the end is heard at the start
    assert abs(sound[:100]).max() > 0


@pytest.mark.parametrize("fps", sampled([7, 1, 60, 30, 120], 2))
def test_gif_rates_add_up(tmp_path, fps):
    path = show_of().save(tmp_path / "a.gif", "lights", fps=fps, duration=5.0)
    with Image.open(path) as image:
        delays = []
        for k in range(image.n_frames):
            image.seek(k)
            delays.append(image.info["duration"])
    assert sum(delays) == 5000
    assert min(delays) >= 20
    ends = np.cumsum(delays) / 1000 * fps
    assert (abs(ends - np.rint(ends)) <= max(0.005 * fps, 0.5 * (fps > 50)) + 1e-9).all()


@pytest.mark.parametrize(
    ("name", "what", "limit", "asked"),
    [
        late("a.gif", "message", 150_000, {}),
        ("a.png", "lights", 6_000, {}),
        ("a.gif", "clip", 60_000, {"size": "192x96", "to_s": 2.0}),
        late("a.webp", "clip", 40_000, {"size": "192x96", "to_s": 2.0}),
        late("a.png", "clip", 40_000, {"size": "192x96", "to_s": 2.0}),
        late("a.mp4", "clip", 24_000, {"size": "192x108", "to_s": 1.0}),
        ("a.webm", "clip", 12_000, {"size": "192x108", "to_s": 0.5}),
        late("a.mov", "clip", 900_000, {"size": "192x96", "to_s": 1.0}),
        ("frames/", "clip", 50_000, {"size": "192x96", "to_s": 1.0}),
    ],
)
def test_no_file_is_larger_than_asked(tmp_path, name, what, limit, asked):
    show = show_of(**{"light.pixels": 20, "clip.views": ["disc", "matrix"]})
    path = tmp_path / name
    place = f"{path}/" if name.endswith("/") else path

    def written(**more):
        outcome = run(show, place, what, {**asked, **more})
        files = list(path.iterdir()) if path.is_dir() else [path]
        return outcome, sum(f.stat().st_size for f in files)

    free, full = written()
    assert full > limit, "there is something to give up"
    assert free.given_up == ()
    fitted, size = written(max_size=f"{limit / 1000:g}kB")
    assert size <= limit
    assert fitted.given_up
    assert fitted.flashing is not None
    assert written(max_size="1GB")[0] == free


def test_a_size_that_nothing_fits(tmp_path):
    with pytest.raises(sonify.OutputError, match="100 are allowed"):
        show_of().save(tmp_path / "a.gif", "lights", max_size="100")
    with pytest.raises(sonify.InputError, match="write 5MB, 500kB"):
        show_of().save(tmp_path / "a.gif", "lights", max_size="5 pounds")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", sampled(["png", "webp", "mov"], 1))
def test_an_overlay_may_show_lit_lamps_only(tmp_path, kind):
    look = {"light.background": "none", "light.shape": "square", "light.glow": 0.0,
            "light.bloom": 0.0, "light.core": 0.0, "light.pixels": 16}  # fmt: skip
    covers = {}
    for unlit in ("#404040", "none"):
        show = show_of(**look, **{"light.unlit": unlit})
        path = show.save(
            tmp_path / f"{unlit[1:]}.{kind}", "lights", to_s=3.0, fps=10 if kind == "mov" else FPS
        )
        frames = decoded(path, alpha=True) if kind == "mov" else shown_at(path, np.array([2.9]))
        covers[unlit] = frames[-1][..., 3] > 128
    lamps = show.setup.player.matrix.lamps
    lit = int((show.lights["time_s"] <= 2.9).sum())
    each = covers["#404040"].sum() / lamps
    assert 0 < lit < lamps / 2
    assert abs(covers["none"].sum() / each - lit) < 1.5


def test_lamps_that_are_off_take_the_hue_of_lit_ones():
    def off(**light):
        return np.array(colour(show_of(**light).setup.light.off))

    for channel, lamp in enumerate(("#ff2020", "#20ff20", "#2020ff")):
        dark = off(**{"light.lamp": lamp, "light.background": "#000000"})
        assert dark.argmax() == channel
        assert dark.max() < 40
    assert (off(**{"light.unlit": "none", "light.background": "#102030"}) == (16, 32, 48)).all()


def test_a_title_stays_in_a_file_of_limited_size(tmp_path):
    show = show_of(**{"clip.views": ["title", "disc", "matrix"], "clip.title-s": 1.0})
    asked = {"size": "320x180", "fps": 12, "duration": 3.0, "sound": False}
    free = show.save(tmp_path / "a.gif", "clip", **asked).stat().st_size
    least = run(show, tmp_path / "b.gif", "clip", {**asked, "max_size": str(free // 12)})
    assert (tmp_path / "b.gif").stat().st_size <= free // 12
    assert least.seconds > 1.0

"""Clips, decoded by ffmpeg, Pillow and Chromium, against the simulated player and the look."""

from __future__ import annotations

import base64
from fractions import Fraction
from itertools import product

import numpy as np
import pytest

import sonify
from sonify.light.clip_settings import frame_rate
from sonify.light.colours import lamp_colours
from sonify.light.lamp_levels import LampLevels
from sonify.light.look import colour, from_linear
from sonify.light.panel import Panel
from sonify.light.planes import FORMATS, Picture
from sonify.light.room import Room
from tests import simulation
from tests.export.clips import decoded, pictures_of, probe, shown_at, sound_of
from tests.export.soundfonts import TICK, onsets, soundfont
from tests.nightly import sampled, sampled_product, sampled_rows
from tests.shipped import LOOKS, PRESETS, player_table

SMALL = PRESETS / "discs" / "cairn-small.toml"
QUICK = PRESETS / "players" / "quick.toml"
LAMP, UNLIT, GROUND = "#ffb347", "#241c16", "#0d0b0a"
PLAIN = {
    "light.pixels": 16, "light.lamp": LAMP, "light.unlit": UNLIT, "light.background": GROUND,
    "light.shape": "square", "light.gap": 0.2, "light.glow": 0.0,
    "light.core": 0.0, "light.bloom": 0.0,
    "music.voice": [{"name": "one", "program": "woodblock"}],
}  # fmt: skip


def show_of(**settings):
    return sonify.perform(sonify.load_disc(SMALL), [QUICK], {**PLAIN, **settings})


def lamp_pixels(show, size):
    """The pixels in which lamps have their centres, as rows and columns in the player's order."""
    picture = Picture.on_colour(FORMATS["rgb24"], *size, np.zeros(3))
    panel = Panel(show.setup.light, show.setup.player.matrix, picture, (0, 0, *size))
    xs, ys = panel.centres()
    across = len(xs)
    seen = panel.mounting.leds(np.arange(show.setup.player.matrix.lamps))
    return ys[seen // across], xs[seen % across]


def lit_of(show, frames):
    """Which lamps are lit in frames, shape (frames, lamps)."""
    h, w = frames[0].shape[:2]
    ys, xs = lamp_pixels(show, (w, h))
    lamp, unlit = np.array(colour(LAMP)), np.array(colour(UNLIT))
    out = []
    for frame in frames:
        rgb = frame[ys, xs, :3].astype(int)
        near, far = abs(rgb - lamp).max(axis=1), abs(rgb - unlit).max(axis=1)
        assert (np.minimum(near, far) < 40).all(), "a lamp is neither lit nor unlit"
        out.append(near < far)
    return np.array(out)


def memory_at(show, times):
    """What the simulated player's lamps show at some moments; None where a change is too near."""
    memory = simulation.lamp_memory(
        simulation.load_disc(SMALL), player_table(QUICK), show.setup.player.matrix.fill
    )
    moments = np.array([float(t) for t, _ in memory])
    out = []
    for t in times:
        k = int(np.searchsorted(moments, t, side="right")) - 1
        near = abs(moments - t).min() < 1e-6
        out.append(None if near else np.array(memory[k][1] if k >= 0 else memory[0][1]) & (k >= 0))
    return out


FPS = 25
SECONDS = 2.4


@pytest.fixture(scope="module")
def kinds(tmp_path_factory):
    """The lights as every kind of file, once for all tests."""
    folder = tmp_path_factory.mktemp("kinds")
    show = show_of()
    out = {}
    for kind in ("mp4", "webm", "mov", "gif", "png", "webp", "film.png", "film.gif", "/"):
        path = folder / f"lights.{kind}" if kind != "/" else folder / "frames"
        options = {"to_s": SECONDS}
        if kind in ("mp4", "webm", "mov", "film.png", "film.gif", "/"):
            options["fps"] = FPS
        place = f"{path}/" if kind == "/" else path
        show.save(place, "lights", **options)
        out[kind] = path
    return show, out


@pytest.mark.parametrize("kind", ["mp4", "webm", "mov", "/"])
def test_lamps_of_every_frame_equal_the_simulated_player(kinds, kind):
    show, files = kinds
    frames = pictures_of(files[kind]) if kind == "/" else decoded(files[kind])
    assert len(frames) == SECONDS * FPS
    times = (np.arange(len(frames)) + 0.5) / FPS
    found = lit_of(show, frames)
    for k, want in enumerate(memory_at(show, times)):
        assert want is None or (found[k] == want).all(), k


@pytest.mark.parametrize("kind", ["gif", "png", "webp", "film.png", "film.gif"])
def test_lamps_of_moving_pictures_equal_the_simulated_player(kinds, kind):
    show, files = kinds
    # a moment is told to half a frame, or to two hundredths in a GIF
    times = np.arange(0.013, SECONDS - 0.1, 0.05)
    found = lit_of(show, shown_at(files[kind], times))
    slack = (-0.025, 0.025) if kind != "gif" else (-0.031, 0.031)
    near = [memory_at(show, times + d) for d in (*slack, 0.0)]
    for k in range(len(times)):
        wanted = [n[k] for n in near if n[k] is not None]
        assert any((found[k] == w).all() for w in wanted), times[k]


COLOURS = [("mp4", look) for look in [None, *LOOKS]]
COLOURS += [(kind, look) for kind in ("webm", "mov", "film.png", "png") for look in LOOKS[:12:5]]


@pytest.mark.parametrize(
    "case", sampled(COLOURS, 2), ids=lambda c: f"{c[0]}-{getattr(c[1], 'stem', 'own')}"
)
def test_flat_areas_have_the_colours_of_the_look(tmp_path, case):
    kind, look = case
    settings = {"light.pixels": 32, "light.gap": 0.2, "light.glow": 0.0, "light.shape": "square",
                "light.core": 0.0, "light.bloom": 0.0, "light.panel": "open",
                "light.colours": "lamp", "light.velocity": False}  # fmt: skip
    if look is None:
        show = show_of(**settings)
    else:
        disc = sonify.load_disc(SMALL)
        extra = {} if "none" not in look.read_text() else {"light.background": "#20242a"}
        show = sonify.perform(disc, [QUICK, look], {**settings, **extra, "light.brightness": 16})
    film = kind in ("mp4", "webm", "mov")
    path = show.save(tmp_path / f"a.{kind}", "lights", to_s=1.0, fps=10 if film else FPS)
    frames = decoded(path) if film else shown_at(path, np.array([0.9]))
    last = frames[-1][..., :3].astype(int)
    h, w = last.shape[:2]
    ys, xs = lamp_pixels(show, (w, h))
    light = show.setup.light
    fill = show.setup.player.matrix.fill
    memory = simulation.lamp_memory(simulation.load_disc(SMALL), player_table(QUICK), fill)
    lit = next(m for t, m in reversed(memory) if float(t) < 0.9)
    for lamp, wanted in ((lit.index(True), light.lamp), (255, light.off)):
        y, x = int(ys[lamp]), int(xs[lamp])
        patch = last[y - 6 : y + 6, x - 6 : x + 6].reshape(-1, 3)
        assert abs(patch - np.array(colour(wanted))).max() <= 2, wanted
    assert abs(last[2:8, 2:8].reshape(-1, 3) - np.array(colour(light.background))).max() <= 2


def test_tags_are_what_video_programs_expect(tmp_path):
    show = show_of()
    for kind, video, audio, picture in (
        ("mp4", "h264", "aac", "yuv420p"),
        ("webm", "vp9", "opus", "yuv420p"),
        ("mov", "prores", "pcm_s24le", "yuva444p"),
    ):
        path = show.save(tmp_path / f"a.{kind}", "clip", to_s=1.0, size="320x180", fps=30)
        said = probe(path)
        v = next(s for s in said["streams"] if s["codec_type"] == "video")
        a = next(s for s in said["streams"] if s["codec_type"] == "audio")
        assert (v["codec_name"], a["codec_name"]) == (video, audio)
        assert v["pix_fmt"].startswith(picture)
        assert (v["width"], v["height"]) == (320, 180)
        # ITU-R BT.709 and IEC 61966-2-1 (sRGB), by their code points in ITU-T H.273
        assert v["color_space"] == v["color_primaries"] == "bt709", kind
        # ProRes has no tag for sRGB
        assert v["color_transfer"] == ("bt709" if kind == "mov" else "iec61966-2-1")
        assert v["color_range"] == "tv"
        assert v["r_frame_rate"] == v["avg_frame_rate"] == "30/1"
        assert a["sample_rate"] == "48000"
        assert a["channels"] == 2
        tags = {k.lower(): t for k, t in said["format"]["tags"].items()}
        assert tags["title"] == "Cairn Hut, 14 March"
        assert "WCAG 2.2 SC 2.3.1" in tags["comment"]
    head = (tmp_path / "a.mp4").read_bytes()
    assert head.index(b"moov") < head.index(b"mdat"), "no fast start"


@pytest.mark.parametrize(
    ("fps", "exact"),
    sampled_rows(
        [
            (29.97, "30000/1001"),
            (23.976, "24000/1001"),
            (120, "120/1"),
            (24, "24/1"),
            (59.94, "60000/1001"),
        ],
        2,
    ),
)
def test_rates_are_exact_and_lengths_agree_to_a_frame(tmp_path, fps, exact):
    show = show_of()
    path = show.save(tmp_path / "a.mp4", "clip", to_s=2.0, size="160x90", fps=fps)
    said = probe(path)
    v = next(s for s in said["streams"] if s["codec_type"] == "video")
    a = next(s for s in said["streams"] if s["codec_type"] == "audio")
    assert v["r_frame_rate"] == v["avg_frame_rate"] == exact
    frame = float(1 / Fraction(exact))
    assert int(v["nb_read_packets"]) == int(np.ceil(2.0 / frame - 1e-9))
    assert abs(float(v["duration"]) - int(v["nb_read_packets"]) * frame) < 1e-3
    assert abs(float(v["duration"]) - float(a["duration"])) <= frame
    assert frame_rate(fps) == Fraction(exact)


def test_sound_and_lamps_agree_to_half_a_frame(tmp_path):
    # one note for each one, of a tone that begins at its full height
    tones = str(soundfont(tmp_path / "tick.sf2", TICK, sharp=True))
    show = show_of(**{
        "player.rpm": 3.0, "light.pixels": 8, "sound.loudness": "off", "sound.soundfont": tones,
        "music.voice": [{"name": "tick"}],
    })  # fmt: skip
    seconds = 16.0
    path = show.save(tmp_path / "a.mp4", "clip", to_s=seconds, size="320x180", fps=FPS)
    frames = decoded(path)
    shows = sonify.perform(show.disc, setup=show.setup)
    found = matrix_of_clip(shows, frames)
    first = found.argmax(axis=0)
    lamps = np.flatnonzero(found.any(axis=0) & ~found[0])
    seen = np.sort(np.unique(first[lamps])) / FPS
    heard = onsets(sound_of(path)[:, None], seen, 0.033)
    assert len(seen) >= 15
    # the renderer begins a note with one of its blocks of 64 samples: half of one either way
    assert abs(heard - seen).max() <= 0.5 / FPS + 64 / 48_000


def matrix_of_clip(show, frames):
    """Which lamps are lit in a clip's frames, told by how bright their places are."""
    from sonify.export.animation.options import ClipOptions
    from sonify.export.clip.film import Film
    from sonify.export.clip.job import Job
    from sonify.export.clip.plan import plan_of

    h, w = frames[0].shape[:2]
    job = Job(show, ClipOptions(size=f"{w}x{h}", fps=FPS), "clip")
    film = Film(job, plan_of(job, ".mp4"), FORMATS["rgb24"])
    next(film.frames())
    xs, ys = film.views[0].panel.centres()
    rgb = frames[:, ys[:, None], xs[None]].reshape(len(frames), -1, 3).astype(int)
    lamp, unlit = np.array(colour(show.setup.light.lamp)), np.array(colour(show.setup.light.off))
    return abs(rgb - lamp).sum(axis=2) < abs(rgb - unlit).sum(axis=2)


def test_the_disc_stands_at_the_angle_of_the_reading(tmp_path):
    # one hole in a row of 24: its place, by the light that it lets through, tells the angle
    disc = sonify.Disc.from_bits(["1" + "0" * 23, "1" + "0" * 23], name="one")
    show = sonify.perform(disc, settings={
        "player.rpm": 7.0, "clip.views": ["disc"], "light.background": "#000000",
        "clip.material": "slate", "light.lamp": "#ffffff",
    })  # fmt: skip
    size = 480
    path = show.save(tmp_path / "a.mp4", "clip", to_s=4.0, size=f"{size}x{size}", fps=30)
    frames = decoded(path)[..., 1].astype(float)
    from sonify.export.animation.options import ClipOptions
    from sonify.export.clip.film import Film
    from sonify.export.clip.job import Job
    from sonify.export.clip.plan import plan_of

    job = Job(show, ClipOptions(size=f"{size}x{size}", fps=30), "clip")
    film = Film(job, plan_of(job, ".mp4"), FORMATS["rgb24"])
    next(film.frames())
    view = film.views[0]
    art = view.art
    cx, cy = view.x + view.side / 2, view.y + view.side / 2
    y, x = np.mgrid[0:size, 0:size] + 0.5
    radius = np.hypot(x - cx, y - cy)
    angle = np.degrees(np.arctan2(x - cx, cy - y)) % 360
    track = abs(radius - art.radii[0]) < art.hole * 1.6
    free = track & (abs((angle + 180) % 360 - 180) > 20)  # clear of the stage
    a = np.radians(angle[free])
    errors = []
    for k in range(50, len(frames), 2):
        t = (k + 0.5) / 30
        turned = 360 * 7.0 * t / 60 % 360  # clockwise, and position 0 began at twelve o'clock
        if abs((turned + 180) % 360 - 180) < 30:
            continue
        seen = frames[k][free]
        light = np.clip(seen - np.median(seen) - 12, 0, None)
        found = np.degrees(np.arctan2((light * np.sin(a)).sum(), (light * np.cos(a)).sum()))
        errors.append((found - turned + 180) % 360 - 180)
    assert len(errors) > 20
    assert np.abs(errors).max() <= 0.2, errors


def test_a_disc_that_waits_for_bars_is_met_at_each_row():
    from sonify.export.clip.turning import Turning

    disc = sonify.load_disc(PRESETS / "discs" / "cairn-middle.toml")
    for player in ("usual", "quick", "slow"):
        for timing in ("player", "bars"):
            show = sonify.perform(disc, [player], {"music.timing": timing})
            turning = Turning.of(show.timeline)
            for one in show.reading[:: len(show.reading) // 200]:
                at = turning.position(float(one["time_s"])) % disc.positions
                off = (at - one["position"] + disc.positions / 2) % disc.positions
                assert abs(off - disc.positions / 2) < 1e-6
            if timing == "player":
                # at the true speed all the time
                times = np.linspace(0, show.read_s, 50)
                at = [turning.position(float(t)) for t in times]
                speed = np.diff(at) / np.diff(times) * show.timeline.position_s
                assert np.allclose(speed, 1, atol=1e-6)


CLEAR = {"light.background": "none", "light.pixels": 16}


@pytest.mark.parametrize("kind", sampled(["webm", "mov", "png", "webp", "/"], 3))
def test_coverage_lays_right_over_a_test_card(tmp_path, kind):
    show = show_of(**CLEAR)
    path = tmp_path / ("frames" if kind == "/" else f"a.{kind}")
    show.save(f"{path}/" if kind == "/" else path, "lights", to_s=1.0, fps=FPS)
    if kind == "/":
        frame = pictures_of(path)[-1]
    elif kind in ("png", "webp"):
        frame = shown_at(path, np.array([0.99]))[-1]
    else:
        frame = decoded(path, alpha=True, decoder="libvpx-vp9" if kind == "webm" else None)[-1]
    h, w = frame.shape[:2]
    rng = np.random.default_rng(3)
    card = np.kron(rng.integers(0, 256, (h // 8 + 1, w // 8 + 1, 3)), np.ones((8, 8, 1)))[:h, :w]
    cover = frame[..., 3:].astype(float) / 255
    laid = frame[..., :3] * cover + card * (1 - cover)
    ys, xs = lamp_pixels(show, (w, h))
    lit = memory_at(show, [(FPS - 0.5) / FPS])[0]
    for lamps, wanted in ((lit, LAMP), (~lit, UNLIT)):
        found = laid[ys[lamps], xs[lamps]]
        assert abs(found - np.array(colour(wanted))).max() <= (8 if kind == "webm" else 3)
    # between lamps and around them the card is untouched
    gap = (cover[..., 0] == 0).mean()
    assert gap > 0.3
    corner = (slice(0, 4), slice(0, 4))
    assert abs(laid[corner] - card[corner]).max() <= 1


def test_kinds_without_coverage_say_which_have_it(tmp_path, run):
    for kind in ("mp4", "gif"):
        done = run("clip", SMALL, "--set", "light.background=none", "-o", tmp_path / f"a.{kind}")
        assert done.status == 2
        assert f".{kind} can't hold a picture without a background" in done.err
        assert ".webm" in done.err
        assert done.err.count("\n") == 1 or "caution" in done.err
    assert not list(tmp_path.iterdir())


@pytest.fixture(scope="module")
def page(browser):
    """A page in Debian's Chromium."""
    tab = browser.new_page()
    yield tab
    tab.close()


_PLAY = """async ([data, at]) => {
  document.body.innerHTML = '';
  const video = document.createElement('video');
  video.muted = true; video.src = data; document.body.append(video);
  await new Promise((good, bad) => {
    video.oncanplaythrough = good; video.onerror = () => bad(video.error.message); });
  await video.play();
  await new Promise(good => { video.onended = good; });
  const long = video.duration;
  const seek = new Promise(good => { video.onseeked = good; });
  video.currentTime = at; await seek;
  const canvas = document.createElement('canvas');
  canvas.width = video.videoWidth; canvas.height = video.videoHeight;
  const pen = canvas.getContext('2d');
  pen.fillStyle = '#00ff00'; pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(video, 0, 0);
  const got = pen.getImageData(0, 0, canvas.width, canvas.height);
  const letters = Array.from(got.data, (byte) => String.fromCharCode(byte));
  return [long, canvas.width, canvas.height, btoa(letters.join(''))];
}"""


@pytest.mark.parametrize(
    ("kind", "settings"),
    [("mp4", {}), ("webm", {}), ("webm", CLEAR)],
    ids=["mp4", "webm", "webm-clear"],
)
def test_chromium_plays_it(tmp_path, page, kind, settings):
    show = show_of(**settings)
    path = show.save(tmp_path / f"a.{kind}", "lights", to_s=1.2, fps=FPS)
    data = f"data:video/{kind};base64," + base64.b64encode(path.read_bytes()).decode()
    long, w, h, pixels = page.evaluate(_PLAY, [data, 0.9])
    assert abs(long - 1.2) <= 1 / FPS
    frame = np.frombuffer(base64.b64decode(pixels), np.uint8).reshape(h, w, 4)
    ys, xs = lamp_pixels(show, (w, h))
    lit = memory_at(show, [0.9])[0]
    wrong = []
    for lamps, wanted in ((lit, LAMP), (~lit, UNLIT)):
        found = frame[ys[lamps], xs[lamps], :3].astype(int)
        # chroma is interpolated between pixels of a lens, which is darker at its edge
        wrong.append((abs(found - np.array(colour(wanted))).max(axis=1) > 18).sum())
    assert sum(wrong) <= 1, wrong  # a seek may land on the frame beside
    corner = frame[2:6, 2:6, :3].reshape(-1, 3).astype(int)
    ground = (0, 255, 0) if settings else colour(GROUND)
    assert abs(corner - np.array(ground)).max() <= 3


def test_loops_lie_one_after_the_other(tmp_path):
    show = show_of()
    once = show.save(tmp_path / "a.mp4", "clip", rows="1", size="160x90", fps=FPS)
    thrice = show.save(tmp_path / "b.mp4", "clip", rows="1", size="160x90", fps=FPS, loop=3)
    one, three = decoded(once), decoded(thrice)
    assert len(three) == 3 * len(one)
    for k in range(3):
        part = three[k * len(one) : (k + 1) * len(one)].astype(int)
        assert abs(part - one).mean() < 1.5
    a, b = sound_of(once), sound_of(thrice)
    assert abs(len(b) - 3 * len(a)) <= 3 * 1024


def test_ranges_show_what_the_whole_shows(kinds, tmp_path):
    show, files = kinds
    part = show.save(tmp_path / "b.mov", "lights", from_s=1.0, to_s=1.2, fps=FPS)
    found, want = lit_of(show, decoded(part)), lit_of(show, decoded(files["mov"]))
    assert (found == want[FPS : FPS + len(found)]).all()
    assert len(found) == FPS // 5


@pytest.mark.parametrize(("turned", "mirrored"), sampled_product([0, 90, 180, 270], [False, True]))
def test_mounted_any_way_round_the_lamps_are_the_players(tmp_path, turned, mirrored):
    show = show_of(**{"light.turned": turned, "light.mirrored": mirrored})
    folder = tmp_path / "frames"
    show.save(f"{folder}/", "lights", from_s=1.0, to_s=1.2, fps=FPS)
    frames = pictures_of(folder)
    tall = turned in (90, 270)
    assert (frames[0].shape[0] > frames[0].shape[1]) == tall
    found = lit_of(show, frames)
    for k, want in enumerate(memory_at(show, 1 + (np.arange(len(frames)) + 0.5) / FPS)):
        assert want is None or (found[k] == want).all()
    # and the first lamp is where a hand that turns the matrix finds it
    ys, xs = lamp_pixels(show, frames[0].shape[1::-1])
    left, top = xs[0] < frames[0].shape[1] / 2, ys[0] < frames[0].shape[0] / 2
    where = {0: (True, True), 90: (False, True), 180: (False, False), 270: (True, False)}
    if not mirrored:
        assert (left, top) == where[turned]


@pytest.mark.parametrize(
    ("rule", "kind"),
    sampled_rows(
        product(["row", "character", "voice", "pitch", "velocity", "age"], ["mp4", "gif"]), 4
    ),
)
def test_frames_have_the_colours_of_the_rule(tmp_path, rule, kind):
    """Decoded by ffmpeg and Pillow, against the hues of the lights."""
    show = show_of(**{"light.colours": rule, "player.matrix.fill": "rows"})
    path = show.save(tmp_path / f"a.{kind}", "lights", size="640x360", fps=24, from_s=3.0, to_s=3.2)
    at = 3.1
    frame = decoded(path)[2] if kind == "mp4" else shown_at(path, np.array([at - 3.0]))[0]
    lamps = LampLevels(show.lights, show.setup.player.matrix).at(2.5 / 24 + 3.0).reshape(-1)
    ys, xs = lamp_pixels(show, (640, 360))
    seen = frame[ys, xs, :3].astype(int)
    hues = np.rint(from_linear(lamp_colours(show.setup.light)) * 255)
    lit = np.flatnonzero(lamps & 255)
    assert len(lit) > 5
    away = np.abs(seen[lit][:, None] - hues[None]).max(axis=-1)
    assert (away[np.arange(len(lit)), lamps[lit] >> 8] <= 12).all()
    assert len(set((lamps[lit] >> 8).tolist())) > (1 if rule in ("character", "pitch") else 0)


@pytest.mark.parametrize(
    ("panel", "view"), sampled_product(["open", "board", "grille", "diffuser"], ["front", "room"])
)
def test_lamps_are_lit_on_every_panel_from_any_view(tmp_path, panel, view):
    show = show_of(**{"light.panel": panel, "light.view": view, "light.shape": "round"})
    show.save(f"{tmp_path / 'f'}/", "lights", size="640x360", from_s=2.0, to_s=2.03, fps=FPS)
    frame = pictures_of(tmp_path / "f")[0].astype(int)
    lit = memory_at(show, [2.0 + 0.5 / FPS])[0]
    matrix, look = show.setup.player.matrix, show.setup.light
    picture = Picture.on_colour(FORMATS["rgb24"], 640, 360, np.zeros(3))
    if view == "room":
        at = Room(look, matrix, picture, (0, 0, 640, 360)).centres().reshape(-1, 2)
        xs, ys = at.astype(int).T
    else:
        ys, xs = lamp_pixels(show, (640, 360))
    light = frame[ys, xs].max(axis=1)
    assert 0 < lit.sum() < lit.size
    assert light[lit].min() > light[~lit].max() + 60


def test_brightness_goes_in_sixteen_steps_of_light(tmp_path):
    from sonify.light.look import to_linear

    light = []
    for brightness in range(1, 17):
        show = show_of(**{"light.brightness": brightness, "light.unlit": "#000000",
                          "light.background": "#000000", "light.lamp": "#ffffff"})  # fmt: skip
        folder = tmp_path / f"f{brightness}"
        show.save(f"{folder}/", "lights", from_s=1.0, to_s=1.03, fps=FPS)
        frame = pictures_of(folder)[0]
        ys, xs = lamp_pixels(show, frame.shape[1::-1])
        lit = memory_at(show, [1.0 + 0.5 / FPS])[0]
        light.append(to_linear(frame[ys[lit][0], xs[lit][0], 0] / 255))
    assert np.allclose(light, np.arange(1, 17) / 16, atol=0.006)


VIEWS = ["title,matrix,message", "disc,matrix,notes,message", "notes,disc", "message", "title"]


@pytest.mark.parametrize(
    ("views", "size"), sampled_product(VIEWS, ["320x180", "180x320", "240x240"])
)
def test_views_stay_within_their_places_at_any_size(tmp_path, views, size):
    show = show_of(**{"clip.views": views.split(","), "clip.title-s": 1.0})
    path = show.save(tmp_path / "a.mp4", "clip", from_s=3.0, to_s=3.5, size=size, fps=24)
    frames = decoded(path)
    w, h = map(int, size.split("x"))
    assert frames.shape[1:3] == (h, w)
    busy = abs(frames[len(frames) - 6].astype(int) - np.array(colour(GROUND))).max(axis=2) > 24
    assert busy.any() or views == "title"
    edge = np.concatenate([busy[0], busy[-1], busy[:, 0], busy[:, -1]])
    assert not edge.any(), "something runs over the edge"


def test_captions_beside_the_clip(tmp_path):
    show = show_of(**{"player.rpm": 10.0})
    path = tmp_path / "a.mp4"
    show.save(path, "clip", size="160x90", fps=24, subtitles=True)
    for suffix in (".srt", ".vtt"):
        text = path.with_suffix(suffix).read_text(encoding="utf-8")
        assert "FOG LIFTS AT 9" in text
    # ffmpeg reads both; each cue begins when its character is decoded
    from tests.export.clips import needs

    needs("ffprobe")
    import json
    import subprocess

    for suffix in (".srt", ".vtt"):
        done = subprocess.run(
            ["ffprobe", "-v", "error", "-show_packets", "-of", "json",
             str(path.with_suffix(suffix))],
            capture_output=True, check=True,
        )  # fmt: skip
        cues = json.loads(done.stdout)["packets"]
        starts = [float(c["pts_time"]) for c in cues]
        text = "".join(map(chr, show.captions["codepoint"]))
        when = sorted((t, c) for t, c in zip(show.captions["time_s"], text, strict=True))
        # a space may bring the dot that stands in for a character not yet complete
        for t in [t for t, c in when if c.strip("\0 ")]:
            assert min(abs(t - s) for s in starts) <= 0.002
        assert len(starts) <= len(when)

"""What a clip can't be, what stops it, and what it softens."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image

import sonify
from sonify.light.flash import FlashMeter
from tests.export.clips import decoded, probe, shown_at
from tests.nightly import nightly
from tests.shipped import PRESETS

DISC = PRESETS / "discs" / "cairn-small.toml"
QUICK = ("-p", "quick", "--size", "160x90", "--fps", "24")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--size", "1921x1080"], "1921x1080 has an odd side; video needs even ones, such as 1922"),
        (["--size", "20000x20000"], "20000x20000 is out of range; sides go from 64 to 8192"),
        (["--size", "8192x8192"], "the most is 33,177,600"),
        (["--size", "landscap"], "is not a size (did you mean landscape?)"),
        (["--size", "10"], "is not a size"),
        (["--fps", "0"], "fps"),
        (["--fps", "1000"], "1000 frames per second is not available; give a whole number from 1 "),
        (["--fps", "25.5"], "23.976, 29.97 or 59.94"),
        (["--from", "900"], "is not a range of this piece"),
        (["--from", "3", "--to", "2"], "is not a range of this piece"),
        (["--rows", "7"], "rows 7 do not exist; the disc has rows 1 to 2"),
        (["--rows", "x"], "is not a range of rows"),
        (["--rows", "1", "--from", "900"], "which has nothing of 900 to"),
        (["--start-at", "10:00:00:00"], "has no timecode; .mov has"),
        (["--views", "matrix,lamps"], "there is no view 'lamps'"),
        (["--views", ""], "no view is named"),
        (["-p", "cutout"], "can't hold a picture without a background"),
        (["--set", "light.background=nowhere.png"], "nowhere.png"),
        (["--set", "light.background=#12"], "is not a colour"),
        (["--set", "clip.font=nowhere.ttf"], "there is no such font"),
        (["--set", f"clip.font={DISC}"], "the font can't be read"),
        (["--set", "player.matrix.width=1024", "--size", "160x90"], "don't fit"),
    ],
)
def test_bad_input_in_one_line(run, tmp_path, arguments, said):
    done = run("clip", DISC, *QUICK, *arguments, "-o", tmp_path / "a.mp4")
    assert done.status == 2
    errors = [line for line in done.err.splitlines() if not line.startswith("caution:")]
    assert len(errors) == 1, done.err
    assert said in errors[0]
    assert not list(tmp_path.iterdir())


def test_a_kind_that_is_not_offered_says_which_are(run, tmp_path):
    done = run("clip", DISC, "-o", tmp_path / "a.avi")
    assert done.status == 2
    assert (
        "'.avi' is not offered for clip; one of: .mp4, .webm, .mov, .gif, .png, .webp" in done.err
    )


def test_a_background_that_is_no_picture(run, tmp_path):
    (tmp_path / "b.png").write_bytes(b"no picture at all")
    done = run("clip", DISC, *QUICK, "--set", f"light.background={tmp_path / 'b.png'}",
               "-o", tmp_path / "a.mp4")  # fmt: skip
    assert done.status == 2
    assert "not a picture that can be read" in done.err


def test_a_picture_as_background_is_seen_between_the_lamps(run, tmp_path):
    Image.new("RGB", (320, 180), "#2060a0").save(tmp_path / "b.png")
    done = run("clip", DISC, *QUICK, "--views", "matrix", "--silent", "--to", "1",
               "--set", f"light.background={tmp_path / 'b.png'}",
               "-o", tmp_path / "a.mp4")  # fmt: skip
    assert done.status == 0, done.err
    corner = decoded(tmp_path / "a.mp4")[-1][:4, :4].reshape(-1, 3).astype(int)
    assert abs(corner - (0x20, 0x60, 0xA0)).max() <= 2


def test_a_disc_without_sizes_gets_some_and_is_told(run, tmp_path):
    done = run("clip", DISC, *QUICK, "--views", "disc", "--to", "0.5", "-o", tmp_path / "a.mp4")
    assert done.status == 0
    assert "caution: the disc file has no sizes; the picture shows sizes that fit" in done.err


def test_a_full_disk_leaves_nothing(run, tmp_path, full_disk):
    full_disk(tmp_path / "a.mp4")
    done = run("clip", DISC, *QUICK, "--to", "1", "-o", tmp_path / "a.mp4")
    assert done.status == 1
    assert done.err.strip().splitlines()[-1].endswith("the disk is full; nothing was written")
    assert not (tmp_path / "a.mp4").exists()


def test_a_folder_with_other_things_is_left_alone(run, tmp_path):
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "diary.txt").write_text("mine")
    done = run("clip", DISC, *QUICK, "--to", "0.5", "-o", f"{tmp_path / 'frames'}/")
    assert done.status == 1
    assert "holds other things (diary.txt)" in done.err
    assert (tmp_path / "frames" / "diary.txt").read_text() == "mine"
    # but pictures of an earlier clip are replaced
    for _ in range(2):
        done = run("clip", DISC, *QUICK, "--to", "0.5", "-o", f"{tmp_path / 'again'}/")
        assert done.status == 0
        pictures = sorted((tmp_path / "again").iterdir())
        assert len(pictures) == 12
    for path in (pictures[0], pictures[-1]):
        with Image.open(path) as image:
            image.load()
            assert "within the threshold of WCAG 2.2" in image.text["Comment"]


def written_to(process: subprocess.Popen[bytes], folder: Path) -> bool:
    """Whether a process has a file of the folder open, be it one without a name."""
    for fd in Path(f"/proc/{process.pid}/fd").glob("*"):
        try:
            if os.readlink(fd).startswith(f"{folder}/"):
                return True
        except FileNotFoundError:
            continue
    return False


@pytest.mark.parametrize("kind", ["mp4", "frames/"])
def test_ctrl_c_leaves_nothing(tmp_path, kind):
    process = subprocess.Popen(
        [sys.executable, "-m", "sonify", "clip", str(DISC), "--size", "1920x1080", "-o",
         str(tmp_path / "out" / "a.mp4") if kind == "mp4" else f"{tmp_path}/out/frames/"],
        stderr=subprocess.PIPE,
    )  # fmt: skip
    out = tmp_path / "out"
    while not (written_to(process, out) or any(out.glob(".*/*"))):
        assert process.poll() is None
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate()
    # a shell says 130 for both; CPython ends by the signal if it came in code made from text, as
    # that of a dataclass, wherever it is caught (`exit_sigint` in Modules/main.c; from memory)
    assert process.returncode in (-signal.SIGINT, 128 + signal.SIGINT)
    assert err.decode().strip().endswith("sonify: stopped")
    assert not list((tmp_path / "out").iterdir())


def test_the_worst_second_is_told_and_kept_in_the_file(run, tmp_path):
    done = run("clip", DISC, *QUICK, "--views", "matrix", "--to", "1", "-o", tmp_path / "a.mp4")
    assert "flashing: " in done.err
    assert "Flashing light: within the threshold" in probe(tmp_path / "a.mp4")["format"]["tags"][
        "comment"
    ]  # fmt: skip


FIERCE = [
    "-p", "snowfield", "--set", "player.matrix.scroll=60", "--set", "light.background=#000000",
    "--set", "light.shape=square", "--set", "light.gap=0", "--set", "player.matrix.width=8",
    "--set", "light.unlit=#000000",
]  # fmt: skip


def measured(frames, fps):
    """The flash meter on decoded frames, shape (frames, h, w, 3)."""
    from sonify.light.look import to_linear

    table = to_linear(__import__("numpy").arange(256) / 255).astype("float32")
    meter = FlashMeter(frames.shape[2], frames.shape[1])
    assert meter.cell == 1
    for k, frame in enumerate(frames):
        meter.add(k / fps, 0, 0, table[frame].transpose(2, 0, 1))
    return meter


@pytest.mark.parametrize(
    "kind", ["mp4", *(pytest.param(kind, marks=nightly) for kind in ("gif", "png", "webp"))]
)
def test_what_flashes_too_much_is_told_of_and_calm_passes(run, tmp_path, kind):
    path = tmp_path / f"a.{kind}"
    common = ["message", DISC, *FIERCE, "--size", "320x320", "--fps", "30"]
    done = run(*common, "-o", path)
    assert done.status == 0, done.err
    assert "caution: it flashes more than WCAG 2.2 SC 2.3.1 allows" in done.err
    assert b"CAUTION, over the threshold of WCAG 2.2" in path.read_bytes()
    done = run(*common, "--calm", "-o", path)
    assert done.status == 0, done.err
    assert "calmer: " in done.err
    assert "allows" not in done.err
    assert b"within the threshold of WCAG 2.2" in path.read_bytes()
    # measured again on what a decoder shows
    if kind == "mp4":
        assert not measured(decoded(path), 30).over
    else:
        import numpy as np

        times = np.arange(0, 6, 1 / 30)
        frames = np.stack([f[..., :3] for f in shown_at(path, times)])
        assert not measured(frames, 30).over


def test_a_clip_is_measured_as_a_decoder_shows_it(run, tmp_path):
    done = run("message", DISC, *FIERCE, "--size", "320x320", "--fps", "30", "-o",
               tmp_path / "a.mp4")  # fmt: skip
    meter = measured(decoded(tmp_path / "a.mp4"), 30)
    said = next(line for line in done.err.splitlines() if "flashes" in line)
    assert meter.over
    assert f"{meter.worst.flashes} flashes on" in said
    assert f"{meter.worst.share:.0%} of a 10-degree field" in said or abs(
        meter.worst.share - float(said.split(" on ")[1].split("%")[0]) / 100
    ) < 0.05  # fmt: skip


def test_inspect_cautions_of_flashing(run):
    done = run("inspect", DISC, *FIERCE)
    assert done.status == 0
    assert "WCAG 2.2 SC 2.3.1" in done.err
    done = run("inspect", DISC, "-p", "slow")
    assert "WCAG" not in done.err


def test_watchers_are_told_how_far_a_clip_has_come_and_can_stop_it(tmp_path):
    from sonify.progress import watching

    show = sonify.perform(sonify.load_disc(DISC), ["quick"])
    seen: list[float] = []
    with watching(seen.append):
        show.save(tmp_path / "a.mp4", "clip", size="160x90", fps=24, sound=False, to_s=3.0)
    assert seen[0] == 0
    assert seen[-1] == 1
    assert seen == sorted(seen)

    def stop(share: float) -> None:
        if share > 0:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt), watching(stop):
        show.save(tmp_path / "b.mp4", "clip", size="160x90", fps=24, sound=False, to_s=3.0)
    assert sorted(os.listdir(tmp_path)) == ["a.mp4"]

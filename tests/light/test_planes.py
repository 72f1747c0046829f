"""The transfer of films: a grey ramp through encoder and decoder, turned into sRGB by zimg."""

from __future__ import annotations

import subprocess
from fractions import Fraction

import numpy as np
import pytest

from sonify.export.clip.video import KINDS, VideoSink
from sonify.light.planes import FORMATS, Picture
from tests.export.animations import needs_ffmpeg

GREYS = np.arange(0, 256, 17)


@needs_ffmpeg
@pytest.mark.parametrize(
    ("suffix", "tag"), [(".mp4", "iec61966-2-1"), (".webm", "iec61966-2-1"), (".mov", "bt709")]
)
def test_a_grey_ramp_comes_back(tmp_path, suffix, tag):
    """ITU-R BT.709 as displays after BT.1886 show it, and sRGB (IEC 61966-2-1), as tagged."""
    path, kind = tmp_path / f"a{suffix}", KINDS[suffix]
    format = FORMATS[kind.format]
    rgb = np.repeat(np.repeat(GREYS.astype(np.uint8), 16)[None, :, None], 64, 0).repeat(3, 2)
    with VideoSink(path, kind, format, 256, 64, Fraction(25), "fine", 0, False, {}, []) as sink:
        sink.on(Picture.on_image(format, rgb))
        for _ in range(3):
            sink.add(True)
    run = ["ffprobe", "-v", "error", "-select_streams", "v", "-of", "csv=p=0"]
    shown = [*run, "-show_entries", "stream=color_transfer", path]
    assert subprocess.run(shown, capture_output=True, text=True).stdout.strip() == tag
    to_srgb = "zscale=transfer=iec61966-2-1:matrix=gbr:range=full"
    run = ["ffmpeg", "-v", "error", "-i", path, "-vf", f"{to_srgb},format=gbrp", "-frames:v", "1"]
    done = subprocess.run([*run, "-f", "rawvideo", "-"], capture_output=True, check=True)
    got = np.frombuffer(done.stdout, np.uint8).reshape(3, 64, 256)[:, 32, 8::16]
    assert np.abs(got.astype(int) - GREYS).max() <= 2


def test_what_is_stored_for_bt_1886_comes_back():
    format = FORMATS["yuva444p10le"]
    rgb = np.random.default_rng(1).random((500, 3))
    back = format.rgb(list(np.rint(format.values(rgb)).T)).T
    assert np.abs(back - rgb).max() < 2 / 255

"""A film of a strip: lamps drawn as blurred spots on a slanted board in a noisy room."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from sonify.disc_player.profile import Matrix
from sonify.errors import InputError
from sonify.light.wiring import Wiring, check_strip
from sonify.recover.strip import seen_strip
from tests.nightly import nightly

FPS = 25


def film(path: Path, wiring: Wiring, dead: tuple[int, ...] = ()) -> None:
    """What a camera sees of the pattern: lit 1 s, dark 0.5 s, then each lamp for 0.2 s."""
    height, width = wiring.strip.shape
    rng = np.random.default_rng(4)
    turn = cv2.getPerspectiveTransform(
        np.array([(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)], np.float32),
        np.array([(90, 70), (560, 110), (530, 300), (70, 330)], np.float32),
    )
    y, x = np.mgrid[:height, :width]
    at = cv2.perspectiveTransform(np.stack([x, y], 2).reshape(1, -1, 2).astype(float), turn)[0]
    noise = rng.normal(0, 3, (16, 400, 640)).astype(np.float32)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=FPS, options={"preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = 640, 400, "yuv420p"
        seconds = 0.7 + 1.5 + 0.2 * wiring.length + 0.4
        for n in range(int(seconds * FPS)):
            t = n / FPS - 0.7
            step = int((t - 1.5) / 0.2) if t >= 1.5 else -1
            lit = range(wiring.length) if 0 <= t < 1 else [step] if t >= 1.5 else []
            picture = np.full((400, 640), 12.0, np.float32)
            for k in lit:
                if k < wiring.length and wiring.order[k] >= 0 and k not in dead:
                    spot = tuple(round(float(v)) for v in at[wiring.order[k]])
                    cv2.circle(picture, spot, 5, 230.0, -1)
            picture = cv2.GaussianBlur(picture, (0, 0), 4) + noise[rng.integers(16)]
            grey = np.clip(picture, 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(np.dstack([grey] * 3), format="rgb24")
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("wiring", "corner"),
    [
        ("serpentine-rows", "bottom-right"),
        pytest.param("columns", "top-left", marks=nightly),
    ],
)
def test_a_film_gives_the_order_of_the_lamps(tmp_path, wiring, corner):
    matrix = Matrix(width=9, height=5, wiring=wiring, first_lamp=corner, gaps="4")
    real = Wiring.of(matrix)
    film(tmp_path / "seen.mp4", real, dead=(17,))
    seen = seen_strip(tmp_path / "seen.mp4", matrix, real.length)
    want = np.where(real.strip == 17, -1, real.strip)
    assert (seen == want).all()
    (told, *_) = check_strip(matrix, seen)
    assert "1 lamp of 45 differs; the first is lamp 18" in told


def test_what_is_no_test_pattern_is_refused(tmp_path):
    matrix = Matrix(width=9, height=5)
    (tmp_path / "no.mp4").write_bytes(b"not a film")
    with pytest.raises(InputError, match="can't be read as a film"):
        seen_strip(tmp_path / "no.mp4", matrix, 45)
    with pytest.raises(InputError, match="no such file"):
        seen_strip(tmp_path / "none.mp4", matrix, 45)
    real = Wiring.of(Matrix(width=5, height=4))
    film(tmp_path / "other.mp4", real)
    with pytest.raises(InputError, match="not on a grid of 9 x 5"):
        seen_strip(tmp_path / "other.mp4", matrix, 45)

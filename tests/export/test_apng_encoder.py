"""APNG against the PNG Specification (Third Edition), W3C: acTL, fcTL, fdAT."""

from __future__ import annotations

import io
import zlib
from fractions import Fraction
from struct import unpack

import numpy as np
import pytest
from hypothesis import given, settings

from sonify.export.animation.apng import encode_apng
from sonify.export.animation.frames import Patch
from tests.export.animations import (
    SHAPES,
    animation,
    assert_same,
    by_ffmpeg,
    by_pillow,
    expected,
    needs_ffmpeg,
    random_animations,
    tiles,
)

CASES = [pytest.param(s, id=s.name) for s in SHAPES]


def encoded(animation):
    out = io.BytesIO()
    encode_apng(animation, out)
    return out.getvalue()


def chunks(data):
    """(kind, contents) in order, each with a right CRC."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    at, out = 8, []
    while at < len(data):
        (length,) = unpack(">I", data[at : at + 4])
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        (crc,) = unpack(">I", data[at + 8 + length : at + 12 + length])
        assert crc == zlib.crc32(kind + body)
        out.append((kind, body))
        at += 12 + length
    assert at == len(data)
    return out


def delays(data):
    """Exact delays in s, as the frame control chunks give them."""
    controls = [unpack(">IIIIIHHBB", body) for kind, body in chunks(data) if kind == b"fcTL"]
    return [Fraction(c[5], c[6]) for c in controls]


@pytest.mark.parametrize("shape", CASES)
def test_chunks(shape):
    made = animation(shape.patches, shape.colours)
    found = chunks(encoded(made))
    kinds = [kind for kind, _ in found]
    count = len(expected(made))
    frames = [b"fcTL", b"IDAT", *[b"fcTL", b"fdAT"] * (count - 1)]
    assert kinds == [b"IHDR", b"acTL", b"PLTE", *frames, b"IEND"]
    width, height, depth, kind, *rest = unpack(">IIBBBBB", found[0][1])
    assert (width, height, kind, rest) == (made.width, made.height, 3, [0, 0, 0])
    assert depth == 8
    assert unpack(">II", found[1][1]) == (count, 0)
    numbered = [body[:4] for kind, body in found if kind in (b"fcTL", b"fdAT")]
    assert numbered == [n.to_bytes(4, "big") for n in range(len(numbered))]
    places = [unpack(">IIIIIHHBB", body) for kind, body in found if kind == b"fcTL"]
    assert places[0][1:5] == (made.width, made.height, 0, 0)
    for _, w, h, x, y, _, den, dispose, blend in places:
        assert x + w <= made.width
        assert y + h <= made.height
        assert (dispose, blend) == (0, 0)
        assert den > 0


@pytest.mark.parametrize("shape", CASES)
def test_pillow_sees_the_same(shape):
    made = animation(shape.patches, shape.colours)
    pictures, _, _ = by_pillow(encoded(made))
    assert_same(pictures, expected(made))


@needs_ffmpeg
@pytest.mark.parametrize("shape", CASES)
def test_ffmpeg_sees_the_same(shape, tmp_path):
    made = animation(shape.patches, shape.colours)
    got = by_ffmpeg(encoded(made), ".apng", (made.height, made.width), tmp_path)
    assert_same(got, expected(made))


@settings(max_examples=50, deadline=None)
@given(made=random_animations())
def test_random_animations(made):
    data = encoded(made)
    assert_same(by_pillow(data)[0], expected(made))
    total = made.end_s - made.patches[0].time_s
    assert float(sum(delays(data))) == pytest.approx(total, abs=5.01e-4)


def toggles(times, end_s):
    dots = [Patch(t, 0, 0, np.full((1, 1), k % 2, np.uint8)) for k, t in enumerate(times)]
    return animation(dots, 2, end_s=end_s)


def test_delays_add_up_in_whole_milliseconds():
    # Chromium cuts off what is beyond them
    found = delays(encoded(toggles([k / 30 for k in range(90)], 3.0)))
    assert set(found) == {Fraction(33, 1000), Fraction(34, 1000)}
    assert sum(found) == 3


def test_errors_are_carried_on():
    times = np.cumsum(np.full(4000, np.pi / 100)) - np.pi / 100
    data = encoded(toggles(times.tolist(), float(times[-1]) + 1))
    shown = np.cumsum([float(d) for d in delays(data)])
    assert np.abs(shown[:-1] - times[1:]).max() < 5.01e-4


def test_no_delay_is_under_eleven_milliseconds():
    made = toggles([0.0, 0.5, 0.505, 0.51, 0.512, 0.7], 0.705)
    found = delays(encoded(made))
    assert min(found) >= Fraction(11, 1000)
    assert float(sum(found)) == pytest.approx(0.705, abs=1e-6)


def test_very_long_delays():
    data = encoded(toggles([0.0, 5000.25, 200_000.5], 400_000.0))
    found = delays(data)
    assert sum(found) == 400_000
    assert_same(by_pillow(data)[0][-1:], expected(toggles([0.0, 1.0, 2.0], 3.0))[-1:])


@pytest.mark.parametrize(("loop", "plays"), [(0, 0), (1, 1), (5, 5), (None, 1)])
def test_number_of_plays(loop, plays):
    data = encoded(animation(tiles(2), 16, loop=loop))
    assert unpack(">II", dict(chunks(data))[b"acTL"])[1] == plays
    assert by_pillow(data)[2].info["loop"] == plays


@pytest.mark.parametrize("comment", ["Cairn Hut, 14 March", "5 °C", "風 6"])
def test_comment(comment):
    _, _, image = by_pillow(encoded(animation(tiles(1), 16, comment=comment)))
    assert image.text["Comment"] == comment

"""WebP against RFC 9649 (WebP Image Format), sections on the container."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings

from sonify.errors import InputError
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.webp import encode_webp
from tests.export.animations import (
    SHAPES,
    animation,
    assert_same,
    by_pillow,
    canvases,
    expected,
    random_animations,
    tiles,
)

CASES = [pytest.param(s, id=s.name) for s in SHAPES]


def encoded(animation):
    out = io.BytesIO()
    encode_webp(animation, out)
    return out.getvalue()


def number(data):
    return int.from_bytes(data, "little")


def chunks(data):
    """(kind, contents) in order."""
    at, out = 0, []
    while at < len(data):
        length = number(data[at + 4 : at + 8])
        body = data[at + 8 : at + 8 + length]
        assert len(body) == length
        out.append((data[at : at + 4], body))
        if length & 1:
            assert data[at + 8 + length] == 0, "the pad byte is 0"
        at += 8 + length + (length & 1)
    assert at == len(data)
    return out


def parts(data):
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WEBP"
    assert number(data[4:8]) == len(data) - 8
    return chunks(data[12:])


def frames(data):
    return [body for kind, body in parts(data) if kind == b"ANMF"]


def durations(data):
    return [number(body[12:15]) for body in frames(data)]


@pytest.mark.parametrize("shape", CASES)
def test_container(shape):
    made = animation(shape.patches, shape.colours)
    found = parts(encoded(made))
    count = len(expected(made))
    assert [kind for kind, _ in found] == [b"VP8X", b"ANIM", *[b"ANMF"] * count]
    header = found[0][1]
    assert number(header[:4]) == 0x02, "animation, and nothing else"
    assert number(header[4:7]) + 1 == made.width
    assert number(header[7:10]) + 1 == made.height
    for _, body in found[2:]:
        x, y, width, height = (number(body[k : k + 3]) for k in (0, 3, 6, 9))
        assert x * 2 + width + 1 <= made.width
        assert y * 2 + height + 1 <= made.height
        assert body[15] == 0x02, "not blended, not disposed of"
        ((kind, picture),) = chunks(body[16:])
        assert kind == b"VP8L"
        assert picture[0] == 0x2F, "signature of a lossless picture"
        bits = number(picture[1:5])
        assert (bits & 0x3FFF, bits >> 14 & 0x3FFF) == (width, height)


@pytest.mark.parametrize("shape", CASES)
def test_pillow_sees_the_same(shape):
    made = animation(shape.patches, shape.colours)
    pictures, shown, _ = by_pillow(encoded(made))
    assert_same(pictures, expected(made))
    if len(pictures) > 1:
        assert sum(shown) == round(1000 * made.end_s)


@pytest.mark.parametrize("shape", CASES)
def test_opencv_sees_the_same(shape):
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    if not hasattr(cv2, "imdecodeanimation"):
        pytest.skip("this OpenCV reads no animations")
    made = animation(shape.patches, shape.colours)
    wanted = expected(made)
    good, found = cv2.imdecodeanimation(np.frombuffer(encoded(made), np.uint8))
    assert good
    assert_same([picture[:, :, 2::-1] for picture in found.frames], wanted)


@settings(max_examples=40, deadline=None)
@given(made=random_animations())
def test_random_animations(made):
    data = encoded(made)
    assert_same(by_pillow(data)[0], expected(made))
    start = made.patches[0].time_s
    assert sum(durations(data)) == round(1000 * (made.end_s - start))


def toggles(times, end_s):
    dots = [Patch(t, 0, 0, np.full((1, 1), k % 2, np.uint8)) for k, t in enumerate(times)]
    return animation(dots, 2, end_s=end_s)


def test_rounding_is_carried_on():
    times = [k / 30 for k in range(300)]
    data = encoded(toggles(times, 10.0))
    shown = np.concatenate(([0], np.cumsum(durations(data))))
    assert shown[-1] == 10_000
    assert np.array_equal(shown[:-1], np.rint(np.array(times) * 1000))


def test_no_duration_is_under_eleven():
    data = encoded(toggles([0.0, 0.5, 0.505, 0.51, 0.512, 0.7], 0.705))
    assert min(durations(data)) >= 11
    assert sum(durations(data)) == 705


def test_patches_on_odd_places_keep_their_surroundings():
    picture = np.arange(63, dtype=np.uint8).reshape(7, 9)
    dot = np.full((1, 1), 63, np.uint8)
    patches = [Patch(0.0, 0, 0, picture)]
    patches += [Patch(0.1 * k, 2 * k - 1, k, dot) for k in range(1, 5)]
    made = animation(patches, 64)
    pictures, _, _ = by_pillow(encoded(made))
    assert_same(pictures, [picture for _, picture in canvases(made)])


@pytest.mark.parametrize(("loop", "stored"), [(0, 0), (1, 1), (5, 5), (None, 1)])
def test_loop_count(loop, stored):
    data = encoded(animation(tiles(2), 16, loop=loop))
    assert number(dict(parts(data))[b"ANIM"][4:6]) == stored
    assert by_pillow(data)[2].info["loop"] == stored


@pytest.mark.parametrize("comment", ["Cairn Hut, 14 March", "5 °C & <rising>"])
def test_comment_is_a_description(comment):
    from xml.etree import ElementTree

    data = encoded(animation(tiles(1), 16, comment=comment))
    assert number(dict(parts(data))[b"VP8X"][:4]) == 0x06
    root = ElementTree.fromstring(by_pillow(data)[2].info["xmp"])
    assert "".join(root.itertext()) == comment


def test_too_large_a_picture_is_refused():
    pixels = np.zeros((1, 16384), np.uint8)
    made = Animation(16384, 1, np.zeros((1, 3), np.uint8), [Patch(0.0, 0, 0, pixels)], 1.0)
    with pytest.raises(InputError, match="at most 16383"):
        encoded(made)

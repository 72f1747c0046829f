"""GIF against the Graphics Interchange Format, Version 89a, CompuServe, 31 July 1990.

Section and appendix numbers are those of that document.
"""

from __future__ import annotations

import io
import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings

from sonify.errors import InputError
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.gif import encode_gif
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
    encode_gif(animation, out)
    return out.getvalue()


class Walker:
    """The blocks of a GIF in order, by section 12 on; any other byte fails."""

    def __init__(self, data):
        self.data, self.at = data, 0
        assert self.take(6) == b"GIF89a"  # 17. Header
        self.width, self.height = self.number(), self.number()  # 18. Logical Screen Descriptor
        packed = self.byte()
        assert packed & 0x80, "there is a global colour table"
        self.background, self.aspect = self.byte(), self.byte()
        self.table = np.frombuffer(self.take(3 << (packed & 7) + 1), np.uint8).reshape(-1, 3)
        self.images, self.comments, self.applications = [], [], []
        control = None
        while (kind := self.byte()) != 0x3B:  # 27. Trailer
            if kind == 0x21:
                label = self.byte()
                if label == 0xF9:  # 23. Graphic Control Extension
                    assert control is None
                    assert self.byte() == 4
                    control = (self.byte(), self.number(), self.byte())
                    assert self.byte() == 0
                elif label == 0xFE:  # 24. Comment Extension
                    self.comments.append(self.blocks())
                elif label == 0xFF:  # 26. Application Extension
                    assert self.byte() == 11
                    self.applications.append((self.take(11), self.blocks()))
                else:
                    raise AssertionError(f"extension {label:#x}")
            else:
                assert kind == 0x2C, f"block {kind:#x}"  # 20. Image Descriptor
                place = tuple(self.number() for _ in range(4))
                assert self.byte() == 0, "no local table, not interlaced"
                size = self.byte()
                self.images.append((control, place, size, self.blocks()))
                control = None
        assert self.at == len(data), "nothing follows the trailer"
        assert control is None

    def take(self, count):
        part = self.data[self.at : self.at + count]
        assert len(part) == count
        self.at += count
        return part

    def byte(self):
        return self.take(1)[0]

    def number(self):
        return int.from_bytes(self.take(2), "little")

    def blocks(self):  # 15. Data Sub-blocks, 16. Block Terminator
        parts = []
        while length := self.byte():
            parts.append(self.take(length))
        return b"".join(parts)


def plain_lzw(data, size):
    """Appendix F, read bit by bit. Returns pixels and facts of the stream."""
    clear, end = 1 << size, (1 << size) + 1
    bits = int.from_bytes(data, "little")
    at, width, count = 0, size + 1, 0
    table, before = [], None
    pixels = bytearray()
    facts = {"clears": 0, "widest": width, "largest_table": 0, "codes": 0, "first": None}
    while True:
        assert at + width <= len(data) * 8, "the data ends before the end code"
        code = bits >> at & (1 << width) - 1
        at += width
        facts["codes"] += 1
        facts["widest"] = max(facts["widest"], width)
        if facts["first"] is None:
            facts["first"] = code
        if code == clear:
            facts["clears"] += 1
            table = [bytes([k]) for k in range(clear)] + [b"", b""]
            width, before = size + 1, None
            continue
        if code == end:
            break
        assert code <= len(table)
        if before is None:
            assert code < clear, "the first code after a clear is a pixel"
            string = table[code]
        else:
            assert code < len(table) or len(table) < 4096
            string = table[code] if code < len(table) else before + before[:1]
            if len(table) < 4096:
                table.append(before + string[:1])
                if len(table) == 1 << width and width < 12:
                    width += 1
        pixels += string
        before = string
        facts["largest_table"] = max(facts["largest_table"], len(table))
        count += 1
    assert len(data) == -(-at // 8), "no byte follows the end code"
    return np.frombuffer(bytes(pixels), np.uint8), facts


def composed(walker):
    """RGB pictures and delays by the walker and the plain decoder alone."""
    canvas = np.zeros((walker.height, walker.width), np.uint8)
    pictures, delays = [], []
    for control, (x, y, width, height), size, data in walker.images:
        packed, delay, clear = control
        pixels, _ = plain_lzw(data, size)
        pixels = pixels.reshape(height, width)
        assert x + width <= walker.width
        assert y + height <= walker.height
        assert packed >> 2 & 7 in (0, 1), "the image stays"
        under = canvas[y : y + height, x : x + width]
        under[:] = np.where(pixels == clear, under, pixels) if packed & 1 else pixels
        pictures.append(walker.table[canvas])
        delays.append(delay)
    return pictures, delays


@pytest.mark.parametrize("shape", CASES)
def test_every_picture_and_block(shape):
    made = animation(shape.patches, shape.colours)
    walker = Walker(encoded(made))
    pictures, delays = composed(walker)
    assert (walker.width, walker.height) == (made.width, made.height)
    assert_same(pictures, expected(made))
    assert sum(delays) == round(100 * (made.end_s - made.patches[0].time_s))


@pytest.mark.parametrize("shape", CASES)
def test_pillow_sees_the_same(shape):
    made = animation(shape.patches, shape.colours)
    pictures, durations, _ = by_pillow(encoded(made))
    assert_same(pictures, expected(made))
    assert sum(durations) == round(100 * made.end_s) * 10


@needs_ffmpeg
@pytest.mark.parametrize("shape", CASES)
def test_ffmpeg_sees_the_same(shape, tmp_path):
    made = animation(shape.patches, shape.colours)
    data = encoded(made)
    got = by_ffmpeg(data, ".gif", (made.height, made.width), tmp_path)
    assert_same(got, expected(made))


@pytest.mark.parametrize("shape", CASES)
def test_imageio_sees_the_same(shape):
    import imageio.v3 as iio

    made = animation(shape.patches, shape.colours)
    got = iio.imread(io.BytesIO(encoded(made)), index=..., extension=".gif", mode="RGB")
    assert_same(got, expected(made))


@pytest.mark.skipif(shutil.which("gifsicle") is None, reason="gifsicle is not installed")
@pytest.mark.parametrize("shape", CASES)
def test_gifsicle_has_no_complaint(shape, tmp_path):
    made = animation(shape.patches, shape.colours, comment="Cairn Hut")
    path = tmp_path / "in.gif"
    path.write_bytes(encoded(made))
    done = subprocess.run(
        ["gifsicle", "--info", str(path)], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert f"logical screen {made.width}x{made.height}" in done.stdout
    assert f"{len(expected(made))} image" in done.stdout
    assert "comment Cairn Hut" in done.stdout


@settings(max_examples=60, deadline=None)
@given(made=random_animations())
def test_random_animations(made):
    data = encoded(made)
    start = made.patches[0].time_s
    pictures, delays = composed(Walker(data))
    assert_same(pictures, expected(made))
    assert_same(by_pillow(data)[0], expected(made))
    assert sum(delays) == round(100 * (made.end_s - start))


def test_code_facts_of_appendix_f():
    made = animation([Patch(0.0, 0, 0, SHAPES[5].patches[0].pixels)], 256)
    ((_, _, size, data),) = Walker(encoded(made)).images
    pixels, facts = plain_lzw(data, size)
    assert size == 8
    assert facts["first"] == 256, "a clear code comes first"
    assert facts["widest"] == 12
    assert facts["largest_table"] == 4096
    assert facts["codes"] > 4096
    assert pixels.size == made.width * made.height


@pytest.mark.parametrize(
    ("colours", "size"), [(1, 2), (2, 2), (4, 2), (5, 3), (16, 4), (17, 5), (256, 8)]
)
def test_code_size_is_the_least(colours, size):
    pixels = np.arange(1024, dtype=np.uint32).reshape(32, 32) % colours
    made = animation([Patch(0.0, 0, 0, pixels.astype(np.uint8))], colours)
    assert [image[2] for image in Walker(encoded(made)).images] == [size]


def test_rare_colours_come_last_and_unused_ones_are_left_out():
    patches = [Patch(0.0, 0, 0, np.full((8, 8), 9, np.uint8))]
    patches += [Patch(k / 10, 0, 0, np.full((8, 8), 9 - k % 2, np.uint8)) for k in range(1, 5)]
    patches.append(Patch(1.0, 2, 2, np.full((1, 1), 3, np.uint8)))
    made = animation(patches, 10)
    walker = Walker(encoded(made))
    assert walker.table[:3].tolist() == made.palette[[9, 8, 3]].tolist()
    assert len(walker.table) == 4
    assert_same(composed(walker)[0], expected(made))


def test_only_what_changes_is_stored():
    before = np.zeros((40, 60), np.uint8)
    after = before.copy()
    after[11:14, 20:27] = 1
    made = animation([Patch(0.0, 0, 0, before), Patch(1.0, 0, 0, after)], 2)
    places = [place for _, place, _, _ in Walker(encoded(made)).images]
    assert places == [(0, 0, 60, 40), (20, 11, 7, 3)]


def test_patch_without_a_change_lengthens_the_delay():
    still = np.zeros((4, 4), np.uint8)
    made = animation([Patch(0.0, 0, 0, still), Patch(0.5, 0, 0, still)], 1, end_s=1.25)
    assert [image[0][1] for image in Walker(encoded(made)).images] == [125]


def flicker(times, end_s):
    patches = [
        Patch(t, k % 8, 0, np.full((1, 1), (k // 8 + 1) % 2, np.uint8))
        for k, t in enumerate(times[1:])
    ]
    patches.insert(0, Patch(times[0], 0, 0, np.zeros((1, 8), np.uint8)))
    return animation(patches, 2, end_s=end_s)


def test_rounding_is_carried_on():
    third = [k / 30 for k in range(3000)]
    made = flicker(third, 100.0)
    walker = Walker(encoded(made))
    delays = np.array([image[0][1] for image in walker.images])
    shown = np.concatenate(([0], np.cumsum(delays)))
    assert shown[-1] == 10_000
    assert set(delays) == {3, 4} or set(delays) <= {3, 4, 6, 7}
    wanted = np.rint(np.array(third) * 100)
    assert set(shown[:-1]) <= set(wanted), "no change is off by more than half a hundredth"


def test_no_delay_is_under_two_hundredths():
    rng = np.random.default_rng(8)
    times = np.concatenate(([0.0], np.cumsum(rng.exponential(0.012, 500)) + 0.001))
    made = flicker(times.tolist(), float(times[-1]) + 0.004)
    pictures, delays = composed(Walker(encoded(made)))
    assert min(delays) >= 2
    assert sum(delays) == round(100 * made.end_s)
    states = expected(made)
    assert np.array_equal(pictures[-1], states[-1])
    assert 100 < len(pictures) < len(states)


def test_last_change_close_to_the_end_is_shown_for_two_hundredths():
    made = flicker([0.0, 0.5, 0.999], 1.0)
    pictures, delays = composed(Walker(encoded(made)))
    assert delays == [50, 48, 2]
    assert_same(pictures, expected(made))


def test_long_delay_is_stored_in_pieces():
    first = np.zeros((3, 3), np.uint8)
    made = animation([Patch(0.0, 0, 0, first), Patch(2000.0, 0, 0, first + 1)], 2, end_s=3000.0)
    pictures, delays = composed(Walker(encoded(made)))
    assert sum(delays) == 300_000
    assert max(delays) <= 65535
    changed = [k for k, picture in enumerate(pictures) if np.array_equal(picture, pictures[-1])]
    assert sum(delays[: changed[0]]) == 200_000


@pytest.mark.parametrize(
    ("loop", "stored"), [(0, 0), (1, None), (2, 1), (7, 6), (65535, 65534), (None, None)]
)
def test_loop_block(loop, stored):
    made = animation(tiles(2), 16, loop=loop)
    data = encoded(made)
    blocks = Walker(data).applications
    if stored is None:
        assert blocks == []
        assert "loop" not in by_pillow(data)[2].info
    else:
        assert blocks == [(b"NETSCAPE2.0", b"\x01" + stored.to_bytes(2, "little"))]
        assert by_pillow(data)[2].info["loop"] == stored


@pytest.mark.parametrize(
    ("comment", "stored"),
    [
        ("Cairn Hut, 14 March", b"Cairn Hut, 14 March"),
        ("x" * 700, b"x" * 700),
        ("5 °C", "5 °C".encode()),
    ],
)
def test_comment_is_utf_8(comment, stored):
    made = animation(tiles(1), 16, comment=comment)
    data = encoded(made)
    assert Walker(data).comments == [stored]
    assert by_pillow(data)[2].info["comment"] == stored


def test_patches_are_read_once_and_one_at_a_time():
    seen = []

    def source():
        for k in range(5000):
            pixels = np.full((40, 40) if k == 0 else (1, 1), k % 3, np.uint8)
            seen.append(k)
            yield Patch(k * 0.02, 0, 0, pixels)

    class Out(io.BytesIO):
        first = None

        def write(self, data):
            if self.first is None:
                self.first = len(seen)
            return super().write(data)

        def seekable(self):
            return False

    palette = np.eye(3, dtype=np.uint8) * 255
    out = Out()
    encode_gif(Animation(40, 40, palette, source(), 100.0), out)
    assert seen == list(range(5000))
    assert out.first < 5000
    assert sum(image[0][1] for image in Walker(out.getvalue()).images) == 10_000


@pytest.mark.parametrize(("width", "height"), [(0, 4), (4, 65536)])
def test_a_size_out_of_range_is_refused(width, height):
    with pytest.raises(InputError, match="animation: size is"):
        Animation(width, height, np.zeros((2, 3), np.uint8), [], 1.0)


def test_any_number_of_cores_gives_the_same_bytes(monkeypatch):
    rng = np.random.default_rng(3)
    pictures = [np.kron(rng.integers(0, 9, (10, 20), dtype=np.uint8), np.ones((8, 8), np.uint8))]
    for _ in range(70):
        pictures.append(np.roll(pictures[-1], -8, axis=1) + rng.integers(0, 2, (1, 160)) % 2)
    patches = [Patch(k / 10, 0, 0, one.astype(np.uint8)) for k, one in enumerate(pictures)]
    made = animation(patches, 128)
    found = set()
    monkeypatch.setattr("sonify.export.animation.gif_lzw._LONG", 200_000)
    for cores in (1, 2, 4):
        monkeypatch.setattr("sonify.export.animation.gif_lzw.most", lambda cores=cores: cores)
        found.add(encoded(made))
    assert len(found) == 1
    assert_same(by_pillow(found.pop())[0], expected(made))

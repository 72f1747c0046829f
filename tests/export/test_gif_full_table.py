"""Full tables that are kept, against a coder that follows appendix F of GIF 89a pixel by pixel."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from itertools import product

import numpy as np
import pytest

from sonify.export.animation import gif_full_table
from sonify.export.animation.frames import Patch
from sonify.export.animation.gif_full_table import TOGETHER, kept_full, parts, period
from sonify.export.animation.gif_lzw import _blocks, code_size
from tests.export.animations import (
    animation,
    assert_same,
    by_ffmpeg,
    by_pillow,
    expected,
    needs_ffmpeg,
)
from tests.export.test_gif_encoder import Walker, encoded, plain_lzw
from tests.nightly import sampled_rows


def plainly(pixels, size):
    """Codes that never clear, as bytes."""
    clear = 1 << size
    table = {(k,): k for k in range(clear)}
    codes, phrase = [clear], ()
    for one in pixels.ravel().tolist():
        if (*phrase, one) in table:
            phrase = (*phrase, one)
            continue
        codes.append(table[phrase])
        if len(table) + 2 < 4096:
            table[(*phrase, one)] = len(table) + 2
        phrase = (one,)
    codes += [table[phrase], clear + 1]
    value = at = made = 0
    for k, code in enumerate(codes):
        width = min(max(size + 1, (clear + 1 + made).bit_length()), 12)
        value |= code << at
        at += width
        made += 0 < k < len(codes) - 2 and made < 4094 - clear
    return value.to_bytes(-(-at // 8), "little")


def lamps(seed, colours=60):
    """A picture of like tiles."""
    rng = np.random.default_rng(seed)
    tiles = rng.integers(0, colours, (9, 20, 20), dtype=np.uint8)
    tiles[:, :4] = tiles[:, :, :4] = 0
    return tiles[rng.integers(0, 9, (8, 30))].transpose(0, 2, 1, 3).reshape(160, 600)


def noise(seed, colours=5):
    return np.random.default_rng(seed).integers(0, colours, (150, 400), dtype=np.uint8)


def waves(seed, colours):
    """Long phrases."""
    x = np.arange(121_000)
    return ((x % 997 + x % 1009 * (1 + seed)) // 97 % colours).astype(np.uint8)


def assert_kept(pixels, size, blocks, longer):
    """The pixels come back from a table that is never cleared, and only phrases that end with a row
    make the data longer than coding pixel by pixel does; until the table is full, none does."""
    got, facts = plain_lzw(parts(blocks), size)
    assert np.array_equal(got, pixels.ravel())
    assert facts["clears"] == 1
    assert facts["largest_table"] == 4096
    plain = plainly(pixels, size)
    full = period(size)[0][-1] // 8
    assert parts(blocks)[:full] == plain[:full]
    assert len(parts(blocks)) <= longer * len(plain)


@pytest.mark.parametrize("make", [lamps, noise])
def test_codes_are_those_of_pixel_by_pixel_but_at_the_ends_of_rows(make):
    pictures = [make(k) for k in range(TOGETHER)]
    sized = [(one, code_size(int(one.max()))) for one in pictures]
    made = zip(sized, kept_full(sized, _blocks), strict=True)
    # some of those that are coded together, the first and the last among them
    for (pixels, size), blocks in list(made)[:: (TOGETHER - 1) // 3]:
        assert_kept(pixels, size, blocks, 1.01)


SHAPES = [(300, 400), (1, 120_000), (120_000, 1), (40, 3000), (200, 600), (599, 201)]


@pytest.mark.parametrize(("shape", "colours"), sampled_rows(product(SHAPES, [9, 200, 256]), 4))
def test_pictures_of_any_shape(shape, colours):
    pixels = waves(1, colours)[: shape[0] * shape[1]].reshape(shape)
    size = code_size(int(pixels.max()))
    other = lamps(1)
    first, last = kept_full([(other, 6), (pixels, size)], _blocks)
    assert_kept(pixels, size, last, 1.25)
    assert_kept(other, 6, first, 1.01)


def test_one_colour_is_coded_as_the_table_allows():
    pixels = np.zeros((3000, 4000), np.uint8)
    (blocks,) = kept_full([(pixels, 2)], _blocks)
    got, _ = plain_lzw(parts(blocks), 2)
    assert len(got) == pixels.size
    assert not np.any(got)


def test_tables_of_other_pictures_leave_nothing_behind():
    one, other = lamps(1), noise(1, 40)
    sized = [(p, code_size(int(p.max()))) for p in (one, other, one)]
    first, _, last = kept_full(sized, _blocks)
    assert first == last
    assert kept_full(sized[:1], _blocks) == [first]


def test_animations_made_at_the_same_time_are_kept_apart(monkeypatch):
    """Each of two threads begins a picture, and waits for the other before it finishes it."""
    both = threading.Barrier(2, timeout=600)
    automata = gif_full_table._automata

    def later(begun):
        made = automata(begun)
        both.wait()
        return made

    sized = [(p, code_size(int(p.max()))) for p in (lamps(1), noise(1, 40))]
    alone = [kept_full([one], _blocks) for one in sized]
    monkeypatch.setattr(gif_full_table, "_automata", later)
    with ThreadPoolExecutor(2) as threads:
        assert list(threads.map(lambda one: kept_full([one], _blocks), sized)) == alone


@needs_ffmpeg
def test_other_decoders_take_full_tables(tmp_path):
    patches = [Patch(k / 10, 0, 0, np.roll(lamps(1), -20 * k, axis=1)) for k in range(6)]
    made = animation(patches, 60)
    data = encoded(made)
    full = [plain_lzw(image[3], image[2])[1] for image in Walker(data).images]
    assert any(f["largest_table"] == 4096 and f["clears"] == 1 for f in full)
    assert_same(by_pillow(data)[0], expected(made))
    assert_same(by_ffmpeg(data, ".gif", (160, 600), tmp_path), expected(made))

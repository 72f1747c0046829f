"""Full tables that are kept, against a coder that follows appendix F of GIF 89a pixel by pixel."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from sonify.export.animation import gif_full_table
from sonify.export.animation.frames import Patch
from sonify.export.animation.gif_full_table import TOGETHER, kept_full, parts
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


def waves(seed):
    """Long phrases, which stretches are slow to fall into step with."""
    x = np.arange(120_000)
    return ((x % 997 + x % 1009 * (1 + seed)) // 97 % 9).astype(np.uint8).reshape(300, 400)


@pytest.mark.parametrize("make", [lamps, noise])
def test_the_same_codes_as_pixel_by_pixel(make):
    pictures = [make(k) for k in range(TOGETHER)]
    sized = [(one, code_size(int(one.max()))) for one in pictures]
    made = zip(sized, kept_full(sized, _blocks), strict=True)
    # some of those that are coded together, the first and the last among them
    for (pixels, size), blocks in list(made)[:: (TOGETHER - 1) // 3]:
        assert parts(blocks) == plainly(pixels, size)
        got, facts = plain_lzw(parts(blocks), size)
        assert facts["clears"] == 1
        assert facts["largest_table"] == 4096
        assert np.array_equal(got, pixels.ravel())


@pytest.mark.parametrize("make", [waves, lambda seed: np.zeros((3000, 4000), np.uint8)])
def test_what_does_not_fall_into_step_is_left_or_right(make):
    pixels = make(1)
    size = code_size(int(pixels.max()))
    (blocks,) = kept_full([(pixels, size)], _blocks)
    assert blocks is None or parts(blocks) == plainly(pixels, size)


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
    patches = [Patch(k / 10, 0, 0, np.roll(lamps(1), -20 * k, axis=1)) for k in range(20)]
    made = animation(patches, 60)
    data = encoded(made)
    full = [plain_lzw(image[3], image[2])[1] for image in Walker(data).images]
    assert any(f["largest_table"] == 4096 and f["clears"] == 1 for f in full)
    assert_same(by_pillow(data)[0], expected(made))
    assert_same(by_ffmpeg(data, ".gif", (160, 600), tmp_path), expected(made))

"""Contact sheets and film strips, read back with Pillow and pypdf."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

import sonify
from sonify.export.clip.print_sheet import PrintOptions, write
from tests.nightly import nightly
from tests.shipped import PRESETS

DISC = PRESETS / "discs" / "cairn-small.toml"
QUICK = PRESETS / "players" / "quick.toml"


@pytest.fixture(scope="module")
def show():
    own = {"clip.views": ["matrix"], "clip.size": "720p", "light.background": "#203040"}
    return sonify.perform(sonify.load_disc(DISC), [QUICK], own)


def pictures(page):
    """How many separate pictures a page has, by their background."""
    import cv2

    near = (abs(np.asarray(page.convert("RGB")).astype(int) - (0x20, 0x30, 0x40)) < 6).all(axis=2)
    solid = cv2.morphologyEx(near.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(solid)
    boxes = stats[1:]
    return boxes[boxes[:, 4] > 10_000][:, :4]


@pytest.mark.parametrize("layout", ["sheet", "strips"])
def test_a_picture_has_all_it_should(show, tmp_path, layout):
    path = tmp_path / "a.png"
    options = PrintOptions(count=7, columns=3, layout=layout)
    assert write(show, path, options) == (7, 1)
    with Image.open(path) as page:
        assert round(page.info["dpi"][0]) == 300
        assert page.width == round(210 / 25.4 * 300)
        found = pictures(page)
        assert page.convert("RGB").getpixel((page.width - 1, page.height - 1)) == (255, 255, 255)
    assert len(found) == 7
    assert np.allclose(found[:, 2] / found[:, 3], 16 / 9, atol=0.02)
    assert (found[:, 0] + found[:, 2] <= page.width).all()


@pytest.mark.parametrize(
    ("paper", "size"),
    [pytest.param("a4", (210, 297), marks=nightly), ("letter", (215.9, 279.4))],
)
def test_pages_have_their_paper_and_share_the_pictures(show, tmp_path, paper, size):
    from pypdf import PdfReader

    path = tmp_path / "a.pdf"
    options = PrintOptions(count=50, columns=5, paper=paper)
    count, pages = write(show, path, options)
    reader = PdfReader(path)
    assert len(reader.pages) == pages == 2
    total = 0
    for page in reader.pages:
        box = [float(v) / 72 * 25.4 for v in (page.mediabox.width, page.mediabox.height)]
        assert np.allclose(box, size, atol=0.1)
        total += len(pictures(Image.open(io.BytesIO(page.images[0].data))))
    assert total == count == 50


@nightly
def test_the_same_pages_have_the_same_bytes(show, tmp_path):
    for name in "ab":
        write(show, tmp_path / f"{name}.pdf", PrintOptions(count=50, columns=5))
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_other_kinds_are_refused(show, tmp_path):
    with pytest.raises(sonify.InputError, match=r"\.pdf or \.png"):
        write(show, tmp_path / "a.jpg", PrintOptions())

"""The sheet that explains a disc: its page, its figures, and its four kinds of file."""

from __future__ import annotations

import binascii
import io
import re
import xml.etree.ElementTree as tree

import numpy as np
import pytest
from PIL import Image

import sonify
from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.edit import with_grid
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.export.sheet import Options, sheet_bytes
from sonify.export.sheet.check import Check, Codeword, covered
from sonify.export.sheet.columns import bands
from sonify.export.sheet.facts import Facts
from sonify.export.sheet.page import GREYS, INKS, SMALL, Box, Text, width_of
from sonify.export.sheet.sheet import MARGIN, pages_of
from tests.nightly import sampled_product

LONG = "PATH CLOSED BY SNOW ABOVE THE SECOND LARCH; TAKE THE LOWER ROAD. " * 10
DISCS = {
    "two rows": Disc.from_message("NORTH!", layout=Layout(positions=24)),
    "forty rows": Disc.from_message(
        LONG, code=Code(check="crc-16"),
        layout=Layout(positions=120, turning="anticlockwise", reading="inside-out"),
    ),
    "ita2": Disc.from_message(
        "FOG 9 M, WIND SW 6", code=Code(alphabet="ita2", bit_order="low-first"),
        layout=Layout(positions=50, hole_means=0), title="Wire",
    ),
    "utf-8": Disc.from_message(
        "Über Nässe: ÖÄÜ €5", code=Code(alphabet="utf-8", check="parity"),
        layout=Layout(positions=40),
    ),
    "reed-solomon": Disc.from_message(
        "SNOW BRIDGE ON THE NORTH PATH CLOSED", layout=Layout(positions=64), title="x" * 70,
        code=Code(check="reed-solomon", framing="framed"),
    ),
    "many codewords": Disc.from_message(
        LONG, layout=Layout(positions=128), code=Code(check="reed-solomon"),
    ),
    "framed crc": Disc.from_message(
        "HUT FULL", layout=Layout(positions=31), code=Code(check="crc-16", framing="framed"),
    ),
    "far characters": Disc.from_message(
        "\U0001f600a漢\nz Ü", code=Code(alphabet="utf-8"), layout=Layout(positions=33), title="Ω",
    ),
    "bare bits": Disc.from_bits(["1011001?10110010", "0110011101100111"]),
    "one letter": Disc.from_message("A", layout=Layout(positions=7)),
    "long rows": Disc.from_message(LONG, layout=Layout(positions=1000)),
}  # fmt: skip


def show_of(name: str, **settings) -> sonify.Performance:
    return sonify.perform(DISCS[name], settings=settings)


@pytest.mark.parametrize(
    ("name", "paper"), sampled_product(DISCS, ["a4", "letter", "a2", "tabloid"])
)
def test_all_text_is_on_the_page_large_enough_and_free_of_other_text(name, paper):
    wide = {} if name == "bare bits" or name == "one letter" else {"characters": "1-6"}
    for options in ({"worksheet": True}, wide):
        for page in pages_of(show_of(name), paper=paper, **options):
            texts = [s for s in page.shapes if isinstance(s, Text)]
            across, down = page.width / page.scale, page.height / page.scale
            boxes = []
            for t in texts:
                assert t.size >= SMALL
                left, right = t.left, t.left + width_of(t.words, t.size, t.style)
                boxes.append((left, t.y - 0.72 * t.size, right, t.y + 0.2 * t.size))
            edges = np.array(boxes)
            assert edges[:, :2].min() >= MARGIN - 4
            assert edges[:, 2].max() <= across - MARGIN + 4
            assert edges[:, 3].max() <= down - MARGIN
            first, other = edges[:, None], edges[None]
            meet = np.all(
                (first[..., :2] < other[..., 2:] - 0.05) & (other[..., :2] < first[..., 2:] - 0.05),
                axis=-1,
            )
            pairs = [
                (texts[a].words, texts[b].words)
                for a, b in zip(*np.nonzero(np.triu(meet, 1)), strict=True)
            ]
            assert not pairs


def test_the_columns_show_the_bits_of_the_disc():
    for name, disc in DISCS.items():
        facts = Facts(show_of(name), None if name == "one letter" else "1-4")
        shown = [unit for band in bands(facts) for unit in band]
        assert shown == facts.units
        if disc.code is None:
            continue
        # each character of the message once, in order, from its own bits
        texts = {unit.group: unit.char for unit in shown if len(unit.char) == 1}
        assert "".join(texts.values()) == disc.message[: len(texts)]
        width = facts.code.data_bits
        for unit in shown:
            bits = disc.grid.reshape(-1)[unit.first : unit.last + 1][:width].tolist()
            if disc.code.bit_order == "low-first":
                bits.reverse()
            assert unit.number == int("".join(map(str, bits)), 2)
            if disc.code.alphabet == "ascii":
                assert unit.number == ord(unit.char)


@pytest.mark.parametrize(
    "fill", ["fitted", "rows", "running", "columns", "furrows", "characters", "rolling"]
)
@pytest.mark.parametrize("row_start", ["index", "next-position"])
def test_each_one_has_the_lamp_that_lights_when_it_is_read(fill, row_start):
    show = show_of("two rows", **{"player.matrix.fill": fill, "player.row-start": row_start})
    lamps = Facts(show).lamps
    lit: dict[float, set[int]] = {}
    for time, led, level, _ in show.lights.tolist():
        if level:
            lit.setdefault(round(time, 6), set()).add(led)
    for time, row, position, bit in show.reading.tolist():
        if bit > 0:
            assert lamps[row * 24 + position] in lit[round(time, 6)]


def test_each_bit_has_the_notes_that_the_performance_plays():
    show = sonify.perform(DISCS["two rows"], ["music-box"])
    facts = Facts(show)
    assert [p.name for p in facts.voices] == [p.name for p in show.parts if len(p)]
    for part, played in zip(facts.voices, facts.notes, strict=True):
        notes = show.notes[show.notes["voice"] == part.number]
        wanted = {int(n["row"]) * 24 + int(n["position"]) for n in notes}
        assert played.keys() == wanted
        for bit, name in played.items():
            assert re.fullmatch(r"[A-G]#?-?\d(\+\d+)?", name), bit


def test_voices_are_chosen_by_name_or_number():
    show = sonify.perform(DISCS["two rows"], ["hut-band"])
    assert len(Facts(show).voices) == 4
    assert len(Facts(show).left_out) == 1
    facts = Facts(show, None, "Bass, 1")
    assert [p.name for p in facts.voices] == ["bass", "tune"]
    words = [s.words for s in pages_of(show, voice="bass,tune")[0].shapes if isinstance(s, Text)]
    for wanted in ("1 bass", "2 tune"):
        assert wanted in words
    for wrong in ("base", "", "6", "1,2,3,4,5"):
        with pytest.raises(InputError):
            Facts(show, None, wrong)


def test_a_wrong_hole_is_one_that_makes_another_letter():
    check = Check(Facts(show_of("two rows")))
    assert (check.bit, check.misread) == (6, "O")
    assert check.where == "there is a hole too many in row 1, position 7"
    check = Check(Facts(show_of("ita2")))
    assert check.where == "there is a hole too many in row 1, position 1"
    assert check.misread == "N"


def test_the_remainders_are_those_of_the_crc():
    for name in ("forty rows", "framed crc"):
        disc, check = DISCS[name], Check(Facts(show_of(name)))
        end = b"\x03" if disc.code.framing == "framed" else b""
        text = disc.message.encode() + end
        assert covered(check, disc.grid.reshape(-1)).tobytes() == text
        good = binascii.crc_hqx(text, 0xFFFF)
        words = "".join(s.words for s in pages_of(show_of(name))[0].shapes if isinstance(s, Text))
        assert f"{good:04X}" in words
        wrong = binascii.crc_hqx(check.misread.encode() + text[1:], 0xFFFF)
        assert f"{wrong:04X}" in words
        # the register after the first unit, as a table-free division gives it
        assert f"{binascii.crc_hqx(text[:1], 0xFFFF):04X}" in words


@pytest.mark.parametrize("name", ["reed-solomon", "many codewords"])
def test_the_sums_point_at_the_wrong_symbol(name):
    reedsolo = pytest.importorskip("reedsolo")
    disc, check = DISCS[name], Check(Facts(show_of(name)))
    word = Codeword(check)
    codec = reedsolo.RSCodec(word.plan.checks, prim=0x11D, fcr=0)
    assert codec.check(bytes(word.good))[0]
    assert not codec.check(bytes(word.bad))[0]
    fixed, _, places = codec.decode(bytes(word.bad))
    assert bytes(fixed) == bytes(word.good[: -word.plan.checks])
    assert list(places) == [word.at]
    assert word.from_end == len(word.bad) - 1 - word.at
    assert word.sums[0] == word.good[word.at] ^ word.bad[word.at]
    damaged = with_grid(disc, check.flat.reshape(disc.grid.shape))
    assert damaged.decoding.verdict == "repaired"
    assert damaged.message == disc.message


def test_parity_is_counted():
    show = show_of("utf-8")
    words = [s.words for s in pages_of(show)[0].shapes if isinstance(s, Text)]
    assert "4 ones: even, good" in words
    assert "5 ones: odd, wrong" in words


def test_a_damaged_disc_is_shown_as_it_is():
    disc = DISCS["framed crc"]
    grid = disc.grid.copy()
    grid[0, 21:25] = 1 - grid[0, 21:25]  # in the first character of the text
    page = pages_of(sonify.perform(with_grid(disc, grid)))[0]
    words = " ".join(s.words for s in page.shapes if isinstance(s, Text))
    assert "This disc is damaged already" in words


PAPERS = {"a4": (210, 297), "letter": (215.9, 279.4), "a3": (297, 420), "tabloid": (279.4, 431.8)}


@pytest.mark.parametrize("paper", PAPERS)
def test_pages_have_the_exact_size_of_the_paper(paper):
    """ISO 216 and ANSI/ASME Y14.1."""
    pypdf = pytest.importorskip("pypdf")
    count, data = sheet_bytes(show_of("two rows"), ".pdf", Options(paper=paper, worksheet=True))
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    assert count == len(pages) == 2
    for page in pages:
        size = [float(v) * 25.4 / 72 for v in page.mediabox[2:]]
        assert size == pytest.approx(PAPERS[paper], abs=0.01)
    count, data = sheet_bytes(show_of("two rows"), ".svg", Options(paper=paper))
    root = tree.fromstring(data)
    size = tuple(f"{v:g}mm" for v in PAPERS[paper])
    assert (root.get("width"), root.get("height")) == size


def test_png_has_200_dots_an_inch():
    picture = Image.open(io.BytesIO(sheet_bytes(show_of("two rows"), ".png")[1]))
    assert picture.size == (1654, 2339)
    assert np.asarray(picture.convert("L")).std() > 20


def test_the_worksheet_keeps_the_answer_for_the_second_page():
    pypdf = pytest.importorskip("pypdf")
    _, data = sheet_bytes(show_of("two rows"), ".pdf", Options(worksheet=True))
    asked, solved = (page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages)
    assert "Worksheet" in asked
    assert "Solution" in solved
    assert "NORTH!" in solved
    assert "NORTH!" not in asked
    letters = [t for t in pages_of(show_of("two rows"), worksheet=True)[0].shapes
               if isinstance(t, Text) and len(t.words) == 1 and t.words in "ORTH!"]  # fmt: skip
    assert not letters
    boxes = {(s.w, s.h) for s in pages_of(show_of("utf-8"), worksheet=True)[0].shapes
             if isinstance(s, Box) and s.fill == "paper" and s.w == 8.0}  # fmt: skip
    assert len(boxes) <= 3  # the size of a box says nothing about what goes into it


def test_in_black_and_white_nothing_has_a_colour():
    for colour in GREYS.values():
        assert colour[1:3] == colour[3:5] == colour[5:7]
    assert GREYS.keys() == INKS.keys()
    _, data = sheet_bytes(show_of("utf-8"), ".svg", Options(black_and_white=True))
    colours = set(re.findall(r"#[0-9a-f]{6}", data.decode()))
    assert colours <= set(GREYS.values())


def test_the_same_sheet_gives_the_same_bytes():
    for suffix in (".pdf", ".svg", ".html"):
        assert sheet_bytes(show_of("utf-8"), suffix) == sheet_bytes(show_of("utf-8"), suffix)


def test_characters_are_chosen():
    facts = Facts(show_of("ita2"), "4-5")  # the shift to figures belongs to the 9
    assert [unit.char for unit in facts.units] == [" ", "figures", "9"]
    assert len(pages_of(show_of("forty rows"), characters="1-60")) == 3
    for wrong in ("30-", "700"):
        with pytest.raises(InputError, match="the disc has 18"):
            Facts(show_of("ita2"), wrong)
    with pytest.raises(InputError, match="at most 200"):
        Facts(show_of("forty rows"), "1-")


def test_a_disc_too_fine_for_paper_is_refused():
    disc = Disc.from_bits(np.zeros((10, 2001), np.int8))
    with pytest.raises(InputError, match="20,010 positions are too many"):
        Facts(sonify.perform(disc))


@pytest.mark.parametrize("suffix", [".svg", ".html"])
def test_chromium_shows_it_at_its_size_with_no_text_on_another(browser, suffix, tmp_path):
    path = tmp_path / f"sheet{suffix}"
    path.write_bytes(sheet_bytes(show_of("utf-8"), suffix)[1])
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: asked.append(message.text))
    page.goto(path.as_uri())
    assert asked == [path.as_uri()]
    if suffix == ".html":
        page.emulate_media(media="print")
    size = page.evaluate(
        "() => { const b = document.querySelector('svg').getBoundingClientRect();"
        " return [b.width, b.height].map(v => v * 25.4 / 96) }"
    )
    assert size == pytest.approx([210, 297], abs=0.1)
    boxes = np.array(page.evaluate(
        "() => [...document.querySelectorAll('text')].map(t => { const b = t.getBBox();"
        " return [b.x, b.y + .25 * b.height, b.x + b.width, b.y + .75 * b.height] })"
    ))  # fmt: skip
    meet = np.all(
        (boxes[:, None, :2] < boxes[None, :, 2:]) & (boxes[None, :, :2] < boxes[:, None, 2:]),
        axis=-1,
    )
    assert np.count_nonzero(np.triu(meet, 1)) == 0
    page.close()


def lit(page) -> set[tuple[str, str, str]]:
    """What is marked on the page: kind of element, first and last bit."""
    return set(map(tuple, page.evaluate(
        "() => [...document.querySelectorAll('.on')].map(e =>"
        " [e.tagName + (e.matches('.target') ? '!' : ''), e.dataset.first, e.dataset.last])"
    )))  # fmt: skip


def test_pointing_at_one_shows_the_others(browser, tmp_path):
    path = tmp_path / "sheet.html"
    path.write_bytes(sheet_bytes(show_of("two rows"), ".html")[1])
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.goto(path.as_uri())
    # the second hole of the disc: bit 3 of N
    page.locator("svg > circle[data-first='3']").first.hover()
    marked = lit(page)
    assert {("circle", "3", "3"), ("rect!", "3", "3"), ("rect!", "0", "6"), ("rect!", "0", "23"),
            ("rect", "3", "3"), ("polygon", "0", "6")} <= marked  # fmt: skip
    assert not [m for m in marked if m[1:] == ("4", "4")]
    said = page.locator("#say").text_content()
    assert said.startswith("Row 1, position 4: one, hole, lamp in line 1, column 8 on, note ")
    page.mouse.move(2, 2)
    assert lit(page) == set()
    page.close()


def test_the_keyboard_reaches_every_bit(browser, tmp_path):
    path = tmp_path / "sheet.html"
    path.write_bytes(sheet_bytes(show_of("two rows"), ".html")[1])
    page = browser.new_page()
    page.goto(path.as_uri())

    def said() -> str:
        return page.locator("#say").text_content()

    page.keyboard.press("Tab")
    assert said().startswith("N, row 1: 1 to 7, number 78")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert said().startswith("Row 1, position 2: zero, no hole")
    page.keyboard.press("ArrowRight")
    assert said().startswith("O, row 1: 8 to 14")
    page.keyboard.press("ArrowUp")
    assert said().startswith("Row 1, position 7")
    page.keyboard.press("Escape")
    assert lit(page) == set()
    assert page.locator("[tabindex='0']").count() == len("NORTH!")
    page.close()


def test_the_command_writes_each_kind(run, tmp_path):
    for suffix in (".pdf", ".svg", ".html", ".png"):
        path = tmp_path / f"sheet{suffix}"
        got = run("explain", "cairn-small", "-o", path)
        assert got.status == 0, got.err
        assert got.out.startswith(f"{path}  1 page of a4")
        assert path.stat().st_size > 10_000
    got = run("explain", "cairn-small", "--characters", "1-8", "--worksheet", "--paper", "letter",
              "--black-and-white", "-o", tmp_path / "lesson.pdf")  # fmt: skip
    assert "2 pages of letter" in got.out
    for wrong, told in (
        ("99", "--characters: 99 are not there"),
        ("x", "--characters: 'x' is neither a number"),
    ):
        got = run("explain", "cairn-small", "--characters", wrong, "-o", tmp_path / "no.pdf")
        assert got.status == 2
        assert told in got.err
    assert not (tmp_path / "no.pdf").exists()

"""The files with their options: looked at before they are made, and made alike by the command."""

from __future__ import annotations

import base64
import io
import shlex
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from sonify.cli.command_line import command_line
from sonify.settings import convert, merge
from sonify.studio.document import Document, starting
from sonify.studio.downloads import FileOptions, command_for, downloads
from sonify.studio.drafts import draft_of
from sonify.studio.making import write_download
from sonify.studio.project import Project, project_toml
from tests.nightly import late
from tests.studio.conftest import Page

PICTURES = {
    ("lights", ".gif"): {},
    ("message", ".webp"): {"size": "square"},
    ("clip", ".mp4"): {},
    ("draw", ".png"): {},
}


@pytest.fixture
def document() -> Document:
    table = starting("cairn-small", ("music-box",))
    table["setup"]["clip"] = {"size": "320x180", "views": ["title", "disc"]}
    return convert(table, Document)


def test_the_command_names_only_what_its_file_depends_on() -> None:
    def line(what: str, suffix: str) -> str:
        return command_for(document, what, suffix, False, command_line)[0]

    table = starting("cairn-small", ("music-box", "embers"))
    table["setup"]["sound"]["loudness"] = -18.0
    document = convert(table, Document)
    assert line("draw", ".svg") == "sonify draw cairn-small -o cairn-small.svg"
    assert line("midi", ".mid") == "sonify midi cairn-small -p music-box -o cairn-small.mid"
    assert "loudness" in line("sound", ".wav")
    assert "clip" not in line("sound", ".wav")
    assert "embers" in line("lights", ".gif")
    assert "loudness" not in line("lights", ".gif")


def data_of(url: str, kind: str) -> bytes:
    head, _, data = url.partition(",")
    assert head == f"data:{kind};base64"
    return base64.b64decode(data)


@pytest.mark.parametrize(("what", "suffix"), PICTURES)
def test_a_draft_shows_a_frame_at_the_size_of_the_file(
    document: Document, what: str, suffix: str
) -> None:
    from PIL import Image

    options = convert(PICTURES[what, suffix], FileOptions)
    draft = draft_of(document, what, suffix, options, 8.0)
    kind = draft["image"].split(":")[1].split(";")[0]
    with Image.open(io.BytesIO(data_of(draft["image"], kind))) as picture:
        low, high = picture.convert("L").getextrema()
        assert high - low > 40  # not a plain area
        if "pixels" in draft:
            assert picture.size == tuple(draft["pixels"])
    if what == "clip":
        assert draft["pixels"] == [320, 180]
    if what == "message":
        assert draft["pixels"] == [1080, 1080]


def test_the_frame_is_the_one_at_that_time(document: Document) -> None:
    early, late = (draft_of(document, "lights", ".gif", FileOptions(), t) for t in (2.0, 12.0))
    assert early["image"] != late["image"]
    # outside the chosen part it shows the middle of that
    part = FileOptions(from_=11.98, to=12.06)
    assert draft_of(document, "lights", ".gif", part, 2.0)["image"] == late["image"]


def test_drafts_of_drawings_scores_and_sheets_are_svg(document: Document) -> None:
    from xml.etree import ElementTree

    for what in ("draw", "score", "explain"):
        draft = draft_of(document, what, ".pdf", FileOptions(), 0.0)
        root = ElementTree.fromstring(data_of(draft["image"], "image/svg+xml"))
        assert root.tag.endswith("svg")
    mirrored = draft_of(document, "draw", ".svg", FileOptions(side="back", kerf=0.2), 0.0)
    assert mirrored["image"] != draft_of(document, "draw", ".svg", FileOptions(), 0.0)["image"]


def test_drafts_of_sound_and_texts(document: Document) -> None:
    import av

    draft = draft_of(document, "sound", ".wav", FileOptions(from_=3.0, to=5.0), 0.0)
    with av.open(io.BytesIO(data_of(draft["sound"], "audio/mpeg"))) as file:
        assert 2 <= file.duration / av.time_base < 8  # and what rings on
    assert "comb" in draft_of(document, "midi", ".mid", FileOptions(), 0.0)["text"]
    assert "[layout]" in draft_of(document, "disc", ".toml", FileOptions(), 0.0)["text"]
    assert "[music]" in draft_of(document, "preset", ".toml", FileOptions(), 0.0)["text"]


OPTIONED: list[Any] = [
    ("midi", ".mid", {"tracks": "apart", "lyrics": "melody", "mixer": "full"}),
    ("midi", ".mid", {"tracks": "one", "lyrics": "both", "mixer": "none"}),
    ("midi", ".mid", {"only-notes": True, "split": True}),
    ("sound", ".wav", {"to": 2.0, "loop": 0, "stems": True, "stems-as": "both"}),
    late("sound", ".flac", {"to": 2.0, "stems-as": "dry"}),  # counts only with stems
    ("sound", ".wav", {"from": 1.2345, "to": 3.75, "loop": 2}),
    late("sound", ".flac", {"from": 0.5, "to": 2.0, "stems": True}),
    ("lights", ".gif", {"from": 2.0, "to": 4.0, "loop": 3}),
    late("lights", ".webp", {"from": 2.0, "to": 2.4, "size": "720p"}),
    ("message", ".gif", {"loop": 1}),
    late("clip", ".mp4", {"from": 2.0, "to": 2.5, "loop": 2, "silent": True}),
    ("clip", ".mp4", {"from": 2.0, "to": 2.4, "subtitles": True}),
    ("score", ".musicxml", {"rows": "2"}),
    ("explain", ".svg", {"worksheet": True, "paper": "letter"}),
    ("draw", ".svg", {"side": "back", "kerf": 0.15}),
    ("draw", ".pdf", {"kerf": 0.2, "paper": "a5"}),
    ("draw", ".csv", {"kerf": 0.1, "paper": "a4"}),
]


@pytest.mark.parametrize(("what", "suffix", "given"), OPTIONED)
def test_the_command_makes_the_same_files_with_options(
    document: Document, what: str, suffix: str, given: dict[str, Any], tmp_path: Path,
    run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    options = convert(given, FileOptions)
    (tmp_path / "page").mkdir()
    made, _ = write_download(document, what, suffix, tmp_path / "page", options=options)
    line, needs = command_for(document, what, suffix, False, command_line, options)
    monkeypatch.chdir(tmp_path)
    if needs:  # too long for a line
        Path(needs[0]).write_text(project_toml(Project(a=document)), encoding="utf-8")
    words = shlex.split(line)
    assert run(*words[1:]).status == 0
    if not options.several(what):
        assert made.read_bytes() == (tmp_path / words[words.index("-o") + 1]).read_bytes()
        return
    assert made.suffix == ".zip"
    with zipfile.ZipFile(made) as pack:
        assert len(pack.namelist()) > 2
        for name in pack.namelist():
            assert pack.read(name) == (tmp_path / name).read_bytes(), name
    assert [p.name for p in (tmp_path / "page").iterdir() if p.is_file()] == [made.name]


@pytest.mark.parametrize("way", [late("one-channel"), "mpe", late("mts")])
def test_the_command_makes_the_same_file_with_another_tuning(
    document: Document, way: str, tmp_path: Path, run: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    scale = {"ratios": ["1/1", "9/8", "5/4", "4/3", "3/2", "5/3", "15/8"]}
    setup = merge(document.setup, {"music": {"scale": scale, "tuning-output": way}})
    setup["music"]["voice"] = setup["music"]["voice"][:2]  # as many zones as MPE has
    test_the_command_makes_the_same_files_with_options(
        msgspec.structs.replace(document, setup=setup), "midi", ".mid", {"split": True}, tmp_path,
        run, monkeypatch,
    )  # fmt: skip


def test_every_option_belongs_to_a_command() -> None:
    offered = {row["what"]: row["options"] for row in downloads()}
    assert set(sum(offered.values(), ())) == set(FileOptions.__struct_encode_fields__)


def test_the_page_shows_a_draft_of_each_kind_and_follows_changes(page: Page) -> None:
    seen = "document.querySelector('.draft :is(img, audio, pre)')"
    for what in ("lights", "draw", "score", "midi", "preset"):
        page.at(f'.kind[data-what="{what}"] input').check(force=True)
        page.until(f"document.querySelector('.draft').dataset.of === '{what}'")
        assert page.js(f"Boolean({seen})"), what
    page.at('.kind[data-what="lights"] input').check(force=True)
    page.page.locator('[data-place="drawn.size"] select').select_option("square")
    page.until("document.querySelector('.draft figcaption').textContent.includes('1080 × 1080')")
    page.until("document.querySelector('.command code').textContent.includes('--size square')")

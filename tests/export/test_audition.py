"""The audition: one page that needs nothing else, in a real browser."""

from __future__ import annotations

import base64
import html
import io
import json
import re
import shlex

import numpy as np
import pytest

import sonify
from sonify.cli.audition import profile_of_file
from sonify.cli.command_line import command_line, toml_value
from sonify.export.audition import (
    MAX_CANDIDATES,
    Candidate,
    audition,
    nearest_first,
    notes_picture,
)
from sonify.export.candidates import candidates_of, relatives_of
from sonify.export.midi import midi_bytes
from sonify.progress import watching
from tests.nightly import sampled
from tests.shipped import MUSIC

NAMES = ["music-box", "hut-band", "gong-terrace", "tin-roof"]


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    path = tmp_path_factory.mktemp("audition") / "page.html"
    presets = tuple(x for n in NAMES for x in (n,))
    candidates = candidates_of(("quick", *presets), {"music.root": "E4"}, None, 1)
    done = []
    with watching(done.append):
        audition(sonify.load_disc("cairn-small"), candidates, path, command, seconds=8)
    assert done == [0.25, 0.5, 0.75, 1.0]
    return path


def command(candidate):
    return command_line("make", "cairn-small", candidate.presets, candidate.settings)


def embedded(text, kind):
    return [base64.b64decode(d) for d in re.findall(rf'data:{kind};base64,([^"]+)"', text)]


def test_the_page_needs_nothing_else(page):
    text = page.read_text(encoding="utf-8")
    outside = re.findall(r'(?:src|href|url)\s*[=(]\s*"?([^"\s)>]+)', text)
    assert all(o.startswith("data:") for o in outside)
    assert "http://" not in text
    assert "https://" not in text
    assert "default-src 'none'" in text


def test_sound_and_pictures_are_inside_and_whole(page):
    import av
    from PIL import Image

    text = page.read_text(encoding="utf-8")
    sounds = embedded(text, "audio/ogg")
    assert len(sounds) == 4
    for sound in sounds:
        with av.open(io.BytesIO(sound)) as file:
            assert file.streams.audio[0].codec_context.name in ("opus", "libopus")
            samples = np.concatenate([f.to_ndarray() for f in file.decode(audio=0)], axis=1)
        assert 5 < samples.shape[1] / 48000 < 14
        assert np.abs(samples).max() > 0.05
    pictures = embedded(text, "image/png")
    assert len(pictures) == 8
    for data in pictures:
        assert np.asarray(Image.open(io.BytesIO(data)).convert("RGBA"))[..., 3].any()


def test_the_commands_on_the_page_make_the_same_music(page, run, tmp_path):
    text = page.read_text(encoding="utf-8")
    commands = [html.unescape(c) for c in re.findall(r'data-command="([^"]*)"', text)]
    assert len(commands) == 4
    for command, name in zip(commands, NAMES, strict=True):
        words = shlex.split(command)
        assert words[:3] == ["sonify", "make", "cairn-small"]
        result = run(*words[1:], "--only", "midi", "-o", tmp_path / name)
        assert result.status == 0, result.err
        show = sonify.perform(
            sonify.load_disc("cairn-small"), ["quick", name], {"music.root": "E4"}
        )
        made = (tmp_path / name / "cairn-small.mid").read_bytes()
        assert made == b"".join(midi_bytes(show))


def test_the_picture_of_the_notes_shows_each_where_it_sounds():
    show = sonify.perform(
        sonify.Disc.from_bits(["10000100"]),
        settings={"music.voice": [{"pitch": {"scheme": "table", "degrees": [0, 0, 0, 0, 0, 7]}}]},
    )
    seconds = show.read_s
    picture = notes_picture(show, seconds)[..., 3] > 0
    columns = np.flatnonzero(picture.any(axis=0))
    share = columns / picture.shape[1]
    assert ((share < 1 / 8) | ((share >= 5 / 8 - 0.01) & (share < 6 / 8))).all()
    low = np.flatnonzero(picture[:, : picture.shape[1] // 8].any(axis=1)).mean()
    high = np.flatnonzero(picture[:, picture.shape[1] * 5 // 8 :].any(axis=1)).mean()
    assert high < low


def test_a_search_is_seeded_and_its_commands_work(run, tmp_path):
    once = candidates_of((), {"music.root": "G3"}, 6, 7)
    again = candidates_of((), {"music.root": "G3"}, 6, 7)
    other = candidates_of((), {"music.root": "G3"}, 6, 8)
    assert once == again
    assert once != other
    for candidate in once:
        # what was asked for stays
        assert candidate.settings["music.root"] == "G3"
        words = shlex.split(command(candidate))
        result = run(*words[1:], "--only", "midi", "-o", tmp_path)
        assert result.status == 0, result.err


def test_without_presets_all_that_ship_are_compared():
    names = [c.name for c in candidates_of(("slow",), {}, None, 1)]
    assert names == [p.stem for p in MUSIC]
    assert all(c.presets[0] == "slow" for c in candidates_of(("slow",), {}, None, 1))


def test_close_variations_of_a_preset_come_after_it():
    found = relatives_of("music-box", ("slow",), {"music.root": "E4"}, 5, 0.2, 3)
    assert [c.name for c in found] == ["music-box", *(f"music-box 300{n}" for n in range(5))]
    assert all(c.presets == ("slow", "music-box") for c in found)
    assert all(c.settings["music.root"] == "E4" for c in found)
    assert len({str(c.settings) for c in found}) == 6
    with pytest.raises(sonify.InputError, match="'slow' has no music"):
        relatives_of("slow", (), {}, 5, 0.2, 3)


@pytest.mark.parametrize("name", sampled(["gong-terrace", "telegraph", "ridge-run"], 1))
def test_a_preset_is_nearest_to_its_own_file(name, tmp_path):
    disc = sonify.load_disc("cairn-middle")
    path = sonify.perform(disc, ["usual", name]).save(tmp_path / "own.mid")
    candidates = candidates_of(("usual",), {}, None, 1)
    ranked = nearest_first(sonify.load_disc("cairn-small"), candidates, profile_of_file(path))
    assert ranked[0].name == name
    assert ranked[0].nearness > 0.9
    assert [c.nearness for c in ranked] == sorted((c.nearness for c in ranked), reverse=True)


def test_the_nearest_comes_first_on_the_page(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = sonify.perform(sonify.load_disc("cairn-small"), ["tin-roof"]).save("tune.mid")
    result = run("audition", "cairn-small", "-p", "music-box", "-p", "tin-roof", "--like", path,
                 "--seconds", "1", "-o", "page.html")  # fmt: skip
    assert result.status == 0, result.err
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert re.findall(r"<h2>(.*?)</h2>", text) == ["tin-roof", "music-box"]
    assert "<dt>nearness</dt><dd>1.00</dd>" in text
    assert "<dt>letters heard</dt>" in text


def test_settings_are_written_as_toml():
    import tomllib

    value = {"scheme": "walk", "span": 3, "up": 0.5, "names": ['a"b', "é"], "on": True}
    text = f"v = {toml_value(value)}"
    assert tomllib.loads(text)["v"] == value


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (["-o", "page.pdf"], [".pdf", ".html"]),
        (["-p", "no-such"], ["no-such"]),
        (["--set", "music.root=H1"], ["music.root"]),
        (["--search", "0"], ["--search"]),
        (["--vary", "slow"], ["--vary", "no music"]),
        (["--vary", "music-box", "--search", "3"], ["--search"]),
        (["--like", "none.mid"], ["none.mid"]),
    ],
)
def test_bad_calls_are_told_in_a_line(run, tmp_path, monkeypatch, arguments, parts):
    monkeypatch.chdir(tmp_path)
    result = run("audition", "cairn-small", *arguments)
    assert result.status == 2
    for part in parts:
        assert part in result.err
    assert not list(tmp_path.rglob("*.html"))


def test_more_than_a_page_holds(tmp_path):
    many = [Candidate("x", "", ("music-box",))] * (MAX_CANDIDATES + 1)
    with pytest.raises(sonify.InputError, match="compared on a page"):
        audition(sonify.load_disc("cairn-small"), many, tmp_path / "x.html", command)


def test_the_page_in_a_browser(page, browser):
    tab = browser.new_page(viewport={"width": 1000, "height": 800})
    asked, said = [], []
    tab.on("request", lambda r: asked.append(r.url))
    tab.on("console", lambda m: said.append(m.text))
    tab.on("pageerror", lambda e: said.append(str(e)))
    tab.goto(page.as_uri())
    names = "[...document.querySelectorAll('.card:not([hidden]) h2')].map(e => e.textContent)"
    assert tab.evaluate(names) == NAMES
    tab.select_option("#sort", "name")
    assert tab.evaluate(names) == sorted(NAMES)
    tab.select_option("#way", "-1")
    assert tab.evaluate(names) == sorted(NAMES, reverse=True)
    facts = [
        json.loads(f)
        for f in tab.evaluate("[...document.querySelectorAll('.card')].map(e => e.dataset.facts)")
    ]
    tab.select_option("#sort", "density")
    dense = [f["name"] for f in sorted(facts, key=lambda f: -f["density"])]
    assert tab.evaluate(names) == dense
    tab.select_option("#drums", "false")
    assert set(tab.evaluate(names)) == {f["name"] for f in facts if not f["drums"]}
    tab.select_option("#drums", "")
    tab.fill("#words", "gongs")
    assert tab.evaluate(names) == ["gong-terrace"]
    assert tab.inner_text("#shown") == "1 shown"
    tab.fill("#words", "")
    lengths = tab.evaluate(
        "Promise.all([...document.querySelectorAll('audio')].map(a => a.duration ? "
        "a.duration : new Promise(r => a.onloadedmetadata = () => r(a.duration))))"
    )
    assert all(5 < length < 14 for length in lengths)
    wide = tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert wide
    tab.set_viewport_size({"width": 360, "height": 700})
    assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    unnamed = tab.evaluate(
        "[...document.querySelectorAll('audio, img')]"
        ".filter(e => !(e.alt || e.getAttribute('aria-label'))).length"
    )
    assert unnamed == 0
    tab.click(".copy >> nth=0")
    tab.wait_for_function("document.querySelector('.copy').textContent === 'Copied'")
    assert all(u.startswith(("file:", "data:")) for u in asked)
    assert said == []
    tab.close()

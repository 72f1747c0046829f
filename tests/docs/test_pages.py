"""Every command and snippet of the README and the documentation runs, and prints what they say.

A page is read from top to bottom in a folder of its own. Its blocks are told by their language:

- ``sh`` is run, line by line;
- ``text`` after it is what the last line printed, with ... for anything; after a line that is to
  fail it begins with ``sonify: ``;
- ``toml`` with a title is written to that file, and otherwise read as a preset;
- ``python`` is run; what one block defines, later ones of the page know.
"""

from __future__ import annotations

import doctest
import itertools
import re
import shlex
import subprocess
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import click
import pytest

from sonify.cli.app import COMMANDS, sonify
from sonify.live.controllers import load_controls
from sonify.live.set_list import load_set_list
from sonify.performance_settings import Setup
from sonify.settings import convert
from tests.docs.inputs import INPUTS

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
PAGES = [README, *sorted((ROOT / "docs").rglob("*.md"))]
SET_UP = ("python3 -m venv", ".venv/bin/pip", ".venv/bin/pytest")
"""Commands that `.ci/run` runs itself."""
REAL_TIME = ("play", "watch", "studio")
"""Commands that wait for a person: only their arguments are read."""
QUICK = ("--set", "player.rpm=45")
SHORTER = {
    "clip": (
        "--duration",
        "1.2",
        "--set",
        "clip.title-s=1",
        "--size",
        "192x108",
        "--quality",
        "rough",
    ),
    "stills": ("--count", "2"),
    "audition": ("--seconds", "1", "--count", "1", "-p", "music-box"),
    "compose": ("--effort", "100"),
    "make": QUICK,
    "page": QUICK,
    "sound": QUICK,
}
"""Options that make a command's work small."""
ONE_SIZE = ("--positions", "48")
"""The same for a disc for a tune under a preset, which tries every size: 0.9 s of 9."""


class Block(NamedTuple):
    """A fenced block: its line, language, file name and text."""

    line: int
    language: str
    title: str
    text: str


def blocks(page: Path) -> Iterator[Block]:
    """The fenced blocks of a page; those within a list or note are indented."""
    text = page.read_text("utf-8")
    fence = r'(?ms)^( *)```(\w+)(?: title="([^"]+)")?\n(.*?)^\1```$'
    for found in re.finditer(fence, text):
        body = re.sub(rf"(?m)^{found[1]}", "", found[4])
        yield Block(text[: found.start()].count("\n") + 1, found[2], found[3] or "", body)


def test_every_block_has_a_language_that_is_checked() -> None:
    for page in PAGES:
        fences = len(re.findall(r"(?m)^ *```", page.read_text("utf-8")))
        known = [b for b in blocks(page) if b.language in ("sh", "text", "toml", "python", "c")]
        assert fences == 2 * len(known), page


def test_the_readme_is_short_and_has_no_links_that_a_package_index_would_break() -> None:
    text = README.read_text("utf-8")
    assert len(text.split()) <= 1200
    plain = re.sub(r"(?ms)^```.*?^```$|`[^`]*`", "", text)
    links = re.findall(r"\]\(([^)]*)\)|(?:src|href)=\"([^\"]*)\"", plain)
    assert all(a.startswith("https://") or b.startswith("https://") for a, b in links)


def test_pages_that_the_readme_names_exist() -> None:
    named = re.findall(r"`([\w/-]+\.md)`", README.read_text("utf-8"))
    places = (ROOT, ROOT / "docs/how-to")
    assert [n for n in named if not any((p / n).exists() for p in places)] == []


def test_pictures_stay_out_of_the_package() -> None:
    """`presets/` goes into the wheel as it is."""
    assert {p.suffix for p in (ROOT / "presets").rglob("*") if p.is_file()} == {".toml"}


@pytest.mark.parametrize("name", COMMANDS)
def test_examples_of_the_help_are_commands(name) -> None:
    """The reference shows them: their options exist and take these values."""
    text = sonify.get_command(click.Context(sonify), name).help
    examples = re.findall(r"(?m)^ +sonify (.*)$", text)
    assert examples, name
    for line in examples:
        words = shlex.split(line.partition(" > ")[0])
        found = sonify.get_command(click.Context(sonify), words[0])
        found.make_context(words[0], words[1:])


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_commands_and_snippets_run(page, run, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    known: dict[str, Any] = {}
    printed = ""
    end = Block(0, "", "", "")
    for block, after in itertools.pairwise([*blocks(page), end]):
        place = f"{page.relative_to(ROOT)}:{block.line}"
        if block.language == "sh":
            for line in block.text.replace("\\\n", "").splitlines():
                printed = command(
                    line, run, tmp_path, place, fails=after.text.startswith("sonify: ")
                )
        elif block.language == "text":
            flags = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
            assert doctest.OutputChecker().check_output(block.text, printed, flags), (
                f"{place} says otherwise than\n{printed}"
            )
        elif block.language == "python":
            exec(compile(block.text, place, "exec"), known)
        elif block.language == "toml" and block.title:
            (tmp_path / block.title).write_text(block.text, "utf-8")
        elif block.language == "toml":
            convert(tomllib.loads(block.text), Setup, place)


def command(line: str, run: Callable[..., Any], folder: Path, place: str, fails: bool) -> str:
    """Run a line of a page; what it printed."""
    line = line.removeprefix(".venv/bin/") if ".venv/bin/sonify" in line else line
    if line.startswith(SET_UP):
        assert line in (ROOT / ".ci/run").read_text("utf-8").replace(" -q", ""), f"{place}: {line}"
        return ""
    words = shlex.split(line, comments=True)
    if not words:
        return ""
    for word in words:
        if word in INPUTS and not (folder / word).exists():
            INPUTS[word](folder / word, run)
    if words[0] != "sonify":
        done = subprocess.run(line, shell=True, capture_output=True, text=True, cwd=folder)
        assert done.returncode == 0, f"{place}: {line}\n{done.stderr}"
        return done.stdout
    words, file = words[1:], ""
    if ">" in words:
        words, file = words[: words.index(">")], words[-1]
    if words[0] in REAL_TIME:
        found = sonify.get_command(None, words[0])
        given = found.make_context(words[0], words[1:]).params
        for name, load in (("set_list", load_set_list), ("controls", load_controls)):
            if given.get(name) and Path(given[name]).exists():
                load(Path(given[name]))
        return ""
    done = run(
        *words, *SHORTER.get(words[0], ()), *(ONE_SIZE if {"--tune", "-p"} <= {*words} else ())
    )
    assert (done.status != 0) == fails, f"{place}: {line}\n{done.err}"
    if file:
        (folder / file).write_text(done.out, "utf-8")
    return done.out + done.err

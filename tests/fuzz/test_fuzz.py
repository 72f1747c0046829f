"""Damaged input ends with exit status 0, 1 or 2, in time, and with one line that is fit to print.

`python -m tests.fuzz 100000` goes on from here; each fault that it found is a case below.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fuzz.corpus import COMMANDS
from tests.fuzz.runner import judged
from tests.nightly import nightly, sampled_product

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="needs fork and limits of Linux"
)

FIRST = 1_000_000
EACH = 3
"""Cases of each kind that run always."""
NIGHTLY = 100

FOUND = {
    "a key signature that does not exist": "midi:2",
    "bytes in a setting that are not UTF-8": "set:2",
    "a setting that is nested too deeply": "set:32",
    "an unknown key of thousands of characters": "set:51",
    "a setting with control characters": "set:62",
    "an array whose header ends early": "grid:13",
    "a control character among a grid's marks": "grid:40",
    "a control character that the matrix font lacks": "drawing:45482",
    "a number of more than 4,300 digits": "preset:47",
    "a log of one clock pulse": "log:32",
    "a drawing of which its library complains": "drawing:46",
    "a disc whose message begins with a blank line": "drawing:67",
    "a length that is no number": "set:3636414",
    "a log of a few pulses": "log:3636417",
    "a time that no MIDI file can hold": "midi:3636468",
    "the highest tone in a tune": "midi:3636394",
    "a time that would leave a gap larger than memory": "log:727331",
    "an encoding that does not exist": "drawing:5000052",
    "a prefix without a namespace": "drawing:1818354",
    "a length of more seconds than a number may have": "set:7272774",
    "an octave of 4,401 digits": "set:7273039",
    "a word of 4,400 letters": "disc:2386454",
    "a voice whose name turns the direction of text": "set:1790013",
    "a player that turns in more seconds than a number may have": "set:3578718",
}


class Asked:
    """A fuzzer in a process of its own: one with threads, as pytest's may be, can't be forked."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.fuzz", "--serve", "--folder", str(folder)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="ascii",
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip

    def fault(self, asked: str | list[str]) -> str | None:
        """What is wrong with how a case, or a command, ends."""
        stdin, stdout = self.process.stdin, self.process.stdout
        assert stdin is not None
        assert stdout is not None
        stdin.write(json.dumps(asked) + "\n")
        stdin.flush()
        fault: str | None = json.loads(stdout.readline())
        return fault


@pytest.fixture(scope="module")
def fuzzer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    asked = Asked(tmp_path_factory.mktemp("fuzz"))
    yield asked
    asked.process.communicate()


@pytest.mark.parametrize(
    "numbers", [range(EACH), pytest.param(range(EACH, NIGHTLY), marks=nightly)], ids=["few", "many"]
)
@pytest.mark.parametrize("kind", COMMANDS)
def test_damaged_files(fuzzer: Asked, kind: str, numbers: range) -> None:
    cases = [f"{kind}:{FIRST + k}" for k in numbers]
    assert {c: f for c in cases if (f := fuzzer.fault(c))} == {}


@pytest.mark.parametrize("what", FOUND)
def test_found_before(fuzzer: Asked, what: str) -> None:
    assert fuzzer.fault(FOUND[what]) is None


@pytest.mark.parametrize(
    "words",
    [
        ["inspect", "a\udc80b.toml"],
        ["inspect", "n" * 5000],
        ["midi", "bits.toml", "-o", "n" * 300 + ".mid"],
        ["midi", "bits.toml", "-o", "/".join(["folder"] * 700) + ".mid"],
        ["encode", "A\udcffB", "-o", "o.toml"],
        ["encode", "A", "--title", "\udcff", "-o", "o.toml"],
        ["encode", "\x1b[31mRED", "-o", "o.toml"],
        ["midi", "bits.toml", "-p", "\udcff"],
        ["midi", "bits.toml", "--set", "music.voice=" + "[" * 5000],
        ["read", "bits.toml\x1b[2J.svg"],
    ],
    ids=lambda words: ascii(" ".join(words))[:40],
)
def test_names_and_texts_that_no_file_has(fuzzer: Asked, words: list[str]) -> None:
    assert fuzzer.fault(words) is None


@pytest.mark.parametrize(
    ("name", "command"),
    sampled_product(
        ["pipe.svg", "loop.svg", "loop/a.toml", "empty.npy", "deep.svg"], ["read", "inspect"]
    ),
)
def test_files_that_are_no_files(fuzzer: Asked, name: str, command: str) -> None:
    folder: Path = fuzzer.folder
    if not (folder / "pipe.svg").exists():
        os.mkfifo(folder / "pipe.svg")
        (folder / "loop.svg").symlink_to("loop.svg")
        (folder / "loop").symlink_to("loop")
        (folder / "empty.npy").write_bytes(b"")
        nested = "<g>" * 20_000 + "</g>" * 20_000
        (folder / "deep.svg").write_text(
            f'<svg xmlns="http://www.w3.org/2000/svg">{nested}</svg>', encoding="utf-8"
        )
    assert fuzzer.fault([command, name]) is None


def test_a_billion_laughs(fuzzer: Asked) -> None:
    entities = "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10 if k else "ha"}">' for k in range(12))
    (fuzzer.folder / "bomb.svg").write_text(
        f"<?xml version='1.0'?><!DOCTYPE svg [{entities}]>"
        "<svg xmlns='http://www.w3.org/2000/svg'><text>&a11;</text></svg>",
        encoding="utf-8",
    )
    assert fuzzer.fault(["read", "bomb.svg"]) is None


def test_drawings_that_use_themselves(fuzzer: Asked) -> None:
    (fuzzer.folder / "cycle.svg").write_text(
        "<svg xmlns='http://www.w3.org/2000/svg' xmlns:xlink='http://www.w3.org/1999/xlink'>"
        "<g id='a'><use xlink:href='#b'/></g><g id='b'><use xlink:href='#a'/></g></svg>",
        encoding="utf-8",
    )
    assert fuzzer.fault(["read", "cycle.svg"]) is None


def test_a_picture_that_would_fill_the_memory(fuzzer: Asked) -> None:
    import struct
    import zlib

    def chunk(tag: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + tag + data + struct.pack(">I", zlib.crc32(tag + data))

    side = 60_000
    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    (fuzzer.folder / "bomb.png").write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(10_000_000))) + chunk(b"IEND", b"")
    )  # fmt: skip
    assert fuzzer.fault(["read", "bomb.png"]) is None


def test_the_judge_sees_faults() -> None:
    fine = "sonify: there is no such file\n"
    assert judged(2, "", fine) is None
    assert "control" in str(judged(0, "\x1b[31m", ""))
    assert "control" in str(judged(2, "", "sonify: \x07\n"))
    assert "traceback" in str(judged(1, "", "Traceback (most recent call last):\nX: y"))
    assert "exit status" in str(judged(99, "", fine))
    assert "2 errors" in str(judged(2, "", fine * 2))
    assert "characters" in str(judged(2, "", f"sonify: {'a' * 5000}\n"))

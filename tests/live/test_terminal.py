"""The matrix in the terminal: in a real pseudo-terminal, and as text."""

from __future__ import annotations

import io
import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import sonify
from sonify.light.colours import palette_of
from sonify.light.lamp_levels import LampLevels
from sonify.light.look import Look
from sonify.live.terminal import Screen
from tests.lamps import states_at

ROOT = Path(__file__).parents[2]


class Utf8(io.StringIO):
    encoding = "utf-8"


class Ascii(io.StringIO):
    encoding = "ascii"


def lines_of(text: str) -> list[str]:
    return [
        re.sub(r"\x1b\[[?0-9;]*[a-zA-Z]", "", line).replace("\r", "") for line in text.split("\n")
    ]


@pytest.fixture
def wide(monkeypatch):
    monkeypatch.setattr("shutil.get_terminal_size", lambda *_: os.terminal_size((100, 40)))


def test_lamps_at_any_moment_are_those_of_the_performance():
    show = sonify.perform(sonify.load_disc("cairn-middle"), presets=["usual"])
    m = show.setup.player.matrix
    rng = np.random.default_rng(2)
    times = np.sort(rng.uniform(0, show.read_s, 60))
    want = states_at(show.lights, times, m.lamps)
    lamps = LampLevels(show.lights, show.setup.player.matrix, show.scroll)
    for t, levels in zip(times, want, strict=True):
        assert np.array_equal(lamps.at(float(t)).ravel(), levels)
    # back again, as a loop does
    assert np.array_equal(lamps.at(float(times[3])).ravel(), want[3])
    scroll = show.scroll
    assert scroll is not None
    t = scroll.start_s + 20.5 * scroll.column_s
    assert np.array_equal(lamps.at(t), scroll.levels(20))


@pytest.mark.parametrize(
    ("stream", "lit", "unlit"), [(Utf8, "\u25cf", "\u00b7"), (Ascii, "#", ".")]
)
def test_plain_where_there_is_no_colour(monkeypatch, wide, stream, lit, unlit):
    monkeypatch.delenv("COLORTERM", raising=False)
    out = stream()
    levels = np.array([[255, 0, 255], [0, 0, 255]], np.uint8)
    with Screen(out, 3, 2, sonify.perform(sonify.load_disc("cairn-small")).setup.light) as s:
        s.draw(levels, "1.0 s")
    got = lines_of(out.getvalue())
    assert got[:3] == [f"{lit} {unlit} {lit}", f"{unlit} {unlit} {lit}", "1.0 s"]
    assert "38;2" not in out.getvalue()


def test_true_colour_is_the_looks(monkeypatch, wide):
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    out = Utf8()
    look = sonify.perform(
        sonify.load_disc("cairn-small"),
        settings={"light.lamp": "#102030", "light.unlit": "#040506"},
    ).setup.light
    with Screen(out, 2, 1, look) as s:
        s.draw(np.array([[255, 0]], np.uint8))
        before = out.getvalue()
        s.draw(np.array([[255, 0]], np.uint8))
        assert out.getvalue() == before, "nothing changed, and it was drawn again"
    assert "\x1b[38;2;16;32;48m" in before
    assert "\x1b[38;2;4;5;6m" in before


def test_a_small_terminal_gets_a_smaller_picture(monkeypatch):
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)
    look = sonify.perform(sonify.load_disc("cairn-small")).setup.light
    for size, rows in (((40, 40), 4), ((20, 40), 1)):
        monkeypatch.setattr("shutil.get_terminal_size", lambda *_, s=size: os.terminal_size(s))
        out = Utf8()
        with Screen(out, 32, 8, look) as s:
            s.draw(np.zeros((8, 32), np.uint8))
        got = lines_of(out.getvalue())
        assert len(got) - 2 == rows
        assert max(map(len, got)) <= size[0]


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals as Unix has them")
def test_play_in_a_terminal_shows_the_matrix_and_leaves_it_clean():
    import pty

    env = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "100", "LINES": "40"}
    env.pop("COLORTERM", None)
    listener = subprocess.Popen(
        [sys.executable, "-m", "tests.live.loopback"],
        stdout=subprocess.PIPE, text=True, env=env, cwd=ROOT,
    )  # fmt: skip
    assert listener.stdout is not None
    env["SONIFY_TEST_PORT"] = listener.stdout.readline().strip()
    env["MIDO_BACKEND"] = "tests.live.loopback"
    master, slave = pty.openpty()
    player = subprocess.Popen(
        [sys.executable, "-m", "sonify", "play", "cairn-small", "--port", "Valley"],
        stdin=slave, stdout=slave, stderr=subprocess.DEVNULL, env=env, cwd=ROOT,
    )  # fmt: skip
    os.close(slave)
    text = b""
    sent = False
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        ready, _, _ = select.select([master], [], [], 0.2)
        if ready:
            try:
                data = os.read(master, 65536)
            except OSError:
                break
            if not data:
                break
            text += data
        if not sent and text.count("\u25cf".encode()) > 40:
            player.send_signal(signal.SIGINT)
            sent = True
    assert player.wait(10) == 0
    os.close(master)
    listener.communicate(timeout=20)
    shown = text.decode("utf-8", "replace")
    assert sent, "no lamp was ever lit"
    assert shown.startswith("\x1b[?25l")
    assert shown.rstrip("\r\n").endswith("\x1b[?25h"), "the cursor stays hidden"


def test_lamps_have_the_colours_of_their_rule(monkeypatch):
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("LINES", "40")
    out = Utf8()
    look = Look(colours="row")
    shown = np.array([[255 + 256 * 2, 0]], np.uint16)
    with Screen(out, 2, 1, look) as screen:
        screen.draw(shown)
    second = palette_of(look)[1]
    want = ";".join(str(int(second[k : k + 2], 16)) for k in (1, 3, 5))
    assert f"\x1b[38;2;{want}m" in out.getvalue()

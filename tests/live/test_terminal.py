"""The matrix in the terminal: in a real pseudo-terminal, and as text."""

from __future__ import annotations

import contextlib
import io
import os
import re
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import mido
import numpy as np
import pytest
from mido.sockets import PortServer

import sonify
from sonify.cli.lamps import agree
from sonify.extras import NotInstalled
from sonify.light.colours import palette_of
from sonify.light.lamp_levels import LampLevels
from sonify.light.look import Look
from sonify.live.terminal import Screen
from tests.lamps import states_at
from tests.live.loopback import hanging

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
    monkeypatch.setattr("shutil.get_terminal_size", lambda *_, **__: os.terminal_size((100, 40)))


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
        sized = os.terminal_size(size)
        monkeypatch.setattr("shutil.get_terminal_size", lambda *_, s=sized, **__: s)
        out = Utf8()
        with Screen(out, 32, 8, look) as s:
            s.draw(np.zeros((8, 32), np.uint8))
        got = lines_of(out.getvalue())
        assert len(got) - 2 == rows
        assert max(map(len, got)) <= size[0]


def test_flashes_that_can_not_be_measured_are_asked_about(monkeypatch, capsys):
    asked = []
    monkeypatch.setattr("sonify.cli.lamps.click.confirm", lambda text, **_: asked.append(text))

    def missing(_: object) -> None:
        raise NotInstalled("this needs packages that are not installed")

    monkeypatch.setattr("sonify.studio.flashing.flashing_of", missing)
    flashing = sonify.perform(sonify.load_disc("cairn-middle"), presets=["quick"])
    agree(flashing)
    assert asked == ["Watch it all the same?"]
    assert "the lamps may flash" in capsys.readouterr().err


class Terminal:
    """A pseudo-terminal in which `sonify play` plays to a listener on loopback."""

    def __init__(self, *args: object, folder: Path = ROOT, **more: str) -> None:
        import pty
        import termios

        env = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "100"}
        env |= {"LINES": "40", "MIDO_BACKEND": "tests.live.loopback", **more}
        env.pop("COLORTERM", None)
        self.listener = subprocess.Popen(
            [sys.executable, "-m", "tests.live.loopback"],
            stdout=subprocess.PIPE, text=True, env=env, cwd=ROOT,
        )  # fmt: skip
        assert self.listener.stdout is not None
        env["SONIFY_TEST_PORT"] = self.listener.stdout.readline().strip()
        self.master, self.slave = pty.openpty()
        self.before = termios.tcgetattr(self.slave)
        self.player = subprocess.Popen(
            [sys.executable, "-m", "sonify", "play", *map(str, args), "--port", "Valley"],
            stdin=self.slave, stdout=self.slave, stderr=subprocess.PIPE, env=env, cwd=folder,
        )  # fmt: skip
        self.text = ""
        self._watch = threading.Thread(target=self._ended, daemon=True)
        self._watch.start()

    def _ended(self) -> None:
        import termios

        self.player.wait()
        with contextlib.suppress(termios.error):
            self.after = termios.tcgetattr(self.slave)
        # now a read of what is shown ends too
        os.close(self.slave)

    def until(self, part: str) -> None:
        """Read what is shown until a text appears after what was read before."""
        start = len(self.text)
        while part not in self.text[start:]:
            self.text += os.read(self.master, 65536).decode("utf-8", "replace")

    def press(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def end(self) -> tuple[int, list[mido.Message]]:
        """Wait for the end: the status, and what was heard."""
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 65536):
                self.text += data.decode("utf-8", "replace")
        self._watch.join()
        os.close(self.master)
        lines = self.listener.communicate()[0].splitlines()
        heard = [mido.Message.from_hex(line.split(" ", 1)[1]) for line in lines]
        return self.player.returncode, heard


posix = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals as Unix has them")

EVENING = """
[[piece]]
disc = "cairn-small"
preset = ["music-box"]
[[piece]]
disc = "cairn-middle"
preset = ["organ-loft"]
title = "Lantern walk"
start = "cue"
[[cue]]
key = "g"
do = "next"
at = "now"
"""


@posix
def test_play_in_a_terminal_shows_the_matrix_and_leaves_it_clean():
    t = Terminal("cairn-small")
    t.until("\u25cf")
    t.player.send_signal(signal.SIGINT)
    status, heard = t.end()
    assert status == 0
    assert not hanging(heard)
    assert t.text.startswith("\x1b[?25l")
    assert t.text.rstrip("\r\n").endswith("\x1b[?25h"), "the cursor stays hidden"


@posix
def test_keys_lead_through_a_set_and_the_terminal_is_put_back(tmp_path):
    (tmp_path / "night.toml").write_text(EVENING)
    t = Terminal("--set-list", tmp_path / "night.toml")
    t.until("1 of 2  Cairn Hut, 14 March  row 1")
    t.until("next: Lantern walk (waits for a cue)")
    t.press(b"2")
    t.until("muted: ")
    t.press(b"g")
    t.until("2 of 2  Lantern walk  row 1")
    # Ctrl-Z would stop the program with its notes on
    t.press(b"\x1a\x1b[C")
    t.until("next: leave out a row, at the next row")
    t.until("cues: g next")
    t.press(b" ")
    t.until("paused")
    t.press(b"q")
    status, heard = t.end()
    assert status == 0
    assert not hanging(heard)
    assert {m.program for m in heard if m.type == "program_change"} > set()
    assert t.after == t.before
    assert t.text.rstrip("\r\n").endswith("\x1b[?25h")


@posix
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_puts_the_terminal_back(number):
    t = Terminal("cairn-middle", "-p", "organ-loft")
    t.until("row 1 of")
    t.player.send_signal(number)
    status, heard = t.end()
    assert status == 0
    assert not hanging(heard)
    assert t.after == t.before
    assert t.text.rstrip("\r\n").endswith("\x1b[?25h")


@posix
def test_a_pulled_port_puts_the_terminal_back():
    t = Terminal("cairn-middle", "-p", "organ-loft")
    t.until("row 1 of")
    t.listener.kill()
    status, _ = t.end()
    assert status == 1
    assert t.player.stderr is not None
    error = t.player.stderr.read().decode().splitlines()[-1]
    assert "no longer accepts messages" in error
    assert t.after == t.before


@posix
def test_a_closed_terminal_leaves_nothing_hanging():
    t = Terminal("cairn-middle", "-p", "organ-loft")
    t.until("row 1 of")
    os.close(t.master)
    t.player.wait()
    assert t.player.returncode == 129
    assert t.player.stderr is not None
    assert "Traceback" not in t.player.stderr.read().decode()
    lines = t.listener.communicate()[0].splitlines()
    heard = [mido.Message.from_hex(line.split(" ", 1)[1]) for line in lines]
    assert any(m.type == "note_on" for m in heard)
    assert not hanging(heard)


@posix
@pytest.mark.parametrize("errors", ["shown", "kept"])
def test_a_closed_window_ends_a_command_without_a_word(errors, tmp_path):
    """The terminal controls the program here, so that it gets SIGHUP as the window closes."""
    import pty

    said = tmp_path / "said.txt"
    number, master = pty.fork()
    if number == 0:
        os.environ |= {"TERM": "xterm", "COLUMNS": "100", "LINES": "40"}
        if errors == "kept":
            os.dup2(os.open(said, os.O_WRONLY | os.O_CREAT), 2)
        os.execv(sys.executable, [sys.executable, "-m", "sonify", "watch", "cairn-small"])
    shown = b""
    while "\u25cf".encode() not in shown:
        shown += os.read(master, 65536)
    os.close(master)
    status = os.waitpid(number, 0)[1]
    assert os.waitstatus_to_exitcode(status) == 129
    assert not said.exists() or not said.read_text()


@posix
@pytest.mark.parametrize("closed", [[0], [1], [2], [0, 1, 2]])
def test_closed_standard_streams(closed, tmp_path):
    def close() -> None:
        for number in closed:
            os.close(number)

    done = subprocess.run(
        [sys.executable, "-m", "sonify", "midi", "cairn-small", "-o", tmp_path / "a.mid"],
        preexec_fn=close, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert mido.MidiFile(tmp_path / "a.mid").length > 10


@contextlib.contextmanager
def pedal_of(*args: object):
    """A terminal whose input port is a socket, and the way into that port."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        number = s.getsockname()[1]
    server = PortServer("127.0.0.1", number)
    t = Terminal(*args, "--input", "Pedal", SONIFY_TEST_INPUT=str(number))
    yield t, server.accept()
    t.press(b"q")
    status, heard = t.end()
    server.close()
    assert status == 0
    assert not hanging(heard)


@posix
def test_a_footswitch_starts_the_next_piece(tmp_path):
    (tmp_path / "night.toml").write_text(EVENING.replace('key = "g"', "controller = 64"))
    with pedal_of("--set-list", tmp_path / "night.toml") as (t, pedal):
        t.until("1 of 2")
        pedal.send(mido.Message("control_change", control=64, value=127))
        t.until("2 of 2  Lantern walk")


@posix
def test_a_clock_is_followed_until_it_ends():
    with pedal_of("cairn-small", "--follow") as (t, pedal):
        t.until("waits for the clock")
        pedal.send(mido.Message("start"))
        for _ in range(30):
            pedal.send(mido.Message("clock"))
        t.until("follows")
        t.until("waits for the clock")


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

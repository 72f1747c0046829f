"""The matrix in a terminal: a real pseudo-terminal, read back by what it was sent.

Escapes: colours (SGR 38;2) ECMA-48 and ITU-T T.416; the cursor (?25) DEC VT220; the second screen
(?1049) XTerm Control Sequences by E. Moy, S. Gildea and T. Dickey.
"""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys

import pytest

from tests.shipped import PRESETS

DISC = PRESETS / "discs" / "cairn-small.toml"


def watched(*arguments, interrupt_after=None, colour=True):
    """Run `sonify watch` on a terminal of its own: exit status and all that it wrote."""
    ours, theirs = pty.openpty()
    env = {**os.environ, "TERM": "xterm", "COLUMNS": "100", "LINES": "30"}
    env["COLORTERM"] = "truecolor" if colour else ""
    process = subprocess.Popen(
        [sys.executable, "-m", "sonify", "watch", str(DISC), *arguments],
        stdin=theirs, stdout=theirs, stderr=subprocess.PIPE, env=env,
    )  # fmt: skip
    os.close(theirs)
    out, sent = b"", False
    while True:
        if select.select([ours], [], [], 0.05)[0]:
            try:
                got = os.read(ours, 65536)
            except OSError:
                break
            if not got:
                break
            out += got
        if interrupt_after is not None and not sent and interrupt_after.encode() in out:
            process.send_signal(signal.SIGINT)
            sent = True
    status = process.wait()
    os.close(ours)
    process.stderr.close()
    return status, out.decode()


@pytest.mark.parametrize("colour", [True, False])
def test_it_shows_the_message_and_leaves_a_clean_screen(colour):
    status, out = watched("--speed", "10", "--set", "player.rpm=20", colour=colour)
    assert status == 0
    assert "FOG LIFTS AT 9" in out
    assert ("\x1b[38;2;255;179;71m" in out) == colour
    assert out.index("\x1b[?1049h") < out.index("\x1b[?25l") < out.rindex("\x1b[?25h")
    assert out.rstrip().endswith("\x1b[?1049l")


def test_ctrl_c_leaves_a_clean_screen():
    status, out = watched("--loop", "--speed", "10", interrupt_after="FOG L")
    assert status == 0
    assert "\x1b[?25h" in out
    assert out.rstrip().endswith("\x1b[?1049l")


def test_the_picture_is_as_it_is_mounted():
    _, out = watched("--speed", "10", "--set", "light.turned=90", colour=False)
    # 32 lines of 8 lamps do not fit 30 lines
    assert "larger than the terminal" in out


def test_without_a_terminal_it_says_so(run):
    done = run("watch", DISC)
    assert done.status == 2
    assert re.search(r"the output is not a terminal; `sonify lights` writes a file", done.err)
